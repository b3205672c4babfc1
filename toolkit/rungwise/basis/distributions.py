"""Normal, t, F and chi-square probabilities from numpy and the standard library alone.

The printed answer about one child must not wait for scipy to load. All functions take arrays or
numbers, broadcast, keep relative accuracy far into the tails and never return a probability of 0.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from statistics import NormalDist
from typing import Any

import numpy as np

# The smallest probability ever returned: beyond it a float cannot tell a probability from 0.
SMALLEST = sys.float_info.min

_HALF_LOG_TWO_PI = 0.5 * math.log(2 * math.pi)
_TINY = 1e-300
# Continued fractions run on blocks that stay in the processor's cache.
_BLOCK = 8192
_MOST_TERMS = 100_000
# For so few whole degrees of freedom and t up to about 2.8, a finite sum is as exact as the continued
# fraction and many times quicker; further out, 1 minus it would lose digits.
_MOST_SUMMED, _CENTRAL = 200, 8.0
# Above this many degrees of freedom the expansion toward the normal is exact to the last digit.
_NEARLY_NORMAL = 20_000.0


def normal_cdf(x: Any) -> np.ndarray:
    """Probability that a standard normal variable is at most `x`.

    Examples
    --------
    >>> round(float(normal_cdf(-1.959963984540054)), 6)
    0.025
    """
    return normal_sf(-np.asarray(x, dtype=float))


def normal_sf(x: Any) -> np.ndarray:
    """Probability that a standard normal variable exceeds `x`.

    Examples
    --------
    >>> f"{float(normal_sf(11.5)):.4e}"
    '6.5958e-31'
    """
    return _never_zero(0.5 * _each(math.erfc, np.asarray(x, dtype=float) / math.sqrt(2)))


def normal_quantile(p: Any) -> np.ndarray:
    """Value a standard normal variable stays below with probability `p`; infinite at 0 and 1.

    Raises
    ------
    ValueError
        If a probability lies outside 0 to 1.

    Examples
    --------
    >>> round(float(normal_quantile(0.975)), 6)
    1.959964
    """
    p = _probabilities(p)
    inside = (p > 0) & (p < 1)
    value = _each(NormalDist().inv_cdf, np.where(inside, p, 0.5))
    return np.where(inside, value, np.where(p == 0, -np.inf, np.where(p == 1, np.inf, np.nan)))


def t_pdf(x: Any, df: Any) -> np.ndarray:
    """Density of Student's t with `df` degrees of freedom."""
    x, df = _beside_df(x, df)
    log_density = -0.5 * (df + 1) * np.log1p(x * x / df) - log_beta(0.5 * df, 0.5) - 0.5 * np.log(df)
    return np.exp(log_density)


def t_sf(x: Any, df: Any) -> np.ndarray:
    """Probability that Student's t with `df` degrees of freedom exceeds `x`.

    Source: the regularized incomplete beta function, Abramowitz & Stegun 26.5.27.

    Examples
    --------
    >>> round(float(t_sf(2.144786687916927, 14)), 6)
    0.025
    """
    x, df = _beside_df(x, df)
    half = np.minimum(0.5, _t_tail(np.abs(x), df))
    return _never_zero(np.where(x > 0, half, 1.0 - half))


def t_cdf(x: Any, df: Any) -> np.ndarray:
    """Probability that Student's t with `df` degrees of freedom is at most `x`."""
    return t_sf(-np.asarray(x, dtype=float), df)


def t_quantile(p: Any, df: Any) -> np.ndarray:
    """Value Student's t with `df` degrees of freedom stays below with probability `p`.

    Raises
    ------
    ValueError
        If a probability lies outside 0 to 1 or a number of degrees of freedom is not positive.

    Examples
    --------
    >>> round(float(t_quantile(0.975, 14)), 6)
    2.144787
    """
    p, df = _with_df(_probabilities(p), df)
    tail = np.minimum(p, 1 - p)
    solve = (tail > 0) & (tail < 0.5)
    tail_safe = np.where(solve, tail, 0.25)
    central = tail_safe > 0.25
    # Both the tail and the central probability are log-concave in log t, so Newton's steps on
    # their logarithms converge from any start; the first terms of Fisher and Cornish shorten them.
    z = -normal_quantile(tail_safe)
    u = np.log(z * (1 + (z * z + 1) / (4 * np.maximum(df, 1))))
    few = np.minimum(df, _NEARLY_NORMAL)
    any_central = bool(central.any())
    with np.errstate(over="ignore"):
        for _ in range(100):
            t = np.exp(u)
            part = t_sf(t, df)
            miss = np.log(tail_safe / part)
            if any_central:
                square = t * t
                below = 0.5 * _beta_fraction(
                    np.full_like(few, 0.5), 0.5 * few, square / (few + square), few / (few + square)
                )
                below = np.where(df > _NEARLY_NORMAL, 0.5 - part, below)
                part = np.where(central, below, part)
                miss = np.where(central, np.log(below / (0.5 - tail_safe)), miss)
            step = np.clip(miss * part / (t * t_pdf(t, df)), -20, 20)
            u = u - step
            # Newton's error squares at each step, so a step of 1e-9 leaves nothing to do.
            if np.all(np.abs(step) <= 1e-9):
                break
    value = np.where(p < 0.5, -np.exp(u), np.exp(u))
    value = np.where(tail == 0.5, 0.0, value)
    edge = np.where(p == 0, -np.inf, np.where(p == 1, np.inf, np.nan))
    return np.where(solve | (tail == 0.5), value, edge)


def f_sf(x: Any, df1: Any, df2: Any) -> np.ndarray:
    """Probability that Fisher's F with `df1` and `df2` degrees of freedom exceeds `x`.

    Source: Abramowitz & Stegun 26.6.2.

    Examples
    --------
    >>> round(float(f_sf(4.102821, 2, 10)), 6)
    0.05
    """
    x, df1 = _with_df(x, df1, "df1")
    x, df2 = _with_df(x, df2, "df2")
    df1 = np.broadcast_to(df1, x.shape)
    ratio = np.maximum(x, 0.0) * df1
    with np.errstate(invalid="ignore"):
        inside = np.where(np.isinf(ratio), 1.0, ratio / (df2 + ratio))
    return _never_zero(_beta_fraction(0.5 * df2, 0.5 * df1, df2 / (df2 + ratio), inside))


def chi2_sf(x: Any, df: Any) -> np.ndarray:
    """Probability that a chi-square variable with `df` degrees of freedom exceeds `x`.

    Examples
    --------
    >>> round(float(chi2_sf(3.841459, 1)), 6)
    0.05
    """
    x, df = _with_df(x, df)
    _, upper = _gamma_parts(0.5 * df, 0.5 * np.maximum(x, 0.0))
    return _never_zero(np.where(np.isnan(x), np.nan, upper))


def chi2_cdf(x: Any, df: Any) -> np.ndarray:
    """Probability that a chi-square variable with `df` degrees of freedom is at most `x`."""
    x, df = _with_df(x, df)
    lower, _ = _gamma_parts(0.5 * df, 0.5 * np.maximum(x, 0.0))
    return _never_zero(np.where(np.isnan(x), np.nan, lower))


def chi2_quantile(p: Any, df: Any) -> np.ndarray:
    """Value a chi-square variable with `df` degrees of freedom stays below with probability `p`.

    Raises
    ------
    ValueError
        If a probability lies outside 0 to 1 or a number of degrees of freedom is not positive.

    Examples
    --------
    >>> round(float(chi2_quantile(0.95, 1)), 6)
    3.841459
    """
    p, df = _with_df(_probabilities(p), df)
    solve = (p > 0) & (p < 1)
    p_safe = np.where(solve, p, 0.5)
    a = 0.5 * df
    # Wilson-Hilferty, or the leading term of the lower tail where that would be negative.
    third = 2 / (9 * df)
    cube = (1 - third + normal_quantile(p_safe) * np.sqrt(third)) ** 3
    low = (np.log(p_safe) + _log_gamma(a + 1)) / a
    u = np.where(cube > 0.05, np.log(np.maximum(a * cube, _TINY)), np.maximum(low, -690.0))
    upper_side = p_safe > 0.5
    for _ in range(200):
        half = np.exp(u)
        lower, upper = _gamma_parts(a, half)
        log_density = a * u - half - _log_gamma(a)
        miss = np.where(upper_side, np.log((1 - p_safe) / upper), np.log(lower / p_safe))
        log_part = np.log(np.where(upper_side, upper, lower))
        step = np.clip(miss * np.exp(log_part - log_density), -3, 3)
        u = u - step
        if np.all(np.abs(step) <= 4e-16 * np.maximum(1.0, np.abs(u))):
            break
    edge = np.where(p == 0, 0.0, np.where(p == 1, np.inf, np.nan))
    return np.where(solve, 2 * np.exp(u), edge)


def log_beta(a: Any, b: Any) -> np.ndarray:
    """Logarithm of the beta function, without the cancellation of three large log-gammas."""
    a, b = np.broadcast_arrays(np.asarray(a, dtype=float), np.asarray(b, dtype=float))
    if a.size > 1:
        # Degrees of freedom come in long runs: each run is worked out once.
        flat, other = a.ravel(), b.ravel()
        begins = np.flatnonzero((flat[1:] != flat[:-1]) | (other[1:] != other[:-1])) + 1
        if 4 * len(begins) < a.size:
            begins = np.concatenate([[0], begins])
            runs = np.diff(begins, append=a.size)
            return np.repeat(_log_beta(flat[begins], other[begins]), runs).reshape(a.shape)
    return _log_beta(a, b)


def _log_beta(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    small, big = np.minimum(a, b), np.maximum(a, b)
    both = small + big
    remainder = _stirling_remainder(np.maximum(big, 10)) - _stirling_remainder(np.maximum(both, 10))
    one_large = (
        _log_gamma(small) + remainder - (big - 0.5) * np.log1p(small / big) - small * np.log(both) + small
    )
    two_large = (
        _stirling_remainder(np.maximum(small, 10))
        + remainder
        + _HALF_LOG_TWO_PI
        + (small - 0.5) * np.log(small / both)
        - big * np.log1p(small / big)
        - 0.5 * np.log(big)
    )
    none_large = _log_gamma(small) + _log_gamma(big) - _log_gamma(both)
    return np.where(big < 10, none_large, np.where(small < 10, one_large, two_large))


def _t_tail(t: np.ndarray, df: np.ndarray) -> np.ndarray:
    """Upper tail of Student's t for t >= 0."""
    near = df > _NEARLY_NORMAL
    with np.errstate(over="ignore", invalid="ignore"):
        square = t * t
        summed = (square < _CENTRAL) & (df <= _MOST_SUMMED) & (df == np.floor(df))
        tail = np.empty(np.broadcast_shapes(t.shape, df.shape))
        for whole in sorted(set(df[df <= _MOST_SUMMED].tolist())) if summed.any() else ():
            here = summed & (df == whole)
            if here.any():
                tail[here] = 0.5 * (1 - _t_between(np.broadcast_to(t, here.shape)[here], int(whole)))
        rest = ~summed
        if rest.any():
            few, far = (
                np.broadcast_to(part, rest.shape)[rest] for part in (np.where(near, 1.0, df), square)
            )
            inside = np.where(np.isinf(far), 1.0, far / (few + far))
            tail[rest] = 0.5 * _beta_fraction(0.5 * few, np.full_like(few, 0.5), few / (few + far), inside)
        if not near.any():
            return tail
        # Hill (1970), Communications of the ACM 13:617-619.
        many = np.where(near & np.isfinite(df), df, 1e300)
        a = many - 0.5
        b = 48 * a * a
        z = np.where(np.isinf(df), t, np.sqrt(a * np.log1p(square / many)))
        cubic = z * z * z + 3 * z
        quintic = z**3 * (z * z * (4 * z * z + 33) + 240) + 855 * z
        z = z + np.where(np.isfinite(b), cubic / b - quintic / (10 * b * (b + 0.8 * z**4 + 100)), 0.0)
    return np.where(near, normal_sf(z), tail)


def _t_between(t: np.ndarray, df: int) -> np.ndarray:
    """Probability that Student's t with whole degrees of freedom lies between -t and t.

    Source: the finite sums of Abramowitz & Stegun 26.7.3 and 26.7.4.
    """
    hypotenuse = df + t * t
    cosine2 = df / hypotenuse
    sine = t / np.sqrt(hypotenuse)
    odd = df % 2
    if df == 1:
        return 2 / math.pi * np.arctan(t)
    total = np.ones_like(t)
    for j in range(df - 2, 1 + odd, -2):
        total *= cosine2
        total *= (j - 1) / j
        total += 1
    if not odd:
        return sine * total
    return 2 / math.pi * (np.arctan(t / math.sqrt(df)) + sine * np.sqrt(cosine2) * total)


def _each(function: Callable[[float], float], x: np.ndarray) -> np.ndarray:
    return np.fromiter(map(function, x.ravel().tolist()), dtype=float, count=x.size).reshape(x.shape)


def _log_gamma(x: np.ndarray) -> np.ndarray:
    if x.size > 1 and x.flat[0] == x.flat[-1] and np.all(x == x.flat[0]):
        return np.full(x.shape, math.lgamma(float(x.flat[0])))
    return _each(math.lgamma, x)


def _never_zero(p: np.ndarray) -> np.ndarray:
    return np.maximum(p, SMALLEST)


def _probabilities(p: Any) -> np.ndarray:
    p = np.asarray(p, dtype=float)
    if np.any((p < 0) | (p > 1)):
        raise ValueError(f"p must lie between 0 and 1; got {p[(p < 0) | (p > 1)].flat[0]:g}.")
    return p


def _with_df(x: Any, df: Any, name: str = "df") -> tuple[np.ndarray, np.ndarray]:
    x, df = _beside_df(x, df, name)
    x, df = np.broadcast_arrays(x, df)
    return x, df


def _beside_df(x: Any, df: Any, name: str = "df") -> tuple[np.ndarray, np.ndarray]:
    """Check, and leave shapes as they are: what depends on `df` alone is then worked out once for many."""
    df = np.asarray(df, dtype=float)
    if np.any(df <= 0):
        raise ValueError(f"{name} must be greater than 0; got {df[df <= 0].flat[0]:g}.")
    return np.asarray(x, dtype=float), df


def _stirling_remainder(a: np.ndarray) -> np.ndarray:
    """What Stirling's formula leaves of log-gamma, for a >= 10 (Abramowitz & Stegun 6.1.41)."""
    s = 1 / (a * a)
    series = 1 / 1188 - s * (691 / 360360 - s / 156)
    series = 1 / 12 - s * (1 / 360 - s * (1 / 1260 - s * (1 / 1680 - s * series)))
    return series / a


def _beta_fraction(a: np.ndarray, b: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Regularized incomplete beta I_x(a, b), with y = 1 - x given to full precision."""
    shape = x.shape
    swap = x * (a + b + 2) > a + 1
    columns = np.broadcast_arrays(a, b, x, y, swap, log_beta(a, b))
    a, b, x, y, swap, beta = (np.ravel(part) for part in columns)
    a, b, x, y = np.where(swap, b, a), np.where(swap, a, b), np.where(swap, y, x), np.where(swap, x, y)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_x = np.where(x > 0.5, np.log1p(-y), np.log(x))
        log_y = np.where(y > 0.5, np.log1p(-x), np.log(y))
        part = np.where(x > 0, np.exp(a * log_x + b * log_y - beta) / a, 0.0)
    fraction = np.concatenate(
        [np.empty(0)]
        + [_lentz(*(column[i : i + _BLOCK] for column in (a, b, x))) for i in range(0, len(x), _BLOCK)]
    )
    result = part * fraction
    return np.where(swap, 1.0 - result, result).reshape(shape)


def _lentz(a: np.ndarray, b: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Continued fraction of the incomplete beta by the modified Lentz method (A&S 26.5.8)."""
    c = np.ones_like(x)
    both = a + b
    d = _away_from_zero(1 - both * x / (a + 1))
    d = 1 / d
    h = d.copy()
    # The terms are reckoned in place: most of the time would go into fetching memory.
    term, below, more = np.empty_like(x), np.empty_like(x), np.empty_like(x)
    found, live = h, np.arange(len(h))
    for m in range(1, _MOST_TERMS):
        np.subtract(b, m, out=term)
        term *= m
        term *= x
        np.add(a, 2 * m, out=more)
        np.subtract(more, 1, out=below)
        below *= more
        term /= below
        h *= _lentz_step(term, c, d, below)
        np.add(a, m, out=term)
        np.negative(term, out=term)
        term *= np.add(both, m, out=below)
        term *= x
        np.add(more, 1, out=below)
        more *= below
        term /= more
        h *= _lentz_step(term, c, d, below)
        below -= 1
        np.abs(below, out=below)
        open_ = below > 1e-15
        if not np.any(open_):
            break
        if m % 8 == 0 and 2 * np.count_nonzero(open_) < len(h):
            # The slowest go on alone.
            found[live] = h
            live = live[open_]
            a, b, x, both, c, d, h = (column[open_] for column in (a, b, x, both, c, d, h))
            term, below, more = (scratch[: len(live)] for scratch in (term, below, more))
    found[live] = h
    return found


def _lentz_step(term: np.ndarray, c: np.ndarray, d: np.ndarray, change: np.ndarray) -> np.ndarray:
    """Take `c` and `d` one term on, in place, and leave their product in `change`."""
    np.multiply(term, d, out=d)
    d += 1
    _moved_from_zero(d)
    np.divide(1, d, out=d)
    np.divide(term, c, out=c)
    c += 1
    _moved_from_zero(c)
    return np.multiply(d, c, out=change)


def _moved_from_zero(x: np.ndarray) -> None:
    if not x.all():
        x[x == 0] = _TINY


def _away_from_zero(x: np.ndarray) -> np.ndarray:
    return np.where(np.abs(x) < _TINY, _TINY, x)


def _gamma_parts(a: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lower and upper regularized incomplete gamma, each accurate in its own tail."""
    safe = np.where((x > 0) & np.isfinite(x), x, 1.0)
    large = a >= 10
    ratio = safe / a
    # x^a exp(-x) / Gamma(a + 1)
    with np.errstate(over="ignore", under="ignore"):
        stirling = a * (np.log(ratio) - (ratio - 1)) - _HALF_LOG_TWO_PI - 0.5 * np.log(a)
        stirling = stirling - _stirling_remainder(np.maximum(a, 10))
        front = np.exp(np.where(large, stirling, a * np.log(safe) - safe - _log_gamma(a + 1)))
    left = safe < a + 1
    below = np.where(left, safe, 0.0)
    term = np.ones_like(safe)
    total = np.ones_like(safe)
    for k in range(1, _MOST_TERMS):
        term = term * below / (a + k)
        total = total + term
        if not np.any(term > 1e-17 * total):
            break
    lower = front * total
    above = np.where(left, a + 2, safe)
    b = above + 1 - a
    c = np.full_like(above, 1 / _TINY)
    d = 1 / b
    h = d.copy()
    for k in range(1, _MOST_TERMS):
        even = -k * (k - a)
        b = b + 2
        d = 1 / _away_from_zero(even * d + b)
        c = _away_from_zero(b + even / c)
        change = d * c
        h = h * change
        if not np.any(np.abs(change - 1) > 1e-15):
            break
    upper = front * a * h
    lower = np.where(left, lower, 1 - upper)
    upper = np.where(left, 1 - lower, upper)
    lower = np.where(x == 0, 0.0, np.where(np.isinf(x), 1.0, lower))
    upper = np.where(x == 0, 1.0, np.where(np.isinf(x), 0.0, upper))
    return lower, upper
