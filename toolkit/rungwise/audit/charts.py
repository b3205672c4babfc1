"""Rules by which a figure followed from quarter to quarter is called a signal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from rungwise.basis.control_limits import FEWEST_POINTS

# Quarters with judged children that trial limits and firm limits need (common practice, no source).
TRIAL_QUARTERS = FEWEST_POINTS
FIRM_QUARTERS = 20
# Quarters in a row on one side of the median, or rising or falling, that make a signal on a run chart
# (common practice; from memory the rules of Perla, Provost & Murray 2011, BMJ Quality & Safety 20:46-51).
SHIFT = 6
TREND = 5
# In a row on one side of the center of a chart with limits (common practice, no source).
ONE_SIDE = 8
# A median has as many quarters above as below, so fewer than this cannot hold a shift.
RUN_QUARTERS = 2 * SHIFT


def run_signals(values: Sequence[float]) -> dict[int, str]:
    """Find where a run chart's rules call a signal: the last value of each such run, and what it is.

    Values equal to the median are passed over for a shift, and equal neighbors for a trend. The rules are
    rough: with no change at all they still call one now and then.

    Examples
    --------
    >>> run_signals([1, 2, 3, 4, 5])
    {4: '5 in a row rising'}
    """
    known = [place for place, value in enumerate(values) if not math.isnan(value)]
    found: dict[int, str] = {}
    if known:
        median = float(np.median([values[place] for place in known]))
        off = [place for place in known if values[place] != median]
        sides = [(place, math.copysign(1, values[place] - median)) for place in off]
        for place, side, length in _runs(sides):
            if length >= SHIFT:
                found[place] = f"{length} in a row {'above' if side > 0 else 'below'} the median"
    moves = [
        (after, math.copysign(1, values[after] - values[before]))
        for before, after in pairwise(known)
        if values[after] != values[before]
    ]
    for place, side, length in _runs(moves):
        if length >= TREND - 1:
            found[place] = f"{length + 1} in a row {'rising' if side > 0 else 'falling'}"
    return found


def limit_signals(
    values: Sequence[float], center: float, low: Sequence[float], high: Sequence[float]
) -> dict[int, str]:
    """Find values beyond their limits, and the last of `ONE_SIDE` or more on one side of the center.

    Examples
    --------
    >>> limit_signals([0.5, 0.9, 0.1], 0.5, [0.2] * 3, [0.8] * 3)
    {1: 'above the limits', 2: 'below the limits'}
    """
    found: dict[int, str] = {}
    sides = [
        (place, math.copysign(1, value - center))
        for place, value in enumerate(values)
        if not math.isnan(value) and value != center
    ]
    for place, side, length in _runs(sides):
        if length >= ONE_SIDE:
            found[place] = f"{length} in a row {'above' if side > 0 else 'below'} the center"
    for place, value in enumerate(values):
        if value > high[place]:
            found[place] = "above the limits"
        elif value < low[place]:
            found[place] = "below the limits"
    return dict(sorted(found.items()))


def _runs(sides: Sequence[tuple[int, float]]) -> list[tuple[int, float, int]]:
    """Last place, side and length of every run of one side."""
    runs: list[tuple[int, float, int]] = []
    for place, side in sides:
        if runs and runs[-1][1] == side:
            runs[-1] = (place, side, runs[-1][2] + 1)
        else:
            runs.append((place, side, 1))
    return runs
