"""The statistic of many simulated series under every start that exposure might have had."""

from __future__ import annotations

from typing import Any

import numpy as np

from rungwise.simulate.ratings import SimulatedRatings
from rungwise.single_case.assignments import NEAR_CHANGE

# The sum of so many whole ratings, from -128 to 127, or of their merits, fits 16 bits.
_FIT_16_BITS = 250
# The last ranks of 8 bits but one.
_BEYOND = 126


def terms_at_starts(
    simulated: SimulatedRatings, starts: np.ndarray, statistic: str, kind: Any = np.float64
) -> np.ndarray:
    """Give the statistic of many series under each start, larger being better for the child.

    Parameters
    ----------
    simulated : SimulatedRatings
        Whole ratings of fear: lower is better.
    starts : ndarray of int
        Occasions, counted from 1, at which exposure might have started.
    statistic : {"mean_difference", "tau", "immediate_change"}
    kind : dtype
        Precision of the divisions; everything before them is counted in whole numbers.

    Returns
    -------
    ndarray of `kind`, shape (starts, series)
        NaN where a start would leave a phase without a usable occasion.

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
        counted = ~missed if statistic == "tau" else ~(missed | declined)
    if statistic == "tau":
        amounts = _merits(ratings, declined, missed).astype(narrow)
    else:
        amounts = ratings.astype(narrow)
        if counted is not None:
            np.multiply(amounts, counted, out=amounts)
    if statistic == "immediate_change":
        return _immediate(amounts, counted, starts, kind)
    from_here = _sums_to_the_end(amounts)[starts - 1]
    if counted is None:
        inside = (places - starts + 1).astype(kind)[:, None]
        before = kind(places) - inside
    else:
        n_from_here = _sums_to_the_end(counted.astype(narrow))
        inside = n_from_here[starts - 1].astype(kind)
        before = n_from_here[0].astype(kind) - inside
    # Without a usable occasion the sum is 0 too, and 0/0 is NaN.
    with np.errstate(divide="ignore", invalid="ignore"):
        if statistic == "tau":
            return from_here.astype(kind) / (before * inside)
        return (amounts[0] - from_here).astype(kind) / before - from_here.astype(kind) / inside


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
    wide = int(ratings.max()) >= _BEYOND
    ranked = ratings.astype(np.int16 if wide else np.int8)
    # Declines rank worst; missed occasions beyond them for now.
    beyond = 2 * _BEYOND if wide else _BEYOND
    np.copyto(ranked, beyond, where=declined)
    np.copyto(ranked, beyond + 1, where=missed)
    merits = np.zeros(ratings.shape, dtype=narrow)
    room = np.empty((2, *ratings.shape), dtype=bool)
    for place in range(len(ratings) - 1):
        later, here = ranked[place + 1 :], ranked[place]
        above = np.greater(later, here, out=room[0, place + 1 :]).view(np.int8)
        below = np.less(later, here, out=room[1, place + 1 :]).view(np.int8)
        signs = np.subtract(above, below, out=above)
        merits[place] += np.add.reduce(signs, axis=0, dtype=narrow)
        merits[place + 1 :] -= signs
    if missed.any():
        # Everything was better than a missed occasion: taken out again.
        merits -= np.add.reduce(missed, axis=0, dtype=narrow)
        merits *= ~missed
    return merits


def _immediate(amounts: np.ndarray, rated: np.ndarray | None, starts: np.ndarray, kind: Any) -> np.ndarray:
    """Mean of the last three ratings before each start minus that of the first three from it on."""
    if rated is None:
        rated = np.ones(amounts.shape, dtype=bool)
    before, n_before = _last_few(amounts, rated)
    after, n_after = (one[::-1] for one in _last_few(amounts[::-1], rated[::-1]))
    with np.errstate(divide="ignore", invalid="ignore"):
        return before[starts - 2].astype(kind) / n_before[starts - 2].astype(kind) - after[
            starts - 1
        ].astype(kind) / n_after[starts - 1].astype(kind)


def _last_few(amounts: np.ndarray, rated: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sum and number of the last few rated occasions up to each one, which itself may be among them."""
    sums, counts = np.empty_like(amounts), np.empty_like(amounts)
    recent = np.zeros((NEAR_CHANGE, amounts.shape[1]), dtype=amounts.dtype)
    seen = np.zeros(amounts.shape[1], dtype=amounts.dtype)
    for place, (amount, here) in enumerate(zip(amounts, rated, strict=True)):
        for k in range(NEAR_CHANGE - 1, 0, -1):
            np.copyto(recent[k], recent[k - 1], where=here)
        np.copyto(recent[0], amount, where=here)
        seen += here
        np.minimum(seen, NEAR_CHANGE, out=seen)
        np.add.reduce(recent, axis=0, dtype=amounts.dtype, out=sums[place])
        counts[place] = seen
    return sums, counts
