"""Exact null distribution of a sum of scores when whole days trade places.

A day carries all ratings made on it, and those are not independent: the days, not the ratings, are
exchangeable. Days come in kinds (for one ladder: baseline days and exposure days; with ladders that
start exposure at different times: one kind for each combination of phases). Under the null every way
to hand the kinds out to the days, keeping how many days there are of each, is equally likely. What a
day adds to the statistic depends on that day and on the kind it is given, so the distribution is
added up day by day in non-negative counts, remembering how many days each kind has.
"""

from __future__ import annotations

import math

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.basis.null_two_phase import ALTERNATIVES, extreme, whole_share

# Additions up to which the assignments are counted (about a second).
_LIMIT = 5e8
# Assignments drawn together.
_DRAWN = 4096


def day_distribution(scores: np.ndarray, kinds: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """Count the assignments of kinds to days by their sum of scores.

    Parameters
    ----------
    scores : ndarray of int, shape (days, kinds)
        What each day adds to the sum if it is given each kind.
    kinds : ndarray of int, shape (kinds,)
        Days of each kind; they sum to the number of days.

    Returns
    -------
    total, share : ndarray
        Attainable sums, rising, and the share of assignments with that sum; None where counting is
        too much work.

    Examples
    --------
    Two of three days become exposure, where they add 1, 2 and 3:

    >>> total, share = day_distribution(np.array([[0, 1], [0, 2], [0, 3]]), np.array([1, 2]))
    >>> total.tolist(), share.round(4).tolist()
    ([3, 4, 5], [0.3333, 0.3333, 0.3333])
    """
    scores = np.asarray(scores, dtype=np.int64)
    # The most frequent kind is the one whose days need not be remembered.
    order = np.argsort(kinds, kind="stable")
    kinds, scores = np.asarray(kinds)[order], scores[:, order]
    lowest = scores.min(axis=1)
    steps = scores - lowest[:, None]
    unit = int(np.gcd.reduce(steps, axis=None)) or 1
    steps //= unit
    width = int(steps.max(axis=1).sum()) + 1
    shape = (*(int(k) + 1 for k in kinds[:-1]), width)
    if math.prod(shape) * scores.size > _LIMIT:
        return None
    share = np.zeros(shape)
    share[(0,) * len(shape)] = 1.0
    for row in steps.tolist():
        following = np.zeros_like(share)
        for kind, step in enumerate(row):
            into = [slice(None)] * len(shape)
            out = [slice(None)] * len(shape)
            if kind < len(kinds) - 1:
                into[kind], out[kind] = slice(1, None), slice(None, -1)
            into[-1], out[-1] = slice(step, None), slice(None, width - step)
            following[tuple(into)] += share[tuple(out)]
        # Dividing keeps the numbers within range; the factor is taken out below.
        share = following / len(kinds)
    counted = share[tuple(int(k) for k in kinds[:-1])]
    found = np.flatnonzero(counted)
    return int(lowest.sum()) + unit * found, counted[found] / counted.sum()


def day_p(
    scores: np.ndarray,
    kinds: np.ndarray,
    observed: int,
    alternative: str = "two-sided",
    *,
    rng: np.random.Generator | None = None,
    draws: int = 9999,
) -> tuple[float, float, float]:
    """Give the p-value of a sum of scores over days, exact wherever it can be counted.

    Parameters
    ----------
    scores, kinds : ndarray of int
        As in `day_distribution`.
    observed : int
    alternative : {"two-sided", "improvement", "worsening"}
        Two-sided is the share of assignments whose sum is at least as far from 0.
    rng : numpy.random.Generator, optional
        Needed only where the assignments are too many to count.
    draws : int
        Assignments drawn then.

    Returns
    -------
    p_value, smallest_p, error : float
        `smallest_p` is the smallest p-value any assignment has (NaN when drawn). `error` is the
        standard error from drawing, 0 when counted.

    Raises
    ------
    ValueError
        If `alternative` is none of the three, or assignments must be drawn and `rng` is missing.

    Examples
    --------
    >>> scores = np.array([[0, -4], [0, -2], [0, 0], [0, 2], [0, 4]])
    >>> p, smallest, error = day_p(scores, np.array([3, 2]), 6, "improvement")
    >>> print(round(p, 6), round(smallest, 6), error)
    0.1 0.1 0.0
    """
    check_choice("alternative", alternative, ALTERNATIVES)
    counted = day_distribution(scores, kinds)
    if counted is not None:
        total, share = counted
        # The sum is furthest out at one of its ends.
        seen = np.array(
            [share[extreme(total, at, alternative)].sum() for at in (observed, total[0], total[-1])]
        )
        p, *ends = np.minimum(whole_share(seen, np.array(_assignments(kinds))), 1.0).tolist()
        return p, min(ends), 0.0
    if rng is None:
        raise ValueError("rng must be a numpy Generator: the assignments are too many to count; got None.")
    labels = np.repeat(np.arange(len(kinds)), kinds)
    days = np.arange(len(labels))
    beyond = 0
    for low in range(0, draws, _DRAWN):
        drawn = rng.permuted(np.tile(labels, (min(_DRAWN, draws - low), 1)), axis=1)
        beyond += int(np.sum(extreme(scores[days, drawn].sum(axis=1), observed, alternative)))
    p = (beyond + 1) / (draws + 1)
    return p, math.nan, math.sqrt(p * (1 - p) / draws)


def _assignments(kinds: np.ndarray) -> float:
    number, left = 1, int(kinds.sum())
    for days in kinds.tolist():
        number *= math.comb(left, days)
        left -= days
    return float(number) if number < 1e300 else math.inf
