"""Limits within which the shares of groups of different size vary by chance alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

# Two-sided probabilities outside the inner and the outer limits (about two and three sigma).
INNER, OUTER = 0.05, 0.002


@dataclass(frozen=True, eq=False)
class FunnelLimits:
    """Exact limits of a share around a common center, one entry per group size.

    Attributes
    ----------
    center : float
    inner_low, inner_high : ndarray
        95 % of shares lie between these when only chance is at work.
    outer_low, outer_high : ndarray
        99.8 % do.
    """

    center: float
    inner_low: np.ndarray
    inner_high: np.ndarray
    outer_low: np.ndarray
    outer_high: np.ndarray


def funnel_limits(n: Any, center: float) -> FunnelLimits:
    """Give the exact binomial limits of a funnel plot.

    For groups of enough members, set beside each other without a ranking: a share outside the outer
    limits asks for an explanation, and one inside is not proof of sameness. It misleads when groups
    differ in who came to them, and when shares vary between groups for reasons that concern all of
    them, which makes the limits too narrow.

    Parameters
    ----------
    n : array_like of int
        Members of each group.
    center : float
        Share over all groups together, 0 to 1.

    Returns
    -------
    FunnelLimits

    Raises
    ------
    ValueError
        If an n is below 1 or the center outside 0 to 1.

    Notes
    -----
    With r the smallest count whose cumulative probability reaches p, and a the share of that count's own
    probability by which it goes beyond p, the limit is (r - a) / n: interpolated between counts, so that
    the funnel narrows smoothly.

    Source: Spiegelhalter (2005), Statistics in Medicine 24:1185-1202, appendix on exact limits.

    Examples
    --------
    >>> limits = funnel_limits([30, 300], 0.6)
    >>> print(limits.inner_low.round(3), limits.outer_high.round(3))
    [0.405 0.543] [0.848 0.685]
    """
    from scipy.stats import binom

    size = np.atleast_1d(np.asarray(n, dtype=float))
    if not (size >= 1).all():
        raise ValueError(f"n must be at least 1; got {size[~(size >= 1)][0]:g}.")
    if not 0 <= center <= 1:
        raise ValueError(f"center must be a number from 0 to 1; got {center!r}.")

    if center in (0, 1):
        # Chance has no room: every count is 0, or every one n.
        end = np.full(len(size), float(center))
        return FunnelLimits(float(center), end, end, end, end)

    def limit(p: float) -> np.ndarray:
        r = binom.ppf(p, size, center)
        at = binom.pmf(r, size, center)
        beyond = (binom.cdf(r, size, center) - p) / at
        return np.clip((r - beyond) / size, 0, 1)

    return FunnelLimits(
        float(center), limit(INNER / 2), limit(1 - INNER / 2), limit(OUTER / 2), limit(1 - OUTER / 2)
    )
