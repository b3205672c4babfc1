"""Tau between baseline and exposure: the primary statistic for one child."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from rungwise.basis.estimate import Estimate, Estimates
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.nap import nap_batch
from rungwise.single_case.pairs import pair_counts


def tau_batch(
    batch: SeriesBatch,
    alternative: str = "two-sided",
    confidence: float = 0.95,
    *,
    p_value: str = "exact",
    interval: bool = True,
) -> Estimates:
    """Give Tau for many series at once.

    Parameters
    ----------
    batch, alternative, confidence, p_value, interval
        As in `nap_batch`.

    Returns
    -------
    Estimates
        As `tau`.

    Raises
    ------
    ValueError
        If `alternative`, `confidence` or `p_value` is none of those allowed.

    Examples
    --------
    >>> batch = SeriesBatch.from_arrays(np.array([[7, 8, 7, 5, 4, 3], [7, 5, 7, 7, 6, 7]]), 3)
    >>> print(tau_batch(batch).value.round(4))
    [ 1.     -0.1111]
    """
    as_nap = nap_batch(batch, alternative, confidence, p_value=p_value, interval=interval)
    pairs = pair_counts(batch).ab
    with np.errstate(invalid="ignore"):
        value = pairs.s / pairs.pairs
    return replace(
        as_nap,
        statistic="Tau",
        value=value,
        ci_low=2 * as_nap.ci_low - 1,
        ci_high=2 * as_nap.ci_high - 1,
    )


def tau(
    series: PhaseSeries, alternative: str = "two-sided", confidence: float = 0.95, **options: Any
) -> Estimate:
    """Give Tau: better minus worse baseline–exposure pairs, as a share of all such pairs.

    The answer to "is fear lower in exposure than in baseline": 1 when every exposure rating is better
    than every baseline rating, 0 when neither phase is better, -1 when every one is worse. It knows
    nothing of trend: a baseline that was already improving raises Tau without any effect of exposure.

    Parameters
    ----------
    series : PhaseSeries
        A declined occasion ranks worse than any rating; a missing one is left out and counted.
    alternative : {"two-sided", "improvement", "worsening"}
    confidence : float
    **options
        As in `nap_batch`.

    Returns
    -------
    Estimate
        Oriented: positive is better for the child. `p_value` is exact over all splits of the pooled
        ratings, ties included (two-sided: share with ``|S|`` at least as large), null
        ``"exchangeable"``. ``counts["smallest_p"]`` is the smallest p these lengths and ties allow.

    Raises
    ------
    ValueError
        If `alternative` or `confidence` is not among those allowed.

    Notes
    -----
    Tau is ``S / (n_baseline * n_exposure) = 2 NAP - 1``; its interval is the interval of `nap` on that
    scale. It is not the tau-b of the ratings with a 0/1 phase code, which cannot reach 1.

    Source: Parker, Vannest, Davis and Sauber (2011), Behavior Therapy 42:284-299 (definition from
    memory; recomputed).

    Examples
    --------
    >>> series = PhaseSeries.from_phases([2, 3, 5, 3], [4, 5, 5, 7, 6], better="higher")
    >>> result = tau(series)
    >>> print(result.value, round(result.p_value, 4), result.favors)
    0.8 0.0556 improvement
    """
    return tau_batch(SeriesBatch.of(series), alternative, confidence, **options)[0]
