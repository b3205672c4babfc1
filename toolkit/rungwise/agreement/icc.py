"""Agreement of raters on a measured scale: the intraclass correlation, by form."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from rungwise.agreement.pairs import is_missing
from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.estimate import Estimate


@dataclass(frozen=True)
class MeanSquares:
    """Mean squares of `targets` × `raters` ratings.

    Attributes
    ----------
    between : float
        Between targets, targets − 1 degrees of freedom (BMS).
    within : float
        Within targets (WMS).
    raters : float
        Between raters, raters − 1 degrees of freedom (JMS).
    residual : float
        Residual (EMS).
    n, k : int
        Targets and raters.
    """

    between: float
    within: float
    raters: float
    residual: float
    n: int
    k: int


@dataclass(frozen=True)
class _Form:
    words: str
    value: Callable[[MeanSquares], float]
    limits: Callable[[MeanSquares, float], tuple[float, float]]
    average: bool = False
    one_way: bool = False


def icc(ratings: Any, form: str, *, confidence: float = 0.95) -> Estimate:
    """Give the intraclass correlation of several raters' scores of the same targets.

    There are several intraclass correlations and they answer different questions, so the form has no
    default. Which raters there are decides it: each target rated by other raters (1), all by the same
    raters who stand for others (2: agreement in level counts), or by the only raters of interest
    (3: agreement in order is enough). The second part is 1 for the reliability of one rater, k for
    that of the mean of all; reporting k when one rater decides is the usual way to mislead. A
    correlation also depends on how much the targets differ: alike children give a low one however
    well raters agree. It has no lower bound, and below 0 says that raters disagree more than
    targets differ.

    Parameters
    ----------
    ratings : array_like, shape (targets, raters)
        Targets are trials or children. A target with a missing rating is left out and counted in
        ``counts["missing"]``.
    form : {"1,1", "2,1", "3,1", "1,k", "2,k", "3,k"}
        As named by Shrout & Fleiss.
    confidence : float
        Coverage the interval aims at.

    Returns
    -------
    Estimate
        Statistic ``"ICC(2,1)"`` and so on; ``counts`` holds the mean squares. There is no p-value:
        that targets differ at all is no question here. NaN with the reason where there is nothing to
        estimate from.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    References
    ----------
    Shrout & Fleiss 1979, Psychol Bull 86:420-428; names in brackets McGraw & Wong 1996, Psychol
    Methods 1:30-46. Limits of ICC(2,k) are those of ICC(2,1) stepped up to k raters.

    Examples
    --------
    >>> judges = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    >>> agreement = icc(judges, "2,1")
    >>> print(f"{agreement.value:.2f} ({agreement.ci_low:.2f} to {agreement.ci_high:.2f})")
    0.29 (0.02 to 0.76)
    """
    check_choice("form", form, _FORMS)
    check_between("confidence", confidence, 0, 1)
    chosen = _FORMS[form]
    table, missing = _complete(ratings)
    n, k = table.shape
    nan = float("nan")
    name = f"ICC({form})"

    def nothing(reason: str, **counts: float) -> Estimate:
        return Estimate(
            name, nan, confidence=confidence, n=n, counts={"raters": k, "missing": missing, **counts},
            method=chosen.words, cautions=(reason,),
        )  # fmt: skip

    if n < 2:
        return nothing("With fewer than two targets rated by all there is nothing to compare.")
    squares = mean_squares(table)
    counts = {
        "between_targets": squares.between,
        "within_targets": squares.within,
        "between_raters": squares.raters,
        "residual": squares.residual,
    }
    noise = squares.within if chosen.one_way else squares.residual
    tiny = 1e-12 * float(np.var(table))
    if np.ptp(table) == 0:
        return nothing("All ratings are equal, so targets and raters cannot be told apart.", **counts)
    if chosen.average and squares.between <= tiny:
        return nothing(
            "The targets do not differ at all, so the mean of the raters has no reliability.", **counts
        )
    try:
        value = chosen.value(squares)
    except ZeroDivisionError:
        return nothing("Differences between targets, raters and the rest cancel out to nothing.", **counts)
    low = high = nan
    cautions: list[str] = []
    if noise <= tiny:
        cautions.append("Nothing is left to vary between raters, so no interval can be estimated.")
    elif squares.between > tiny:
        low, high = chosen.limits(squares, 1 - confidence)
    if math.isnan(low) != math.isnan(high) or (math.isnan(low) and not cautions):
        low = high = nan
        cautions.append("The targets do not differ enough for an interval.")
    if value < 0:
        cautions.append("Below 0: raters disagree more than targets differ; read it as no reliability.")
    return Estimate(
        name,
        value,
        low,
        high,
        confidence=confidence,
        n=n,
        counts={"raters": k, "missing": missing, **counts},
        method=chosen.words,
        cautions=tuple(cautions),
    )


def mean_squares(table: np.ndarray) -> MeanSquares:
    """Give the mean squares of a complete table of ratings, targets by raters.

    Examples
    --------
    >>> round(mean_squares(np.array([[9.0, 2], [6, 1], [8, 4]])).between, 4)
    3.5
    """
    n, k = table.shape
    grand = table.mean()
    by_target, by_rater = table.mean(axis=1), table.mean(axis=0)
    residuals = table - by_target[:, None] - by_rater[None, :] + grand
    return MeanSquares(
        between=float(k * ((by_target - grand) ** 2).sum() / (n - 1)),
        within=float(((table - by_target[:, None]) ** 2).sum() / (n * (k - 1))),
        raters=float(n * ((by_rater - grand) ** 2).sum() / (k - 1)),
        residual=float((residuals**2).sum() / ((n - 1) * (k - 1))),
        n=n,
        k=k,
    )


def _complete(ratings: Any) -> tuple[np.ndarray, int]:
    rows = [list(row) for row in ratings]
    raters = len(rows[0]) if rows else 0
    if raters < 2 or any(len(row) != raters for row in rows):
        raise ValueError(f"ratings must have at least two raters for every target; got {raters}.")
    kept = [row for row in rows if not any(is_missing(entry) for entry in row)]
    table = np.array(kept, dtype=float).reshape(len(kept), raters)
    if np.isinf(table).any():
        raise ValueError("ratings must be finite; got an infinite one.")
    return table, len(rows) - len(kept)


def _degrees(s: MeanSquares, one_way: bool) -> tuple[float, float]:
    return s.n - 1, s.n * (s.k - 1) if one_way else (s.n - 1) * (s.k - 1)


def _f_quantile(df1: float, df2: float, p: float) -> float:
    from scipy.special import fdtri

    return float(fdtri(df1, df2, p))


def _ratio_limits(s: MeanSquares, alpha: float, one_way: bool) -> tuple[float, float]:
    ratio = s.between / (s.within if one_way else s.residual)
    df1, df2 = _degrees(s, one_way)
    return (
        ratio / _f_quantile(df1, df2, 1 - alpha / 2),
        ratio * _f_quantile(df2, df1, 1 - alpha / 2),
    )


def _single(one_way: bool) -> Callable[[MeanSquares, float], tuple[float, float]]:
    def limits(s: MeanSquares, alpha: float) -> tuple[float, float]:
        low, high = _ratio_limits(s, alpha, one_way)
        return (low - 1) / (low + s.k - 1), (high - 1) / (high + s.k - 1)

    return limits


def _mean(one_way: bool) -> Callable[[MeanSquares, float], tuple[float, float]]:
    def limits(s: MeanSquares, alpha: float) -> tuple[float, float]:
        low, high = _ratio_limits(s, alpha, one_way)
        return 1 - 1 / low, 1 - 1 / high

    return limits


def _agreement_limits(s: MeanSquares, alpha: float) -> tuple[float, float]:
    # Shrout & Fleiss 1979, p. 424: Satterthwaite's degrees of freedom for a sum of mean squares.
    n, k = s.n, s.k
    rho, ratio = _agreement(s), s.raters / s.residual
    part = n * (1 + (k - 1) * rho) - k * rho
    df = (k - 1) * (n - 1) * (k * rho * ratio + part) ** 2 / ((n - 1) * (k * rho * ratio) ** 2 + part**2)
    upper, lower = _f_quantile(n - 1, df, 1 - alpha / 2), _f_quantile(df, n - 1, 1 - alpha / 2)
    rest = k * s.raters + (n * k - k - n) * s.residual
    return (
        n * (s.between - upper * s.residual) / (upper * rest + n * s.between),
        n * (lower * s.between - s.residual) / (rest + n * lower * s.between),
    )


def _agreement(s: MeanSquares) -> float:
    noise = s.between + (s.k - 1) * s.residual + s.k * (s.raters - s.residual) / s.n
    return (s.between - s.residual) / noise


def _stepped_up(s: MeanSquares, alpha: float) -> tuple[float, float]:
    def mean_of_raters(limit: float) -> float:
        share = 1 + (s.k - 1) * limit
        return s.k * limit / share if share > 0 else -np.inf

    low, high = _agreement_limits(s, alpha)
    return mean_of_raters(low), mean_of_raters(high)


_FORMS = {
    "1,1": _Form(
        "one rater, other raters for each target [ICC(1)]",
        lambda s: (s.between - s.within) / (s.between + (s.k - 1) * s.within),
        _single(True),
        one_way=True,
    ),
    "2,1": _Form("one rater of many, absolute agreement [ICC(A,1)]", _agreement, _agreement_limits),
    "3,1": _Form(
        "one of these raters, consistency [ICC(C,1)]",
        lambda s: (s.between - s.residual) / (s.between + (s.k - 1) * s.residual),
        _single(False),
    ),
    "1,k": _Form(
        "mean of the raters, other raters for each target [ICC(k)]",
        lambda s: (s.between - s.within) / s.between,
        _mean(True),
        average=True,
        one_way=True,
    ),
    "2,k": _Form(
        "mean of raters of many, absolute agreement [ICC(A,k)]",
        lambda s: (s.between - s.residual) / (s.between + (s.raters - s.residual) / s.n),
        _stepped_up,
        average=True,
    ),
    "3,k": _Form(
        "mean of these raters, consistency [ICC(C,k)]",
        lambda s: (s.between - s.residual) / s.between,
        _mean(False),
        average=True,
    ),
}
