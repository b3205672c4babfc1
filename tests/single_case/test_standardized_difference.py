"""Standardized differences: against pingouin and scipy, coverage of the intervals, and at their edges."""

import math

import numpy as np
import pingouin
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case import standardized_difference
from rungwise.single_case.standardized_difference import (
    hedges_j,
    standardized_mean_difference,
    standardized_mean_difference_batch,
)
from scipy import optimize, special, stats

phase = st.lists(st.integers(0, 10), min_size=3, max_size=8)


def higher(a, b, **keywords):
    return PhaseSeries.from_phases(a, b, better="higher", **keywords)


def varied(values):
    return len(set(values)) > 1


@settings(max_examples=40)
@given(phase.filter(varied), phase)
def test_pooled_difference_agrees_with_pingouin(a, b):
    ours = standardized_mean_difference(higher(a, b))
    assert ours.counts["uncorrected"] == pytest.approx(
        pingouin.compute_effsize(b, a, eftype="cohen"), abs=1e-12
    )
    m = len(a) + len(b) - 2
    exact = special.gamma(m / 2) / (math.sqrt(m / 2) * special.gamma((m - 1) / 2))
    assert ours.value == pytest.approx(ours.counts["uncorrected"] * exact, rel=1e-12, abs=1e-12)


@settings(max_examples=40)
@given(phase.filter(varied), phase)
def test_baseline_difference_equals_its_formula(a, b):
    ours = standardized_mean_difference(higher(a, b), standardizer="baseline", correct=False)
    sd = np.std(a, ddof=1)
    d = (np.mean(b) - np.mean(a)) / sd
    assert ours.value == pytest.approx(d, rel=1e-12, abs=1e-12)
    variance = 1 / len(a) + np.var(b, ddof=1) / (len(b) * sd**2) + d**2 / (2 * (len(a) - 1))
    assert ours.counts["standard_error"] == pytest.approx(math.sqrt(variance), rel=1e-12)


@pytest.mark.parametrize(("d", "a", "b"), [(0.0, 5, 8), (1.8, 4, 5), (-2.5, 3, 12), (40.0, 3, 3)])
def test_interval_solves_the_noncentral_t(d, a, b):
    rng = np.random.default_rng(1)
    first, second = rng.normal(size=a), rng.normal(size=b)
    pooled = math.sqrt((first.var(ddof=1) * (a - 1) + second.var(ddof=1) * (b - 1)) / (a + b - 2))
    second += d * pooled - (second.mean() - first.mean())
    ours = standardized_mean_difference(higher(first, second))
    scale = math.sqrt(1 / a + 1 / b)
    t, df = d / scale, a + b - 2
    low = optimize.brentq(lambda nc: stats.nct.cdf(t, df, nc) - 0.975, t - 150, t + 5)
    high = optimize.brentq(lambda nc: stats.nct.cdf(t, df, nc) - 0.025, t - 5, t + 150)
    assert (ours.ci_low, ours.ci_high) == pytest.approx((low * scale, high * scale), rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("standardizer", ["pooled", "baseline"])
@pytest.mark.parametrize(("a", "b", "delta"), [(5, 8, 0.0), (5, 8, 2.0), (8, 20, 1.0)])
def test_interval_covers_for_independent_normal_ratings(standardizer, a, b, delta):
    rng = np.random.default_rng(11)
    values = rng.normal(size=(4000, a + b))
    values[:, a:] += delta
    ours = standardized_mean_difference_batch(
        SeriesBatch.from_arrays(values, a, better="higher"), standardizer=standardizer
    )
    assert np.mean((ours.ci_low <= delta) & (ours.ci_high >= delta)) == pytest.approx(0.95, abs=0.011)


@pytest.mark.parametrize("a", [[4, 4, 4], [0.1, 0.1, 0.1, 0.1, 0.1, 0.1]])
def test_no_spread_is_nan_and_never_infinite(a):
    ours = standardized_mean_difference(higher(a, [5, 6, 7]), standardizer="baseline")
    assert math.isnan(ours.value)
    assert math.isnan(ours.ci_low)
    assert standardized_difference.NO_SPREAD in ours.cautions
    both = standardized_mean_difference(higher(a, [5, 5, 5]))
    assert math.isnan(both.value)
    assert standardized_difference.NO_SPREAD in both.cautions


def test_one_rating_has_no_spread_and_two_no_correction():
    one = standardized_mean_difference(higher([4], [5, 6, 7]), standardizer="baseline")
    assert standardized_difference.TOO_FEW_FOR_SD in one.cautions
    two = standardized_mean_difference(higher([4, 5], [5, 6, 7]), standardizer="baseline")
    assert math.isnan(two.value)
    assert standardized_difference.NO_CORRECTION in two.cautions
    assert two.counts["uncorrected"] == pytest.approx(1.5 / math.sqrt(0.5))
    single = standardized_mean_difference(higher([4], [5, 6, 7]))
    assert single.counts["uncorrected"] == pytest.approx(2)


def test_declines_are_left_out_and_said():
    declined = [False, True, False, False, False, True]
    with_declines = PhaseSeries.from_phases([8, None, 7], [6, 5, None], declined=declined)
    without = PhaseSeries.from_phases([8, 7], [6, 5])
    ours = standardized_mean_difference(with_declines)
    assert ours.value == standardized_mean_difference(without).value
    assert (ours.n, ours.counts["declined"]) == (4, 2)
    assert standardized_difference.DECLINES_LEFT_OUT in ours.cautions


@settings(max_examples=30)
@given(st.integers(2, 400))
def test_hedges_j_equals_the_gamma_formula(m):
    assert hedges_j(m) == pytest.approx(
        math.exp(special.gammaln(m / 2) - special.gammaln((m - 1) / 2)) / math.sqrt(m / 2)
    )
    assert hedges_j(float(m)) == pytest.approx(1 - 3 / (4 * m - 1), abs=0.0075)


def test_hedges_j_below_two_does_not_exist():
    assert np.isnan(hedges_j(np.array([0.0, 1.0, np.nan]))).all()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda s: standardized_mean_difference(s, standardizer="exposure"), "standardizer must be one of"),
        (lambda s: standardized_mean_difference(s, confidence=1), "confidence must be a number between"),
    ],
)
def test_wrong_arguments_are_named(call, message):
    with pytest.raises(ValueError, match=message):
        call(higher([1, 2], [3, 4]))
