"""Hamed and Rao's correction: against a naive twin and at its edges."""

import math

import numpy as np
import pytest
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.hamed_rao import (
    BY_OCCASION,
    FAILED,
    SMALLER,
    UNSTEADY,
    hamed_rao,
)
from rungwise.single_case.trend import mann_kendall
from scipy import stats


def one_phase(values, times=None, better="higher", declined=None):
    return PhaseSeries(values, ["baseline"] * len(values), times, declined, better)


def drifting(n, seed, share=0.6):
    rng = np.random.default_rng(seed)
    series = [0.0]
    for _ in range(n - 1):
        series.append(share * series[-1] + rng.normal())
    return np.rint(5 + 2 * np.array(series))


def naive_factor(values, alpha=0.05):
    n = len(values)
    slope = stats.theilslopes(values).slope
    ranks = stats.rankdata(np.round(values - slope * np.arange(n), 9))
    d = ranks - ranks.mean()
    total, used = 0.0, 0
    for k in range(1, n):
        r = sum(d[i] * d[i + k] for i in range(n - k)) / sum(d**2)
        if abs(r) > stats.norm.ppf(1 - alpha / 2) / math.sqrt(n):
            total += (n - k) * (n - k - 1) * (n - k - 2) * r
            used += 1
    return 1 + 2 / (n * (n - 1) * (n - 2)) * total, used


@pytest.mark.parametrize("seed", range(6))
def test_factor_and_p_equal_a_naive_twin(seed):
    values = drifting(60, seed)
    ours = hamed_rao(one_phase(values))
    factor, used = naive_factor(values)
    assert ours.counts["variance_factor"] == pytest.approx(factor, rel=1e-12)
    assert ours.counts["lags"] == used
    sizes = np.unique(values, return_counts=True)[1]
    n = len(values)
    variance = (n * (n - 1) * (2 * n + 5) - np.sum(sizes * (sizes - 1) * (2 * sizes + 5))) / 18 * factor
    z = (abs(ours.counts["S"]) - 1) / math.sqrt(variance)
    assert ours.p_value == pytest.approx(2 * stats.norm.sf(z), rel=1e-10)


def test_independent_ratings_are_left_nearly_alone():
    values = np.random.default_rng(8).integers(0, 11, 80)
    ours = hamed_rao(one_phase(values), significance=1e-6)
    assert ours.counts["variance_factor"] == 1
    assert ours.counts["lags"] == 0
    assert ours.p_value == pytest.approx(mann_kendall(one_phase(values)).p_value, rel=0.02)


def test_it_calls_a_trend_less_often_than_mann_kendall_where_neighbors_resemble_each_other():
    plain = corrected = 0
    for seed in range(150):
        series = one_phase(drifting(60, 1000 + seed, 0.5))
        plain += mann_kendall(series).p_value <= 0.05
        corrected += hamed_rao(series).p_value <= 0.05
    assert plain > 25
    assert corrected < 0.75 * plain


def test_failure_of_the_correction_is_said_and_gives_no_p():
    jumping = [4, 5, 1, 13, 4, 2, 7, 4, 3, 8, 2, 5, 4, 7, 4, 6, 3, 6, 3, 8, 4, 5, 5, 2, 9]
    ours = hamed_rao(one_phase(jumping))
    assert ours.counts["variance"] <= 0
    assert math.isnan(ours.p_value)
    assert FAILED in ours.cautions


def test_a_smaller_variance_is_said():
    wave = [5, 5, 6, 7, 7, 8, 7, 6, 5, 4, 4, 3, 3, 4, 5, 6, 7, 7, 6, 5, 4, 3, 2, 2]
    assert SMALLER in hamed_rao(one_phase(wave)).cautions


def test_one_sided_p_and_orientation():
    values = drifting(40, 3) - 0.1 * np.arange(40)
    lower = hamed_rao(one_phase(values, better="lower"), alternative="improvement")
    higher = hamed_rao(one_phase(values, better="higher"), alternative="worsening")
    assert lower.p_value == higher.p_value
    assert lower.value == -higher.value > 0
    assert lower.p_value < 0.5


def test_short_and_uneven_series_are_cautioned():
    ours = hamed_rao(one_phase([8, 7, 7, 5, 4, 4], [1, 2, 4, 5, 6, 7]))
    assert {UNSTEADY, BY_OCCASION} <= set(ours.cautions)


def test_declines_rank_worst_around_the_line():
    values = [6, 6, 6, 7, 7, 8, 8, 7, 8, 6, 6, 4, 5, 5, 4, 5, None, None, None, None]
    declined = [value is None for value in values]
    ours = hamed_rao(one_phase(values, better="lower", declined=declined))
    rated = [(t, -v) for t, v in enumerate(values, 1) if v is not None]
    slope = stats.theilslopes([v for _, v in rated], [t for t, _ in rated]).slope
    line = [-1e6 if v is None else -v - slope * t for t, v in enumerate(values, 1)]
    ranks = stats.rankdata(np.round(line, 9))
    d, n = ranks - ranks.mean(), len(values)
    r = [sum(d[i] * d[i + k] for i in range(n - k)) / sum(d**2) for k in range(n)]
    total = sum(
        (n - k) * (n - k - 1) * (n - k - 2) * r[k]
        for k in range(1, n)
        if abs(r[k]) > stats.norm.ppf(0.975) / math.sqrt(n)
    )
    assert ours.counts["lags"] > 0
    assert ours.counts["variance_factor"] == pytest.approx(1 + 2 * total / (n * (n - 1) * (n - 2)))


@pytest.mark.parametrize("values", [[], [3], [3, 3, 3, 3]])
def test_nothing_to_test_gives_nan_with_a_reason(values):
    ours = hamed_rao(PhaseSeries.from_phases(values, [1, 2, 3]), "baseline")
    assert math.isnan(ours.p_value)
    assert ours.cautions


def test_wrong_arguments_are_named():
    with pytest.raises(ValueError, match="significance must be a number between 0 and 1; got 5"):
        hamed_rao(one_phase([1, 2, 3]), significance=5)
