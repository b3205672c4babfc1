"""Lag-1 autocorrelation: do neighboring ratings resemble each other?"""

from __future__ import annotations

import numpy as np

from rungwise.basis.estimate import Estimate, Estimates
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.nap import AT_ONCE_CAUTION, MISSING_CAUTION
from rungwise.single_case.stretch import Stretch, batch_for

LONG_GAP = 1.5
"""A pair further apart than this many usual spacings does not count as neighbors (design choice)."""
SHORT = 50

TOO_FEW = "Autocorrelation needs at least three ratings with two neighboring pairs."
ONE_RATING = "Every rating is the same, so autocorrelation has no value."
UNCERTAIN = (
    f"With fewer than {SHORT} ratings one child's autocorrelation is hardly known: it is no guide to "
    "which row of a table of error rates applies."
)
BOTH_PHASES = (
    "Both phases were taken as one series around one mean: a change between them, or a trend, counts as "
    "autocorrelation."
)
GAPS = "Pairs of ratings with a gap or a decline between them are left out."
NO_INTERVAL = (
    "No interval is given: the usual one, ±1.96 divided by the root of n, is too rough for short series."
)


def autocorrelation_batch(batch: SeriesBatch, phase: str | None = None) -> Estimates:
    """Give the lag-1 autocorrelation of many series; see `autocorrelation`.

    Parameters
    ----------
    batch : SeriesBatch
    phase : str, optional
        One of ``batch.phases``; None takes both phases as one series around one mean.

    Returns
    -------
    Estimates
        One entry per series, fields as in `autocorrelation`.

    Raises
    ------
    ValueError
        If the batch does not hold the phase.

    Examples
    --------
    >>> batch = SeriesBatch.of(PhaseSeries.from_phases([5, 6, 6, 5], [4, 4, 3]))
    >>> autocorrelation_batch(batch, "baseline").value.tolist()
    [-0.25]
    """
    stretch = Stretch.of(batch, phase)
    rated = stretch.used & ~stretch.declined
    n = rated.sum(axis=1)
    values = np.where(rated, stretch.values, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = values.sum(axis=1) / n
        centered = np.where(rated, values - mean[:, None], 0.0)
        # A second pass takes out what rounding left in the first mean.
        centered = np.where(rated, centered - (centered.sum(axis=1) / n)[:, None], 0.0)
        neighbors = _neighbors(stretch, rated)
        pairs = neighbors.sum(axis=1)
        product = (centered[:, 1:] * centered[:, :-1] * neighbors).sum(axis=1)
        total = (centered**2).sum(axis=1)
        r1 = (product / (pairs + 1)) / (total / n)
    constant = (n > 0) & (total == 0)
    few = (n < 3) | (pairs < 2)
    r1 = np.where(few | constant, np.nan, r1)
    usable = ~np.isnan(r1)
    return Estimates(
        "autocorrelation",
        value=r1,
        n=n,
        counts={
            "pairs": pairs,
            "bias_corrected": r1 + 1 / np.maximum(n, 1),
            "declined": (stretch.declined & stretch.used).sum(axis=1),
        },
        method="lag-1 autocorrelation around the mean; bias-corrected value r1 + 1/n in the counts",
        cautions={
            TOO_FEW: few,
            ONE_RATING: ~few & constant,
            GAPS: usable & (pairs < n - 1),
            BOTH_PHASES: usable & (phase is None) & (batch.n_a > 0) & (batch.n_b > 0),
            MISSING_CAUTION: batch.n_missing > 0,
            AT_ONCE_CAUTION: batch.several_at_once,
            UNCERTAIN: usable & (n < SHORT),
            NO_INTERVAL: usable,
        },
    )


def autocorrelation(series: PhaseSeries, phase: str | None = None) -> Estimate:
    """Give the lag-1 autocorrelation of one series.

    Says whether a rating above the mean tends to be followed by another one above it. Tests and
    intervals that take ratings as independent are too sure of themselves when it is positive.

    Parameters
    ----------
    series : PhaseSeries
    phase : {"baseline", "exposure", "maintenance", "follow_up"}, optional
        None takes baseline and exposure as one series around one mean: a change of level or a trend
        then looks like autocorrelation. Within one phase a trend still does.

    Returns
    -------
    Estimate
        ``value`` is r1; ``counts["bias_corrected"]`` is r1 + 1/n. No interval and no test: with a
        dozen ratings the white-noise band reaches from about −.6 to +.6.

    Raises
    ------
    ValueError
        If `phase` is none of these.

    Notes
    -----
    r1 = Σ d(t)·d(t−1) / Σ d(t)², d the distance from the mean of all ratings. Neighbors are ratings no
    further apart than 1.5 times the usual (median) spacing; where pairs are missing, numerator and
    denominator are means over what there is, (Σ over m pairs)/(m+1) over (Σ over n ratings)/n, which is
    the definition above when m = n − 1.

    One child's value is never used to choose a row of a table of error rates.

    Source: definition as in the NIST Statistical Reference Datasets; bias correction after Huitema &
    McKean 1991, Psychological Bulletin 110:291–304, from memory.

    Examples
    --------
    >>> series = PhaseSeries.from_phases([5, 6, 6, 5, 4, 4, 5], [2, 1])
    >>> r1 = autocorrelation(series, "baseline")
    >>> round(r1.value, 3), round(r1.counts["bias_corrected"], 3)
    (0.5, 0.643)
    """
    return autocorrelation_batch(batch_for(series, phase), phase)[0]


def _neighbors(stretch: Stretch, rated: np.ndarray) -> np.ndarray:
    """Mask the adjoining places that are both rated and no further apart than usual."""
    gaps = np.diff(stretch.times, axis=1)
    both = rated[:, 1:] & rated[:, :-1]
    if not both.any():
        return both
    used = stretch.used[:, 1:]
    ordered = np.sort(np.where(used, gaps, np.inf), axis=1)
    middle = np.maximum((used.sum(axis=1) - 1) // 2, 0)
    usual = ordered[np.arange(len(ordered)), middle]
    # Two ratings at one time, or an earlier one listed later, are no neighbors in time either.
    return both & (gaps <= LONG_GAP * usual[:, None]) & (gaps > 0)
