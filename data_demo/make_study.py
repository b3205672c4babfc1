"""Make the invented single-case study in data_demo/study, from plan to masked raters.

    python data_demo/make_study.py

``before`` holds the practice's tables as they were when the study was planned, ``records`` what was
recorded in it. No child, therapist or rater in it exists.
"""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import numpy as np
import rungwise
from rungwise.series.caseload import read_caseload
from rungwise.simulate.records import ladder_rows
from rungwise.simulate.writing import csv_text, write_tables
from rungwise.study.data import study_of
from rungwise.study.masked import mask_study
from rungwise.study.plan import plan_study
from rungwise.study.power import power
from rungwise.study.preanalysis import PreAnalysis
from rungwise.study.rehearsal import rehearse
from rungwise.study.scenario import Scenario
from rungwise.study.schedule import draw_schedule

HERE = Path(__file__).resolve().parent / "study"
FIRST_DAY, TODAY = date(2026, 3, 2), date(2026, 11, 13)
SEED = 20_260_302
CHILDREN = (
    ("S01", 92, "female", True),
    ("S02", 81, "male", True),
    ("S03", 104, "female", True),
    ("S04", 97, "male", True),
    ("S05", 88, "female", False),
)
INCIDENTS = [
    {"child_id": "S02", "date": date(2026, 5, 18), "kind": "distress", "severity": "minor",
     "ladder_id": "gangway", "step": 4, "action": "stopped and sat down on the quay"},
    {"child_id": "S04", "date": date(2026, 8, 3), "kind": "near_fall", "severity": "moderate",
     "ladder_id": "gangway", "step": 3, "action": "went back one step"},
]  # fmt: skip
SUPPOSED = Scenario(level_change=-2.0, phi=0.2, missed=0.04, decline_at=9.5)


def before() -> dict[str, list[dict[str, object]]]:
    """Give the practice's tables before the study."""
    children = [
        {"child_id": code, "age_months": months, "sex": sex, "research_consent": consent}
        for code, months, sex, consent in CHILDREN
    ]
    plans = [
        {"child_id": code, "ladder_id": "gangway", "probe_step": 5, "planned_per_week": 1,
         "usual_rater": "child", "usual_setting": "harbor"}
        for code, *_ in CHILDREN
    ]  # fmt: skip
    return {"children": children, "ladders": ladder_rows(), "plans": plans}


def make(folder: Path = HERE) -> None:
    """Write everything into an empty folder."""
    for name in ("before", "records"):
        (folder / name).mkdir(parents=True)
    write_tables(before(), folder / "before")
    practice = read_caseload(folder / "before", today=TODAY)
    plan = plan_study(
        practice, ["S01", "S02", "S03", "S04"], design_id="GW1", first_day=FIRST_DAY, occasions=26
    )
    schedule = draw_schedule(plan, SEED)
    document = PreAnalysis(
        plan,
        question="Does graded exposure bring down fear of walking the whole pontoon gangway at high tide?",
        stopping="Exposure stops on a child's word or sign; what was rated until then is analyzed.",
        masking="A second observer of the outcome of probes did not know the starts; the children did.",
        scenario=SUPPOSED,
        power=power(
            plan.design, plan.occasions, SUPPOSED, rng=np.random.default_rng(1), replications=2_000
        ),
        commitment=schedule.commitment,
        version=rungwise.__version__,
    )
    (folder / "plan.json").write_text(document.text(), encoding="utf-8", newline="\n")
    (folder / "schedule.json").write_text(schedule.sealed(), encoding="utf-8", newline="\n")
    tables = rehearse(schedule, SUPPOSED, np.random.default_rng(SEED))
    known = {row["child_id"]: row for row in before()["children"]}
    tables["children"] = [known[row["child_id"]] for row in tables["children"]]
    tables["ladders"] = ladder_rows()
    tables["incidents"] = INCIDENTS
    write_tables(tables, folder / "records")
    study = study_of(read_caseload(folder / "records", today=TODAY), plan=plan)
    masked = mask_study(study, rng=np.random.default_rng(SEED))
    (folder / "masked_key.json").write_text(masked.key_text(), encoding="utf-8", newline="\n")
    answers = csv_text(_answers(masked.key, np.random.default_rng(SEED)))
    (folder / "masked_answers.csv").write_text(answers, encoding="utf-8", newline="\n")


def _answers(key: dict, rng: np.random.Generator) -> list[dict[str, object]]:
    """Invent two raters who see the starts roughly."""
    everything = np.array(sorted({start for window in key["windows"] for start in window}))
    rows = []
    for rater in ("R3", "R4"):
        for entry in key["graphs"]:
            seen = entry["start"] + rng.normal(0, 2.5)
            guess = everything[np.argmin(np.abs(everything - seen))]
            rows.append({"rater": rater, "graph": entry["graph"], "start": int(guess), "comment": None})
    return rows


if __name__ == "__main__":
    shutil.rmtree(HERE, ignore_errors=True)
    make()
    print(f"Written: {HERE}")
