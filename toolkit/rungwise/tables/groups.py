"""Rows that belong together, as small integers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

# Largest number of combinations that whole numbers of 64 bits can count apart.
ROOM = 2**62


class Places(dict[Any, int]):
    """Numbers each entry on first sight.

    Examples
    --------
    >>> places = Places()
    >>> places["b"], places["a"], places["b"]
    (0, 1, 0)
    """

    def __missing__(self, entry: Any) -> int:
        self[entry] = place = len(self)
        return place


def coded(values: np.ndarray) -> np.ndarray:
    """Number the distinct entries of a column; missing entries count as one of their own.

    Examples
    --------
    >>> coded(np.array(["b", None, "b"], dtype=object)).tolist()
    [0, 1, 0]
    """
    return grouped([values])


def grouped(columns: Sequence[np.ndarray]) -> np.ndarray:
    """Number the distinct combinations of several columns, without gaps.

    Examples
    --------
    >>> grouped([np.array([1.0, 1.0, 2.0]), np.array(["a", "a", "a"], dtype=object)]).tolist()
    [0, 0, 1]
    """
    combined, most = _numbered(columns[0])
    for column in columns[1:]:
        more, width = _numbered(column)
        if most * width >= ROOM:
            combined, most = _dense(combined)
        combined = combined * width + more
        most *= width
    return _dense(combined)[0]


def _numbered(column: np.ndarray) -> tuple[np.ndarray, int]:
    """Give whole numbers that tell the entries of a column apart, and a bound above them all."""
    if column.dtype == object:
        places = Places()
        codes = np.fromiter(map(places.__getitem__, column.tolist()), np.int64, len(column))
        return codes, max(len(places), 1)
    if column.dtype.kind == "M":
        days = column.astype(np.int64)
        missing = np.isnat(column)
        if missing.all():
            return np.zeros(len(column), dtype=np.int64), 1
        low = int(days[~missing].min())
        codes = np.where(missing, 0, days - low + 1)
        return codes, int(codes.max()) + 1
    return _dense(column)


def _dense(values: np.ndarray) -> tuple[np.ndarray, int]:
    found, codes = np.unique(values, return_inverse=True)
    return codes.reshape(-1).astype(np.int64), max(len(found), 1)


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
