"""Safety in a study's report: every event, how the procedure was carried out, and what nobody recorded."""

import re
import shutil
from datetime import date
from pathlib import Path

from rungwise.reports.manuscript import Rows, to_blocks
from rungwise.reports.study_inputs import read_study
from rungwise.reports.study_safety import safety_parts

DEMO = Path(__file__).parents[2] / "data_demo" / "study"


def words(parts):
    return re.sub(r"\s+", " ", " ".join(str(block) for block in to_blocks(parts)))


def test_events_checklists_and_observers_of_the_demo_study_are_told(study_inputs):
    study = study_inputs.result.study
    events, fidelity, agreement = [one for one in safety_parts(study) if isinstance(one, Rows)]
    incidents = study.caseload.tables["incidents"]
    assert [row["Child"] for row in events.rows] == incidents["child_id"].tolist()
    first = study.plan.first_day.toordinal()
    days = [day.astype(object).toordinal() - first + 1 for day in incidents["date"]]
    assert [int(row["Day of the study"]) for row in events.rows] == days
    assert fidelity.caption == "Steps of the procedure carried out"
    assert agreement.caption == "Outcome of probes as two observers saw it"


def test_what_nobody_recorded_is_not_taken_for_nothing_happened(tmp_path):
    records = shutil.copytree(DEMO / "records", tmp_path / "records")
    for name in ("incidents", "fidelity"):
        (records / f"{name}.csv").unlink()
    study = read_study(records, plan=DEMO / "plan.json", today=date(2026, 11, 13)).result.study
    said = words(safety_parts(study))
    assert "Adverse events were not recorded, which does not mean that there were none." in said
    assert "Procedural fidelity was not recorded." in said
