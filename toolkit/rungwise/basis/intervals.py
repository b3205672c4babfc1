"""Intervals of a share, of a rate of events and of a mean."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from rungwise.basis.distributions import normal_quantile, t_quantile
from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.estimate import Estimate, Estimates

Limits = tuple[np.ndarray, np.ndarray]


def share_interval_batch(
    count: Any, n: Any, *, method: str = "wilson", confidence: float = 0.95
) -> Estimates:
    """Give shares ``count / n`` with their intervals, one per pair.

    Parameters
    ----------
    count, n : array_like of int
        Members with the property, and members in all. Broadcast against each other.
    method, confidence
        As in `share_interval`.

    Returns
    -------
    Estimates
        Statistic ``"share"``, as in `share_interval`.

    Examples
    --------
    >>> share_interval_batch([81, 0], [263, 20]).ci_high.round(4).tolist()
    [0.3662, 0.1611]
    """
    check_choice("method", method, _SHARE_METHODS)
    check_between("confidence", confidence, 0, 1)
    hits, total = np.broadcast_arrays(_counts("count", count), _counts("n", n))
    if (hits > total).any():
        where = int(np.flatnonzero(hits > total)[0])
        raise ValueError(f"count must not exceed n; got {hits[where]:g} of {total[where]:g}.")
    words, limits = _SHARE_METHODS[method]
    empty = total == 0
    members = np.where(empty, 1, total)
    low, high = limits(hits, members, 1 - confidence)
    return Estimates(
        "share",
        value=np.where(empty, np.nan, hits / members),
        ci_low=np.where(empty, np.nan, low),
        ci_high=np.where(empty, np.nan, high),
        confidence=confidence,
        n=total.astype(np.int64),
        counts={"count": hits.astype(np.int64)},
        method=words,
        cautions={"Nobody was counted here, so there is no share to give.": empty},
    )


def share_interval(count: int, n: int, *, method: str = "wilson", confidence: float = 0.95) -> Estimate:
    """Give the share ``count / n`` of a group with an interval.

    The share itself says nothing about its uncertainty: 3 of 4 and 75 of 100 are both 75 %. The
    interval is for one share looked at alone; it misleads when the members are not independent
    (several occasions of one child) or when the group was picked for having a high share.

    Parameters
    ----------
    count : int
        Members with the property, 0 to `n`.
    n : int
        Members in all. With 0 the result is NaN and says so.
    method : {"wilson", "wilson_corrected", "clopper_pearson"}
        ``"wilson"`` (score interval) covers `confidence` on average and is the one to report;
        ``"wilson_corrected"`` adds a continuity correction; ``"clopper_pearson"`` is exact in the
        sense of never covering less than `confidence`, and is wider for it.
    confidence : float
        Coverage aimed at, strictly between 0 and 1.

    Returns
    -------
    Estimate
        Statistic ``"share"``, between 0 and 1; ``counts["count"]`` is `count`.

    Raises
    ------
    ValueError
        If `count` or `n` is no whole number of at least 0, `count` exceeds `n`, or `method` or
        `confidence` is not allowed.

    References
    ----------
    Wilson 1927, J Am Stat Assoc 22:209-212; Newcombe 1998, Stat Med 17:857-872 (methods 3, 4 and 5);
    Clopper & Pearson 1934, Biometrika 26:404-413.

    Examples
    --------
    >>> share = share_interval(15, 148)
    >>> print(f"{share.value:.3f} ({share.ci_low:.4f} to {share.ci_high:.4f})")
    0.101 (0.0624 to 0.1605)
    """
    if type(count) is int and type(n) is int:
        known = _share_of(count, n, method, confidence)
        return replace(known, counts=dict(known.counts))
    return share_interval_batch([count], [n], method=method, confidence=confidence)[0]


@lru_cache(maxsize=8192)
def _share_of(count: int, n: int, method: str, confidence: float) -> Estimate:
    # Reviews of many children ask for the same few shares again and again.
    return share_interval_batch([count], [n], method=method, confidence=confidence)[0]


def rate_interval_batch(
    count: Any, exposure: Any = 1.0, *, unit: str = "", confidence: float = 0.95
) -> Estimates:
    """Give rates ``count / exposure`` with exact intervals, one per pair.

    Parameters
    ----------
    count, exposure : array_like
        Broadcast against each other; see `rate_interval`.
    unit, confidence
        As in `rate_interval`.

    Returns
    -------
    Estimates
        Statistic ``"rate"``, as in `rate_interval`.

    Examples
    --------
    >>> rate_interval_batch([0, 10]).ci_high.round(4).tolist()
    [3.6889, 18.3904]
    """
    check_between("confidence", confidence, 0, 1)
    events, amount = np.broadcast_arrays(
        _counts("count", count), np.atleast_1d(np.asarray(exposure, dtype=float))
    )
    if not (amount >= 0).all():
        where = int(np.flatnonzero(~(amount >= 0))[0])
        raise ValueError(f"exposure must be 0 or more; got {amount[where]:g}.")
    from scipy.special import gammaincinv

    tail = (1 - confidence) / 2
    none = events == 0
    # A chi-square quantile with 2k degrees of freedom is twice a gamma quantile of shape k.
    low = np.where(none, 0.0, gammaincinv(np.where(none, 1, events), tail))
    high = gammaincinv(events + 1, 1 - tail)
    empty = amount == 0
    divisor = np.where(empty, np.nan, amount)
    return Estimates(
        "rate",
        value=events / divisor,
        ci_low=low / divisor,
        ci_high=high / divisor,
        confidence=confidence,
        n=events.astype(np.int64),
        counts={"count": events.astype(np.int64), "exposure": amount},
        method="exact Poisson interval (Garwood 1936)",
        unit=unit,
        cautions={
            "There was no exposure for events to happen in, so there is no rate to give.": empty,
            "No event was recorded; the upper limit, not 0, is what these data can promise.": none & ~empty,
        },
    )


def rate_interval(
    count: int, exposure: float = 1.0, *, unit: str = "", confidence: float = 0.95
) -> Estimate:
    """Give the rate of events ``count / exposure`` with its exact Poisson interval.

    It misleads when events come in clusters (one child on one bad day): a Poisson count assumes that
    one event does not make the next more likely, and the interval is then too narrow.

    Parameters
    ----------
    count : int
        Events.
    exposure : float
        How much there was for events to happen in, for example sessions or hours; 0 gives NaN.
    unit : str
        Unit of the rate, for example ``"falls per 100 sessions"``.
    confidence : float
        Coverage aimed at; the interval never covers less.

    Returns
    -------
    Estimate
        Statistic ``"rate"``; `n` is the number of events.

    Raises
    ------
    ValueError
        If `count` is no whole number of at least 0 or `exposure` is negative.

    References
    ----------
    Garwood 1936, Biometrika 28:437-442.

    Examples
    --------
    >>> rate = rate_interval(3, exposure=4.2, unit="near falls per 100 sessions")
    >>> print(f"{rate.value:.2f} ({rate.ci_low:.2f} to {rate.ci_high:.2f}) {rate.unit}")
    0.71 (0.15 to 2.09) near falls per 100 sessions
    """
    return rate_interval_batch([count], [exposure], unit=unit, confidence=confidence)[0]


def rate_ratio(
    count: int,
    exposure: float,
    reference_count: int,
    reference_exposure: float,
    *,
    confidence: float = 0.95,
) -> Estimate:
    """Compare two rates of events: the first divided by the reference, with an exact interval.

    Given the total number of events, the first count is binomial; the interval and the two-sided p
    (twice the smaller tail) both follow from that, so they cannot disagree.

    Parameters
    ----------
    count, exposure : int, float
        Events and exposure of interest, for example this quarter.
    reference_count, reference_exposure : int, float
        Events and exposure to compare with.
    confidence : float
        Coverage aimed at; the interval never covers less.

    Returns
    -------
    Estimate
        Statistic ``"rate ratio"``. Without any event it is NaN; with none in the reference it is
        infinite and only the lower limit says something.

    Raises
    ------
    ValueError
        If a count is no whole number of at least 0 or an exposure is not above 0.

    References
    ----------
    Clopper-Pearson limits on the conditional binomial; Przyborowski & Wilenski 1940,
    Biometrika 31:313-323 (from memory).

    Examples
    --------
    >>> ratio = rate_ratio(11, 800, 21, 3011)
    >>> print(f"{ratio.value:.3f} ({ratio.ci_low:.3f} to {ratio.ci_high:.3f})")
    1.971 (0.858 to 4.277)
    """
    first, second = _counts("count", count)[0], _counts("reference_count", reference_count)[0]
    amounts = (("exposure", exposure), ("reference_exposure", reference_exposure))
    for name, amount in amounts:
        if not amount > 0:
            raise ValueError(f"{name} must be above 0; got {amount!r}.")
    check_between("confidence", confidence, 0, 1)
    total = first + second
    counts = {
        "count": int(first),
        "exposure": exposure,
        "reference_count": int(second),
        "reference_exposure": reference_exposure,
    }
    method = "conditional binomial, exact"
    if total == 0:
        return Estimate(
            "rate ratio",
            float("nan"),
            confidence=confidence,
            counts=counts,
            method=method,
            cautions=("No event was recorded on either side, so the rates cannot be compared.",),
        )
    from scipy.special import bdtr, bdtrc

    fair = exposure / (exposure + reference_exposure)
    at_most = float(bdtr(int(first), int(total), fair))
    at_least = float(bdtrc(int(first) - 1, int(total), fair)) if first > 0 else 1.0
    low, high = _clopper_pearson(np.array([first]), np.array([total]), 1 - confidence)
    scale = reference_exposure / exposure
    with np.errstate(divide="ignore"):
        value = np.divide(first, second) * scale
        limits = low / (1 - low) * scale, high / (1 - high) * scale
    return Estimate(
        "rate ratio",
        float(value),
        float(limits[0][0]),
        float(limits[1][0]),
        confidence=confidence,
        # Below the smallest number there is, a p is at most that number, never 0.
        p_value=min(1.0, max(2 * min(at_most, at_least), float(np.finfo(float).tiny))),
        alternative="two-sided",
        null="equal rates",
        n=int(total),
        counts=counts,
        method=method,
    )


def mean_interval(values: Any, *, unit: str = "", confidence: float = 0.95) -> Estimate:
    """Give the mean of independent values with its t interval.

    It is for one value per child. It misleads on the occasions of one child, which follow each
    other and are not independent, and on strongly skewed values when they are few.

    Parameters
    ----------
    values : array_like
        One value per child; NaN and None are left out and counted in ``counts["missing"]``.
    unit : str
        Unit of the values.
    confidence : float
        Coverage aimed at.

    Returns
    -------
    Estimate
        Statistic ``"mean"``, with ``counts["sd"]``. With fewer than two values, or values that are
        all equal, the limits are NaN and a caution says why.

    References
    ----------
    Student 1908, Biometrika 6:1-25.

    Examples
    --------
    >>> mean = mean_interval([4, 6, 5, None, 9])
    >>> print(f"{mean.value} ({mean.ci_low:.2f} to {mean.ci_high:.2f}), n = {mean.n}")
    6.0 (2.56 to 9.44), n = 4
    """
    check_between("confidence", confidence, 0, 1)
    given = np.array([np.nan if entry is None else entry for entry in values], dtype=float)
    kept = given[~np.isnan(given)]
    if np.isinf(kept).any():
        raise ValueError("values must be finite; got an infinite one.")
    n = len(kept)
    sd = float(np.std(kept, ddof=1)) if n > 1 else float("nan")
    low = high = float("nan")
    cautions: tuple[str, ...] = ()
    if n == 0:
        cautions = ("No value was given, so there is no mean to give.",)
    elif n == 1:
        cautions = ("One value alone says nothing about the spread, so there is no interval.",)
    elif np.ptp(kept) == 0:
        cautions = ("All values are equal, so their spread, and with it an interval, cannot be estimated.",)
    else:
        half = float(t_quantile(1 - (1 - confidence) / 2, n - 1)) * sd / np.sqrt(n)
        low, high = float(np.mean(kept) - half), float(np.mean(kept) + half)
    return Estimate(
        "mean",
        float(np.mean(kept)) if n else float("nan"),
        low,
        high,
        confidence=confidence,
        n=n,
        counts={"sd": sd, "missing": len(given) - n},
        method="t interval",
        unit=unit,
        cautions=cautions,
    )


def _counts(argument: str, entries: Any) -> np.ndarray:
    numbers = np.atleast_1d(np.asarray(entries, dtype=float))
    sound = np.isfinite(numbers) & (numbers >= 0) & (numbers == np.floor(numbers))
    if not sound.all():
        raise ValueError(f"{argument} must be a whole number of at least 0; got {numbers[~sound][0]:g}.")
    return numbers


def _wilson(x: np.ndarray, n: np.ndarray, alpha: float) -> Limits:
    z = float(normal_quantile(1 - alpha / 2))
    center = x + z**2 / 2
    half = z * np.sqrt(x * (n - x) / n + z**2 / 4)
    return _closed((center - half) / (n + z**2), (center + half) / (n + z**2), x, n)


def _wilson_corrected(x: np.ndarray, n: np.ndarray, alpha: float) -> Limits:
    # Newcombe 1998, method 4; the roots are undefined only at the ends, which `_closed` sets.
    z = float(normal_quantile(1 - alpha / 2))
    p = x / n
    below = np.maximum(z**2 - 2 - 1 / n + 4 * p * (n - x + 1), 0)
    above = np.maximum(z**2 + 2 - 1 / n + 4 * p * (n - x - 1), 0)
    low = (2 * x + z**2 - 1 - z * np.sqrt(below)) / (2 * (n + z**2))
    high = (2 * x + z**2 + 1 + z * np.sqrt(above)) / (2 * (n + z**2))
    return _closed(low, high, x, n)


def _clopper_pearson(x: np.ndarray, n: np.ndarray, alpha: float) -> Limits:
    from scipy.special import betaincinv

    low = betaincinv(np.maximum(x, 1), n - x + 1, alpha / 2)
    high = betaincinv(x + 1, np.maximum(n - x, 1), 1 - alpha / 2)
    return _closed(low, high, x, n)


def _closed(low: np.ndarray, high: np.ndarray, x: np.ndarray, n: np.ndarray) -> Limits:
    return np.where(x == 0, 0.0, np.clip(low, 0, 1)), np.where(x == n, 1.0, np.clip(high, 0, 1))


_SHARE_METHODS: dict[str, tuple[str, Callable[[np.ndarray, np.ndarray, float], Limits]]] = {
    "wilson": ("Wilson score interval", _wilson),
    "wilson_corrected": ("Wilson score interval, continuity corrected", _wilson_corrected),
    "clopper_pearson": ("Clopper-Pearson interval, exact", _clopper_pearson),
}
