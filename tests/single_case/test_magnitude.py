"""Ratios and percentages of means: against their formulas and scipy, coverage, and what means nothing."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case import magnitude
from rungwise.single_case.magnitude import (
    log_response_ratio,
    log_response_ratio_batch,
    mean_baseline_change,
    mean_baseline_change_batch,
    percent_of_goal,
    percent_of_goal_batch,
)
from rungwise.single_case.standardized_difference import (
    standardized_mean_difference,
    standardized_mean_difference_batch,
)
from scipy import stats

phase = st.lists(st.integers(0, 10), min_size=3, max_size=8)


def higher(a, b, **keywords):
    return PhaseSeries.from_phases(a, b, better="higher", **keywords)


@pytest.mark.parametrize(("a", "b"), [(4, 6), (8, 20)])
def test_ratio_interval_covers_for_independent_whole_ratings(a, b):
    rng = np.random.default_rng(12)

    def ratings(mean, n, size=6000):
        return np.clip(np.rint(rng.normal(mean, 1.2, (size, n))), 0, 10)

    truth = np.log(ratings(3, 100, 20000).mean() / ratings(7, 100, 20000).mean())
    batch = SeriesBatch.from_arrays(np.hstack([ratings(7, a), ratings(3, b)]), a, better="higher")
    ours = log_response_ratio_batch(batch)
    assert 0.94 < np.mean((ours.ci_low <= truth) & (ours.ci_high >= truth)) < 0.975


@settings(max_examples=40)
@given(phase, phase)
def test_ratio_equals_its_formula_and_turns_with_the_direction(a, b):
    up, down = log_response_ratio(higher(a, b)), log_response_ratio(PhaseSeries.from_phases(a, b))
    if not any(a) or not any(b):
        assert math.isnan(up.value)
        assert magnitude.ZERO_MEAN in up.cautions
        return
    part_a = np.var(a, ddof=1) / (len(a) * np.mean(a) ** 2)
    part_b = np.var(b, ddof=1) / (len(b) * np.mean(b) ** 2)
    expected = math.log(np.mean(b) / np.mean(a)) + part_b / 2 - part_a / 2
    assert up.value == pytest.approx(expected, abs=1e-12)
    assert down.value == pytest.approx(-expected, abs=1e-12)
    assert up.counts["percent_change"] == down.counts["percent_change"]
    assert up.counts["standard_error"] == pytest.approx(math.sqrt(part_a + part_b), abs=1e-15)
    if part_a and part_b:
        assert down.ci_low == pytest.approx(-up.ci_high)


def test_ratio_interval_uses_welch_s_degrees_of_freedom():
    a, b = [4, 5, 6, 5], [8, 9, 12, 7, 8]
    ours = log_response_ratio(higher(a, b))
    scaled = [np.array(values) / np.mean(values) for values in (a, b)]
    df = stats.ttest_ind(*scaled, equal_var=False).df
    assert ours.ci_high - ours.value == pytest.approx(
        stats.t.ppf(0.975, df) * ours.counts["standard_error"]
    )


@pytest.mark.parametrize(
    ("series", "reason"),
    [
        (higher([2, 3, 4], [5, 5, 4], floor=1, ceiling=7), magnitude.NOT_AMOUNTS),
        (higher([-2, 3, 4], [5, 5, 4]), magnitude.NOT_AMOUNTS),
        (higher([2, 3, 4], [0, 0, 0]), magnitude.ZERO_MEAN),
        (higher([], [4, 5]), magnitude.NO_RATING),
    ],
)
def test_a_ratio_that_means_nothing_is_nan_with_the_reason(series, reason):
    ours = log_response_ratio(series)
    assert math.isnan(ours.value)
    assert reason in ours.cautions


def test_a_stated_smallest_mean_stands_in_for_zero():
    ours = log_response_ratio(higher([2, 3, 4], [0, 0, 0]), smallest_mean=0.1)
    assert ours.counts["percent_change"] < -90
    assert math.isnan(ours.ci_low)
    assert {magnitude.RAISED, magnitude.NO_LR_INTERVAL} <= set(ours.cautions)


def test_percent_of_goal_at_its_marks():
    series = PhaseSeries.from_phases([8, 8, 7, 9], [6, 5, 4, 5])
    assert percent_of_goal(series, 2).value == 50
    assert percent_of_goal(series, 5).value == 100
    assert percent_of_goal(PhaseSeries.from_phases([5, 5], [8, 8]), 2).value == -100
    past = percent_of_goal(PhaseSeries.from_phases([2, 1], [1, 1]), 2)
    assert math.isnan(past.value)
    assert magnitude.GOAL_NOT_AHEAD in past.cautions
    assert percent_of_goal(higher([2, 2], [4, 4]), 6).value == 50


def test_mean_baseline_change_has_a_sign_and_needs_a_baseline_above_zero():
    assert mean_baseline_change(PhaseSeries.from_phases([8, 8], [4, 4])).value == 50
    assert mean_baseline_change(PhaseSeries.from_phases([4, 4], [8, 8])).value == -100
    assert mean_baseline_change(higher([4, 4], [8, 8])).value == 100
    assert magnitude.ZERO_BASELINE in mean_baseline_change(PhaseSeries.from_phases([0, 0], [1, 1])).cautions
    offset = mean_baseline_change(PhaseSeries.from_phases([4, 4], [2, 2], floor=1, ceiling=5))
    assert math.isnan(offset.value)


@pytest.mark.parametrize(
    ("single", "batched"),
    [
        (standardized_mean_difference, standardized_mean_difference_batch),
        (log_response_ratio, log_response_ratio_batch),
        (mean_baseline_change, mean_baseline_change_batch),
        (lambda one: percent_of_goal(one, 2), lambda many: percent_of_goal_batch(many, 2)),
    ],
)
def test_ragged_batch_equals_its_series_one_by_one(single, batched):
    rng = np.random.default_rng(3)
    several = []
    for a, b in rng.integers(0, 7, (40, 2)):
        declined = rng.random(a + b) < 0.15
        values = rng.choice([0, 0.5, 1, 2, 3, 4.5, 6], a + b)
        several.append(PhaseSeries(values, ["baseline"] * a + ["exposure"] * b, None, declined))
    for one, row in zip(several, batched(SeriesBatch.of(*several)), strict=True):
        alone = single(one)
        for name in ("value", "ci_low", "ci_high"):
            assert getattr(row, name) == pytest.approx(
                getattr(alone, name), rel=1e-9, abs=1e-9, nan_ok=True
            )
        assert row.cautions == alone.cautions
        assert math.isfinite(alone.value) or alone.cautions


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda s: log_response_ratio(s, smallest_mean=0), "smallest_mean must be a number above 0"),
        (lambda s: percent_of_goal(s, math.nan), "goal must be a finite rating; got nan"),
    ],
)
def test_wrong_arguments_are_named(call, message):
    with pytest.raises(ValueError, match=message):
        call(higher([1, 2], [3, 4]))
