"""The statistic of many simulated series under every start that exposure might have had."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rungwise.simulate.ratings import SimulatedRatings
from rungwise.single_case.assignments import NEAR_CHANGE

# The sum of so many whole ratings, from -128 to 127, or of their merits, fits 16 bits.
_FIT_16_BITS = 250


@dataclass(frozen=True, eq=False)
class Terms:
    """The statistic of many series under each start, in whole numbers until it is divided.

    Attributes
    ----------
    sums, numbers : list of ndarray of int, shape (starts, series) or what broadcasts to it
        Of means, the sums of ratings before the start and from it on, and how many there are; of Tau, its
        S and the occasions before the start and from it on.
    """

    sums: list[np.ndarray]
    numbers: list[np.ndarray]

    def divided(self, kind: Any = np.float64) -> np.ndarray:
        """Divide in a precision: larger is better for the child, NaN without an occasion in a phase."""
        before, after = (number.astype(kind) for number in self.numbers)
        # Without a usable occasion the sum is 0 too, and 0/0 is NaN.
        with np.errstate(divide="ignore", invalid="ignore"):
            if len(self.sums) == 1:
                return self.sums[0].astype(kind) / (before * after)
            terms = self.sums[0].astype(kind) / before
            terms -= self.sums[1].astype(kind) / after
        return terms

    def some(self, series: np.ndarray) -> Terms:
        """Give the terms of some of the series."""
        sums, numbers = (
            [one if one.shape[1] == 1 else np.take(one, series, axis=1) for one in several]
            for several in (self.sums, self.numbers)
        )
        return Terms(sums, numbers)


def terms_at_starts(simulated: SimulatedRatings, starts: np.ndarray, statistic: str) -> Terms:
    """Give the statistic of many series under each start.

    Parameters
    ----------
    simulated : SimulatedRatings
        Whole ratings of fear: lower is better.
    starts : ndarray of int
        Occasions, counted from 1, at which exposure might have started.
    statistic : {"mean_difference", "tau", "immediate_change"}

    Raises
    ------
    ValueError
        If ratings are not whole.
    """
    ratings, declined, missed = simulated.underlying.T, simulated.declined.T, simulated.missed.T
    if ratings.dtype != np.int8:
        raise ValueError(f"simulated must hold whole ratings; got {ratings.dtype}.")
    places = len(ratings)
    narrow = np.int16 if places <= _FIT_16_BITS else np.int32
    counted: np.ndarray | None = None
    if missed.any() or (statistic != "tau" and declined.any()):
        counted = (~missed if statistic == "tau" else ~(missed | declined)).astype(narrow)
    if statistic == "tau":
        amounts = _merits(ratings, declined, missed).astype(narrow)
    else:
        amounts = ratings.astype(narrow)
        if counted is not None:
            np.multiply(amounts, counted, out=amounts)
    if statistic == "immediate_change":
        return _immediate(amounts, counted, starts)
    from_here = _sums_to_the_end(amounts)[starts - 1]
    if counted is None:
        after = (places - starts + 1)[:, None]
        before = places - after
    else:
        n_from_here = _sums_to_the_end(counted)
        after = n_from_here[starts - 1]
        before = n_from_here[0] - after
    sums = [from_here] if statistic == "tau" else [amounts[0] - from_here, from_here]
    return Terms(sums, [before, after])


def _sums_to_the_end(rows: np.ndarray) -> np.ndarray:
    """Add up from each occasion to the last, in place: what exposure holds if it starts there."""
    # Row by row: numpy's cumulative sum takes twenty times as long across rows.
    for place in range(len(rows) - 2, -1, -1):
        rows[place] += rows[place + 1]
    return rows


def _merits(ratings: np.ndarray, declined: np.ndarray, missed: np.ndarray) -> np.ndarray:
    """Occasions that each one is better than, minus those it is worse than; declines rank worst."""
    # So few occasions cannot carry a count beyond 8 bits, in which many are compared at a time.
    narrow = np.int8 if len(ratings) <= np.iinfo(np.int8).max else np.int16
    low, high = int(ratings.min()), int(ratings.max())
    # Missed occasions rank beyond declines for now.
    top = high + 2 if missed.any() else high + 1 if declined.any() else high
    ranked = ratings
    if top > high:
        ranked = ratings.astype(np.int8 if top <= np.iinfo(np.int8).max else np.int16)
        np.copyto(ranked, high + 1, where=declined)
        np.copyto(ranked, high + 2, where=missed)
    few = top - low < len(ratings)
    merits = _by_levels(ranked, low, top, narrow) if few else _by_pairs(ranked, narrow)
    if missed.any():
        # Everything was better than a missed occasion: taken out again.
        merits -= np.add.reduce(missed, axis=0, dtype=narrow)
        merits *= ~missed
    return merits


def _by_levels(ranked: np.ndarray, low: int, top: int, narrow: Any) -> np.ndarray:
    """Count what each is below minus what it is above, in time that grows with the scale's levels."""
    # With S(v) at v or above, of n: S(v + 1) are above v, n − S(v) below, and S(v + 1) + S(v) − n is added
    # up from the lowest level to v. Past 8 bits on the way it wraps, and comes back.
    room = np.empty(ranked.shape, dtype=bool)

    def at_or_above(level: int) -> np.ndarray:
        return np.greater_equal(ranked, level, out=room).view(np.int8)

    counts = [np.add.reduce(at_or_above(level), axis=0, dtype=narrow) for level in range(low, top + 2)]
    merits = np.empty(ranked.shape, dtype=narrow)
    step = np.empty_like(merits)
    merits[:] = counts[1]
    for k in range(1, len(counts) - 1):
        merits += np.multiply(at_or_above(low + k), counts[k + 1] - counts[k - 1], out=step)
    return merits


def _by_pairs(ranked: np.ndarray, narrow: Any) -> np.ndarray:
    """Count the same pair by pair, in time that grows with the occasions."""
    merits = np.zeros(ranked.shape, dtype=narrow)
    room = np.empty((2, *ranked.shape), dtype=bool)
    for place in range(len(ranked) - 1):
        later, here = ranked[place + 1 :], ranked[place]
        above = np.greater(later, here, out=room[0, place + 1 :]).view(np.int8)
        below = np.less(later, here, out=room[1, place + 1 :]).view(np.int8)
        signs = np.subtract(above, below, out=above)
        merits[place] += np.add.reduce(signs, axis=0, dtype=narrow)
        merits[place + 1 :] -= signs
    return merits


def _immediate(amounts: np.ndarray, counted: np.ndarray | None, starts: np.ndarray) -> Terms:
    """Give sums and numbers of the last few ratings before each start and the first few from it on."""
    before, n_before = _last_few(amounts, counted)
    after, n_after = _last_few(amounts[::-1], None if counted is None else counted[::-1])
    after, n_after = after[::-1], n_after[::-1]
    return Terms(
        [before[starts - 2], after[starts - 1]],
        [n_before[starts - 2], n_after[starts - 1]],
    )


def _last_few(amounts: np.ndarray, counted: np.ndarray | None) -> tuple[np.ndarray, np.ndarray]:
    """Sum and number of the last few rated occasions up to each one, which itself may be among them."""
    if counted is None:
        sums = amounts.copy()
        for more in range(1, NEAR_CHANGE):
            sums[more:] += amounts[:-more]
        return sums, np.minimum(np.arange(len(amounts)) + 1, NEAR_CHANGE)[:, None]
    sums, numbers = np.empty_like(amounts), np.empty_like(amounts)
    recent = np.zeros((NEAR_CHANGE, amounts.shape[1]), dtype=amounts.dtype)
    number, step = np.zeros((2, amounts.shape[1]), dtype=amounts.dtype)
    for place, (amount, here) in enumerate(zip(amounts, counted, strict=True)):
        # Each moves up where there is a rating; by arithmetic, because masked copies take far longer.
        for newer, older in zip((*recent[-2::-1], amount), recent[::-1], strict=True):
            np.subtract(newer, older, out=step)
            step *= here
            older += step
        number += here
        np.minimum(number, NEAR_CHANGE, out=number)
        np.add.reduce(recent, axis=0, dtype=amounts.dtype, out=sums[place])
        numbers[place] = number
    return sums, numbers
