"""Exact null distribution of the numerators of Tau-U, given the ties.

Under the exchangeable null every order of the ratings over the occasions is equally likely. The
numerators add to S between the phases the S within the exposure phase, or take away the S within the
baseline, or both:

=============  ======================================================================
``"none"``     S_AB, the null of two phases (`null_two_phase`)
``"baseline"`` S_AB - S_A
``"exposure"`` S_AB + S_B
``"both"``     S_AB + S_B - S_A, whose null is that of a trend (`null_trend`), because it is
               Kendall's S of the ratings against the phase-A times turned round, then those of B
=============  ======================================================================

For the middle two, tie groups are gone through from worst to best, remembering how many ratings
phase A has so far. Choosing ``a`` of a group for A settles all pairs with earlier groups: those
between phases at once, those within a phase through a Gaussian binomial. The generating function of
the *shortfall* (how far the numerator stays below the largest these ties allow) is evaluated on the
unit circle and transformed back. Where that makes a tail too small for the transform's absolute
accuracy (about 1e-16), the tail is recomputed on a smaller circle, whose radius centers the shortfall
on the observed one: as all coefficients are non-negative, this keeps the relative accuracy of
p-values however small they are.
"""

from __future__ import annotations

import math

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.basis.null_trend import orders, trend_p, trend_variance
from rungwise.basis.null_two_phase import (
    ALTERNATIVES,
    SMALLEST,
    normal_tail,
    smooth_length,
    two_phase_p,
    whole_share,
)

TRENDS = ("none", "baseline", "exposure", "both")

# Multiplications per tail up to which counting is worth it (about three seconds).
_LIMIT = 6e8
# Below this a tail is recomputed on a smaller circle.
_SMALL = 1e-6
# Points of the circle worked on together, so that the intermediate arrays stay small.
_POINTS = 512


def tau_u_p(
    counts: np.ndarray,
    n_a: int,
    s: int,
    trend: str,
    alternative: str = "two-sided",
    times_a: np.ndarray | None = None,
    times_b: np.ndarray | None = None,
) -> tuple[float, bool]:
    """Give the null p-value of a Tau-U numerator for one series, exact wherever it can be counted.

    Parameters
    ----------
    counts : ndarray of int, shape (groups,)
        Sizes of the tie groups of the pooled ratings, worst group first.
    n_a : int
        Ratings in phase A; the rest is phase B.
    s : int
        Observed numerator, positive for improvement.
    trend : {"none", "baseline", "exposure", "both"}
    alternative : {"two-sided", "improvement", "worsening"}
        Two-sided is the share of orders with a numerator at least as far from 0.
    times_a, times_b : ndarray of int, optional
        Sizes of the groups of equal times in each phase, earliest first; default all distinct.

    Returns
    -------
    p_value : float
        Never 0; NaN where a phase is empty.
    exact : bool
        False where the tie-corrected normal approximation was used.

    Raises
    ------
    ValueError
        If `trend` or `alternative` is not among those allowed.

    Examples
    --------
    Parker et al. (2011), ratings 2, 3, 5, 3 and 4, 5, 5, 7, 6 (from memory of the paper): 16 - 3 = 13.

    >>> p, exact = tau_u_p(np.array([1, 2, 1, 3, 1, 1]), 4, 13, "baseline")
    >>> print(f"{p:.5f}", exact)
    0.15476 True
    """
    check_choice("trend", trend, TRENDS)
    check_choice("alternative", alternative, ALTERNATIVES)
    sizes = np.array([size for size in np.asarray(counts).tolist() if size], dtype=np.int64)
    n = int(sizes.sum())
    if not 0 < n_a < n:
        return math.nan, False
    observed = np.array([s])
    if trend == "none":
        p_value, exact = two_phase_p(sizes[None], np.array([n_a]), observed, alternative)
        return float(p_value[0]), bool(exact[0])
    blocks = regressor_blocks(n_a, n - n_a, trend, times_a, times_b)
    inner = blocks[:-1] if trend == "baseline" else blocks[1:] if trend == "exposure" else blocks
    if trend == "both" or max(inner) > 1:
        p_value, exact = trend_p(sizes[None], observed, alternative, np.array([blocks]))
        return float(p_value[0]), bool(exact[0])
    if _effort(sizes, n_a, trend) > _LIMIT:
        variance = trend_variance(sizes[None], np.array([blocks]))
        return float(normal_tail(observed.astype(float), variance, alternative)[0]), False
    if alternative == "two-sided" and s == 0:
        return 1.0, True
    p = 0.0
    if alternative != "worsening":
        p += _tail(sizes, n_a, trend, abs(s) if alternative == "two-sided" else s)
    if alternative != "improvement":
        p += _tail(sizes[::-1], n_a, trend, abs(s) if alternative == "two-sided" else -s)
    share = float(whole_share(np.array([p]), orders(sizes))[0])
    return min(max(share, SMALLEST), 1.0), True


def regressor_blocks(
    n_a: int,
    n_b: int,
    trend: str,
    times_a: np.ndarray | None = None,
    times_b: np.ndarray | None = None,
) -> list[int]:
    """Give the tie sizes of the variable against which a Tau-U numerator is Kendall's S.

    Parameters
    ----------
    n_a, n_b : int
    trend : {"none", "baseline", "exposure", "both"}
    times_a, times_b : ndarray of int, optional
        As in `tau_u_p`.

    Examples
    --------
    >>> regressor_blocks(3, 2, "baseline"), regressor_blocks(3, 2, "exposure")
    ([1, 1, 1, 2], [3, 1, 1])
    """
    a = [1] * n_a if times_a is None else [size for size in np.asarray(times_a).tolist() if size]
    b = [1] * n_b if times_b is None else [size for size in np.asarray(times_b).tolist() if size]
    # S_A is taken away: the baseline enters with its time reversed.
    first = a[::-1] if trend in ("baseline", "both") else [n_a]
    second = b if trend in ("exposure", "both") else [n_b]
    return first + second


def _effort(sizes: np.ndarray, n_a: int, trend: str) -> float:
    n = int(sizes.sum())
    inside = n_a if trend == "baseline" else n - n_a
    points = n_a * (n - n_a) + math.comb(inside, 2) + 1
    steps = float(np.sum(np.minimum(sizes, n_a) + 1)) * (n_a + 1)
    return points * (steps + inside * min(inside, int(sizes.max())))


def _tail(sizes: np.ndarray, n_a: int, trend: str, s: int) -> float:
    """Give the probability of a numerator of at least `s`."""
    n = int(sizes.sum())
    inside = n_a if trend == "baseline" else n - n_a
    least = _least_shortfalls(sizes, n_a, trend)
    conceivable = n_a * (n - n_a) + math.comb(inside, 2)
    shortfall = conceivable - s - int(least[-1][n_a])
    if shortfall < 0:
        return 0.0
    length = smooth_length(2 * conceivable - int(least[-1][n_a]) + 1)
    angles = 2j * math.pi * np.arange(length // 2 + 1) / length

    def tail(log_radius: float) -> float:
        transform = np.concatenate(
            [
                _shortfall_function(sizes, n_a, trend, least, log_radius - angles[low : low + _POINTS])
                for low in range(0, len(angles), _POINTS)
            ]
        )
        tilted = np.fft.irfft(transform, n=length)[: shortfall + 1]
        # Rounding can leave empty places slightly below 0.
        return float(np.sum(np.maximum(tilted, 0.0) * np.exp(-log_radius * np.arange(len(tilted)))))

    p = tail(0.0)
    return p if p > _SMALL else tail(_centering(sizes, n_a, trend, least, shortfall))


def _centering(sizes: np.ndarray, n_a: int, trend: str, least: list[np.ndarray], shortfall: int) -> float:
    """Give the log radius, below 0, at which the tilted shortfall has its mean at `shortfall`."""
    step = 1e-4
    low, high = -20.0, 0.0
    for _ in range(20):
        middle = (low + high) / 2
        around = np.array([middle - step, middle + step], dtype=complex)
        below, above = np.log(_shortfall_function(sizes, n_a, trend, least, around).real)
        if (above - below) / (2 * step) < shortfall:
            low = middle
        else:
            high = middle
    return low


def _choices(size: int, before: int, n_a: int, n_b: int) -> list[tuple[int, np.ndarray]]:
    """Give the ways to split a tie group: how many go to A, and how many A may have before."""
    found = []
    for a in range(min(size, n_a) + 1):
        j = np.arange(max(0, before - n_b + size - a), min(before, n_a - a) + 1)
        if len(j):
            found.append((a, j))
    return found


def _shortfall(a: int, b: int, before: int, j: np.ndarray, baseline: bool) -> np.ndarray:
    """Give what a choice costs: 2 for a pair against the alternative, 1 for a tied pair."""
    return 2 * a * (before - j) + a * b + math.comb(a if baseline else b, 2)


def _least_shortfalls(sizes: np.ndarray, n_a: int, trend: str) -> list[np.ndarray]:
    """Give, after each tie group, the least shortfall with which each state can be reached."""
    n_b = int(sizes.sum()) - n_a
    far = np.iinfo(np.int64).max // 2
    least = [np.full(n_a + 1, far)]
    least[0][0] = 0
    before = 0
    for size in sizes.tolist():
        following = np.full(n_a + 1, far)
        for a, j in _choices(size, before, n_a, n_b):
            cost = least[-1][j] + _shortfall(a, size - a, before, j, trend == "baseline")
            following[j + a] = np.minimum(following[j + a], cost)
        least.append(following)
        before += size
    return least


def _shortfall_function(
    sizes: np.ndarray, n_a: int, trend: str, least: list[np.ndarray], log_y: np.ndarray
) -> np.ndarray:
    """Give the expectation of ``y ** (shortfall - least)`` at the points ``exp(log_y)``."""
    baseline = trend == "baseline"
    n = int(sizes.sum())
    inside = n_a if baseline else n - n_a
    gaussians = _gaussian_table(inside, min(inside, int(sizes.max())), 2 * log_y)
    # state[j]: j ratings in phase A so far, counted from the least shortfall that leads there, so
    # that only powers from 0 up occur and nothing underflows.
    state = np.zeros((n_a + 1, len(log_y)), dtype=complex)
    state[0] = 1.0
    before = 0
    for size, start, goal in zip(sizes.tolist(), least, least[1:], strict=False):
        following = np.zeros_like(state)
        for a, j in _choices(size, before, n_a, n - n_a):
            b = size - a
            excess = start[j] + _shortfall(a, b, before, j, baseline) - goal[j + a]
            within = gaussians[j + a, a] if baseline else gaussians[before - j + b, b]
            following[j + a] += math.comb(size, a) * state[j] * np.exp(excess[:, None] * log_y) * within
        state = following
        before += size
    return state[n_a] / math.comb(n, n_a)


def _gaussian_table(n: int, k: int, log_q: np.ndarray) -> np.ndarray:
    """Give the Gaussian binomials of up to `n` over up to `k`, scaled to 1 at q = 1."""
    table = np.zeros((n + 1, k + 1, len(log_q)), dtype=complex)
    table[:, 0] = 1.0
    powers = np.exp(np.arange(k + 1)[:, None] * log_q)
    for m in range(1, n + 1):
        top = min(m, k)
        i = np.arange(1, top + 1)[:, None]
        # Scaled form of [m, i] = [m-1, i-1] + q**i [m-1, i].
        table[m, 1 : top + 1] = (
            i / m * table[m - 1, :top] + (m - i) / m * powers[1 : top + 1] * table[m - 1, 1 : top + 1]
        )
    return table
