"""Mann–Kendall with Hamed and Rao's variance for autocorrelated series."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np

from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.estimate import Estimate, Estimates
from rungwise.basis.null_trend import trend_variance
from rungwise.basis.null_two_phase import ALTERNATIVES, normal_tail
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.nap import AT_ONCE_CAUTION, DECLINED_CAUTION, MISSING_CAUTION
from rungwise.single_case.stretch import Stretch, batch_for, rounding
from rungwise.single_case.theil_sen import theil_sen_batch
from rungwise.single_case.trend import (
    NO_INTERVAL,
    ONE_RATING,
    TOO_SHORT,
    mann_kendall_batch,
    tie_counts,
)

SHORT = 20
FAILED = "The correction failed: it made the variance of S zero or negative, so there is no p-value."
UNSTEADY = (
    f"With fewer than {SHORT} occasions the autocorrelations the correction rests on are too uncertain "
    "to trust it."
)
SMALLER = (
    "The correction made the variance of S smaller, not larger: the p-value is smaller than without it."
)
BY_OCCASION = "Lags count occasions, whatever time lies between them."


def hamed_rao_batch(
    batch: SeriesBatch,
    phase: str | None = None,
    alternative: str = "two-sided",
    *,
    significance: float = 0.05,
) -> Estimates:
    """Test many autocorrelated series for a monotone trend; see `hamed_rao`.

    Parameters
    ----------
    batch : SeriesBatch
    phase : str, optional
        One of ``batch.phases``; None takes both phases as one series.
    alternative, significance
        As in `hamed_rao`.

    Returns
    -------
    Estimates
        One entry per series, fields as in `hamed_rao`.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.
    """
    check_choice("alternative", alternative, ALTERNATIVES)
    check_between("significance", significance, 0, 1)
    plain = mann_kendall_batch(batch, phase, alternative)
    slope = theil_sen_batch(batch, phase).value * batch.sign
    stretch = Stretch.of(batch, phase)
    rows = len(batch)
    factor, variance = np.full(rows, np.nan), np.full(rows, np.nan)
    lags = np.zeros(rows, dtype=np.int64)
    ordinary = trend_variance(*tie_counts(stretch))
    limit = NormalDist().inv_cdf(1 - significance / 2)
    for r in range(rows):
        n = int(stretch.n[r])
        times = stretch.times[r, :n]
        order = np.argsort(times, kind="stable")
        oriented = np.where(stretch.declined[r, :n], -np.inf, stretch.values[r, :n] * batch.sign[r])
        if not ordinary[r] > 0:
            continue
        line = (0.0 if math.isnan(slope[r]) else slope[r]) * (times - times[0])
        slack = float(rounding(np.where(np.isfinite(oriented), oriented, 0.0), line).max())
        factor[r], lags[r] = variance_factor((oriented - line)[order], limit, slack)
        variance[r] = ordinary[r] * factor[r]
    s = plain.counts["S"].astype(float)
    p_value = np.where(variance > 0, normal_tail(s, variance, alternative), np.nan)
    usable = ~np.isnan(variance)
    return Estimates(
        "hamed_rao",
        value=plain.value,
        n=plain.n,
        p_value=p_value,
        alternative=alternative,
        null="exchangeable up to autocorrelation",
        counts={
            "S": plain.counts["S"],
            "variance_factor": factor,
            "variance": variance,
            "lags": lags,
            "declined": plain.counts["declined"],
        },
        method="Kendall's tau-b of rating against time; normal p, variance after Hamed and Rao 1998",
        favors=plain.favors,
        cautions={
            TOO_SHORT: plain.cautions[TOO_SHORT],
            ONE_RATING: plain.cautions[ONE_RATING],
            FAILED: usable & (variance <= 0),
            UNSTEADY: usable & (stretch.n < SHORT),
            SMALLER: usable & (variance > 0) & (factor < 1),
            BY_OCCASION: usable & _uneven(stretch),
            DECLINED_CAUTION: plain.cautions[DECLINED_CAUTION],
            MISSING_CAUTION: batch.n_missing > 0,
            AT_ONCE_CAUTION: batch.several_at_once,
            NO_INTERVAL: plain.cautions[NO_INTERVAL],
        },
    )


def hamed_rao(
    series: PhaseSeries,
    phase: str | None = None,
    alternative: str = "two-sided",
    *,
    significance: float = 0.05,
) -> Estimate:
    """Test one series for a monotone trend, allowing for autocorrelation.

    The variance of Kendall's S is multiplied by a factor made from the autocorrelations of the ranks
    around the Theil–Sen line, so that a slow drift is not taken for a trend.

    Parameters
    ----------
    series : PhaseSeries
    phase : {"baseline", "exposure", "maintenance", "follow_up"}, optional
        None takes baseline and exposure as one series.
    alternative : {"two-sided", "improvement", "worsening"}
    significance : float
        Only autocorrelations significant at this level, two-sided, enter the factor.

    Returns
    -------
    Estimate
        ``value`` is Kendall's tau-b, oriented; ``counts["variance_factor"]`` the factor,
        ``counts["lags"]`` how many autocorrelations entered it. Where the corrected variance is not
        positive the p-value is NaN and a caution says so.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    Made for series of dozens to hundreds of occasions. With a dozen the autocorrelations are hardly
    known, few reach significance, and the correction does little: it does not make a short baseline's
    p-value trustworthy. Negative autocorrelations, which a slow wave has at its longer lags, make the
    factor smaller than 1 and the p-value smaller than without the correction; a caution says so.

    Source: Hamed & Rao 1998, Journal of Hydrology 204:182–196.

    Examples
    --------
    >>> drifting = [3, 4, 4, 4, 5, 5, 4, 3, 2, 2, 3, 4, 5, 6, 6, 5, 6, 7, 7, 6, 7, 7, 6, 5]
    >>> series = PhaseSeries.from_phases(drifting, [])
    >>> corrected = hamed_rao(series, "baseline")
    >>> round(corrected.counts["variance_factor"], 2), round(corrected.p_value, 4)
    (1.2, 0.0015)
    """
    return hamed_rao_batch(batch_for(series, phase), phase, alternative, significance=significance)[0]


def variance_factor(detrended: np.ndarray, limit: float, slack: float) -> tuple[float, int]:
    """Give Hamed and Rao's n/n* and how many lags entered it.

    Parameters
    ----------
    detrended : ndarray
        The series around its Theil–Sen line, in time order; ranked here, ties sharing their mean rank.
    limit : float
        Lags enter where the autocorrelation of the ranks exceeds ``limit / sqrt(n)``.
    slack : float
        Entries no further apart than this are ties that rounding has parted.
    """
    n = len(detrended)
    order = np.argsort(detrended, kind="stable")
    ordered = detrended[order]
    with np.errstate(invalid="ignore"):
        step = ordered[1:] - ordered[:-1] > slack
    place = np.empty(n, dtype=np.int64)
    place[order] = np.concatenate([[0], np.cumsum(step)])
    size = np.bincount(place)
    ranks = (np.cumsum(size) - (size - 1) / 2)[place]
    centered = ranks - ranks.mean()
    total = float(centered @ centered)
    if n < 3 or total == 0:
        return 1.0, 0
    weighted, used = 0.0, 0
    for lag in range(1, n):
        r = float(centered[lag:] @ centered[:-lag]) / total
        if abs(r) > limit / math.sqrt(n):
            weighted += (n - lag) * (n - lag - 1) * (n - lag - 2) * r
            used += 1
    return 1 + 2 / (n * (n - 1) * (n - 2)) * weighted, used


def _uneven(stretch: Stretch) -> np.ndarray:
    gaps = np.diff(np.where(stretch.used, stretch.times, np.nan), axis=1)
    if not gaps.shape[1]:
        return np.zeros(len(gaps), dtype=bool)
    return np.fmax.reduce(gaps, axis=1) > np.fmin.reduce(gaps, axis=1)
