"""Pair counts of many series: counted once, shared by every rank statistic.

A pair of occasions is concordant when the later (or the exposure) one is better for the child,
discordant when it is worse, and tied otherwise. Concordant and discordant pairs are kept apart
because the statistics of the Tau family differ in what they do with ties.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from weakref import WeakKeyDictionary

import numpy as np

from rungwise.basis.null_two_phase import two_phase_ps
from rungwise.basis.scratch import Scratch
from rungwise.series.batch import ABSENT, SeriesBatch

# Series worked through together; at 28 places of one byte a chunk and its scratch stay in the
# second-level cache.
CHUNK = 8192

# Rows of booleans that a one-byte accumulator can add without overflow.
_BYTE_ROWS = 255

_SCRATCH = Scratch()


@dataclass(frozen=True)
class Pairs:
    """Concordant and discordant pairs of one kind, one entry per series.

    Attributes
    ----------
    concordant, discordant : ndarray of int64
    pairs : ndarray of int64
        All pairs of this kind, ties of either sort included.
    same_time : ndarray of int64
        Pairs within a phase at equal times, which have no order.
    """

    concordant: np.ndarray
    discordant: np.ndarray
    pairs: np.ndarray
    same_time: np.ndarray

    @property
    def s(self) -> np.ndarray:
        """Kendall's S: concordant minus discordant pairs."""
        return self.concordant - self.discordant

    @property
    def ties(self) -> np.ndarray:
        """Pairs with equal ratings or, within a phase, at equal times."""
        return self.pairs - self.concordant - self.discordant


class PairCounts:
    """All pair counts of a batch, each counted when first asked for.

    Get one from `pair_counts`.
    """

    def __init__(self, batch: SeriesBatch):
        self._codes = batch.codes
        self._times = batch.times
        self.n_a = batch.n_a
        self.n_b = batch.n_b
        self._p_values: dict[str, tuple[np.ndarray, np.ndarray]] = {}

    def exact_p(self, alternative: str) -> tuple[np.ndarray, np.ndarray]:
        """Give the exact p-value of S between phases, as `two_phase_p`."""
        self.count_exactly(alternative)
        return self._p_values[alternative]

    def count_exactly(self, *alternatives: str) -> None:
        """Count the p-values of several alternatives in one go, for `exact_p` to give."""
        wanted = [alternative for alternative in alternatives if alternative not in self._p_values]
        if wanted:
            self._p_values |= two_phase_ps(self.ties, self.n_a, self.ab.s, wanted)

    @cached_property
    def ab(self) -> Pairs:
        """Pairs of a phase A with a phase B occasion."""
        concordant, discordant = _across(self._codes, self.n_a, self.n_b)
        return Pairs(concordant, discordant, self.n_a * self.n_b, np.zeros_like(self.n_a))

    @cached_property
    def aa(self) -> Pairs:
        """Pairs within phase A; pairs at equal times count neither way."""
        return self._within(np.zeros_like(self.n_a), self.n_a)

    @cached_property
    def bb(self) -> Pairs:
        """Pairs within phase B; pairs at equal times count neither way."""
        return self._within(self.n_a, self.n_b)

    @cached_property
    def whole(self) -> Pairs:
        """Pairs of the whole series, every phase A occasion before every phase B one."""
        aa, ab, bb = self.aa, self.ab, self.bb
        names = ("concordant", "discordant", "pairs", "same_time")
        sums = {name: getattr(aa, name) + getattr(ab, name) for name in names}
        for name, column in sums.items():
            column += getattr(bb, name)
        return Pairs(**sums)

    @cached_property
    def ties(self) -> np.ndarray:
        """How many occasions of a series share each order code, shape (series, codes), both phases."""
        return code_counts(self._codes, self.n_a + self.n_b)

    @cached_property
    def ties_a(self) -> np.ndarray:
        """The same within phase A."""
        return code_counts(self._codes, self.n_a)

    @cached_property
    def _rows_with_equal_times(self) -> np.ndarray:
        times = self._times
        if len(times) and times.strides[0] == 0:
            # One row of times shared by all series.
            tied = (times[:1, 1:] == times[:1, :-1]).any()
            return np.arange(len(times) if tied else 0)
        return np.flatnonzero((times[:, 1:] == times[:, :-1]).any(axis=1))

    def _within(self, start: np.ndarray, length: np.ndarray) -> Pairs:
        concordant, discordant = _within(self._codes, start, length)
        pairs = length * (length - 1)
        pairs >>= 1
        same = np.zeros_like(pairs)
        rows = self._rows_with_equal_times
        if len(rows):
            better, worse, same = _at_equal_times(self._codes, self._times, rows, start, length)
            concordant -= better
            discordant -= worse
        return Pairs(concordant, discordant, pairs, same)


_KNOWN: WeakKeyDictionary[SeriesBatch, PairCounts] = WeakKeyDictionary()


def pair_counts(batch: SeriesBatch) -> PairCounts:
    """Give the pair counts of a batch, shared by everyone who asks for the same batch.

    Examples
    --------
    >>> from rungwise.series.phase_series import PhaseSeries
    >>> batch = SeriesBatch.of(PhaseSeries.from_phases([2, 3, 5, 3], [4, 5, 5, 7, 6], better="higher"))
    >>> counts = pair_counts(batch)
    >>> int(counts.ab.concordant[0]), int(counts.ab.discordant[0]), int(counts.ab.ties[0])
    (17, 1, 2)
    >>> int(counts.aa.s[0]), int(counts.bb.s[0]), int(counts.whole.s[0])
    (3, 7, 26)
    """
    counts = _KNOWN.get(batch)
    if counts is None:
        counts = _KNOWN[batch] = PairCounts(batch)
    return counts


def code_counts(codes: np.ndarray, lengths: np.ndarray) -> np.ndarray:
    """Count how often each code occurs in the first `lengths` places of each series.

    Returns
    -------
    ndarray of int16, shape (series, highest code of the batch + 1)
    """
    top = int(codes.max(initial=-1)) + 1
    # Stored code by code: each is counted for all series in one pass.
    counts = np.zeros((top, len(codes)), dtype=np.int16)
    start = np.zeros_like(lengths)
    for rows in _chunks(start, lengths):
        block = _time_major(codes, start, lengths, rows, "first")
        equal = _SCRATCH.array("truth", block.shape, np.bool_)
        for code in range(top):
            np.equal(block, code, out=equal)
            counts[code, rows] = _column_sums(equal)
    return counts.T


def _across(codes: np.ndarray, n_a: np.ndarray, n_b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    concordant = np.zeros(len(codes), dtype=np.int64)
    discordant = np.zeros(len(codes), dtype=np.int64)
    at_first = np.zeros_like(n_a)
    for rows in _chunks(n_a, n_b):
        first = _time_major(codes, at_first, n_a, rows, "first")
        second = _time_major(codes, n_a, n_b, rows, "second")
        better, worse = _Tally("better", second.shape[1]), _Tally("worse", second.shape[1])
        truth = _SCRATCH.array("truth", second.shape, np.bool_)
        for row in first:
            better.add(np.greater(second, row, out=truth))
            worse.add(np.less(second, row, out=truth))
        # Padding is below every code: a short A gains concordant pairs, a short B discordant ones.
        concordant[rows] = better.total() - (len(first) - n_a[rows]) * n_b[rows]
        discordant[rows] = worse.total() - (len(second) - n_b[rows]) * n_a[rows]
    return concordant, discordant


def _within(codes: np.ndarray, start: np.ndarray, length: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    concordant = np.zeros(len(codes), dtype=np.int64)
    discordant = np.zeros(len(codes), dtype=np.int64)
    for rows in _chunks(start, length):
        block = _time_major(codes, start, length, rows, "first")
        better, worse = _Tally("better", block.shape[1]), _Tally("worse", block.shape[1])
        truth = _SCRATCH.array("truth", block.shape, np.bool_)
        for i in range(len(block) - 1):
            later = truth[: len(block) - 1 - i]
            better.add(np.greater(block[i + 1 :], block[i], out=later))
            worse.add(np.less(block[i + 1 :], block[i], out=later))
        concordant[rows] = better.total()
        # Padding stands last and below every code: each place adds a discordant pair per occasion.
        discordant[rows] = worse.total() - (len(block) - length[rows]) * length[rows]
    return concordant, discordant


def _at_equal_times(
    codes: np.ndarray, times: np.ndarray, rows: np.ndarray, start: np.ndarray, length: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Count the better, the worse and all pairs within a phase that share a time."""
    better, worse, same = (np.zeros(len(codes), dtype=np.int64) for _ in range(3))
    places = codes.shape[1]
    start, stop = start[rows, None], (start + length)[rows, None]
    place = np.arange(places)
    # Times are in order, so equal times stand together: when no pair `lag` apart is equal, none
    # further apart is.
    for lag in range(1, places):
        tied = times[rows, lag:] == times[rows, :-lag]
        if not tied.any():
            break
        tied &= (place[:-lag] >= start) & (place[lag:] < stop)
        difference = np.sign(codes[rows, lag:].astype(np.int32) - codes[rows, :-lag])
        better[rows] += np.sum(tied & (difference > 0), axis=1)
        worse[rows] += np.sum(tied & (difference < 0), axis=1)
        same[rows] += np.sum(tied, axis=1)
    return better, worse, same


def _chunks(start: np.ndarray, length: np.ndarray) -> Iterator[slice | np.ndarray]:
    """Cut the series into chunks of like start and length; yield their rows."""
    rows = len(start)
    if (start == start[:1]).all() and (length == length[:1]).all():
        yield from (slice(low, min(low + CHUNK, rows)) for low in range(0, rows, CHUNK))
        return
    key = start * (int(length.max()) + 1) + length
    # Numbers of two bytes are sorted by counting.
    order = np.argsort(key.astype(np.uint16) if key.max() < 1 << 16 else key, kind="stable")
    cuts = set(range(0, rows, CHUNK)) | {rows}
    if rows > CHUNK:
        # With one start for the whole chunk, places can be cut out without picking them singly.
        cuts |= set((np.flatnonzero(np.diff(start[order])) + 1).tolist())
    edges = sorted(cuts)
    yield from (order[low:high] for low, high in pairwise(edges))


def _time_major(
    codes: np.ndarray, start: np.ndarray, length: np.ndarray, rows: slice | np.ndarray, name: str
) -> np.ndarray:
    """Lay places `start` to `start + length` of some series out with time first, padded by `ABSENT`."""
    begin, count = start[rows], length[rows]
    width = int(count.max(initial=0))
    picked = codes[rows]
    places = picked.shape[1]
    first = int(begin[0])
    if (begin == first).all():
        block = picked[:, first : first + width].T
        alike = bool((count == width).all())
        if alike and block.strides[1] == block.itemsize:
            return block
        copied = _SCRATCH.array(name, block.shape, codes.dtype)
        np.copyto(copied, block)
        if not alike and first == 0:
            # Behind a short phase A stands phase B; behind phase B stands padding.
            for place in range(int(count.min()), width):
                copied[place][count <= place] = ABSENT
        return copied
    copied = _SCRATCH.array(name, (width, len(picked)), codes.dtype)
    row = np.arange(len(picked))
    for place in range(width):
        inside = place < count
        copied[place] = np.where(inside, picked[row, np.minimum(begin + place, places - 1)], ABSENT)
    return copied


def _column_sums(truth: np.ndarray) -> np.ndarray:
    """Add up booleans over time, in one byte as far as that holds."""
    ones = truth.view(np.uint8)
    if len(ones) <= _BYTE_ROWS:
        return np.add.reduce(ones, axis=0, dtype=np.uint8)
    return np.add.reduce(ones, axis=0, dtype=np.int64)


class _Tally:
    """Adds up booleans over time, series by series, in one byte for as long as that cannot overflow."""

    def __init__(self, name: str, width: int):
        self._sum = _SCRATCH.array(name, (width,), np.int32)
        self._byte = _SCRATCH.array(name + " in one byte", (width,), np.uint8)
        self._sum[:] = 0
        self._byte[:] = 0
        self._held = 0

    def add(self, truth: np.ndarray) -> None:
        if len(truth) > _BYTE_ROWS:
            self._sum += _column_sums(truth)
            return
        if self._held + len(truth) > _BYTE_ROWS:
            self._flush()
        self._byte += _column_sums(truth)
        self._held += len(truth)

    def total(self) -> np.ndarray:
        self._flush()
        return self._sum

    def _flush(self) -> None:
        self._sum += self._byte
        self._byte[:] = 0
        self._held = 0
