"""Rules read off a graph: against step-by-step twins, error rates, and at their edges."""

import math
import statistics

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case import decision_rules as rules
from rungwise.single_case.decision_rules import (
    conservative_dual_criterion,
    deviation_band,
    deviation_band_batch,
    dual_criterion,
    dual_criterion_batch,
    required_count,
    stability_envelope,
    stability_envelope_batch,
)
from scipy import stats

phase = st.lists(st.integers(0, 10), min_size=3, max_size=9)


def higher(a, b, **keywords):
    return PhaseSeries.from_phases(a, b, better="higher", **keywords)


@settings(max_examples=60)
@given(phase, phase, st.sampled_from([0, 0.25]))
def test_dual_criterion_equals_a_least_squares_twin(a, b, shift):
    ours = dual_criterion(higher(a, b), shift=shift)
    fit = stats.linregress(range(1, len(a) + 1), a)
    moved = shift * statistics.stdev(a)
    times = range(len(a) + 1, len(a) + len(b) + 1)
    beyond = sum(
        y > statistics.fmean(a) + moved + 1e-9 and y > fit.intercept + fit.slope * t + moved + 1e-9
        for y, t in zip(b, times, strict=True)
    )
    assert ours.value == beyond
    assert ours.p_value == pytest.approx(stats.binomtest(beyond, len(b), alternative="greater").pvalue)
    assert (ours.favors == "improvement") == (ours.p_value <= 0.05)
    assert ours.counts["trend_slope"] == pytest.approx(fit.slope, abs=1e-12)


@pytest.mark.parametrize("n", [1, 4, 5, 8, 13, 30])
@pytest.mark.parametrize("alpha", [0.05, 0.01])
def test_required_count_is_the_first_whose_tail_is_small_enough(n, alpha):
    tails = [stats.binomtest(k, n, alternative="greater").pvalue for k in range(n + 1)]
    enough = [k for k, tail in enumerate(tails) if tail <= alpha]
    assert required_count(n, alpha) == (enough[0] if enough else None)


def test_the_conservative_lines_are_harder_to_cross():
    rng = np.random.default_rng(2)
    for _ in range(50):
        series = higher(rng.integers(0, 11, 6), rng.integers(3, 11, 8))
        assert conservative_dual_criterion(series).value <= dual_criterion(series).value


def test_directions_mirror():
    a, b = [4, 5, 5, 6, 4], [8, 9, 7, 9, 9, 10]
    up = conservative_dual_criterion(higher(a, b))
    down = conservative_dual_criterion(PhaseSeries.from_phases([10 - v for v in a], [10 - v for v in b]))
    assert (up.value, up.favors) == (down.value, down.favors) == (6, "improvement")
    assert conservative_dual_criterion(higher(b, a), direction="worsening").favors == "worsening"


def test_few_exposure_occasions_can_never_meet_the_rule():
    ours = dual_criterion(higher([1, 2, 1, 2], [9, 9, 9, 9]))
    assert ours.favors == "neither"
    assert math.isnan(ours.counts["required"])
    assert ours.counts["smallest_p"] == 1 / 16
    assert rules.NEVER_ENOUGH in ours.cautions


def test_declines_never_lie_beyond_for_improvement_and_always_for_worsening():
    series = PhaseSeries.from_phases([5, 6, 5, 6], [2, None, 2], declined=[False] * 5 + [True] + [False])
    assert dual_criterion(series).value == 2
    assert dual_criterion(series, direction="worsening").value == 1


@pytest.mark.parametrize(
    ("a", "b", "reason"),
    [
        ([5], [3, 3], rules.TOO_FEW_FOR_LINE),
        ([], [3], rules.TOO_FEW_FOR_LINE),
        ([4, 5, 4], [], rules.NO_EXPOSURE),
    ],
)
def test_lines_that_cannot_be_drawn_give_nan_with_the_reason(a, b, reason):
    ours = conservative_dual_criterion(higher(a, b))
    assert math.isnan(ours.value)
    assert math.isnan(ours.p_value)
    assert ours.favors == ""
    assert reason in ours.cautions


def test_a_flat_baseline_is_said():
    flat = higher([0.1] * 6, [0.1, 0.2, 0.3, 0.3, 0.3])
    assert conservative_dual_criterion(flat).value == 4
    assert rules.FLAT_BASELINE in conservative_dual_criterion(flat).cautions
    assert rules.FLAT_BAND in deviation_band(flat).cautions


def runs_by_hand(flags):
    longest = current = 0
    for flag in flags:
        current = current + 1 if flag else 0
        longest = max(longest, current)
    return longest


@settings(max_examples=60)
@given(phase, phase, st.sampled_from([1, 2]))
def test_deviation_band_equals_a_twin(a, b, deviations):
    ours = deviation_band(higher(a, b), deviations=deviations)
    mean, sd = statistics.fmean(a), statistics.stdev(a)
    low, high = mean - deviations * sd, mean + deviations * sd
    assert (ours.counts["low"], ours.counts["high"]) == pytest.approx((low, high))
    better = [y > high + 1e-9 for y in b]
    worse = [y < low - 1e-9 for y in b]
    assert (ours.value, ours.counts["longest_worse"]) == (runs_by_hand(better), runs_by_hand(worse))
    expected = {(0, 0): "neither", (1, 0): "improvement", (0, 1): "worsening", (1, 1): ""}
    signals = (int(runs_by_hand(better) >= 2), int(runs_by_hand(worse) >= 2))
    assert ours.favors == expected[signals]


def test_declines_lie_on_the_worse_side_of_the_band():
    series = PhaseSeries.from_phases([5, 6, 5, 6], [None, None], declined=[False] * 4 + [True] * 2)
    assert deviation_band(series).favors == "worsening"


def test_error_rates_without_any_effect_are_those_stated():
    rng = np.random.default_rng(0)
    values = np.rint(rng.normal(6, 1.5, (4000, 15)))
    batch = SeriesBatch.from_arrays(values, 5)
    assert np.mean(dual_criterion_batch(batch).favors == "improvement") == pytest.approx(0.03, abs=0.012)
    conservative = dual_criterion_batch(batch, shift=0.25)
    assert np.mean(conservative.favors == "improvement") == pytest.approx(0.02, abs=0.01)
    assert np.mean(deviation_band_batch(batch).favors != "neither") == pytest.approx(0.16, abs=0.025)


@settings(max_examples=60)
@given(phase)
def test_stability_envelope_equals_counting(a):
    ours = stability_envelope(higher(a, [3]))
    middle = statistics.median(a)
    inside = sum(abs(y - middle) <= 0.25 * middle + 1e-9 for y in a)
    assert ours.value == pytest.approx(100 * inside / len(a))
    assert ours.counts["stable"] == (inside / len(a) >= 0.8 - 1e-12)
    assert (rules.NEAR_ZERO in ours.cautions) == (middle < 2)


def test_the_baseline_width_is_kept_for_exposure():
    series = higher([8, 8, 8, 8], [4, 5, 6, 4, 5])
    exposure = stability_envelope(series, "exposure")
    assert (exposure.counts["center"], exposure.counts["half_width"]) == (5, 2)
    assert exposure.value == 100
    assert stability_envelope(series, "exposure", width=10).value == 40


def test_around_a_trend_a_steady_course_is_stable():
    steady = higher([2, 4, 6, 8, 10, 12, 14, 16], [3])
    assert stability_envelope(steady).counts["stable"] == 0
    assert stability_envelope(steady, around="trend").value == 100


def test_a_decline_lies_outside_the_envelope():
    series = PhaseSeries.from_phases([8, None, 8, 8], [3], declined=[False, True, False, False, False])
    assert stability_envelope(series).value == 75


def test_no_rating_gives_nan_with_the_reason():
    ours = stability_envelope(higher([], [3]))
    assert math.isnan(ours.value)
    assert rules.NO_RATING in ours.cautions


@pytest.mark.parametrize(
    ("single", "batched"),
    [
        (dual_criterion, dual_criterion_batch),
        (deviation_band, deviation_band_batch),
        (stability_envelope, stability_envelope_batch),
        (
            lambda one: stability_envelope(one, "exposure", around="trend"),
            lambda many: stability_envelope_batch(many, "exposure", around="trend"),
        ),
    ],
)
def test_ragged_batch_equals_its_series_one_by_one(single, batched):
    rng = np.random.default_rng(8)
    several = []
    for a, b in rng.integers(0, 11, (40, 2)):
        declined, values = rng.random(a + b) < 0.1, rng.integers(0, 11, a + b).astype(float)
        times = np.cumsum(rng.integers(0, 4, a + b))
        several.append(PhaseSeries(values, ["baseline"] * a + ["exposure"] * b, times, declined))
    for one, row in zip(several, batched(SeriesBatch.of(*several)), strict=True):
        alone = single(one)
        for name in ("value", "p_value"):
            assert getattr(row, name) == pytest.approx(getattr(alone, name), nan_ok=True)
        assert (row.favors, row.cautions) == (alone.favors, alone.cautions)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda s: dual_criterion(s, shift=-1), "shift must be 0 or a positive number"),
        (lambda s: dual_criterion(s, alpha=5), "alpha must be a number between 0 and 1; got 5"),
        (lambda s: dual_criterion(s, direction="up"), "direction must be one of"),
        (lambda s: deviation_band(s, run=0), "run must be a whole number of occasions"),
        (lambda s: deviation_band(s, deviations=0), "deviations must be a number between 0 and inf"),
        (lambda s: stability_envelope(s, share=0), "share must be a percentage above 0"),
        (lambda s: stability_envelope(s, around="mean"), "around must be one of 'median', 'trend'"),
        (lambda s: stability_envelope(s, "treatment"), "phase must be one of 'baseline'"),
    ],
)
def test_wrong_arguments_are_named(call, message):
    with pytest.raises(ValueError, match=message):
        call(higher([1, 2, 3], [4, 5]))
