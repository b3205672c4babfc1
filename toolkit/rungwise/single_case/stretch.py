"""One phase of many series, flush left, and the medians taken over it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.series.batch import SAME, SeriesBatch
from rungwise.series.phase_series import PHASES, PhaseSeries

ALTERNATING = (
    "Baseline and exposure alternate: all baseline occasions were pooled, and all exposure occasions, as "
    "if one followed the other."
)


@dataclass(frozen=True, eq=False)
class Stretch:
    """The usable occasions of one phase, or of both, of a batch, flush left.

    Attributes
    ----------
    codes, values, times, declined : ndarray, shape (series, places)
        As in `SeriesBatch`; only the first ``n[r]`` places of row r hold something.
    n : ndarray of int
    """

    codes: np.ndarray
    values: np.ndarray
    times: np.ndarray
    declined: np.ndarray
    n: np.ndarray

    @classmethod
    def of(cls, batch: SeriesBatch, phase: str | None) -> Stretch:
        """Cut one phase out of a batch, or take both for None.

        Raises
        ------
        ValueError
            If the batch does not hold the phase.
        """
        check_choice("phase", phase, (None, *batch.phases))
        if phase is None:
            return cls(batch.codes, batch.values, batch.times, batch.declined, batch.n_a + batch.n_b)
        start, n = (0 * batch.n_a, batch.n_a) if phase == batch.phases[0] else (batch.n_a, batch.n_b)
        width = int(n.max(initial=0))
        alike = bool((start == start[:1]).all())
        places = np.minimum(start[:, None] + np.arange(width), max(batch.codes.shape[1] - 1, 0))

        def cut(column: np.ndarray) -> np.ndarray:
            if alike and len(start):
                return column[:, start[0] : start[0] + width]
            return np.take_along_axis(column, places, axis=1)

        return cls(cut(batch.codes), cut(batch.values), cut(batch.times), cut(batch.declined), n)

    @property
    def used(self) -> np.ndarray:
        """Mask of the places that hold an occasion."""
        return np.arange(self.codes.shape[1]) < self.n[:, None]


def batch_for(series: PhaseSeries, phase: str | None) -> SeriesBatch:
    """Lay one series out so that the batch holds the phase asked for."""
    check_choice("phase", phase, (None, *PHASES))
    if phase in (None, "baseline", "exposure"):
        return SeriesBatch.of(series)
    return SeriesBatch.of(series, phases=("baseline", str(phase)))


def alternates(batch: SeriesBatch) -> np.ndarray:
    """Say in which series a phase B occasion comes before a phase A occasion."""
    place = np.arange(batch.codes.shape[1])
    in_a = place < batch.n_a[:, None]
    in_b = ~in_a & (place < (batch.n_a + batch.n_b)[:, None])
    last_a = np.where(in_a, batch.times, -np.inf).max(axis=1, initial=-np.inf)
    first_b = np.where(in_b, batch.times, np.inf).min(axis=1, initial=np.inf)
    return first_b < last_a


def flush_left(columns: np.ndarray, keep: np.ndarray) -> np.ndarray:
    """Move the entries to keep to the left of each row, in order, and fill up with NaN.

    Where everything is kept the columns themselves come back: not to be written to.
    """
    if keep.all():
        return columns.astype(float, copy=False)
    kept = np.where(keep, columns, np.nan)
    if (keep[:, 1:] <= keep[:, :-1]).all():
        return kept
    return np.take_along_axis(kept, np.argsort(~keep, axis=1, kind="stable"), axis=1)


def rounding(*sizes: np.ndarray | float) -> np.ndarray:
    """Give how far rounding may part two equal results worked out from numbers of these sizes.

    In proportion to the largest of them, so that it means the same in every unit.

    Examples
    --------
    >>> bool(0.1 + 0.2 > 0.3), bool(0.1 + 0.2 > 0.3 + rounding(0.3))
    (True, False)
    """
    largest = np.abs(np.asarray(sizes[0], dtype=float))
    for size in sizes[1:]:
        largest = np.fmax(largest, np.abs(size))
    return SAME * np.nan_to_num(largest, posinf=0.0)


def distinct_rows(columns: np.ndarray) -> np.ndarray:
    """Give the first row alone if all rows are equal, as the times of a simulated batch are."""
    if len(columns) and (columns.strides[0] == 0 or (columns == columns[:1]).all()):
        return columns[:1]
    return columns


def row_medians(columns: np.ndarray, n: np.ndarray) -> np.ndarray:
    """Give the median of the first `n` entries of each row; NaN follows them, and stands for no entry."""
    return median_of_sorted(np.sort(columns, axis=1), n)


def median_of_sorted(ordered: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Give the median of the first `count` entries of each ordered row; NaN for none."""
    return (at_rank(ordered, (count - 1) // 2 + 1) + at_rank(ordered, count // 2 + 1)) / 2


def at_rank(ordered: np.ndarray, rank: np.ndarray) -> np.ndarray:
    """Give the entry of each row at a rank counted from 1; NaN outside."""
    places = ordered.shape[1]
    if not len(rank) or not places:
        return np.full(len(rank), np.nan)
    if (rank == rank[0]).all():
        return ordered[:, rank[0] - 1] if 1 <= rank[0] <= places else np.full(len(rank), np.nan)
    entry = ordered[np.arange(len(rank)), np.clip(rank - 1, 0, places - 1)]
    return np.where((rank >= 1) & (rank <= places), entry, np.nan)
