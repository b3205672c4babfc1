"""Split-middle: against a step-by-step twin, the binomial of scipy, and at its edges."""

import math
import statistics

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case import split_middle as module
from rungwise.single_case.split_middle import even_chance_tail, split_middle, split_middle_batch
from rungwise.single_case.stretch import ALTERNATING
from scipy import stats


def higher(a, b, **keywords):
    return PhaseSeries.from_phases(a, b, better="higher", **keywords)


def line_by_hand(values, slide):
    """Halve, take medians, join, slide: step by step."""
    n = len(values)
    half = n // 2
    times = list(range(1, n + 1))
    t1, y1 = statistics.median(times[:half]), statistics.median(values[:half])
    t2, y2 = statistics.median(times[n - half :]), statistics.median(values[n - half :])
    slope = (y2 - y1) / (t2 - t1)
    start = y1 - slope * t1
    if slide:
        start = statistics.median(y - slope * t for y, t in zip(values, times, strict=True))
    return slope, start


@settings(max_examples=60)
@given(
    st.lists(st.integers(0, 10), min_size=4, max_size=12),
    st.lists(st.integers(0, 10), min_size=1, max_size=9),
    st.booleans(),
)
def test_line_and_count_equal_a_step_by_step_twin(a, b, slide):
    ours = split_middle(higher(a, b), line="split_middle" if slide else "quarter_intersect")
    slope, start = line_by_hand(a, slide)
    assert ours.counts["slope"] == pytest.approx(slope)
    assert ours.counts["intercept"] == pytest.approx(start)
    line = [start + slope * t for t in range(len(a) + 1, len(a) + len(b) + 1)]
    beyond = sum(y > x + 1e-9 for y, x in zip(b, line, strict=True))
    assert ours.counts["beyond"] == beyond
    assert ours.value == pytest.approx(100 * beyond / len(b))
    assert ours.p_value == pytest.approx(stats.binomtest(beyond, len(b), alternative="greater").pvalue)


@settings(max_examples=40)
@given(st.lists(st.integers(0, 10), min_size=4, max_size=14))
def test_split_middle_line_halves_the_baseline(a):
    ours = split_middle(higher(a, [5]))
    line = ours.counts["intercept"] + ours.counts["slope"] * np.arange(1, len(a) + 1)
    assert np.sum(a >= line - 1e-9) >= len(a) / 2
    assert np.sum(a <= line + 1e-9) >= len(a) / 2


def test_the_two_directions_are_mirror_images():
    a, b = [4, 5, 3, 6, 5, 6, 7], [9, 8, 4, 9, 10]
    up = split_middle(higher(a, b))
    down = split_middle(PhaseSeries.from_phases([10 - v for v in a], [10 - v for v in b]))
    assert (up.value, up.p_value, up.favors) == (down.value, down.p_value, down.favors)
    assert up.counts["slope"] == -down.counts["slope"]
    worse = split_middle(higher(a, b), direction="worsening")
    assert worse.counts["beyond"] + up.counts["beyond"] + up.counts["on_line"] == len(b)


def test_celeration_is_the_weekly_factor():
    a = [2.0**t for t in range(8)]
    ours = split_middle(higher(a, [500.0]), scale="log")
    assert ours.counts["celeration"] == pytest.approx(2**7)
    assert ours.counts["line_at_start"] == pytest.approx(256)
    assert split_middle(higher(a, [500.0]), scale="log", period=1).counts["celeration"] == pytest.approx(2)
    refused = split_middle(higher([1, 0, 2, 3], [4]), scale="log")
    assert math.isnan(refused.value)
    assert module.NOT_POSITIVE in refused.cautions


def test_declines_are_worse_than_the_line():
    series = PhaseSeries.from_phases(
        [8, None, 8, 8, 8], [3, None, 3], declined=[False, True] + [False] * 4 + [True, False]
    )
    assert split_middle(series).counts["beyond"] == 2
    assert split_middle(series, direction="worsening").counts["beyond"] == 1
    assert {module.DECLINED_BASELINE, module.DECLINED_EXPOSURE} <= set(split_middle(series).cautions)


def test_a_line_that_leaves_the_scale_is_said():
    steep = PhaseSeries.from_phases([9, 7, 5, 3], [2, 1, 0], floor=0, ceiling=10)
    assert module.BEYOND_SCALE in split_middle(steep).cautions
    level = PhaseSeries.from_phases([5, 5, 5, 5], [2, 1, 0], floor=0, ceiling=10)
    assert module.BEYOND_SCALE not in split_middle(level).cautions


def test_alternating_phases_are_said():
    phases = ["baseline"] * 4 + ["exposure"] * 2 + ["baseline"] * 2
    assert ALTERNATING in split_middle(PhaseSeries([5, 6, 5, 6, 3, 3, 5, 5], phases)).cautions


@pytest.mark.parametrize(("a", "b"), [([5, 4, 3], [2]), ([5, 4, 3, 2], []), ([], [])])
def test_too_short_gives_nan_with_the_reason(a, b):
    ours = split_middle(higher(a, b))
    assert math.isnan(ours.value)
    assert math.isnan(ours.p_value)
    assert module.TOO_FEW in ours.cautions


def test_the_binomial_is_far_too_sure_without_any_effect():
    values = np.rint(np.random.default_rng(0).normal(6, 1.5, (4000, 15)))
    p = split_middle_batch(SeriesBatch.from_arrays(values, 5)).p_value
    assert np.mean(p <= 0.05) == pytest.approx(0.31, abs=0.03)


def test_tail_of_fair_tosses_is_exact_and_never_zero():
    assert even_chance_tail(np.array([3, 9]), np.array([5, 10])).tolist() == [0.5, 11 / 1024]
    assert even_chance_tail(np.array([3000]), np.array([3000]))[0] > 0


def test_ragged_batch_equals_its_series_one_by_one():
    rng = np.random.default_rng(8)
    several = []
    for a, b in rng.integers(0, 11, (40, 2)):
        declined, values = rng.random(a + b) < 0.1, rng.integers(0, 11, a + b).astype(float)
        times = np.cumsum(rng.integers(0, 4, a + b))
        several.append(PhaseSeries(values, ["baseline"] * a + ["exposure"] * b, times, declined))
    for one, row in zip(several, split_middle_batch(SeriesBatch.of(*several)), strict=True):
        np.testing.assert_equal(row.as_row(), split_middle(one).as_row())


@pytest.mark.parametrize(
    ("keywords", "message"),
    [
        ({"line": "mean"}, "line must be one of 'split_middle', 'quarter_intersect'"),
        ({"scale": "sqrt"}, "scale must be one of 'linear', 'log'"),
        ({"direction": "two-sided"}, "direction must be one of 'improvement', 'worsening'"),
        ({"period": 0}, "period must be a number between 0 and inf; got 0"),
    ],
)
def test_wrong_arguments_are_named(keywords, message):
    with pytest.raises(ValueError, match=message):
        split_middle(higher([1, 2, 3, 4], [5]), **keywords)
