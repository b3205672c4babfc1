"""The designs of many simulated studies at once: what they draw, and counting their assignments."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, permutations, product

import numpy as np

from rungwise.single_case.designs import MOST_LISTED, Design, RandomStart, SingleDesign
from rungwise.single_case.staggered_starts import StaggeredStarts

Orders = Sequence[Sequence[int]]
"""Windows that some cases may have between them, one for each case."""
# Replications whose assignments are counted at once, and the sums held for it: a few dozen combinations of
# so many fit a core's cache.
_IN_CACHE = 3_400
_MOST_SUMS = 2_000_000
# Rows that 8 bits can count.
_ROWS = 127
# Share of the replications below which it takes less time to leave the others out than to take them along.
_WORTHWHILE = 0.75


@dataclass(frozen=True, eq=False)
class Setting:
    """A design as the simulation needs it.

    Attributes
    ----------
    open_to : list of ndarray
        For each case, the starts that some assignment gives it.
    listed : ndarray of int, shape (assignments, cases)
        Place of each start within `open_to`.
    """

    open_to: list[np.ndarray]
    listed: np.ndarray
    occasions: int
    total: int
    smallest_p: float
    drawn: bool
    windows: list[list[int]]
    shuffled: bool

    @property
    def cases(self) -> int:
        """Number of cases."""
        return len(self.open_to)

    def draw(self, size: int, rng: np.random.Generator) -> np.ndarray:
        """Draw assignments as the study will; where p is counted from a sample, apart from it."""
        if not self.drawn:
            return self.listed[rng.integers(len(self.listed), size=size)]
        return self._places(_draw_starts(self.windows, self.shuffled, size, rng), self.open_to)

    @staticmethod
    def _places(starts: np.ndarray, open_to: list[np.ndarray]) -> np.ndarray:
        return np.column_stack([np.searchsorted(one, starts[:, i]) for i, one in enumerate(open_to)])

    @classmethod
    def of(
        cls, design: Design | Sequence[SingleDesign], occasions: int, rng: np.random.Generator, draws: int
    ) -> Setting:
        """Take a design apart; above a million assignments, draw so many of them instead."""
        if isinstance(design, StaggeredStarts):
            total, smallest = design.n_assignments, design.smallest_p
            windows = [list(window) for window in design.windows]
            shuffled = design.shuffled
        else:
            single = [design] if isinstance(design, Design) else list(design)
            if not single or not all(isinstance(one, RandomStart) for one in single):
                raise ValueError(
                    "design must be StaggeredStarts, or RandomStart for each case: power is simulated for "
                    f"designs in which exposure starts once; got {design!r}."
                )
            windows = [list(range(one.earliest, one.latest + 1)) for one in single]  # type: ignore[attr-defined]
            total, shuffled = math.prod(map(len, windows)), False
            smallest = 1 / total
        latest = max(max(window) for window in windows)
        if latest > occasions:
            raise ValueError(f"occasions must reach the latest start ({latest}); got {occasions!r}.")
        drawn = total > MOST_LISTED
        if drawn:
            starts = _draw_starts(windows, shuffled, draws, rng)
        else:
            starts = np.array(list(product(*windows)))
            if shuffled:
                orders = np.array(list(permutations(range(len(windows)))))
                starts = starts[:, orders].reshape(-1, len(windows))
        everything = sorted({start for window in windows for start in window})
        open_to = [np.array(everything if shuffled else sorted(window)) for window in windows]
        listed = cls._places(starts, open_to)
        return cls(open_to, listed, occasions, total, smallest, drawn, windows, shuffled)

    @property
    def together(self) -> int:
        """Replications whose assignments are counted at once, so that their sums stay small."""
        if self.drawn:
            return _IN_CACHE
        return max(1, min(_IN_CACHE, _MOST_SUMS // self._most_in_half))

    @cached_property
    def _most_in_half(self) -> int:
        """Most sums over the second half of the cases."""
        return max(
            len(orders) * math.prod(len(self.windows[window]) for window in orders[0])
            for _, orders in self._splits
        )

    def at_least(self, bound: np.ndarray, terms: list[np.ndarray], enough: int | None = None) -> np.ndarray:
        """Count, in each replication, the assignments whose terms sum to at least `bound`.

        Parameters
        ----------
        bound : ndarray, shape (replications,)
        terms : list of ndarray, shape (starts, replications)
            Per case, as in `open_to`.
        enough : int, optional
            Counts beyond it need not be exact, only beyond it.
        """
        count = np.zeros(len(bound), dtype=np.int32)
        if self.drawn:
            for draws in blocks(len(self.listed), _ROWS):
                sums = terms[0][self.listed[draws, 0]]
                for one, places in zip(terms[1:], self.listed[draws, 1:].T, strict=True):
                    sums += one[places]
                count += _true_in_columns(sums >= bound)
            return count
        open_ = np.arange(len(bound))
        room = np.empty(max(_ROWS, self._most_in_half) * len(bound), dtype=bool)
        for orders in self._splits:
            count[open_] += _pairs_at_least(bound, *self._halves(terms, orders), room)
            if enough is not None:
                still = np.flatnonzero(count[open_] <= enough)
                if not len(still):
                    break
                if len(still) < _WORTHWHILE * len(open_):
                    open_, bound, terms = open_[still], bound[still], [one[:, still] for one in terms]
        return count

    def counts(self, bound: np.ndarray, terms: list[np.ndarray], enough: int | None = None) -> np.ndarray:
        """Count as `at_least` does, so many replications at once as keep its sums small."""
        counted = np.empty(len(bound), dtype=np.int32)
        for part in blocks(len(bound), self.together):
            counted[part] = self.at_least(bound[part], [one[:, part] for one in terms], enough)
        return counted

    @cached_property
    def _splits(self) -> list[tuple[Orders, Orders]]:
        """Which windows the two halves of the cases have, each assignment in one split alone."""
        cases = tuple(range(self.cases))
        half = self.cases // 2
        if not self.shuffled:
            return [([cases[:half]], [cases[half:]])]
        return [
            (
                list(permutations(windows)),
                list(permutations([window for window in cases if window not in windows])),
            )
            for windows in combinations(cases, half)
        ]

    def _halves(
        self, terms: list[np.ndarray], orders: tuple[Orders, Orders]
    ) -> tuple[np.ndarray, np.ndarray]:
        """Give the sums over two halves of the cases: each pair of sums is one assignment."""
        half = self.cases // 2
        return self._sums(terms, range(half), orders[0]), self._sums(
            terms, range(half, self.cases), orders[1]
        )

    def _sums(self, terms: list[np.ndarray], cases: range, orders: Orders) -> np.ndarray:
        """Give all sums of one term per case, under each order of windows over the cases."""
        width = terms[0].shape[1]
        each = math.prod(len(self.windows[window]) for window in orders[0])
        sums = np.empty((len(orders), each, width), dtype=terms[0].dtype)
        for order, room in zip(orders, sums, strict=True):
            several = [
                terms[case][self._rows[case][window]] for case, window in zip(cases, order, strict=True)
            ]
            if len(several) < 2:
                room[:] = several[0] if several else 0
                continue
            partial = several[0]
            for k, own in enumerate(several[1:], start=2):
                shape = (len(partial), len(own), width)
                into = room.reshape(shape) if k == len(several) else np.empty(shape, dtype=sums.dtype)
                partial = np.add(partial[:, None], own, out=into).reshape(-1, width)
        return sums.reshape(-1, width)

    @cached_property
    def _rows(self) -> list[list[slice | np.ndarray]]:
        """For each case and window, where its starts stand in `open_to`."""
        return [
            [_as_slice(np.searchsorted(one, window)) for window in self.windows] for one in self.open_to
        ]


def _as_slice(places: np.ndarray) -> slice | np.ndarray:
    """Give places that follow closely as a slice, which copies nothing."""
    close = np.array_equal(places, np.arange(places[0], places[0] + len(places)))
    return slice(int(places[0]), int(places[0]) + len(places)) if close else places


def _pairs_at_least(bound: np.ndarray, left: np.ndarray, right: np.ndarray, room: np.ndarray) -> np.ndarray:
    """Count the pairs that sum to at least `bound`; `room` is for the comparisons."""
    needed = bound - left
    count = np.zeros(len(bound), dtype=np.int32)
    for some in blocks(len(left), max(1, _ROWS // len(right))):
        here = needed[some, None]
        shape = (len(here), *right.shape)
        count += _true_in_columns(
            np.greater_equal(right, here, out=room[: math.prod(shape)].reshape(shape))
        )
    return count


def _true_in_columns(reaches: np.ndarray) -> np.ndarray:
    """Count in 8 bits, in which many are added at a time and so few rows cannot count too far."""
    rows = reaches.view(np.int8).reshape(-1, reaches.shape[-1])
    counts = [np.add.reduce(rows[some], axis=0, dtype=np.int8) for some in blocks(len(rows), _ROWS)]
    return counts[0] if len(counts) == 1 else np.add.reduce(counts, axis=0, dtype=np.int32)


def _draw_starts(
    windows: list[list[int]], shuffled: bool, size: int, rng: np.random.Generator
) -> np.ndarray:
    starts = np.column_stack([rng.choice(window, size) for window in windows])
    return rng.permuted(starts, axis=1) if shuffled else starts


def blocks(length: int, largest: int) -> Iterator[slice]:
    """Cut a length into blocks of about equal size."""
    size = math.ceil(length / math.ceil(length / largest)) if length else 1
    return (slice(first, min(first + size, length)) for first in range(0, length, size))
