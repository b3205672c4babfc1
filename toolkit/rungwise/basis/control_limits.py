"""Limits within which a measure followed over time varies by chance alone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

# Mean and upper limit factors of the range of two normal values: d2 = 2/sqrt(pi), d3 = sqrt(2 - 4/pi).
D2 = 2 / math.sqrt(math.pi)
D4 = 1 + 3 * math.sqrt(2 - 4 / math.pi) / D2


@dataclass(frozen=True, eq=False)
class ControlLimits:
    """Center line and three-sigma limits, one entry per point.

    Attributes
    ----------
    values : ndarray
        What is drawn: shares, or the values themselves.
    center : float
    low, high : ndarray
    outside : ndarray of bool
        Points beyond the limits.
    range_high : float
        Upper limit of the moving range; NaN for shares.
    cautions : tuple of str
    """

    values: np.ndarray
    center: float
    low: np.ndarray
    high: np.ndarray
    outside: np.ndarray
    range_high: float
    cautions: tuple[str, ...]


# Points below which limits rest on too little (common practice, no source).
FEWEST_POINTS = 8
_FEW = f"Fewer than {FEWEST_POINTS} points: the limits rest on too little to judge the next one by."


def share_limits(counts: Any, n: Any, *, exclude: Any = None) -> ControlLimits:
    """Give the limits of a share followed over quarters (p-chart).

    A point beyond the limits asks for an explanation, and a row of points within them is not proof
    that nothing changed: quarters have few children and the limits are wide. It misleads when the
    kind of child referred changes.

    Parameters
    ----------
    counts, n : array_like of int
        Members with the property, and members, point by point; a single `n` serves all.
    exclude : array_like of bool, optional
        Points with a known special cause, left out of the center line.

    Returns
    -------
    ControlLimits

    Raises
    ------
    ValueError
        If a count exceeds its n, an n is below 1, or everything is excluded.

    References
    ----------
    Shewhart's three-sigma limits of a share; Montgomery, Introduction to Statistical Quality Control.

    Examples
    --------
    >>> limits = share_limits([12, 15, 8, 10], 50)
    >>> print(round(limits.center, 3), limits.high.round(3)[0], limits.outside.any())
    0.225 0.402 False
    """
    x, size = np.broadcast_arrays(np.asarray(counts, dtype=float), np.asarray(n, dtype=float))
    if x.ndim != 1:
        raise ValueError(f"counts must be one row of numbers; got {x.ndim} dimensions.")
    if not (size >= 1).all():
        raise ValueError(f"n must be at least 1; got {size[~(size >= 1)][0]:g}.")
    if not ((x >= 0) & (x <= size)).all():
        raise ValueError(f"counts must lie between 0 and n; got {x[~((x >= 0) & (x <= size))][0]:g}.")
    used = _used(exclude, len(x))
    center = float(x[used].sum() / size[used].sum())
    reach = 3 * np.sqrt(center * (1 - center) / size)
    low, high = np.maximum(center - reach, 0), np.minimum(center + reach, 1)
    share = x / size
    few = (_FEW,) if used.sum() < FEWEST_POINTS else ()
    return ControlLimits(share, center, low, high, (share < low) | (share > high), float("nan"), few)


def value_limits(values: Any, *, exclude: Any = None) -> ControlLimits:
    """Give the limits of single values followed over time (individuals and moving range chart).

    The spread is taken from neighbors, so that a slow drift shows as points outside instead of
    widening the limits. It supposes that neighbors are independent: values that follow each other
    make the limits too narrow and raise false alarms.

    Parameters
    ----------
    values : array_like
        In time order; NaN where there is none.
    exclude : array_like of bool, optional
        Points with a known special cause, left out of center and spread.

    Returns
    -------
    ControlLimits
        With NaN limits and the reason where fewer than two neighbors are left.

    Raises
    ------
    ValueError
        If everything is excluded or missing.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2; the exact 3 / d2 = 2.658681 is used,
    where books print 2.66 or 3 / 1.128.

    Examples
    --------
    >>> limits = value_limits([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> print(round(limits.center, 2), limits.low.round(2)[0], limits.high.round(2)[0])
    50.81 45.82 55.8
    """
    x = np.asarray(values, dtype=float)
    if x.ndim != 1:
        raise ValueError(f"values must be one row of numbers; got {x.ndim} dimensions.")
    used = _used(exclude, len(x)) & ~np.isnan(x)
    if not used.any():
        raise ValueError("values must have at least one point that is neither missing nor excluded.")
    moving = np.abs(np.diff(x[used]))
    center = float(x[used].mean())
    spread = float(moving.mean()) if len(moving) else float("nan")
    reach = 3 * spread / D2
    cautions = (_FEW,) if used.sum() < FEWEST_POINTS else ()
    if not len(moving):
        cautions = ("One value has no neighbor, so no limits can be given.",)
    low, high = np.full(len(x), center - reach), np.full(len(x), center + reach)
    return ControlLimits(x, center, low, high, (x < low) | (x > high), D4 * spread, cautions)


def _used(exclude: Any, n: int) -> np.ndarray:
    if exclude is None:
        return np.ones(n, dtype=bool)
    out = np.asarray(exclude, dtype=bool)
    if out.shape != (n,):
        raise ValueError(f"exclude must be one entry per point ({n}); got {out.size}.")
    if out.all():
        raise ValueError("exclude must leave at least one point.")
    return ~out
