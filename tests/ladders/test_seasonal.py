"""The seasonal Mann–Kendall test against slow twins, its own identities and the single-step test."""

from itertools import permutations, product

import numpy as np
import pytest
from rungwise.ladders.seasonal import (
    ALL_TIED,
    INDEPENDENT,
    NOTHING,
    SHORT_FOR_COVARIANCE,
    seasonal_mann_kendall,
    seasonal_slope,
)
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.nap import DECLINED_CAUTION
from rungwise.single_case.trend import mann_kendall

DEPENDENT = ("days", "covariance", "none")


def steps(*ratings, better="lower", **more):
    return [PhaseSeries(one, ["exposure"] * len(one), better=better, **more) for one in ratings]


def kendall_s(values):
    pairs = [(a, b) for i, a in enumerate(values) for b in values[i + 1 :] if None not in (a, b)]
    return sum((a > b) - (a < b) for a, b in pairs)


@pytest.fixture
def random_steps():
    rng = np.random.default_rng(3)
    return [rng.integers(2, 7, 6).tolist() for _ in range(3)]


def test_s_is_the_sum_over_steps_and_one_step_is_mann_kendall(random_steps):
    trend = seasonal_mann_kendall(steps(*random_steps), "exposure")
    assert trend.counts["S"] == sum(kendall_s(one) for one in random_steps)
    (alone,) = steps(random_steps[0])
    single = mann_kendall(alone, "exposure")
    for dependence in ("days", "none"):
        one = seasonal_mann_kendall([alone], "exposure", dependence=dependence)
        assert one.counts["S"] == single.counts["S"]
        assert one.p_value == pytest.approx(single.p_value)


@pytest.mark.parametrize("alternative", ["two-sided", "improvement", "worsening"])
def test_p_over_days_is_that_of_every_order_of_days(random_steps, alternative):
    trend = seasonal_mann_kendall(steps(*random_steps), "exposure", alternative)
    null = [
        sum(kendall_s([one[day] for day in order]) for one in random_steps)
        for order in permutations(range(6))
    ]
    s = trend.counts["S"]
    hit = {"two-sided": [abs(x) >= abs(s) for x in null], "improvement": [x >= s for x in null],
           "worsening": [x <= s for x in null]}[alternative]  # fmt: skip
    assert trend.p_value == pytest.approx(np.mean(hit))
    best = {"two-sided": max(map(abs, null)), "improvement": max(null), "worsening": min(null)}[alternative]
    at_best = [abs(x) == best if alternative == "two-sided" else x == best for x in null]
    assert trend.counts["smallest_p"] == pytest.approx(np.mean(at_best))


@pytest.mark.parametrize("alternative", ["two-sided", "improvement", "worsening"])
def test_p_of_independent_steps_is_that_of_every_pair_of_orders(alternative):
    first, second = [5, 4, 4, 2], [7, 7, 6, 7]
    trend = seasonal_mann_kendall(steps(first, second), "exposure", alternative, dependence="none")
    null = [kendall_s(a) + kendall_s(b) for a, b in product(permutations(first), permutations(second))]
    s = trend.counts["S"]
    hit = {"two-sided": np.abs(null) >= abs(s), "improvement": np.array(null) >= s,
           "worsening": np.array(null) <= s}[alternative]  # fmt: skip
    assert trend.p_value == pytest.approx(np.mean(hit))
    assert trend.counts["variance"] == pytest.approx(np.var(null))
    assert INDEPENDENT in trend.cautions


def test_the_covariance_of_a_step_with_itself_is_its_variance():
    untied = [5, 3, 9, 7, 8, 1, 2, 4, 6, 0]
    twice = seasonal_mann_kendall(steps(untied, untied), "exposure", dependence="covariance")
    once = seasonal_mann_kendall(steps(untied), "exposure", dependence="covariance")
    # Var(S + S) = 4 Var(S): the covariance estimator is exact for a step held against itself.
    assert twice.counts["variance"] == pytest.approx(4 * once.counts["variance"])
    assert once.counts["variance"] == pytest.approx(10 * 9 * 25 / 18)
    assert SHORT_FOR_COVARIANCE not in twice.cautions
    short = seasonal_mann_kendall(steps(untied[:6], untied[:6]), "exposure", dependence="covariance")
    assert SHORT_FOR_COVARIANCE in short.cautions


def test_steps_that_rise_and_fall_together_leave_less_evidence_than_independent_ones(random_steps):
    same = steps(*[[5, 4, 5, 3, 3, 2]] * 3)
    over_days = seasonal_mann_kendall(same, "exposure")
    independent = seasonal_mann_kendall(same, "exposure", dependence="none")
    assert over_days.p_value == pytest.approx(mann_kendall(same[0], "exposure").p_value)
    assert independent.p_value < over_days.p_value / 10


def test_different_levels_of_steps_are_no_trend():
    easy_first = [[1, 1, None, None], [None, None, 8, 8]]
    trend = seasonal_mann_kendall(steps(*easy_first), "exposure")
    assert trend.counts["S"] == 0
    assert np.isnan(trend.value)
    assert ALL_TIED in trend.cautions


def test_more_days_than_can_be_counted_are_drawn_and_never_zero():
    ratings = [list(range(12, 0, -1)), list(range(12, 0, -1))]
    with pytest.raises(ValueError, match="rng must be a numpy Generator"):
        seasonal_mann_kendall(steps(*ratings), "exposure")
    trend = seasonal_mann_kendall(steps(*ratings), "exposure", rng=np.random.default_rng(1), draws=1999)
    assert trend.p_value == 1 / 2000
    again = seasonal_mann_kendall(steps(*ratings), "exposure", rng=np.random.default_rng(1), draws=1999)
    assert again.p_value == trend.p_value


def test_drawn_orders_agree_with_counted_ones(monkeypatch, random_steps):
    counted = seasonal_mann_kendall(steps(*random_steps), "exposure").p_value
    monkeypatch.setattr("rungwise.ladders.seasonal._COUNTED_DAYS", 0)
    drawn = seasonal_mann_kendall(steps(*random_steps), "exposure", rng=np.random.default_rng(2))
    assert drawn.p_value == pytest.approx(counted, abs=0.02)


def test_declines_rank_worst_and_direction_follows_better():
    declined = [True, False, False]
    (series,) = steps([None, 8, 6], declined=declined)
    trend = seasonal_mann_kendall([series], "exposure")
    assert trend.counts["S"] == 3
    assert (trend.value, trend.favors) == (1, "improvement")
    assert DECLINED_CAUTION in trend.cautions
    (higher,) = steps([None, 8, 6], declined=declined, better="higher")
    assert seasonal_mann_kendall([higher], "exposure").counts["S"] == 1


@pytest.mark.parametrize("dependence", DEPENDENT)
def test_nothing_to_compare_is_said(dependence):
    trend = seasonal_mann_kendall(steps([5], [3]), "exposure", dependence=dependence)
    assert np.isnan(trend.value)
    assert np.isnan(trend.p_value)
    assert trend.cautions[0] == NOTHING


def test_errors_name_the_argument():
    with pytest.raises(ValueError, match="series must hold at least one series"):
        seasonal_mann_kendall([])
    with pytest.raises(ValueError, match="dependence must be one of 'days', 'covariance', 'none'"):
        seasonal_mann_kendall(steps([5, 4]), dependence="some")
    with pytest.raises(ValueError, match="series 1 has two at one time"):
        seasonal_mann_kendall(steps([5, 4], times=[1, 1]), "exposure")


def test_the_slope_is_the_median_within_steps(random_steps):
    by_hand = [
        (one[j] - one[i]) / (j - i) for one in random_steps for i in range(6) for j in range(i + 1, 6)
    ]
    slope = seasonal_slope(steps(*random_steps), "exposure")
    assert slope.value == pytest.approx(np.median(by_hand))
    assert slope.counts["slopes"] == 45
    falling = seasonal_slope(steps([5, None, 1], declined=[False, True, False]), "exposure")
    assert (falling.value, falling.favors) == (-2, "improvement")
    assert any("left out: 1" in caution for caution in falling.cautions)
    assert np.isnan(seasonal_slope(steps([5]), "exposure").value)
