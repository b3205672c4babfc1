"""Files of a practice that records trials, written row by row."""

from datetime import date, timedelta

import pytest
from rungwise.series.caseload import read_caseload

DAYS = [str(date(2026, 1, 1) + timedelta(days=day)) for day in range(90)]


class Records:
    def __init__(self, folder):
        self.folder = folder
        self.tables = {
            "observations": [
                "child_id,ladder_id,date,trial,kind,step,outcome,fear_before,fear_peak,fear_end,rated_by"
            ],
            "phases": ["child_id,ladder_id,starts_on,phase"],
            "children": ["child_id,ended_on,end_reason"],
            "ladders": ["ladder_id,step,activity"],
            "plans": ["child_id,ladder_id,probe_step,primary,trained,planned_per_week"],
            "sessions": ["child_id,date,attended,exposure_minutes"],
            "incidents": ["child_id,date,kind,severity,ladder_id,step"],
        }
        self.toml = ""

    def trial(self, day, step, peak=None, *, child="C1", ladder="wall", kind="practice", number=1, **more):
        row = {"outcome": "declined" if peak == "declined" else "completed", "before": "", "end": "",
               "by": "child", **more}  # fmt: skip
        shown = "" if peak in (None, "declined") else peak
        self.tables["observations"].append(
            f"{child},{ladder},{DAYS[day]},{number},{kind},{step},{row['outcome']},{row['before']},{shown},"
            f"{row['end']},{row['by']}"
        )

    def exposure_from(self, day, child="C1"):
        self.phase_from(day, "exposure", child)

    def phase_from(self, day, phase, child="C1"):
        self.tables["phases"].append(f"{child},,{DAYS[day]},{phase}")

    def plan(self, step, *, child="C1", ladder="wall", primary="yes", trained="yes", per_week=""):
        self.tables["plans"].append(f"{child},{ladder},{step},{primary},{trained},{per_week}")

    def session(self, day, attended="yes", minutes="", child="C1"):
        self.tables["sessions"].append(f"{child},{DAYS[day]},{attended},{minutes}")

    def incident(self, day, kind="distress", severity="minor", step=1, child="C1", ladder="wall"):
        self.tables["incidents"].append(f"{child},{DAYS[day]},{kind},{severity},{ladder},{step}")

    def ladder(self, steps, name="wall"):
        self.tables["ladders"] += [f"{name},{step},rung {step}" for step in range(1, steps + 1)]

    def child(self, code, ended_on="", reason=""):
        self.tables["children"].append(f"{code},{ended_on},{reason}")

    def read(self):
        for name, rows in self.tables.items():
            if len(rows) > 1:
                (self.folder / f"{name}.csv").write_text("\n".join(rows) + "\n")
        if self.toml:
            (self.folder / "practice.toml").write_text(self.toml)
        return read_caseload(self.folder)


@pytest.fixture
def records(tmp_path):
    return Records(tmp_path)
