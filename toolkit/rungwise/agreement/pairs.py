"""Two observers' views of the same trials, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np


def paired(a: Any, b: Any) -> tuple[np.ndarray, np.ndarray, int]:
    """Give the pairs in which both are there, and how many are not.

    Numbers come back as numbers, anything else as objects.

    Raises
    ------
    ValueError
        If `a` and `b` differ in length, or one holds numbers and the other text.
    """
    left, right = list(a), list(b)
    if len(left) != len(right):
        raise ValueError(f"b must be one entry per entry of a ({len(left)}); got {len(right)}.")
    both = [(x, y) for x, y in zip(left, right, strict=True) if not (is_missing(x) or is_missing(y))]
    kinds = {_is_number(entry) for pair in both for entry in pair}
    if len(kinds) > 1:
        odd = next(entry for pair in both for entry in pair if not _is_number(entry))
        raise ValueError(f"a and b must be all numbers or all categories; got {odd!r} among numbers.")
    dtype = float if kinds == {True} else object
    one = np.array([x for x, _ in both], dtype=dtype)
    two = np.array([y for _, y in both], dtype=dtype)
    return one, two, len(left) - len(both)


def coded(entries: Sequence[Any] | np.ndarray, categories: Sequence[Any], argument: str) -> np.ndarray:
    """Give the place of each entry among the categories.

    Raises
    ------
    ValueError
        If an entry is none of them.
    """
    place = {category: i for i, category in enumerate(categories)}
    if len(place) != len(categories):
        raise ValueError(f"categories must differ from each other; got {list(categories)!r}.")
    given = entries.tolist() if isinstance(entries, np.ndarray) else list(entries)
    for entry in given:
        if entry not in place:
            listed = ", ".join(repr(category) for category in categories)
            raise ValueError(f"{argument} must be one of the categories {listed}; got {entry!r}.")
    return np.array([place[entry] for entry in given], dtype=np.int64)


def is_missing(entry: Any) -> bool:
    """Say whether an entry is None or NaN."""
    return entry is None or (_is_number(entry) and bool(np.isnan(entry)))


def _is_number(entry: Any) -> bool:
    return isinstance(entry, (int, float, np.integer, np.floating)) and not isinstance(entry, bool)
