"""Rows that belong together, as small integers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def coded(values: np.ndarray) -> np.ndarray:
    """Number the distinct entries of a column; missing entries count as one of their own.

    Examples
    --------
    >>> coded(np.array(["b", None, "b"], dtype=object)).tolist()
    [0, 1, 0]
    """
    if values.dtype == object:
        places: dict[object, int] = {}
        return np.fromiter(
            (places.setdefault(entry, len(places)) for entry in values.tolist()), np.int64, len(values)
        )
    return np.unique(values, return_inverse=True)[1].reshape(-1).astype(np.int64)


def grouped(columns: Sequence[np.ndarray]) -> np.ndarray:
    """Number the distinct combinations of several columns.

    Examples
    --------
    >>> grouped([np.array([1.0, 1.0, 2.0]), np.array(["a", "a", "a"], dtype=object)]).tolist()
    [0, 0, 1]
    """
    combined = coded(columns[0])
    for column in columns[1:]:
        more = coded(column)
        combined = coded(combined * (int(more.max(initial=0)) + 1) + more)
    return combined


def firsts(groups: np.ndarray) -> np.ndarray:
    """Give the place of the first row of every group.

    Examples
    --------
    >>> firsts(np.array([0, 1, 0, 2])).tolist()
    [0, 1, 3]
    """
    first = np.zeros(int(groups.max(initial=-1)) + 1, dtype=np.int64)
    first[groups[::-1]] = np.arange(len(groups))[::-1]
    return first


def in_order(groups: np.ndarray, *keys: np.ndarray) -> np.ndarray:
    """Give the order that puts groups together, each sorted by the keys, earlier rows first."""
    return np.lexsort((*reversed(keys), groups))
