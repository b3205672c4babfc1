"""Mann–Kendall: against scipy, all orders counted, and identities."""

import math
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.nap import DECLINED_CAUTION
from rungwise.single_case.trend import (
    ONE_RATING,
    OUT_OF_REACH,
    TOO_SHORT,
    mann_kendall,
    mann_kendall_batch,
)
from scipy import stats


def one_phase(values, times=None, better="higher", declined=None):
    return PhaseSeries(values, ["baseline"] * len(values), times, declined, better)


def naive_s(values, times):
    return sum(
        np.sign(times[j] - times[i]) * np.sign(values[j] - values[i])
        for i in range(len(values))
        for j in range(i + 1, len(values))
    )


def all_orders(values, times):
    return np.array([naive_s(order, times) for order in permutations(values)])


ratings = st.lists(st.integers(0, 4), min_size=2, max_size=7)


@settings(max_examples=60)
@given(ratings, st.data())
def test_p_is_the_share_of_all_orders(values, data):
    times = sorted(data.draw(st.lists(st.integers(1, 5), min_size=len(values), max_size=len(values))))
    s, null = naive_s(values, times), all_orders(values, times)
    series = one_phase(values, times)
    upper = mann_kendall(series, "baseline", "improvement")
    if len(set(times)) == 1:
        assert TOO_SHORT in upper.cautions
        assert math.isnan(upper.p_value)
        return
    assert upper.counts["S"] == s
    assert upper.p_value == pytest.approx(np.mean(null >= s), rel=1e-12)
    assert mann_kendall(series, "baseline", "worsening").p_value == pytest.approx(
        np.mean(null <= s), rel=1e-12
    )
    two = mann_kendall(series, "baseline")
    assert two.p_value == pytest.approx(np.mean(abs(null) >= abs(s)), rel=1e-12)
    assert upper.counts["smallest_p"] == pytest.approx(np.mean(null == null.max()), rel=1e-12)
    assert "exact" in two.method


@settings(max_examples=60)
@given(st.lists(st.integers(0, 10), min_size=3, max_size=30), st.data())
def test_tau_b_agrees_with_scipy(values, data):
    times = sorted(data.draw(st.lists(st.integers(1, 40), min_size=len(values), max_size=len(values))))
    ours = mann_kendall(one_phase(values, times), "baseline")
    theirs = stats.kendalltau(times, values).statistic
    if math.isnan(theirs):
        assert math.isnan(ours.value)
        assert {ONE_RATING, TOO_SHORT} & set(ours.cautions)
    else:
        assert ours.value == pytest.approx(theirs, rel=1e-12, abs=1e-15)


@pytest.mark.parametrize("n", [5, 9, 14, 30])
def test_exact_p_without_ties_agrees_with_scipy(n):
    values = np.random.default_rng(n).permutation(n)
    theirs = stats.kendalltau(range(n), values, method="exact").pvalue
    assert mann_kendall(one_phase(values), "baseline").p_value == pytest.approx(theirs, rel=1e-10)


def test_long_series_use_the_normal_p_with_continuity_and_say_so():
    values = np.random.default_rng(1).integers(0, 11, 700)
    ours = mann_kendall(one_phase(values), "baseline")
    assert "normal" in ours.method
    _, sizes = np.unique(values, return_counts=True)
    n = len(values)
    variance = (n * (n - 1) * (2 * n + 5) - np.sum(sizes * (sizes - 1) * (2 * sizes + 5))) / 18
    z = (abs(ours.counts["S"]) - 1) / math.sqrt(variance)
    assert ours.p_value == pytest.approx(2 * stats.norm.sf(z), rel=1e-12)


def test_improvement_is_positive_whichever_direction_is_better():
    falling = [8, 7, 7, 5, 3]
    lower = mann_kendall(one_phase(falling, better="lower"), "baseline")
    higher = mann_kendall(one_phase(falling, better="higher"), "baseline")
    assert (lower.counts["S"], lower.favors) == (9, "improvement")
    assert (higher.counts["S"], higher.favors) == (-9, "worsening")
    assert lower.p_value == higher.p_value
    assert lower.value == -higher.value


def test_declines_rank_below_the_worst_rating():
    trend = mann_kendall(
        one_phase([None, 10, 9], better="lower", declined=[True, False, False]), "baseline", "improvement"
    )
    assert trend.counts["S"] == 3
    assert trend.p_value == pytest.approx(1 / 6)
    assert DECLINED_CAUTION in trend.cautions


def test_two_declines_are_tied():
    trend = mann_kendall(one_phase([None, None, 9], declined=[True, True, False]), "baseline")
    assert (trend.counts["S"], trend.counts["pairs_tied_in_rating"]) == (2, 1)


def test_phases_are_cut_out_and_taken_together():
    series = PhaseSeries.from_phases([3, 5, 4, 6], [1, 2, 2, 0, 9], better="higher")
    batch = SeriesBatch.of(series)
    assert mann_kendall(series, "baseline").counts["S"] == naive_s([3, 5, 4, 6], range(4))
    assert mann_kendall(series, "exposure").counts["S"] == naive_s([1, 2, 2, 0, 9], range(5))
    assert mann_kendall_batch(batch)[0].counts["S"] == naive_s([3, 5, 4, 6, 1, 2, 2, 0, 9], range(9))


def test_later_phases_are_reached_by_name():
    series = PhaseSeries([5, 4, 3, 2, 1], ["baseline"] * 2 + ["follow_up"] * 3)
    assert mann_kendall(series, "follow_up").counts["S"] == 3


def test_alternating_phases_are_ordered_by_time():
    values = [5, 3, 6, 2, 7, 2]
    series = PhaseSeries(values, ["baseline", "exposure"] * 3, better="higher")
    assert mann_kendall(series).counts["S"] == naive_s(values, range(6))


def test_ragged_batch_equals_its_series_one_by_one():
    rng = np.random.default_rng(5)
    several = [
        PhaseSeries.from_phases(rng.integers(0, 11, a).tolist(), rng.integers(0, 11, b).tolist())
        for a, b in rng.integers(1, 14, (40, 2))
    ]
    for phase in ("baseline", "exposure", None):
        together = mann_kendall_batch(SeriesBatch.of(*several), phase)
        for one, row in zip(several, together, strict=True):
            alone = mann_kendall(one, phase)
            assert (row.counts["S"], row.method, row.cautions) == (
                alone.counts["S"],
                alone.method,
                alone.cautions,
            )
            for name in ("value", "p_value", "count_smallest_p"):
                expected = alone.as_row()[name]
                assert row.as_row()[name] == pytest.approx(expected, rel=1e-12, nan_ok=True)


def test_smallest_p_of_a_short_baseline_is_said():
    trend = mann_kendall(one_phase([8, 7, 6]), "baseline")
    assert trend.counts["smallest_p"] == pytest.approx(2 / 6)
    assert OUT_OF_REACH in trend.cautions
    tied = mann_kendall(one_phase([8, 8, 7, 7, 7]), "baseline", "improvement")
    assert tied.counts["smallest_p"] == pytest.approx(1 / math.comb(5, 2))


@pytest.mark.parametrize("values", [[], [4]])
def test_too_short_has_no_trend(values):
    trend = mann_kendall(PhaseSeries.from_phases(values, [1, 2]), "baseline")
    assert math.isnan(trend.value)
    assert math.isnan(trend.p_value)
    assert trend.counts["smallest_p"] == 1
    assert trend.cautions == (TOO_SHORT,)


def test_constant_ratings_have_no_tau_and_p_1():
    trend = mann_kendall(one_phase([4, 4, 4, 4]), "baseline")
    assert math.isnan(trend.value)
    assert trend.p_value == 1
    assert ONE_RATING in trend.cautions


def test_tiny_p_is_not_zero():
    trend = mann_kendall(one_phase(range(150)), "baseline", "improvement")
    assert 0 < trend.p_value < 1e-200


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"phase": "treatment"}, "phase must be one of None, 'baseline'"),
        ({"alternative": "greater"}, "alternative must be one of 'two-sided', 'improvement', 'worsening'"),
    ],
)
def test_wrong_arguments_are_named(arguments, message):
    with pytest.raises(ValueError, match=message):
        mann_kendall(one_phase([1, 2, 3]), **arguments)
