"""The pre-analysis plan: its fingerprint, its text, and what later differs from it."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from rungwise.study.analysis import analyze_study
from rungwise.study.data import study_of
from rungwise.study.plan import plan_study
from rungwise.study.power import power
from rungwise.study.preanalysis import TO_WRITE, PreAnalysis, departures, read_preanalysis
from rungwise.study.scenario import Scenario
from rungwise.study.schedule import draw_schedule


@pytest.fixture(scope="module")
def planned(plan, schedule):
    scenario = Scenario()
    result = power(plan.design, plan.occasions, scenario, rng=np.random.default_rng(1), replications=200)
    return PreAnalysis(
        plan, "Does fear of the gangway come down?", scenario=scenario, power=result,
        commitment=schedule.commitment, version="0.1.0",
    )  # fmt: skip


def test_it_comes_back_from_its_file_and_any_change_shows(planned):
    assert read_preanalysis(planned.text()) == planned
    with pytest.raises(ValueError, match="changed after it was written"):
        read_preanalysis(planned.text().replace("gangway come down", "gangway go up"))
    with pytest.raises(ValueError, match="not a pre-analysis plan"):
        read_preanalysis("{}")
    with pytest.raises(ValueError, match="not a pre-analysis plan"):
        read_preanalysis("no json")


def test_the_document_says_what_is_fixed(planned, plan):
    text = planned.markdown()
    assert "162 assignments" in text
    assert "Monte Carlo standard error" in text
    assert planned.sha256 in text
    assert plan.sha256 in text
    assert "mean rating in exposure minus mean rating in baseline" in text
    assert text.count(TO_WRITE) == 2


def test_what_went_by_the_plan_departs_in_nothing_but_missed_probes(planned, result, schedule, study):
    found = departures(planned, result, schedule=schedule, version="0.1.0")
    missing = [one for one in study.cases if one.series.n_missing]
    assert [entry["topic"] for entry in found] == [f"Probes of {one.case.label}" for one in missing]
    assert missing


def test_other_choices_are_departures(planned, study, schedule):
    found = departures(
        planned, analyze_study(study, statistic="tau", alternative="two-sided", alpha=0.1), version="0.2.0"
    )
    told = {entry["topic"]: (entry["planned"], entry["done"]) for entry in found}
    assert told["Primary test, statistic"] == ("mean_difference", "tau")
    assert told["Primary test, alternative"] == ("improvement", "two-sided")
    assert told["Primary test, alpha"] == ("0.05", "0.1")
    assert told["Program"] == ("rungwise 0.1.0", "rungwise 0.2.0")


def test_another_schedule_is_noticed(planned, result, plan):
    other = draw_schedule(plan, 8)
    topics = [entry["topic"] for entry in departures(planned, result, schedule=other)]
    assert "Schedule" in topics
    assert any(topic.startswith("Start of") for topic in topics)


def test_cases_left_out_and_a_missing_test_are_departures(planned, record, schedule, plan, tmp_path):
    def spoil(tables):
        tables["children"][0]["research_consent"] = False
        day = plan.day(schedule.starts[1])
        for row in tables["phases"]:
            if row["phase"] == "exposure":
                row["starts_on"] = day

    result = analyze_study(study_of(record(tmp_path, schedule, change=spoil), plan=plan))
    told = {entry["topic"]: entry["done"] for entry in departures(planned, result)}
    assert told["Cases"] == "left out: no research consent, or consent withdrawn"
    assert told["Primary test"].startswith("none: ")


def test_another_plan_is_a_departure(planned, result, plan):
    changed = replace(planned, plan=replace(plan, alpha=0.01))
    topics = [entry["topic"] for entry in departures(changed, result)]
    assert {"Plan", "Primary test, alpha"} <= set(topics)


def test_a_schedule_of_another_study_is_noticed_and_compared_no_further(planned, result, practice):
    other = plan_study(practice, ("P1", "P2"), design_id="MB9", first_day=date(2026, 5, 4))
    topics = [row["topic"] for row in departures(planned, result, schedule=draw_schedule(other, 1))]
    assert "Schedule" in topics
    assert not any(topic.startswith("Start of") for topic in topics)


def test_days_extra_probes_raters_and_starts_are_departures(planned, record, schedule, plan, tmp_path):
    """One change of each kind in the files, and each is listed with what was planned and done."""

    def spoil(tables):
        mine = [row for row in tables["observations"] if row["child_id"] == "P1"]
        mine[0]["date"] += timedelta(days=1)
        tables["observations"].append(mine[1] | {"date": mine[1]["date"] + timedelta(days=2)})
        for row in tables["observations"]:
            if row["child_id"] == "P2":
                row["rated_by"] = "parent"
        second = [row for row in tables["observations"] if row["child_id"] == "P3"]
        second[2]["rated_by"] = "parent"
        tables["agreement"].clear()
        for row in tables["phases"]:
            if row["child_id"] == "P1" and row["phase"] == "exposure":
                row["starts_on"] += timedelta(days=7)

    scenario = Scenario(level_change=-4)
    study = study_of(record(tmp_path, schedule, scenario, change=spoil), plan=plan)
    found = departures(planned, analyze_study(study), schedule=schedule)
    told = {row["topic"]: (row["planned"], row["done"]) for row in found}
    start = schedule.starts[0]
    assert told["Days of P1 gangway"] == ("on the planned days", "1 on other days")
    assert told["Probes of P1 gangway"] == ("none beyond the plan", "1 more, not tested")
    assert told["Start of P1 gangway"] == (f"occasion {start}", f"occasion {start + 1}")
    assert told["Rater of P2 gangway"] == ("child", "parent")
    assert told["Raters of P3 gangway"] == ("one kind", "also parent, not analyzed")
    assert told["Probes of P3 gangway"] == ("24 occasions", "23 recorded")


def test_changes_of_criterion_at_other_occasions_are_a_departure(practice, record, tmp_path):
    plan = plan_study(
        practice, ("P1", "P2"), design_id="CC1", first_day=date(2026, 5, 4), kind="changing_criterion",
        criteria=(6, 4, 2), fewest_per_phase=4,
    )  # fmt: skip
    schedule = draw_schedule(plan, 5)
    planned = PreAnalysis(plan, commitment=schedule.commitment)
    for name in "ab":
        (tmp_path / name).mkdir()
    went = analyze_study(study_of(record(tmp_path / "a", schedule), plan=plan))
    assert departures(planned, went, schedule=schedule) == []

    def later(tables):
        last = [row for row in tables["phases"] if row["child_id"] == "P2"][-1]
        last["starts_on"] += timedelta(days=7)

    moved = analyze_study(study_of(record(tmp_path / "b", schedule, change=later), plan=plan))
    (change, *_) = departures(planned, moved, schedule=schedule)
    numbers = np.array(schedule.phase_numbers[1])
    places = (np.flatnonzero(np.diff(numbers)) + 2).tolist()
    assert change["topic"] == "Changes of criterion of P2 gangway"
    assert change["planned"] == "at occasions " + ", ".join(map(str, places))
    assert change["done"] == "at occasions " + ", ".join(map(str, [*places[:-1], places[-1] + 1]))
