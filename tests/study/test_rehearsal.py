"""A rehearsal follows its plan: every table, every planned day, and the analysis that will be used."""

from collections import Counter

import numpy as np
from rungwise.study.analysis import analyze_study
from rungwise.study.preanalysis import PreAnalysis, departures
from rungwise.study.rehearsal import invented_study, rehearse, rehearsed_study
from rungwise.study.scenario import Scenario


def test_every_planned_probe_is_there_on_its_day_with_its_phase(schedule, plan):
    rows = rehearse(schedule, Scenario(), np.random.default_rng(1))
    probes = rows["observations"]
    assert Counter(row["child_id"] for row in probes) == dict.fromkeys(("P1", "P2", "P3"), plan.occasions)
    assert {row["date"] for row in probes} == set(plan.days)
    starts = {row["child_id"]: row["starts_on"] for row in rows["phases"] if row["phase"] == "exposure"}
    assert starts == {
        case.child_id: plan.day(start) for case, start in zip(plan.cases, schedule.starts, strict=True)
    }
    assert all(child["research_consent"] for child in rows["children"])


def test_missed_probes_are_missing_and_declined_ones_have_no_rating(schedule, plan):
    rows = rehearse(schedule, Scenario(missed=0.3, decline_at=6.0), np.random.default_rng(1))
    declined = [row for row in rows["observations"] if row["outcome"] == "declined"]
    assert declined
    assert all(row["fear_peak"] is None for row in declined)
    assert 0.5 < len(rows["observations"]) / (3 * plan.occasions) < 0.9


def test_a_rehearsed_study_departs_from_its_plan_in_nothing(schedule, plan):
    study = rehearsed_study(schedule, Scenario(level_change=-4), np.random.default_rng(4))
    planned = PreAnalysis(plan, commitment=schedule.commitment)
    assert departures(planned, analyze_study(study), schedule=schedule) == []


def test_the_same_generator_gives_the_same_study():
    one, again, other = invented_study(), invented_study(), invented_study(5)
    values = [[case.series.values.tolist() for case in study.cases] for study in (one, again, other)]
    assert values[0] == values[1] != values[2]
