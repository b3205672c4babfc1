"""Theil–Sen slope: the median of all pairwise slopes, in rating points per unit of time."""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.estimate import Estimate, Estimates, orientation
from rungwise.basis.null_trend import trend_distribution, trend_variance
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.nap import AT_ONCE_CAUTION, MISSING_CAUTION
from rungwise.single_case.stretch import (
    Stretch,
    at_rank,
    batch_for,
    distinct_rows,
    flush_left,
    median_of_sorted,
    row_medians,
)

INTERVALS = ("exact", "normal")
INTERCEPTS = ("median_residual", "medians")
SCRATCH = 400_000
"""Pairwise slopes held at once, so that sorting stays in fast memory."""

TOO_SHORT = "A slope needs at least two ratings at different times."
NO_LIMITS = "With so few ratings no pair of slopes bounds an interval at this confidence."
ONE_RATING = "Every rating is the same: the slope is 0 and nothing shows how sure that is."
WITHOUT_DECLINES = (
    "Declined occasions have no rating and are left out; where declines gather at one end the slope "
    "is too flat."
)
NEIGHBORS = (
    "The interval takes the ratings as independent around the line; where neighbors resemble each other "
    "it is too narrow."
)


def theil_sen_batch(
    batch: SeriesBatch,
    phase: str | None = None,
    *,
    confidence: float = 0.95,
    interval: str = "exact",
    intercept: str = "median_residual",
) -> Estimates:
    """Give the Theil–Sen slope of many series; see `theil_sen`.

    Parameters
    ----------
    batch : SeriesBatch
    phase : str, optional
        One of ``batch.phases``; None takes both phases as one series.
    confidence, interval, intercept
        As in `theil_sen`.

    Returns
    -------
    Estimates
        One entry per series, fields as in `theil_sen`.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Examples
    --------
    >>> batch = SeriesBatch.of(PhaseSeries.from_phases([8, 7, 7, 5], [5, 4, 2, 2, 1]))
    >>> theil_sen_batch(batch)[0].value
    -1.0
    """
    check_between("confidence", confidence, 0, 1)
    check_choice("interval", interval, INTERVALS)
    check_choice("intercept", intercept, INTERCEPTS)
    stretch = Stretch.of(batch, phase)
    rows, places = stretch.codes.shape
    rated = stretch.used & ~stretch.declined
    values, times = flush_left(stretch.values, rated), flush_left(stretch.times, rated)
    n = rated.sum(axis=1)
    half_width, normal, slopes = _half_widths(values, times, n, confidence, interval)
    slope, low, high, start = (np.full(rows, np.nan) for _ in range(4))
    step = max(SCRATCH // max(places * (places - 1) // 2, 1), 1)
    for first in range(0, rows, step):
        part = slice(first, first + step)
        y, t, count = values[part], times[part], slopes[part]
        ordered = _sorted_slopes(y, t)
        slope[part] = median_of_sorted(ordered, count)
        low[part], high[part] = _limits(ordered, count, half_width[part])
        if intercept == "medians":
            start[part] = row_medians(y, n[part]) - slope[part] * row_medians(t, n[part])
        else:
            start[part] = row_medians(y - slope[part, None] * t, n[part])
    short = slopes == 0
    level = (n > 0) & (_extreme(values, np.fmax) == _extreme(values, np.fmin))
    low[level], high[level] = np.nan, np.nan
    left_out = (stretch.declined & stretch.used).sum(axis=1)
    centered = "median residual" if intercept == "median_residual" else "medians of rating and time"
    labels = np.array(
        [
            f"median of pairwise slopes; interval from the {quantile}; intercept from the {centered}"
            for quantile in ("exact quantile of S", "normal variance of S (Gilbert 1987, 16.5)")
        ],
        dtype=object,
    )
    return Estimates(
        "theil_sen",
        value=slope,
        n=n,
        ci_low=low,
        ci_high=high,
        confidence=confidence,
        counts={"intercept": start, "slopes": slopes, "declined": left_out},
        method=labels[normal.astype(np.int64)],
        unit=f"{batch.unit} per unit of time",
        favors=orientation(slope * batch.sign),
        cautions={
            TOO_SHORT: short,
            ONE_RATING: ~short & level,
            NO_LIMITS: ~short & ~level & np.isnan(low),
            WITHOUT_DECLINES: left_out > 0,
            MISSING_CAUTION: batch.n_missing > 0,
            AT_ONCE_CAUTION: batch.several_at_once,
            NEIGHBORS: ~np.isnan(low),
        },
    )


def theil_sen(
    series: PhaseSeries,
    phase: str | None = None,
    *,
    confidence: float = 0.95,
    interval: str = "exact",
    intercept: str = "median_residual",
) -> Estimate:
    """Give the Theil–Sen slope of one series: how much the rating changes per unit of time.

    Parameters
    ----------
    series : PhaseSeries
    phase : {"baseline", "exposure", "maintenance", "follow_up"}, optional
        None takes baseline and exposure as one series, in which a step between them counts as slope.
    confidence : float
    interval : {"exact", "normal"}
        ``"exact"`` takes the two bounding slopes from the exact distribution of Kendall's S without
        ties in the ratings: it covers at least as often as stated for independent errors, more often
        with tied ratings. ``"normal"`` is Sen's interval with the tie-corrected variance of S and
        interpolated ranks; it is too narrow in short tied series.
    intercept : {"median_residual", "medians"}
        Median of rating − slope × time, or median rating − slope × median time.

    Returns
    -------
    Estimate
        ``value`` and limits in rating points per unit of time, with the sign of the data; ``favors``
        says whom the slope favors. ``counts["intercept"]`` is the line at time 0, ``counts["slopes"]``
        the number of pairwise slopes. The test of the trend is `mann_kendall`.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    Pairs at the same time have no slope and are left out. With whole-number ratings the slope is often
    exactly 0 although the ratings drift: more than half the pairs are then ties or point both ways.
    In series too long to count (hundreds of ratings) the interval is the normal one.

    Source: Theil 1950, Proc Kon Ned Akad Wet A 53:386–392; Sen 1968, JASA 63:1379–1389; interval
    after Gilbert 1987, Statistical methods for environmental pollution monitoring, section 16.5, and
    Hollander & Wolfe 1973, Nonparametric statistical methods, section 9.3.

    Examples
    --------
    >>> series = PhaseSeries([8, 7, 7, 6, 4], ["baseline"] * 5, times=[0, 2, 5, 7, 10])
    >>> slope = theil_sen(series, "baseline")
    >>> round(slope.value, 3), slope.favors, round(slope.ci_low, 3), slope.ci_high
    (-0.388, 'improvement', -0.667, 0.0)
    """
    return theil_sen_batch(
        batch_for(series, phase), phase, confidence=confidence, interval=interval, intercept=intercept
    )[0]


def _sorted_slopes(y: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Give all pairwise slopes of each row in order, NaN at the end for pairs that have none."""
    gaps = _differences(distinct_rows(t))
    gaps[gaps == 0] = np.nan
    slopes = _differences(y)
    slopes /= gaps
    slopes.sort(axis=1)
    return slopes


def _differences(columns: np.ndarray) -> np.ndarray:
    """Give later minus earlier for all pairs of places."""
    rows, places = columns.shape
    found = np.empty((rows, places * (places - 1) // 2))
    stop = 0
    for lag in range(1, places):
        begin, stop = stop, stop + places - lag
        np.subtract(columns[:, lag:], columns[:, :-lag], out=found[:, begin:stop])
    return found


def _limits(
    ordered: np.ndarray, count: np.ndarray, half_width: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    lower_rank = (count - half_width) / 2
    lower_rank = np.where(lower_rank >= 1, lower_rank, np.nan)
    return _interpolated(ordered, lower_rank), _interpolated(ordered, count + 1 - lower_rank)


def _interpolated(ordered: np.ndarray, rank: np.ndarray) -> np.ndarray:
    whole = np.floor(np.nan_to_num(rank)).astype(np.int64)
    share = rank - whole
    below = at_rank(ordered, whole)
    if not (share > 0).any():
        return below
    return np.where(share > 0, below + share * (at_rank(ordered, whole + 1) - below), below)


def _half_widths(
    y: np.ndarray, t: np.ndarray, n: np.ndarray, confidence: float, interval: str
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give Gilbert's C of each row (NaN where there is none), whether it is the normal one, and N'."""
    normal = np.full(len(n), interval == "normal")
    half_width = np.full(len(n), np.nan)
    slopes = n * (n - 1) // 2
    ordered = np.sort(distinct_rows(t), axis=1)
    tied = np.broadcast_to((ordered[:, 1:] == ordered[:, :-1]).any(axis=1), len(n))
    for r in np.flatnonzero(tied):
        sizes = _tie_sizes(t[r, : n[r]])
        slopes[r] -= np.sum(sizes * (sizes - 1)) // 2
        if not normal[r]:
            half_width[r] = _exact_half_width(tuple(sizes.tolist()), confidence)
    if interval == "exact":
        for length in np.unique(n[~tied]):
            half_width[~tied & (n == length)] = _exact_half_width((1,) * int(length), confidence)
    # An infinite C stands for "too long to count".
    normal |= np.isinf(half_width)
    quantile = NormalDist().inv_cdf((1 + confidence) / 2)
    for r in np.flatnonzero(normal):
        variance = trend_variance(_tie_sizes(y[r, : n[r]]), _tie_sizes(t[r, : n[r]])[None])[0]
        half_width[r] = quantile * math.sqrt(max(variance, 0.0))
    return half_width, normal, slopes


def _tie_sizes(column: np.ndarray) -> np.ndarray:
    return np.unique(column, return_counts=True)[1]


@lru_cache(maxsize=1024)
def _exact_half_width(tied_times: tuple[int, ...], confidence: float) -> float:
    # Untied ratings over tied times have the distribution of tied ratings over untied times.
    null = trend_distribution(np.array(tied_times))
    if null is None:
        return math.inf
    s, probability = null
    upper = np.cumsum(probability[::-1])[::-1]
    # A tail that equals the level must not miss it by the last bit.
    critical = s[upper <= (1 - confidence) / 2 * (1 + 1e-12)]
    # S moves in steps of 2; C is one step below the critical value.
    return float(critical[0] - 2) if len(critical) else math.nan


def _extreme(values: np.ndarray, of: np.ufunc) -> np.ndarray:
    return of.reduce(values, axis=1) if values.shape[1] else np.full(len(values), np.nan)
