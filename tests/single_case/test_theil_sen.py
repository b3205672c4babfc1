"""Theil–Sen: equal to scipy to the last bit, and an interval that covers."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.theil_sen import (
    NO_LIMITS,
    ONE_RATING,
    TOO_SHORT,
    WITHOUT_DECLINES,
    theil_sen,
    theil_sen_batch,
)
from scipy import stats


def one_phase(values, times=None, better="higher", declined=None):
    return PhaseSeries(values, ["baseline"] * len(values), times, declined, better)


@settings(max_examples=100)
@given(
    st.lists(st.one_of(st.integers(-10, 10), st.floats(-100, 100)), min_size=2, max_size=25),
    st.data(),
)
def test_slope_and_intercepts_equal_scipy_exactly(values, data):
    size = {"min_size": len(values), "max_size": len(values)}
    times = sorted(data.draw(st.lists(st.integers(0, 40), **size)))
    if len(set(times)) == 1:
        assert TOO_SHORT in theil_sen(one_phase(values, times)).cautions
        return
    with np.errstate(invalid="ignore"):  # its interval may take the root of a negative variance
        joint = stats.theilslopes(values, times, method="joint")
        separate = stats.theilslopes(values, times, method="separate")
    ours = theil_sen(one_phase(values, times))
    assert ours.value == joint.slope
    assert ours.counts["intercept"] == pytest.approx(joint.intercept, rel=1e-12, abs=1e-12)
    medians = theil_sen(one_phase(values, times), intercept="medians")
    assert medians.counts["intercept"] == pytest.approx(separate.intercept, rel=1e-12, abs=1e-12)


def test_batch_equals_scipy_exactly_at_even_and_odd_numbers_of_pairs():
    rng = np.random.default_rng(2)
    for places in (7, 8, 9, 28):
        values = rng.integers(0, 11, (300, places))
        ours = theil_sen_batch(SeriesBatch.from_arrays(values, 3, better="higher"))
        theirs = np.array([stats.theilslopes(row, np.arange(1.0, places + 1)).slope for row in values])
        assert np.array_equal(ours.value, theirs)


def naive_limits(values, times, c):
    pairs = [(i, j) for i in range(len(values)) for j in range(i + 1, len(values)) if times[i] != times[j]]
    slopes = sorted((values[j] - values[i]) / (times[j] - times[i]) for i, j in pairs)
    m = (len(slopes) - c) / 2

    def at(rank):
        whole = math.floor(rank)
        share = rank - whole
        return slopes[whole - 1] + (share * (slopes[whole] - slopes[whole - 1]) if share else 0)

    return (at(m), at(len(slopes) - m + 1)) if m >= 1 else (math.nan, math.nan)


# Two-sided 95% and 90% critical values of S without ties, from the table in Hollander & Wolfe 1973
# (S with upper tail at most .025 and .05), from memory of the book and counted again.
@pytest.mark.parametrize(
    ("n", "confidence", "critical"),
    [(5, 0.95, 10), (6, 0.95, 13), (8, 0.95, 18), (10, 0.95, 23), (5, 0.90, 8), (8, 0.90, 16)],
)
def test_exact_limits_are_the_slopes_the_critical_value_points_to(n, confidence, critical):
    rng = np.random.default_rng(n)
    values, times = rng.normal(size=n), np.cumsum(rng.integers(1, 5, n))
    ours = theil_sen(one_phase(values, times), confidence=confidence)
    assert (ours.ci_low, ours.ci_high) == naive_limits(values, times, critical - 2)
    assert "exact quantile" in ours.method


def test_normal_limits_interpolate_between_slopes():
    rng = np.random.default_rng(3)
    values, times = rng.integers(0, 11, 12), np.sort(rng.integers(0, 9, 12))
    ours = theil_sen(one_phase(values, times), interval="normal")
    n, t, u = 12, np.unique(times, return_counts=True)[1], np.unique(values, return_counts=True)[1]
    variance = (
        n * (n - 1) * (2 * n + 5) - sum(t * (t - 1) * (2 * t + 5)) - sum(u * (u - 1) * (2 * u + 5))
    ) / 18
    variance += sum(t * (t - 1) * (t - 2)) * sum(u * (u - 1) * (u - 2)) / (9 * n * (n - 1) * (n - 2))
    variance += sum(t * (t - 1)) * sum(u * (u - 1)) / (2 * n * (n - 1))
    expected = naive_limits(values, times, stats.norm.ppf(0.975) * math.sqrt(variance))
    assert (ours.ci_low, ours.ci_high) == pytest.approx(expected, rel=1e-12)
    assert "normal variance" in ours.method


@pytest.mark.parametrize(("places", "whole"), [(5, False), (8, False), (15, False), (8, True), (20, True)])
def test_exact_interval_covers_at_least_as_often_as_stated(places, whole):
    rng = np.random.default_rng(places)
    values = 5 - 0.15 * np.arange(places) + rng.normal(0, 1.2, (4000, places))
    values = np.rint(values) if whole else values
    ours = theil_sen_batch(SeriesBatch.from_arrays(values, 2))
    covered = np.mean((ours.ci_low <= -0.15) & (ours.ci_high >= -0.15))
    assert covered > 0.95 - 3 * math.sqrt(0.95 * 0.05 / 4000)


def test_tied_times_keep_the_interval_exact():
    rng = np.random.default_rng(9)
    times = [1, 1, 2, 3, 3, 4, 5, 6]
    inside = 0
    for _ in range(800):
        ours = theil_sen(one_phase(rng.normal(size=8), times))
        inside += ours.ci_low <= 0 <= ours.ci_high
    assert inside / 800 > 0.95 - 3 * math.sqrt(0.95 * 0.05 / 800)
    assert ours.counts["slopes"] == 26


def test_four_ratings_bound_nothing_at_95_percent():
    ours = theil_sen(one_phase([4, 3, 3, 1]))
    assert ours.value == -1
    assert math.isnan(ours.ci_low)
    assert NO_LIMITS in ours.cautions
    assert theil_sen(one_phase([4, 3, 3, 1]), confidence=0.9).ci_low == -2


def test_declines_and_gaps_are_left_out_and_said():
    with_declines = one_phase(
        [8, None, 7, None, 5, 4], [1, 2, 4, 5, 6, 9], declined=[False, True, False, False, False, False]
    )
    ours = theil_sen(with_declines)
    assert ours.value == theil_sen(one_phase([8, 7, 5, 4], [1, 4, 6, 9])).value
    assert (ours.n, ours.counts["declined"]) == (4, 1)
    assert WITHOUT_DECLINES in ours.cautions


def test_constant_ratings_have_slope_0_without_an_interval():
    ours = theil_sen(one_phase([3] * 8))
    assert (ours.value, ours.favors) == (0, "neither")
    assert math.isnan(ours.ci_low)
    assert ONE_RATING in ours.cautions


def test_sign_is_the_data_s_and_favors_says_whom():
    falling = [8, 7, 6, 5, 3]
    assert theil_sen(one_phase(falling, better="lower")).value == -1
    assert theil_sen(one_phase(falling, better="lower")).favors == "improvement"
    assert theil_sen(one_phase(falling, better="higher")).favors == "worsening"


def test_ragged_batch_equals_its_series_one_by_one():
    rng = np.random.default_rng(6)
    several = []
    for a, b in rng.integers(0, 12, (30, 2)):
        values = rng.integers(0, 11, a + b).astype(float)
        declined = rng.random(a + b) < 0.1
        phases = ["baseline"] * a + ["exposure"] * b
        times = np.cumsum(rng.integers(0, 4, a + b))
        several.append(PhaseSeries(values, phases, times, declined))
    for phase in ("baseline", "exposure", None):
        together = theil_sen_batch(SeriesBatch.of(*several), phase)
        for one, row in zip(several, together, strict=True):
            np.testing.assert_equal(row.as_row(), theil_sen(one, phase).as_row())


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"confidence": 95}, "confidence must be a number between 0 and 1; got 95"),
        ({"interval": "bootstrap"}, "interval must be one of 'exact', 'normal'"),
        ({"intercept": "mean"}, "intercept must be one of 'median_residual', 'medians'"),
    ],
)
def test_wrong_arguments_are_named(arguments, message):
    with pytest.raises(ValueError, match=message):
        theil_sen(one_phase([1, 2, 3]), **arguments)
