"""Exact null distribution of S between two phases, given the ties.

Under the exchangeable null every split of the pooled ratings into ``n_a`` and ``n_b`` is equally
likely. S (better minus worse pairs of an A with a B rating; ``S = 2U - n_a * n_b``) is then a sum of
scores over the ratings that fall in B: a rating's score is the number of pooled ratings below it
minus the number above it. The number of splits with a given S is a coefficient of an elementary
symmetric polynomial in ``x**score``.

For many series it is evaluated at roots of unity: the power sums are one Fourier transform of the
score histogram read at multiples of the frequency, Newton's identities turn them into the
elementary symmetric polynomial, and an inverse transform gives the counts. Counts below 1e12 come
out exactly, by rounding to whole numbers. Above that, p-values too small for the transform's
absolute accuracy (about 1e-16) are recomputed by adding up non-negative counts tie group by tie
group, which keeps full relative accuracy however small they are.

Two-sided p is the share of splits with ``|S|`` at least as large as observed. (Doubling the smaller
tail is another convention, and differs from this one when ties make the distribution lopsided.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.basis.scratch import Scratch

ALTERNATIVES = ("two-sided", "improvement", "worsening")

# Smallest p-value a double holds at full precision: what "never 0" means beyond it.
SMALLEST = float(np.finfo(float).tiny)

# Number of cases up to which counts found in floating point round to the right whole numbers.
_ROUNDABLE = 1e12
# Below this the transform's absolute error shows in the digits of p.
_TINY = 1e-7
# Multiplications per series up to which counting is worth it (about a second).
_LIMIT = 1e8
# Longest series whose binomial coefficients are tabled; all of them fit a double.
_TABLED = 1024
# Complex numbers worked on together, so that all intermediate arrays stay in the cache.
_CELLS = 40_000
# The same of one step of Newton's identities.
_CACHED = 32_000
# Series worked through together.
_CHUNK = 8192

_SCRATCH = Scratch()


def two_phase_p(
    counts: np.ndarray, n_a: np.ndarray, s: np.ndarray, alternative: str = "two-sided"
) -> tuple[np.ndarray, np.ndarray]:
    """Give the null p-value of S for many series, exact wherever it can be counted.

    Parameters
    ----------
    counts : ndarray of int, shape (series, groups)
        Sizes of the tie groups of the pooled ratings, worst group first; empty groups allowed.
    n_a : ndarray of int
        Ratings in phase A; the rest is phase B.
    s : ndarray of int
        Observed S, positive when B is better.
    alternative : {"two-sided", "improvement", "worsening"}

    Returns
    -------
    p_value : ndarray of float
        Never 0; NaN where a phase is empty.
    exact : ndarray of bool
        False where the series is so long that the tie-corrected normal approximation was used.

    Raises
    ------
    ValueError
        If `alternative` is none of the three.

    Examples
    --------
    >>> p, exact = two_phase_p(np.array([[1, 2, 1, 3, 1, 1]]), np.array([4]), np.array([16]))
    >>> print(f"{p[0]:.6f}", exact[0])  # 7 of 126 splits
    0.055556 True
    """
    return two_phase_ps(counts, n_a, s, (alternative,))[alternative]


def two_phase_ps(
    counts: np.ndarray, n_a: np.ndarray, s: np.ndarray, alternatives: Sequence[str] = ALTERNATIVES
) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Give what `two_phase_p` gives for several alternatives, counting the splits of a series once.

    Parameters
    ----------
    counts, n_a, s
        As in `two_phase_p`.
    alternatives : sequence of str

    Returns
    -------
    dict of str to tuple of ndarray
        By alternative.

    Raises
    ------
    ValueError
        As `two_phase_p`.

    Examples
    --------
    >>> found = two_phase_ps(np.array([[1, 2, 1, 3, 1, 1]]), np.array([4]), np.array([16]))
    >>> print(f"{found['improvement'][0][0]:.6f}")
    0.031746
    """
    for alternative in alternatives:
        check_choice("alternative", alternative, ALTERNATIVES)
    counts = np.atleast_2d(np.asarray(counts)).astype(np.int64)
    n_a, s = np.asarray(n_a, dtype=np.int64), np.asarray(s, dtype=np.int64)
    total = counts.sum(axis=1)
    n_b = total - n_a
    p_values = {alternative: np.full(len(counts), np.nan) for alternative in alternatives}
    exact = np.zeros(len(counts), dtype=bool)
    askable = (n_a > 0) & (n_b > 0)
    size = np.minimum(n_a, n_b)
    work = np.maximum(size * (size + 1) / 2 * (n_a * n_b + 1), (size + 1) * (n_a * n_b / 2 + 1) * total / 3)
    exact[askable] = work[askable] <= _LIMIT
    rows = np.flatnonzero(askable & ~exact)
    for alternative, p_value in p_values.items():
        p_value[rows] = two_phase_normal_p(counts[rows], n_a[rows], s[rows], alternative)

    rows = np.flatnonzero(exact)
    if len(rows):
        # S is the score sum of B, or minus that of A: sum over the smaller phase.
        flip = np.where(n_b[rows] <= n_a[rows], 1, -1)
        scores = group_scores(counts[rows])
        low, high = _score_sum_range(counts[rows], scores, size[rows])
        splits = combinations(total[rows], size[rows])
        tails = _transform_tails(
            counts[rows], scores, size[rows], low, high, s[rows] * flip, flip, splits, tuple(alternatives)
        )
        tails = {alternative: whole_share(tail, splits) for alternative, tail in tails.items()}
        least = np.minimum.reduce(list(tails.values()))
        for i in np.flatnonzero((splits > _ROUNDABLE) & (least < _TINY)):
            row = rows[i]
            support, number = two_phase_counts(counts[row], int(n_a[row]))
            for alternative, tail in tails.items():
                if tail[i] < _TINY:
                    tail[i] = number[extreme(support, s[row], alternative)].sum() / number.sum()
        for alternative, tail in tails.items():
            p_values[alternative][rows] = np.clip(tail, SMALLEST, 1.0)
    return {alternative: (p_value, exact) for alternative, p_value in p_values.items()}


def two_phase_counts(counts: np.ndarray, n_a: int) -> tuple[np.ndarray, np.ndarray]:
    """Count the splits of one series by their S, adding up tie group by tie group.

    Parameters
    ----------
    counts : ndarray of int
        Sizes of the tie groups of the pooled ratings, worst group first.
    n_a : int
        Ratings in phase A.

    Returns
    -------
    s : ndarray of int
        Attainable values of S, rising.
    number : ndarray of float
        Splits with that S; whole numbers, exact while below 2**53, and with a relative error of a
        few units in the last place beyond.

    Examples
    --------
    >>> s, number = two_phase_counts(np.array([1, 1, 1, 1]), 2)
    >>> s.tolist(), number.tolist()
    ([-4, -2, 0, 2, 4], [1.0, 1.0, 2.0, 1.0, 1.0])
    """
    counts = np.asarray(counts, dtype=np.int64)
    counts = counts[counts > 0]
    n = int(counts.sum())
    size, sign = (n - n_a, 1) if n - n_a <= n_a else (n_a, -1)
    if size == 0:
        return np.array([0]), np.array([1.0])
    scores = group_scores(counts[None])[0]
    steps = scores - scores[0]
    unit = int(np.gcd.reduce(steps)) or 1
    steps = steps // unit
    highest_first = np.repeat(steps, counts)[::-1]
    width = int(highest_first[:size].sum()) + 1
    # One long row holds (members chosen, score sum): choosing b of a group moves b rows and b steps.
    ways = np.zeros((size + 1) * width)
    ways[0] = 1.0
    for group, step in zip(counts.tolist(), steps.tolist(), strict=True):
        more = ways.copy()
        for b in range(1, min(group, size) + 1):
            shift = b * (width + step)
            if shift >= len(ways):
                break
            more[shift:] += math.comb(group, b) * ways[:-shift]
        ways = more
    number = ways[size * width :]
    support = sign * (size * scores[0] + unit * np.arange(width))
    found = number > 0
    support, number = support[found], number[found]
    return (support, number) if sign > 0 else (support[::-1], number[::-1])


def smallest_two_phase_p(counts: np.ndarray, n_a: np.ndarray, alternative: str = "two-sided") -> np.ndarray:
    """Give the smallest p-value that any order of these ratings could have had.

    A study whose smallest attainable p lies above the level of significance cannot find anything.

    Parameters
    ----------
    counts, n_a, alternative
        As in `two_phase_p`.

    Returns
    -------
    ndarray of float
        NaN where a phase is empty.

    Examples
    --------
    >>> print(smallest_two_phase_p(np.ones((1, 8), dtype=int), np.array([3])).round(6))
    [0.035714]
    >>> print(smallest_two_phase_p(np.ones((1, 8), dtype=int), np.array([3]), "improvement").round(6))
    [0.017857]
    """
    check_choice("alternative", alternative, ALTERNATIVES)
    counts, n_a = np.atleast_2d(np.asarray(counts)), np.asarray(n_a, dtype=np.int64)
    p_value = np.empty(len(counts))
    for low in range(0, len(counts), _CHUNK):
        rows = slice(low, low + _CHUNK)
        p_value[rows] = _smallest(counts[rows].astype(np.int64), n_a[rows], alternative)
    return p_value


def _smallest(counts: np.ndarray, n_a: np.ndarray, alternative: str) -> np.ndarray:
    n_b = counts.sum(axis=1) - n_a
    low, high = _score_sum_range(counts, group_scores(counts), n_b)
    at_high = _share_at_the_end(counts[:, ::-1], n_b)
    at_low = _share_at_the_end(counts, n_b)
    if alternative == "improvement":
        p_value = at_high
    elif alternative == "worsening":
        p_value = at_low
    else:
        # Where both ends are equally far out, both are extreme.
        p_value = np.where(high > -low, at_high, np.where(high < -low, at_low, at_high + at_low))
    return np.where((n_a > 0) & (n_b > 0), np.clip(p_value, SMALLEST, 1.0), np.nan)


def two_phase_normal_p(
    counts: np.ndarray, n_a: np.ndarray, s: np.ndarray, alternative: str = "two-sided"
) -> np.ndarray:
    """Give the p-value of S by the tie-corrected normal approximation with continuity correction.

    For screening and for series too long to count; with few ratings it can be wrong by a factor.

    Parameters
    ----------
    counts, n_a, s, alternative
        As in `two_phase_p`.

    Returns
    -------
    ndarray of float
        1 where all ratings are equal, NaN where a phase is empty.

    Notes
    -----
    Variance of S with ties: Kendall (1975), from memory of the book.
    """
    check_choice("alternative", alternative, ALTERNATIVES)
    sizes, n_a, s = np.asarray(counts), np.asarray(n_a), np.asarray(s)
    p_value = np.empty(len(sizes))
    # Chunk by chunk, so that the steps between find their numbers still in the cache.
    for low in range(0, len(sizes), _CHUNK):
        rows = slice(low, low + _CHUNK)
        tied = sizes[rows].T.astype(float)
        n, first = tied.sum(axis=0), n_a[rows].astype(float)
        tie_term = np.einsum("gi,gi,gi->i", tied, tied, tied) - n
        with np.errstate(divide="ignore", invalid="ignore"):
            variance = first * (n - first) / (3 * n * (n - 1)) * (n * n * n - n - tie_term)
        p = normal_tail(s[rows].astype(float), variance, alternative)
        p_value[rows] = np.where((first > 0) & (first < n), p, np.nan)
    return p_value


def normal_tail(s: np.ndarray, variance: np.ndarray, alternative: str) -> np.ndarray:
    """Give normal p-values of S with a continuity correction of 1; 1 where the variance is 0."""
    if alternative == "two-sided":
        distance, times = np.abs(s) - 1, 2.0
    else:
        distance, times = (s if alternative == "improvement" else -s) - 1, 1.0
    with np.errstate(divide="ignore", invalid="ignore"):
        z = distance / np.sqrt(variance)
    p_value = np.clip(times * normal_upper(z), SMALLEST, 1.0)
    return np.where(variance > 0, p_value, 1.0)


def normal_upper(z: np.ndarray) -> np.ndarray:
    """Give the upper tail of the standard normal distribution.

    Examples
    --------
    >>> print(normal_upper(np.array([0.0, 1.959964])).round(6))
    [0.5   0.025]
    """
    if len(z) <= 64:
        # scipy takes longer to import than the whole answer about one child may take.
        return np.array([0.5 * math.erfc(one / math.sqrt(2)) for one in z.tolist()])
    from scipy.special import ndtr

    return ndtr(-z)


def whole_share(p_value: np.ndarray, total: np.ndarray) -> np.ndarray:
    """Turn a share of equally likely cases into the exact fraction, as far as doubles can tell.

    A p-value of exactly .05 must not come out one unit in the last place above it.

    Parameters
    ----------
    p_value : ndarray of float
        Right to about 1e-15.
    total : ndarray of float
        Number of cases; from 1e12 on the share is left as it is.

    Examples
    --------
    >>> float(whole_share(np.array([0.05000000000000002]), np.array([20.0]))[0])
    0.05
    """
    with np.errstate(over="ignore", invalid="ignore"):
        return np.where(total <= _ROUNDABLE, np.rint(p_value * total) / total, p_value)


def group_scores(counts: np.ndarray) -> np.ndarray:
    """Give each tie group's score: pooled ratings below it minus those above it."""
    below = np.cumsum(counts, axis=1) - counts
    return 2 * below + counts - counts.sum(axis=1, keepdims=True)


def extreme(support: np.ndarray, s: int, alternative: str) -> np.ndarray:
    """Say which values of S speak at least as strongly for the alternative as the one observed."""
    if alternative == "two-sided":
        return np.abs(support) >= abs(s)
    return support >= s if alternative == "improvement" else support <= s


def _score_sum_range(
    counts: np.ndarray, scores: np.ndarray, size: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Give the lowest and highest sum of the scores of `size` ratings."""
    lowest = _taken(counts, size)
    highest = _taken(counts[:, ::-1], size)
    return (lowest * scores).sum(axis=1), (highest * scores[:, ::-1]).sum(axis=1)


def _taken(counts: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Say how many of each group are taken when `size` ratings are taken from the first group on."""
    before = np.cumsum(counts, axis=1) - counts
    return np.clip(size[:, None] - before, 0, counts)


def _share_at_the_end(counts: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Give the share of the splits that take the `size` most extreme ratings, first group first."""
    if counts.shape[1] == 0:
        return np.ones(len(counts))
    taken = _taken(counts, size)
    cut = np.argmax((taken > 0) & (taken < counts), axis=1)
    rows = np.arange(len(counts))
    group, chosen, n = counts[rows, cut], taken[rows, cut], counts.sum(axis=1)
    if n.max(initial=0) <= _TABLED:
        return combinations(group, chosen) / combinations(n, size)
    return np.exp(_log_combinations(group, chosen) - _log_combinations(n, size))


def combinations(n: np.ndarray, k: np.ndarray) -> np.ndarray:
    """Give binomial coefficients as floats, exact below 2**53.

    Examples
    --------
    >>> combinations(np.array([4, 28]), np.array([2, 8])).tolist()
    [6.0, 3108105.0]
    """
    longest = int(n.max(initial=0))
    if longest <= _TABLED:
        return _binomial_table(max(64, 1 << (longest - 1).bit_length()))[n, k]
    return np.array([float(math.comb(*key)) for key in zip(n.tolist(), k.tolist(), strict=True)])


@cache
def _binomial_table(longest: int) -> np.ndarray:
    table = np.zeros((longest + 1, longest + 1))
    table[:, 0] = 1.0
    for n in range(1, longest + 1):
        table[n, 1 : n + 1] = table[n - 1, :n] + table[n - 1, 1 : n + 1]
    return table


def _log_combinations(n: np.ndarray, k: np.ndarray) -> np.ndarray:
    return np.array(
        [
            math.lgamma(a + 1) - math.lgamma(b + 1) - math.lgamma(a - b + 1)
            for a, b in zip(n.tolist(), k.tolist(), strict=True)
        ]
    )


@cache
def smooth_length(n: int) -> int:
    """Give the smallest number from `n` on with no prime factor above 5: transforms of it are quick."""
    while True:
        rest = n
        for prime in (2, 3, 5):
            while rest % prime == 0:
                rest //= prime
        if rest == 1:
            return n
        n += 1


def _transform_tails(
    counts: np.ndarray,
    scores: np.ndarray,
    size: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    observed: np.ndarray,
    flip: np.ndarray,
    splits: np.ndarray,
    alternatives: tuple[str, ...],
) -> dict[str, np.ndarray]:
    tails = {alternative: np.empty(len(counts)) for alternative in alternatives}
    length = high - low + 1
    order = np.lexsort((length, size))
    begin = 0
    while begin < len(order):
        k = int(size[order[begin]])
        same = int(np.searchsorted(size[order], k, side="right"))
        while begin < same:
            # Sorted by length: the last series of the chunk sets its transform length.
            guess = min(same, begin + max(1, _CELLS // ((k + 1) * int(length[order[begin]]))))
            rows = order[begin:guess]
            probability, points = _transform(
                counts[rows], scores[rows], k, smooth_length(int(length[rows].max())), splits[rows]
            )
            sums = low[rows] + np.mod(points[:, None] - low[rows], len(points))
            seen = observed[rows]
            for alternative, tail in tails.items():
                if alternative == "two-sided":
                    extreme = np.abs(sums) >= np.abs(seen)
                else:
                    upper = flip[rows] if alternative == "improvement" else -flip[rows]
                    extreme = upper * (sums - seen) >= 0
                tail[rows] = np.einsum("ij,ij->j", probability, extreme)
            begin = guess
    return tails


def _transform(
    counts: np.ndarray, scores: np.ndarray, size: int, length: int, splits: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Give the probability of each score sum, at the sum's residue modulo `length`."""
    rows = len(counts)
    histogram = np.zeros((length, rows))
    row, group = np.nonzero(counts)
    histogram[scores[row, group] % length, row] = counts[row, group]
    spectrum = np.fft.fft(histogram, axis=0)
    number = length // 2 + 1
    last = np.empty((number, rows), dtype=complex)
    # Some frequencies at a time: what is worked on again and again stays in the cache.
    width = max(1, _CACHED // (size * rows))
    for first in range(0, number, width):
        frequencies = np.arange(first, min(first + width, number))
        power = _SCRATCH.array("power", (size, len(frequencies), rows), complex)
        for m in range(1, size + 1):
            np.take(spectrum, m * frequencies % length, axis=0, out=power[m - 1])
            if m % 2 == 0:
                np.negative(power[m - 1], out=power[m - 1])
        # Newton: j e_j = p_1 e_(j-1) - p_2 e_(j-2) + ...
        symmetric = _SCRATCH.array("symmetric", (size + 1, len(frequencies), rows), complex)
        symmetric[0] = 1.0
        products = _SCRATCH.array("products", power.shape, complex)
        for j in range(1, size + 1):
            np.multiply(symmetric[j - 1 :: -1] if j > 1 else symmetric[:1], power[:j], out=products[:j])
            np.add.reduce(products[:j], axis=0, out=symmetric[j])
            # By real numbers: numpy would divide complex ones, to the same result in several times as long.
            symmetric[j].view(float)[...] *= 1 / j
        last[first : first + width] = symmetric[size]
    return np.fft.irfft(last / splits, n=length, axis=0), np.arange(length)
