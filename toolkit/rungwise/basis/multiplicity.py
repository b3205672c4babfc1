"""Many p-values at once."""

from __future__ import annotations

from typing import Any

import numpy as np


def benjamini_hochberg(p_values: Any) -> np.ndarray:
    """Give p-values adjusted so that those below q hold false discoveries at q on average.

    It is for a list whose members are looked at alike, such as all children of a quarter. It does
    not belong to one child's answer, which must not depend on who else is on the list. It holds for
    independent p-values and for positively dependent ones.

    Parameters
    ----------
    p_values : array_like
        NaN where there is no p-value; those stay NaN and do not count.

    Returns
    -------
    ndarray
        In the order given, never above 1.

    Raises
    ------
    ValueError
        If a p-value lies outside 0 to 1.

    References
    ----------
    Benjamini & Hochberg 1995, J R Stat Soc B 57:289-300.

    Examples
    --------
    >>> benjamini_hochberg([0.01, 0.04, 0.03, float("nan")]).round(3).tolist()
    [0.03, 0.04, 0.04, nan]
    """
    p = np.asarray(p_values, dtype=float)
    if p.ndim != 1:
        raise ValueError(f"p_values must be one row of numbers; got {p.ndim} dimensions.")
    out = (p < 0) | (p > 1)
    if out.any():
        raise ValueError(f"p_values must lie between 0 and 1; got {p[out][0]:g}.")
    adjusted = np.full(len(p), np.nan)
    there = np.flatnonzero(~np.isnan(p))
    order = there[np.argsort(p[there], kind="stable")]
    steps = p[order] * len(order) / np.arange(1, len(order) + 1)
    adjusted[order] = np.minimum(1.0, np.minimum.accumulate(steps[::-1])[::-1])
    return adjusted
