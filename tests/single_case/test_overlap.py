"""Overlap statistics: against removal by trial, ordinary pair counting, and at their edges."""

import math
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case import overlap
from rungwise.single_case.overlap import ird, ird_batch, pand, pand_batch, pem, pem_batch, pnd, pnd_batch

ALL = (pnd, pem, pand, ird)
BATCHED = (pnd_batch, pem_batch, pand_batch, ird_batch)
phase = st.lists(st.integers(0, 5), min_size=1, max_size=6)


def higher(a, b, **keywords):
    return PhaseSeries.from_phases(a, b, better="higher", **keywords)


def removals_by_trial(a, b):
    """Try every set of occasions, smallest sets first."""
    everything = [(0, i) for i in range(len(a))] + [(1, j) for j in range(len(b))]
    for size in range(len(everything) + 1):
        found = set()
        for gone in combinations(everything, size):
            kept_a = [v for i, v in enumerate(a) if (0, i) not in gone]
            kept_b = [v for j, v in enumerate(b) if (1, j) not in gone]
            if not kept_a or not kept_b or max(kept_a) < min(kept_b):
                found.add((len(a) - len(kept_a), len(b) - len(kept_b)))
        if found:
            return size, found
    raise AssertionError


@settings(max_examples=60)
@given(phase, phase)
def test_pand_and_ird_equal_removal_by_trial(a, b):
    size, found = removals_by_trial(a, b)
    rates = [(len(b) - from_b) / len(b) - from_a / len(a) for from_a, from_b in found]
    n = len(a) + len(b)
    series = higher(a, b)
    assert pand(series).counts["removed"] == size
    assert pand(series).value == pytest.approx(100 * (1 - size / n))
    assert ird(series).counts["lowest"] == pytest.approx(min(rates))
    assert ird(series).counts["highest"] == pytest.approx(max(rates))
    assert ird(series).value == pytest.approx(1 - n**2 * (size / n) / (2 * len(a) * len(b)))
    assert ird(series).value >= 0


@settings(max_examples=80)
@given(phase, phase)
def test_pnd_and_pem_equal_counting(a, b):
    assert pnd(higher(a, b)).value == pytest.approx(100 * np.mean(np.array(b) > max(a)))
    median = np.median(a)
    above, tied = np.mean(np.array(b) > median), np.mean(np.array(b) == median)
    assert pem(higher(a, b)).value == pytest.approx(100 * (above + tied / 2))
    assert pem(higher(a, b), ties="zero").value == pytest.approx(100 * above)


@settings(max_examples=40)
@given(phase, phase)
def test_turning_the_scale_round_changes_nothing(a, b):
    turned = PhaseSeries.from_phases([5 - v for v in a], [5 - v for v in b], better="lower")
    for statistic in ALL:
        assert statistic(higher(a, b)).value == pytest.approx(statistic(turned).value)


@settings(max_examples=40)
@given(phase, phase)
def test_pnd_never_rises_with_a_longer_baseline(a, b):
    assert pnd(higher([*a, 3], b)).value <= pnd(higher(a, b)).value


@pytest.mark.parametrize("statistic", ALL)
def test_complete_separation_and_none(statistic):
    best = 1 if statistic is ird else 100
    assert statistic(higher([1, 2, 2], [3, 4, 5])).value == best


def test_pnd_without_its_best_baseline_occasion():
    lucky = pnd(higher([2, 9, 3], [4, 5, 6, 7]))
    assert (lucky.value, lucky.counts["without_best"]) == (0, 100)
    assert overlap.ONE_POINT in lucky.cautions
    shared = pnd(higher([2, 9, 9], [4, 5, 6, 7]))
    assert shared.counts["without_best"] == 0
    assert overlap.ONE_POINT not in shared.cautions
    assert math.isnan(pnd(higher([2], [4, 5])).counts["without_best"])


def test_a_baseline_at_the_end_of_the_scale_is_said():
    assert overlap.AT_THE_END in pnd(higher([4, 10, 5], [8, 9, 10], ceiling=10)).cautions
    fearful = PhaseSeries.from_phases([4, 0, 5], [0, 0], better="lower", floor=0, ceiling=10)
    assert overlap.AT_THE_END in pnd(fearful).cautions
    assert overlap.AT_THE_END not in pnd(higher([4, 9], [10], ceiling=10)).cautions


def test_several_smallest_removals_are_said():
    # 8 in baseline ties with 8 in exposure: either may go.
    both = ird(higher([3, 4, 8], [8, 9, 9, 10]))
    assert both.counts["lowest"] == pytest.approx(2 / 3)
    assert both.counts["highest"] == pytest.approx(3 / 4)
    assert overlap.NOT_UNIQUE in both.cautions


def test_declines_rank_below_every_rating():
    series = PhaseSeries.from_phases(
        [10, None, 9], [8, None, 7], better="lower", declined=[False, True, False, False, True, False]
    )
    assert pnd(series).value == pytest.approx(200 / 3)
    assert pand(series).counts["removed"] == 1
    assert pem(series).value == pytest.approx(200 / 3)


def test_a_mostly_declined_baseline_puts_every_rating_beyond_its_median():
    series = PhaseSeries.from_phases(
        [None, None, 9, 8], [10, None], better="lower", declined=[True, True, False, False, False, True]
    )
    half = pem(series)
    assert (half.counts["beyond"], half.counts["tied"]) == (1, 1)
    assert overlap.MEDIAN_DECLINED in half.cautions


@pytest.mark.parametrize("statistic", ALL)
@pytest.mark.parametrize(("a", "b"), [([], [1, 2]), ([1, 2], []), ([], [])])
def test_an_empty_phase_gives_nan_with_the_reason(statistic, a, b):
    ours = statistic(higher(a, b))
    assert math.isnan(ours.value)
    assert ours.cautions == (overlap.NO_OCCASION,)


@pytest.mark.parametrize("statistic", ALL)
def test_missing_intervals_say_why(statistic):
    ours = statistic(higher([1, 2, 3], [2, 3, 5]))
    assert math.isnan(ours.ci_low)
    assert math.isnan(ours.p_value)
    assert overlap.NO_INTERVAL in ours.cautions


@pytest.mark.parametrize(("single", "batched"), list(zip(ALL, BATCHED, strict=True)))
def test_ragged_batch_equals_its_series_one_by_one(single, batched):
    rng = np.random.default_rng(3)
    several = []
    for a, b in rng.integers(0, 9, (40, 2)):
        declined = rng.random(a + b) < 0.15
        values = rng.choice([0.5, 1, 2, 3, 4.5, 6], a + b)
        several.append(PhaseSeries(values, ["baseline"] * a + ["exposure"] * b, None, declined))
    for one, row in zip(several, batched(SeriesBatch.of(*several)), strict=True):
        np.testing.assert_equal(row.as_row(), single(one).as_row())


def test_a_decimal_rating_equal_to_the_median_is_a_tie():
    assert pem(higher([0.1, 0.2], [0.15])).counts["tied"] == 1


def test_the_tie_rule_is_named():
    with pytest.raises(ValueError, match="ties must be one of 'half', 'zero'; got 'drop'"):
        pem(higher([1], [2]), ties="drop")
