"""The interval that inverts a randomization test with Tau: against the test itself, and its coverage."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case import assignments, randomization, tau_shift
from rungwise.single_case.designs import Alternating, RandomStart
from rungwise.single_case.randomization import randomization_test
from rungwise.single_case.staggered_starts import StaggeredStarts

LIMITS = ("shift_low", "shift_high")


def made(values, mask, better="higher", declined=None):
    phases = np.where(mask, "exposure", "baseline").tolist()
    return PhaseSeries(values, phases, declined=declined, better=better)


def outermost(series, masks, design, tail, grid):
    """Shift the exposure ratings by one candidate after another and test each anew."""
    kept = {"improvement": [], "worsening": []}
    for shift in grid:
        moved = [
            PhaseSeries(
                one.values - shift * mask, one.phases.tolist(), declined=one.declined, better="higher"
            )
            for one, mask in zip(series, masks, strict=True)
        ]
        for alternative, shifts in kept.items():
            p = randomization_test(
                moved, design=design, statistic="tau", alternative=alternative, interval=False
            ).p_value
            if p > tail * (1 + 1e-9):
                shifts.append(shift)
    low, high = min(kept["improvement"]), max(kept["worsening"])
    unbounded = low == grid[0] or high == grid[-1]
    return (math.nan, math.nan) if unbounded else (low, high)


def to_the_limit(found):
    """A gap between two whole shifts that is not rejected reaches to its ends."""
    return math.floor(found[0]), math.ceil(found[1])


@settings(max_examples=25)
@given(
    values=st.lists(st.integers(0, 6), min_size=14, max_size=14),
    start=st.integers(4, 11),
    refused=st.sets(st.integers(0, 13), max_size=2),
)
def test_limits_are_the_outermost_shifts_that_the_test_does_not_reject(values, start, refused):
    mask = np.arange(1, 15) >= start
    declined = np.isin(np.arange(14), list(refused))
    series = made(np.where(declined, np.nan, values), mask, declined=declined)
    design = RandomStart(4, 11, "random")
    ours = randomization_test(series, design=design, statistic="tau", confidence=0.6)
    expected = outermost([series], [mask], [design], 0.2, np.arange(-8, 8.5, 0.5))
    if math.isnan(expected[0]):
        assert math.isnan(ours.counts["shift_low"])
        assert math.isnan(ours.counts["shift_high"])
        assert randomization.UNBOUNDED in ours.cautions
    else:
        assert tuple(ours.counts[name] for name in LIMITS) == pytest.approx(to_the_limit(expected))
        assert {randomization.TAU_SHIFT, randomization.SHIFT} <= set(ours.cautions)
    assert math.isnan(ours.ci_low)
    assert math.isnan(ours.ci_high)


@pytest.mark.parametrize("listed", [1_000_000, 0])
def test_several_cases_share_one_shift(monkeypatch, listed):
    rng = np.random.default_rng(2)
    starts = (4, 7, 9)
    masks = [np.arange(1, 13) >= start for start in starts]
    series = [made(rng.integers(0, 5, 12) + 2 * mask, mask) for mask in masks]
    design = StaggeredStarts(((3, 4), (6, 7), (9, 10)), True, "random")
    expected = outermost(series, masks, design, 0.05, np.arange(-8, 10.5, 0.5))
    assert not math.isnan(expected[0])
    monkeypatch.setattr(assignments, "MOST_LISTED", listed)
    ours = randomization_test(series, design=design, statistic="tau", confidence=0.9)
    assert ("halves" in ours.method or "middle" in ours.method) == (listed == 0)
    assert tuple(ours.counts[name] for name in LIMITS) == pytest.approx(to_the_limit(expected))
    assert ours.counts["shift_low"] <= ours.counts["shift"] <= ours.counts["shift_high"]


def test_a_sample_of_assignments_gives_nearly_the_same_limits(monkeypatch):
    rng = np.random.default_rng(5)
    mask = np.tile([False, True], 8)
    series = made(rng.normal(5, 1, 16) - mask, mask)
    design = Alternating(16, "random", longest_run=3)
    exact = randomization_test(series, design=design, statistic="tau")
    monkeypatch.setattr(assignments, "MOST_LISTED", 0)
    drawn = randomization_test(series, design=design, statistic="tau", rng=rng)
    assert "Monte Carlo" in drawn.method
    for name in LIMITS:
        assert drawn.counts[name] == pytest.approx(exact.counts[name], abs=0.4)
    assert exact.counts["shift"] == drawn.counts["shift"]


def test_the_shift_is_the_median_difference_of_the_pairs():
    rng = np.random.default_rng(6)
    mask = np.arange(15) >= 6
    values = np.round(rng.normal(5, 2, 15), 2)
    apart = [a - b for a in values[mask] for b in values[~mask]]
    ours = randomization_test(made(values, mask), design=RandomStart(4, 12, "random"), statistic="tau")
    assert ours.counts["shift"] == pytest.approx(np.median(apart))


def test_turning_the_scale_round_turns_the_shift_round():
    rng = np.random.default_rng(7)
    mask = np.arange(24) >= 11
    values = rng.integers(0, 11, 24) - 2.0 * mask
    design = RandomStart(4, 22, "random")
    up = randomization_test(made(values, mask), design=design, statistic="tau", confidence=0.5).counts
    down = randomization_test(
        made(10 - values, mask, better="lower"), design=design, statistic="tau", confidence=0.5
    ).counts
    assert math.isfinite(up["shift_low"])
    assert (down["shift_low"], down["shift"], down["shift_high"]) == (
        -up["shift_high"], -up["shift"], -up["shift_low"],
    )  # fmt: skip


def test_too_many_sums_are_refused_and_without_an_interval_none_is_looked_for(monkeypatch):
    mask = np.arange(20) >= 9
    series = made(np.arange(20) % 7, mask)
    design = RandomStart(4, 18, "random")
    monkeypatch.setattr(tau_shift, "MOST_COUNTED", 100)
    refused = randomization_test(series, design=design, statistic="tau")
    assert math.isnan(refused.counts["shift_low"])
    assert not math.isnan(refused.counts["shift"])
    assert randomization.TOO_MANY in refused.cautions
    without = randomization_test(series, design=design, statistic="tau", interval=False)
    assert "shift" not in without.counts
    assert randomization.TOO_MANY not in without.cautions


@pytest.mark.parametrize(("phi", "trend"), [(0.0, 0.0), (0.6, 0.0), (0.6, -0.15)])
def test_it_covers_a_constant_shift_whatever_trend_and_autocorrelation(phi, trend):
    rng = np.random.default_rng(11)
    design, replications = RandomStart(6, 25, "random"), 400
    covered = bounded = 0
    for _ in range(replications):
        noise = rng.normal(size=30)
        for t in range(1, 30):
            noise[t] += phi * noise[t - 1]
        mask = np.arange(1, 31) >= rng.integers(6, 26)
        values = np.rint(8 + trend * np.arange(30) + noise) - 2 * mask
        counts = randomization_test(
            made(values, mask, better="lower"), design=design, statistic="tau", confidence=0.8
        ).counts
        bounded += not math.isnan(counts["shift_low"])
        covered += math.isnan(counts["shift_low"]) or counts["shift_low"] <= -2 <= counts["shift_high"]
    assert covered / replications >= 0.8 - 3 * math.sqrt(0.16 / replications)
    # It is no empty promise: most series have an interval.
    assert bounded / replications > 0.5
