"""Agreement beyond what chance would give."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from rungwise.agreement.pairs import coded, paired
from rungwise.basis.distributions import normal_quantile, normal_sf
from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.estimate import Estimate

# Fewer trials than this give no interval: in simulation (2 or 3 categories, kappa .4 to .9, the
# rarest category at 5 %) 95 % limits covered as little as .71 with 30 trials, and at least .90 with 50.
SMALLEST_FOR_INTERVAL = 50

Weights = str | Sequence[Sequence[float]] | np.ndarray | None


def kappa(
    a: Any,
    b: Any,
    weights: Weights = None,
    categories: Sequence[Any] | None = None,
    *,
    confidence: float = 0.95,
) -> Estimate:
    """Give two observers' agreement beyond chance: Cohen's kappa, plain or weighted.

    Kappa is 1 for full agreement and 0 for what chance would give. It misleads when nearly every
    trial ends the same way: kappa is then low or undefined however well the observers agree, so
    `percent_agreement` belongs beside it. Kappas of scales with different numbers of categories, or
    of children with different mixtures of outcomes, do not compare. It treats trials as independent.

    Parameters
    ----------
    a, b : array_like
        What each observer recorded, trial by trial. A trial that one of them did not record is left
        out and counted in ``counts["missing"]``.
    weights : None, "linear", "quadratic" or square array
        How nearly disagreements count as agreement: not at all (None), by distance on the scale, by
        squared distance, or an array of agreement weights (1 on the diagonal) in the order of
        `categories`, rows for `a`.
    categories : sequence, optional
        The declared scale, in order. Required with weights, because a point of the scale that nobody
        used still lies between its neighbors. Without it, the entries that occur.
    confidence : float
        Coverage the interval aims at.

    Returns
    -------
    Estimate
        Statistic ``"kappa"`` or ``"weighted kappa"``. ``counts`` holds ``observed`` and ``expected``
        agreement, ``standard_error`` and ``null_standard_error``; the p-value tests chance agreement
        by the latter. The interval is symmetric in log(1 - kappa); there is none below 50 trials.
        NaN when both observers used one and the same category throughout.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    References
    ----------
    Cohen 1960, Educ Psychol Meas 20:37-46; Cohen 1968, Psychol Bull 70:213-220; standard errors
    Fleiss, Cohen & Everitt 1969, Psychol Bull 72:323-327 (formulas from memory, checked against two
    other implementations).

    Examples
    --------
    >>> first = ["completed"] * 20 + ["completed"] * 5 + ["declined"] * 25
    >>> second = ["completed"] * 20 + ["declined"] * 5 + ["completed"] * 10 + ["declined"] * 15
    >>> round(kappa(first, second).value, 2)
    0.4
    """
    one, two, missing = paired(a, b)
    if categories is None:
        if weights is not None:
            raise ValueError("categories must give the declared scale, in order, when weights are used.")
        categories = sorted({*one.tolist(), *two.tolist()}, key=str)
    table = np.zeros((len(categories), len(categories)))
    np.add.at(table, (coded(one, categories, "a"), coded(two, categories, "b")), 1)
    return kappa_from_table(table, weights, confidence=confidence, missing=missing)


def kappa_from_table(
    table: Any, weights: Weights = None, *, confidence: float = 0.95, missing: int = 0
) -> Estimate:
    """Give kappa from a table of counts, one row per category of the first observer.

    Parameters
    ----------
    table : array_like, shape (categories, categories)
        Counts; rows for the first observer, columns for the second, in the order of the scale.
    weights, confidence
        As in `kappa`.
    missing : int
        Trials left out before the table was made.

    Returns
    -------
    Estimate
        As in `kappa`.

    Raises
    ------
    ValueError
        If the table is not square, holds a negative count, or the weights do not fit it.

    Examples
    --------
    >>> round(kappa_from_table([[20, 5], [10, 15]]).counts["standard_error"], 4)
    0.127
    """
    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1]:
        raise ValueError(f"table must have as many rows as columns; got shape {counts.shape}.")
    if not (counts >= 0).all():
        raise ValueError("table must hold counts of at least 0.")
    check_between("confidence", confidence, 0, 1)
    w = _agreement_weights(weights, len(counts))
    name = "kappa" if weights is None else "weighted kappa"
    method = f"{_weight_words(weights)}, {len(counts)} categories, Fleiss, Cohen & Everitt 1969 errors"
    n = int(counts.sum())
    nan = float("nan")
    result = {"observed": nan, "expected": nan, "standard_error": nan, "null_standard_error": nan}
    if n == 0:
        words: tuple[str, ...] = ("No trial was recorded by both observers.",)
        return Estimate(
            name, nan, confidence=confidence, n=0, counts={**result, "missing": missing}, method=method,
            cautions=words,
        )  # fmt: skip
    p = counts / n
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    by_chance = np.outer(rows, columns)
    observed, expected = float((w * p).sum()), float((w * by_chance).sum())
    result.update(observed=observed, expected=expected)
    if expected > 1 - 1e-12:
        return Estimate(
            name, nan, confidence=confidence, n=n, counts={**result, "missing": missing}, method=method,
            cautions=(
                "Both observers used one and the same category throughout, so chance alone explains "
                "their agreement and kappa is undefined.",
            ),
        )  # fmt: skip
    value = (observed - expected) / (1 - expected)
    mean_weights = (w @ columns)[:, None] + (rows @ w)[None, :]
    spread = (p * (w * (1 - expected) - mean_weights * (1 - observed)) ** 2).sum()
    variance = (spread - (observed * expected - 2 * expected + observed) ** 2) / (n * (1 - expected) ** 4)
    null = ((by_chance * (w - mean_weights) ** 2).sum() - expected**2) / (n * (1 - expected) ** 2)
    # At full agreement the exact variance is 0 and floating point may fall below it.
    error, null_error = (np.sqrt(np.where(v > 1e-16, v, 0.0)).item() for v in (variance, null))
    result.update(standard_error=error, null_standard_error=null_error)
    low = high = nan
    cautions: list[str] = []
    if error == 0:
        why = "The observers agree fully" if observed > 1 - 1e-12 else "The disagreements leave no spread"
        cautions.append(f"{why}, so the large-sample interval has no width and is not given.")
    elif n < SMALLEST_FOR_INTERVAL:
        few = SMALLEST_FOR_INTERVAL
        cautions.append(f"Below {few} trials no interval of kappa holds its coverage, so none is given.")
    else:
        reach = float(normal_quantile(1 - (1 - confidence) / 2)) * error / (1 - value)
        low, high = 1 - (1 - value) * np.exp(reach), 1 - (1 - value) * np.exp(-reach)
    return Estimate(
        name,
        value,
        float(low),
        float(high),
        confidence=confidence,
        p_value=min(1.0, 2 * float(normal_sf(abs(value) / null_error))) if null_error > 0 else nan,
        alternative="two-sided" if null_error > 0 else "",
        null="chance agreement",
        n=n,
        counts={**result, "missing": missing},
        method=method,
        cautions=tuple(cautions),
    )


def prevalence_adjusted_kappa(a: Any, b: Any, categories: Sequence[Any] | None = None) -> Estimate:
    """Give kappa as it would be if chance agreement were 1 over the number of categories (PABAK).

    It restates percent agreement on kappa's scale, so it adds nothing to it; it shows how far a low
    kappa comes from a lopsided mixture of outcomes.

    Parameters
    ----------
    a, b : array_like
        As in `kappa`.
    categories : sequence, optional
        The declared scale; default the entries that occur.

    Returns
    -------
    Estimate
        Statistic ``"prevalence- and bias-adjusted kappa"``; NaN with fewer than two categories.

    References
    ----------
    Byrt, Bishop & Carlin 1993, J Clin Epidemiol 46:423-429 (from memory).

    Examples
    --------
    >>> prevalence_adjusted_kappa([1, 1, 0, 1], [1, 1, 0, 0]).value
    0.5
    """
    one, two, missing = paired(a, b)
    if categories is None:
        categories = sorted({*one.tolist(), *two.tolist()}, key=str)
    k = len(categories)
    same = coded(one, categories, "a") == coded(two, categories, "b")
    observed = float(np.mean(same)) if len(same) else float("nan")
    known = k > 1 and len(same) > 0
    return Estimate(
        "prevalence- and bias-adjusted kappa",
        (k * observed - 1) / (k - 1) if known else float("nan"),
        n=len(same),
        counts={"observed": observed, "missing": missing},
        method=f"{k} categories",
        cautions=() if known else ("With fewer than two categories there is no kappa to give.",),
    )


def _agreement_weights(weights: Weights, k: int) -> np.ndarray:
    if weights is None:
        return np.eye(k)
    if isinstance(weights, str):
        check_choice("weights", weights, ("linear", "quadratic"))
        if k < 2:
            return np.eye(k)
        distance = np.abs(np.subtract.outer(np.arange(k), np.arange(k))) / (k - 1)
        return 1 - (distance if weights == "linear" else distance**2)
    w = np.asarray(weights, dtype=float)
    if w.shape != (k, k):
        raise ValueError(f"weights must have one row and column per category ({k}); got shape {w.shape}.")
    if not (np.diag(w) == 1).all() or not (w <= 1).all():
        raise ValueError("weights must be 1 on the diagonal and at most 1 elsewhere.")
    return w


def _weight_words(weights: Weights) -> str:
    if weights is None:
        return "unweighted"
    return f"{weights} weights" if isinstance(weights, str) else "given weights"
