"""The pre-analysis plan: its fingerprint, its text, and what later differs from it."""

from dataclasses import replace

import numpy as np
import pytest
from rungwise.study.analysis import analyze_study
from rungwise.study.data import study_of
from rungwise.study.power import Scenario, power
from rungwise.study.preanalysis import TO_WRITE, PreAnalysis, departures, read_preanalysis
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
