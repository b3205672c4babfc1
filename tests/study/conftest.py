"""An invented practice with six children at the start of a study, four of them with consent."""

from datetime import date, timedelta

import numpy as np
import pytest
from rungwise.series.caseload import read_caseload
from rungwise.simulate.writing import write_tables
from rungwise.study.analysis import analyze_study
from rungwise.study.data import study_of
from rungwise.study.plan import plan_study
from rungwise.study.rehearsal import rehearse
from rungwise.study.scenario import Scenario
from rungwise.study.schedule import draw_schedule

TODAY = date(2026, 11, 13)
FIRST_DAY = date(2026, 5, 4)
CONSENTING = ("P1", "P2", "P3", "P4", "P5")


def practice_tables():
    children = [
        {"child_id": code, "age_months": 90, "entered_on": date(2026, 4, 1),
         "research_consent": None if code == "P7" else code in CONSENTING}
        for code in ("P1", "P2", "P3", "P4", "P5", "P6", "P7")
    ]  # fmt: skip
    ladders = [
        {"ladder_id": name, "step": step, "activity": f"{name} step {step}"}
        for name in ("gangway", "net")
        for step in range(1, 6)
    ]
    plans = [
        {"child_id": code, "ladder_id": "gangway", "probe_step": 4, "usual_rater": "child"}
        for code in ("P1", "P2", "P3", "P4", "P6", "P7")
    ]
    plans += [
        {"child_id": "P5", "ladder_id": name, "probe_step": 3, "usual_rater": "child"}
        for name in ("gangway", "net")
    ]
    phases = [
        {"child_id": "P4", "ladder_id": "gangway", "starts_on": date(2026, 4, 6), "phase": "baseline"},
        {"child_id": "P4", "ladder_id": "gangway", "starts_on": date(2026, 5, 4), "phase": "exposure"},
    ]
    ratings = [
        {"child_id": "P4", "ladder_id": "gangway", "date": date(2026, 4, 6) + timedelta(days=7 * i),
         "phase": "baseline" if i < 4 else "exposure", "rating": 7, "rated_by": "child"}
        for i in range(8)
    ]  # fmt: skip
    return {"children": children, "ladders": ladders, "plans": plans, "phases": phases, "ratings": ratings}


@pytest.fixture(scope="session")
def practice_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("practice")
    write_tables(practice_tables(), folder)
    return folder


@pytest.fixture(scope="session")
def practice(practice_folder):
    return read_caseload(practice_folder, today=TODAY)


@pytest.fixture(scope="session")
def plan(practice):
    return plan_study(practice, ("P1", "P2", "P3"), design_id="MB1", first_day=FIRST_DAY)


@pytest.fixture(scope="session")
def schedule(plan):
    return draw_schedule(plan, 7)


def recorded(folder, schedule, scenario=None, seed=2, change=None):
    """Write a rehearsed study, changed by `change(tables)`, and read it back."""
    tables = rehearse(schedule, scenario or Scenario(), np.random.default_rng(seed))
    if change is not None:
        change(tables)
    write_tables(tables, folder)
    return read_caseload(folder, today=TODAY)


@pytest.fixture(scope="session")
def record():
    return recorded


@pytest.fixture(scope="session")
def caseload(schedule, tmp_path_factory):
    scenario = Scenario(level_change=-4, missed=0.05, decline_at=9.0)
    return recorded(tmp_path_factory.mktemp("study"), schedule, scenario)


@pytest.fixture(scope="session")
def study(caseload, plan):
    return study_of(caseload, plan=plan)


@pytest.fixture(scope="session")
def result(study):
    return analyze_study(study)
