"""Exact null distribution of Kendall's S for a trend, given the ties.

Under the exchangeable null every order of the ratings over the occasions is equally likely. With
distinct times the number of orders with a given S is a coefficient of a q-multinomial: the product
of Gaussian binomials, one per tie group, whatever the order of the groups. It is multiplied out in
non-negative numbers, so that a p-value keeps its relative accuracy however small it is, and kept for
the next series with the same ties.

When several ratings share a time, S leaves their pairs out and the q-multinomial no longer holds.
The orders are then counted time by time, remembering how many of each tie group have been used; the
roles of ratings and times may be exchanged if that is less work. Where even that is too much, the
tie-corrected normal approximation is used and said to be.

Two-sided p is the share of orders with ``|S|`` at least as large as observed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import lru_cache

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.basis.null_two_phase import ALTERNATIVES, SMALLEST, extreme, normal_tail, whole_share

# Longest series whose orders are counted when times are distinct (about half a second untied).
_LONGEST = 400
# Additions up to which orders are counted when times are tied too (about a second).
_LIMIT = 1e8


def trend_p(
    counts: np.ndarray,
    s: np.ndarray,
    alternative: str = "two-sided",
    time_counts: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Give the null p-value of Kendall's S for many series, exact wherever it can be counted.

    Parameters
    ----------
    counts : ndarray of int, shape (series, groups)
        Sizes of the tie groups of the ratings, worst group first; empty groups allowed.
    s : ndarray of int
        Observed S, positive when ratings get better; pairs at equal times count 0.
    alternative : {"two-sided", "improvement", "worsening"}
    time_counts : ndarray of int, shape (series, groups), optional
        Sizes of the groups of equal times, earliest first; default all times distinct.

    Returns
    -------
    p_value : ndarray of float
        Never 0; 1 where all ratings are equal; NaN where there are fewer than two.
    exact : ndarray of bool
        False where the tie-corrected normal approximation was used.

    Raises
    ------
    ValueError
        If `alternative` is none of the three.

    Examples
    --------
    Kendall (1975), from memory of the book: four untied values, S = 4.

    >>> p, exact = trend_p(np.array([[1, 1, 1, 1]]), np.array([4]), "improvement")
    >>> print(f"{p[0]:.5f}", exact[0])
    0.16667 True
    """
    check_choice("alternative", alternative, ALTERNATIVES)
    counts = np.atleast_2d(np.asarray(counts)).astype(np.int64)
    s = np.asarray(s, dtype=np.int64)
    n = counts.sum(axis=1)
    p_value = np.full(len(counts), np.nan)
    distinct = _distinct(counts, time_counts)
    exact = distinct & (n >= 2) & (n <= _LONGEST)
    for key, rows in _alike(counts, np.flatnonzero(exact)):
        p_value[rows] = _distinct_tail(key, s[rows], alternative)
    if time_counts is not None:
        for row in np.flatnonzero(~distinct & (n >= 2)):
            spread = _tied_distribution(_key(counts[row]), _key(time_counts[row]))
            if spread is not None:
                support, probability = spread
                p_value[row] = probability[extreme(support, s[row], alternative)].sum()
                exact[row] = True
    p_value = np.where(exact, whole_share(p_value, orders(counts)), p_value)
    rows = np.flatnonzero(~exact & (n >= 2))
    if len(rows):
        variance = trend_variance(counts[rows], None if time_counts is None else time_counts[rows])
        p_value[rows] = normal_tail(s[rows].astype(float), variance, alternative)
    return np.clip(p_value, SMALLEST, 1.0), exact


def smallest_trend_p(
    counts: np.ndarray, alternative: str = "two-sided", time_counts: np.ndarray | None = None
) -> np.ndarray:
    """Give the smallest p-value that any order of these ratings could have had.

    Parameters
    ----------
    counts, alternative, time_counts
        As in `trend_p`.

    Returns
    -------
    ndarray of float
        NaN where there are fewer than two ratings. Approximate where `trend_p` is.

    Examples
    --------
    Three baseline occasions can never show a trend at the usual level:

    >>> print(smallest_trend_p(np.array([[1, 1, 1], [2, 1, 0]])).round(4))
    [0.3333 0.6667]
    """
    check_choice("alternative", alternative, ALTERNATIVES)
    counts = np.atleast_2d(np.asarray(counts)).astype(np.int64)
    n = counts.sum(axis=1)
    p_value = (2.0 if alternative == "two-sided" else 1.0) / orders(counts)
    if time_counts is not None:
        for row in np.flatnonzero(~_distinct(counts, time_counts) & (n >= 2)):
            ends = np.array(
                [-_best_s(counts[row, ::-1], time_counts[row]), _best_s(counts[row], time_counts[row])]
            )
            p_value[row] = np.min(
                [
                    trend_p(counts[row : row + 1], ends[[i]], alternative, time_counts[row : row + 1])[0]
                    for i in (0, 1)
                ]
            )
    return np.where(n >= 2, np.clip(p_value, SMALLEST, 1.0), np.nan)


def orders(counts: np.ndarray) -> np.ndarray:
    """Give the number of different orders of tied ratings, exact while below 1e12.

    Examples
    --------
    >>> orders(np.array([[3, 3, 0], [1, 1, 1]])).tolist()
    [20.0, 6.0]
    """
    counts = np.atleast_2d(counts)
    n = counts.sum(axis=1)
    factorials = np.array([math.lgamma(i + 1) for i in range(int(n.max(initial=0)) + 1)])
    with np.errstate(over="ignore"):
        number = np.exp(factorials[n] - factorials[counts].sum(axis=1))
    return np.where(number < 1e12, np.rint(number), number)


def trend_variance(counts: np.ndarray, time_counts: np.ndarray | None = None) -> np.ndarray:
    """Give the null variance of Kendall's S with ties in the ratings and, if given, in the times.

    Notes
    -----
    Kendall (1975) and Gilbert (1987, equation 16.4), from memory of the books.

    Examples
    --------
    Gilbert (1987, example 16.3): values 10, 22, 21, 30, 22, 30, 40, 40 at times 1, 1, 1, 2, 3, 3, 4, 5.

    >>> print(trend_variance(np.array([[1, 1, 2, 2, 2]]), np.array([[3, 1, 2, 1, 1]])).round(4))
    [58.0952]
    """
    t = np.atleast_2d(np.asarray(counts)).astype(float)
    n = t.sum(axis=1)
    variance = n * (n - 1) * (2 * n + 5) - np.sum(t * (t - 1) * (2 * t + 5), axis=1)
    if time_counts is None:
        return variance / 18
    u = np.atleast_2d(np.asarray(time_counts)).astype(float)
    variance = (variance - np.sum(u * (u - 1) * (2 * u + 5), axis=1)) / 18
    pairs_t, pairs_u = np.sum(t * (t - 1), axis=1), np.sum(u * (u - 1), axis=1)
    triples_t = np.sum(t * (t - 1) * (t - 2), axis=1)
    triples_u = np.sum(u * (u - 1) * (u - 2), axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance += np.where(n > 2, triples_t * triples_u / (9 * n * (n - 1) * (n - 2)), 0.0)
        variance += np.where(n > 1, pairs_t * pairs_u / (2 * n * (n - 1)), 0.0)
    return variance


def trend_distribution(
    counts: np.ndarray, time_counts: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray] | None:
    """Give the exact null distribution of Kendall's S for one series.

    Parameters
    ----------
    counts, time_counts : ndarray of int, shape (groups,)
        As one row in `trend_p`.

    Returns
    -------
    s, probability : ndarray
        Attainable values, rising, and their probabilities; None where counting is too much work.

    Examples
    --------
    >>> s, probability = trend_distribution(np.array([1, 1, 1]))
    >>> s.tolist(), (6 * probability).round(12).tolist()
    ([-3, -1, 1, 3], [1.0, 2.0, 2.0, 1.0])
    """
    key = _key(counts)
    if time_counts is None or max(_key(time_counts), default=1) == 1:
        if sum(key) > _LONGEST:
            return None
        probability = inversions(tuple(sorted(key, reverse=True)))
        return 2 * np.arange(len(probability)) - (len(probability) - 1), probability
    return _tied_distribution(key, _key(time_counts))


@lru_cache(maxsize=4096)
def inversions(sizes: tuple[int, ...]) -> np.ndarray:
    """Give the distribution of the number of inversions over all orders of tied values.

    Parameters
    ----------
    sizes : tuple of int
        Sizes of the tie groups; their order does not matter, but decides what is remembered.

    Examples
    --------
    >>> print(inversions((2, 1)).round(4))
    [0.3333 0.3333 0.3333]
    """
    probability = np.ones(1)
    before = 0
    for size in sizes:
        before += size
        if size < before:
            probability = np.convolve(probability, gaussian(before, size))
    return probability


@lru_cache(maxsize=4096)
def gaussian(n: int, k: int) -> np.ndarray:
    """Give the coefficients of the Gaussian binomial of `n` over `k`, scaled to sum to 1.

    Examples
    --------
    >>> print((6 * gaussian(4, 2)).round(12))
    [1. 1. 2. 1. 1.]
    """
    k = min(k, n - k)
    total = math.comb(n, k)
    if k == 0:
        return np.ones(1)
    if k == 1:
        return np.full(n, 1.0 / n)
    degree = k * (n - k)
    # Whole numbers throughout: multiplying and dividing by 1 - q**i cancels digits otherwise.
    ways = np.zeros(degree + 1, dtype=np.int64 if total < 2**61 else object)
    ways[0] = 1
    for i in range(1, k + 1):
        step = n - k + i
        if step <= degree:
            ways[step:] = ways[step:] - ways[:-step]
        for residue in range(i):
            ways[residue::i] = np.cumsum(ways[residue::i])
    return (ways / total).astype(float)


def _distinct(counts: np.ndarray, time_counts: np.ndarray | None) -> np.ndarray:
    if time_counts is None:
        return np.ones(len(counts), dtype=bool)
    return np.asarray(time_counts).max(axis=1, initial=0) <= 1


def _key(sizes: np.ndarray) -> tuple[int, ...]:
    return tuple(size for size in np.asarray(sizes).tolist() if size)


def _alike(counts: np.ndarray, rows: np.ndarray) -> Iterator[tuple[tuple[int, ...], np.ndarray]]:
    """Group rows with the same tie sizes, whatever their order."""
    if len(rows) == 0:
        return
    sizes = np.sort(counts[rows], axis=1)[:, ::-1]
    kinds, which = np.unique(sizes, axis=0, return_inverse=True)
    order = np.argsort(which.ravel(), kind="stable")
    ends = np.cumsum(np.bincount(which.ravel(), minlength=len(kinds)))
    begin = 0
    for kind, end in zip(kinds, ends.tolist(), strict=True):
        yield _key(kind), rows[order[begin:end]]
        begin = end


def _distinct_tail(key: tuple[int, ...], s: np.ndarray, alternative: str) -> np.ndarray:
    cumulated = _cumulated(key)
    pairs = len(cumulated) - 1
    if alternative == "two-sided":
        return 2 * cumulated[(pairs - np.abs(s)) // 2]
    return cumulated[(pairs - (s if alternative == "improvement" else -s)) // 2]


@lru_cache(maxsize=4096)
def _cumulated(key: tuple[int, ...]) -> np.ndarray:
    return np.cumsum(inversions(key))


def _best_s(counts: np.ndarray, time_counts: np.ndarray) -> int:
    """Give the largest S: ratings and times in the same order."""
    rating = np.repeat(np.arange(len(counts)), counts)
    time = np.repeat(np.arange(len(time_counts)), time_counts)
    return int(np.sum((rating[:, None] < rating) & (time[:, None] < time)))


@lru_cache(maxsize=512)
def _tied_distribution(
    ratings: tuple[int, ...], times: tuple[int, ...]
) -> tuple[np.ndarray, np.ndarray] | None:
    """Count the orders of tied ratings over tied times, one time after another."""
    if _effort(times, ratings) < _effort(ratings, times):
        # S is symmetric in its two variables.
        ratings, times = times, ratings
    if _effort(ratings, times) > _LIMIT:
        return None
    n = sum(ratings)
    most = (n * n - sum(u * u for u in times)) // 2
    start = np.zeros(2 * most + 1)
    start[most] = 1.0
    layer = {(0,) * len(ratings): start}
    left = n
    for size in times:
        following: dict[tuple[int, ...], np.ndarray] = {}
        scale = 1.0 / math.comb(left, size)
        for used, probability in layer.items():
            below = np.cumsum((0, *used))
            scores = [int(below[g] - (below[-1] - below[g + 1])) for g in range(len(used))]
            for picked in _picks(size, [t - c for t, c in zip(ratings, used, strict=True)]):
                ways = scale
                for t, c, a in zip(ratings, used, picked, strict=True):
                    ways *= math.comb(t - c, a)
                shift = sum(a * score for a, score in zip(picked, scores, strict=True))
                key = tuple(c + a for c, a in zip(used, picked, strict=True))
                into = following.get(key)
                if into is None:
                    into = following[key] = np.zeros_like(start)
                if shift >= 0:
                    into[shift:] += ways * probability[: len(start) - shift]
                else:
                    into[:shift] += ways * probability[-shift:]
        layer = following
        left -= size
    (probability,) = layer.values()
    found = probability > 0
    return (np.arange(len(start)) - most)[found], probability[found]


def _effort(ratings: tuple[int, ...], times: tuple[int, ...]) -> float:
    states = math.prod(t + 1 for t in ratings)
    picks = max(math.comb(len(ratings) + u - 1, u) for u in times)
    # A step costs at least as much as some thousand additions.
    return float(states) * picks * (sum(ratings) ** 2 + 2000)


def _picks(size: int, room: list[int]) -> Iterator[tuple[int, ...]]:
    """Give all ways to take `size` things from groups with the given room."""
    if len(room) == 1:
        if size <= room[0]:
            yield (size,)
        return
    for first in range(max(0, size - sum(room[1:])), min(size, room[0]) + 1):
        for rest in _picks(size - first, room[1:]):
            yield (first, *rest)
