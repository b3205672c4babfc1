"""The results of a study: exact p against brute force, and the same numbers again."""

import json
from dataclasses import replace
from datetime import date
from itertools import permutations, product

import numpy as np
import pytest
from rungwise.study.analysis import analyze_study, one_child, plain
from rungwise.study.data import study_of
from rungwise.study.plan import plan_study
from rungwise.study.scenario import Scenario
from rungwise.study.schedule import draw_schedule

FIRST_DAY = date(2026, 5, 4)


def brute_force(study, plan, statistic):
    """p over every permitted assignment, by loops and the definition of the statistic."""

    def change(series, start):
        before, after = series.values[: start - 1], series.values[start - 1 :]
        if statistic == "mean_difference":
            return np.nanmean(before) - np.nanmean(after)
        worst = np.where(series.declined, np.inf, series.values)
        before = [x for x in worst[: start - 1] if not np.isnan(x)]
        after = [x for x in worst[start - 1 :] if not np.isnan(x)]
        pairs = [(b < a) * 1 - (b > a) * 1 for a in before for b in after]
        return sum(pairs) / len(pairs)

    series = [one.series for one in study.cases]
    every = [order for starts in product(*plan.windows) for order in permutations(starts)]
    values = [np.mean([change(*pair) for pair in zip(series, starts, strict=True)]) for starts in every]
    own = np.mean([change(one.series, one.start) for one in study.cases])
    return np.mean(np.array(values) >= own - 1e-9), own


@pytest.mark.parametrize("statistic", ["mean_difference", "tau"])
def test_the_exact_p_is_that_of_brute_force(study, plan, statistic):
    result = analyze_study(study, statistic=statistic)
    p, own = brute_force(study, plan, statistic)
    assert result.test.p_value == pytest.approx(p, abs=1e-12)
    assert abs(result.test.value) == pytest.approx(abs(own))
    assert result.test.counts["assignments"] == plan.n_assignments


def test_a_strong_effect_has_the_smallest_p(record, schedule, plan, tmp_path):
    caseload = record(tmp_path, schedule, Scenario(level_change=-6, sd=0.6, sd_start=0))
    assert analyze_study(study_of(caseload, plan=plan)).test.p_value == pytest.approx(1 / 162)


def test_numbers_are_whole_json_and_the_same_again(study, result):
    first = json.dumps(result.numbers(), sort_keys=True)
    assert "NaN" not in first
    assert json.dumps(analyze_study(study).numbers(), sort_keys=True) == first
    numbers = result.numbers()
    assert set(numbers["cases"]) == {"P1 gangway", "P2 gangway", "P3 gangway"}
    assert numbers["multilevel_change"]["value"] < -2


def test_the_plan_sets_the_test_and_a_choice_replaces_it(study):
    planned = analyze_study(study)
    other = analyze_study(study, statistic="tau", alternative="two-sided", alpha=0.01)
    assert (planned.statistic, planned.alternative, planned.alpha) == (
        "mean_difference",
        "improvement",
        0.05,
    )
    assert (other.statistic, other.alternative, other.alpha) == ("tau", "two-sided", 0.01)
    assert other.test.alternative == "two-sided"


def test_without_a_random_start_there_is_no_p_but_a_reason(study):
    clinical = replace(study, design=None, no_design="The start was set clinically.")
    result = analyze_study(clinical)
    assert np.isnan(result.test.p_value)
    assert result.test.cautions == ("The start was set clinically.",)


def test_a_changing_criterion_study_is_tested_by_whether_ratings_followed(practice, record, tmp_path):
    changing = plan_study(
        practice, ("P1",), design_id="CC1", first_day=FIRST_DAY, kind="changing_criterion",
        criteria=(6, 4, 2), fewest_per_phase=4,
    )  # fmt: skip
    drawn = draw_schedule(changing, 5)

    def follow(tables):
        for row in tables["observations"]:
            place = (row["date"] - changing.first_day).days // 7
            number = drawn.phase_numbers[0][place]
            row["fear_peak"], row["outcome"] = [8, 6, 4, 2][number], "completed"
        tables["agreement"].clear()

    study = study_of(record(tmp_path, drawn, Scenario(), change=follow), plan=changing)
    result = analyze_study(study)
    (test,) = result.criterion_tests
    assert result.test.p_value == test.p_value
    assert result.test.statistic == "combined_criterion_test"
    assert test.value == 0
    # Only schedules with the same phase at every compared occasion follow as closely.
    design = changing.criteria_design
    late = (design.schedules() > 0).all(axis=0)
    same = (design.schedules()[:, late] == np.array(drawn.phase_numbers[0])[late]).all(axis=1)
    assert test.p_value == pytest.approx(same.mean())
    assert test.p_value < 0.05


def test_one_child_is_noticed(study):
    assert not one_child(study)
    same = replace(study, cases=(study.cases[0], replace(study.cases[1], case=study.cases[0].case)))
    assert one_child(same)


def test_what_is_not_a_number_becomes_none(study):
    estimate = analyze_study(replace(study, design=None, no_design="x")).test
    assert plain(estimate)["p_value"] is None
