"""Random-effects synthesis of one effect per child or study."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from rungwise.basis.distributions import chi2_sf, f_sf, t_quantile, t_sf
from rungwise.basis.errors import check_between
from rungwise.basis.estimate import Estimate, Estimates, orientation

FEW = 5

TOO_FEW = "A synthesis needs at least two effects with variances."
FEW_EFFECTS = (
    f"With fewer than {FEW} effects the spread between them can hardly be estimated; "
    "the intervals are rough."
)
TOO_ALIKE = (
    "The effects agree more closely than their sampling errors let expect, so this interval is likely "
    "too narrow."
)
ONE_LEFT = "A prediction interval needs at least three effects."


@dataclass(frozen=True, eq=False)
class Synthesis:
    """The average of several effects, and how far they differ.

    Attributes
    ----------
    average : Estimate
        Random-effects average, REML, with Knapp-Hartung interval and p; `n` is the number of effects.
    prediction_low, prediction_high : float
        Interval for the true effect of a further child or study.
    tau2 : float
        Variance of the true effects.
    i2 : float
        Share of the total variation that is not sampling error, 0 to 1.
    q, q_p : float
        Cochran's Q and its p: whether the effects differ by more than their sampling error.
    weights : ndarray
        Share of each effect in the average, in the order given; NaN for those left out.
    groups : Mapping[str, Synthesis]
        The same for each group; empty where none were asked for.
    between_p : float
        p of differences between the groups' averages (Knapp-Hartung F); NaN without groups.
    """

    average: Estimate
    prediction_low: float
    prediction_high: float
    tau2: float
    i2: float
    q: float
    q_p: float
    weights: np.ndarray
    groups: Mapping[str, Synthesis] = field(default_factory=dict)
    between_p: float = float("nan")


def synthesize(
    effects: Sequence[float] | Sequence[Estimate] | Estimates | np.ndarray,
    variances: Any = None,
    groups: Sequence[Any] | None = None,
    *,
    confidence: float = 0.95,
) -> Synthesis:
    """Average effects that may truly differ, weighting by their precision.

    For a caseload's effects, or a study's cases, when one number is wanted beside the list of all. It
    misleads when an effect's variance depends on its size (ratios near their ends, small series),
    when effects are not independent (two ladders of one child), and it hides that some got better
    and some worse: read the prediction interval.

    Parameters
    ----------
    effects : sequence of float, sequence of Estimate, or Estimates
        Missing effects, and those without a variance, are left out and said.
    variances : array_like, optional
        Sampling variances; may be left out where every Estimate holds ``counts["variance"]``.
    groups : sequence, optional
        A label per effect; each group is also synthesized alone, and their averages are compared in a
        model with one common variance of true effects.
    confidence : float

    Returns
    -------
    Synthesis

    Raises
    ------
    ValueError
        If lengths differ, a variance is negative or 0, or variances are missing altogether.

    Notes
    -----
    τ² by restricted maximum likelihood; interval and p after Knapp & Hartung with k − 1 degrees of
    freedom, without the ad hoc truncation that makes it never narrower; prediction interval with
    k − 2 degrees of freedom after Higgins, Thompson & Spiegelhalter.

    Source: Viechtbauer (2005), Journal of Educational and Behavioral Statistics 30:261-293; Knapp &
    Hartung (2003), Statistics in Medicine 22:2693-2710; Higgins, Thompson & Spiegelhalter (2009),
    Journal of the Royal Statistical Society A 172:137-159; Higgins & Thompson (2002), Statistics in
    Medicine 21:1539-1558, for I².

    Examples
    --------
    >>> result = synthesize([0.9, 0.4, 0.7, 0.1, 0.6], [0.04, 0.05, 0.02, 0.06, 0.03])
    >>> round(result.average.value, 3), round(result.tau2, 3)
    (0.575, 0.032)
    """
    check_between("confidence", confidence, 0, 1)
    values, given, about = _columns(effects, variances)
    labels = None
    if groups is not None:
        labels = np.array([str(label) for label in groups], dtype=object)
        if len(labels) != len(values):
            raise ValueError(f"groups must be one label per effect ({len(values)}); got {len(labels)}.")
    keep = ~np.isnan(values) & ~np.isnan(given)
    alone = _alone(values, given, keep, about, confidence)
    if labels is None:
        return alone
    parts = {
        label: _alone(values, given, keep & (labels == label), about, confidence)
        for label in dict.fromkeys(labels.tolist())
    }
    between = _between(values[keep], given[keep], labels[keep])
    return replace(alone, groups=parts, between_p=between)


def tau2_reml(values: np.ndarray, variances: np.ndarray, design: np.ndarray | None = None) -> float:
    """Variance of true effects by restricted maximum likelihood, at least 0.

    The likelihood can have more than one peak, so it is looked at over a grid before the climb.
    """
    design = np.ones((len(values), 1)) if design is None else design
    if len(values) <= design.shape[1]:
        return 0.0
    scale = float(np.var(values) + np.mean(variances))
    grid = np.concatenate([[0.0], scale * 10.0 ** np.linspace(-6, 2, 161)])
    heights = np.array([_restricted(t, values, variances, design)[0] for t in grid])
    best = int(heights.argmax())
    if best == 0:
        return 0.0
    low, high = grid[best - 1], grid[min(best + 1, len(grid) - 1)]
    for _ in range(200):
        middle = 0.5 * (low + high)
        if _restricted(middle, values, variances, design)[1] > 0:
            low = middle
        else:
            high = middle
        if high - low <= 1e-15 * scale:
            break
    return float(0.5 * (low + high))


def _restricted(tau2: float, y: np.ndarray, v: np.ndarray, x: np.ndarray) -> tuple[float, float]:
    """Restricted log-likelihood and its slope in τ²."""
    w = 1 / (v + tau2)
    information = x.T @ (w[:, None] * x)
    inverse = np.linalg.inv(information)
    e = y - x @ (inverse @ (x.T @ (w * y)))
    leverage = w - w * w * np.einsum("ij,jk,ik->i", x, inverse, x)
    height = 0.5 * (np.sum(np.log(w)) - np.linalg.slogdet(information)[1] - np.sum(w * e * e))
    slope = 0.5 * (np.sum((w * e) ** 2) - np.sum(leverage))
    return float(height), float(slope)


def _columns(effects: Any, variances: Any) -> tuple[np.ndarray, np.ndarray, dict[str, str]]:
    about = {"statistic": "effect", "unit": ""}
    if isinstance(effects, Estimates) or (
        isinstance(effects, Iterable) and not isinstance(effects, np.ndarray) and _are_estimates(effects)
    ):
        estimates = list(effects)
        if estimates:
            about = {"statistic": estimates[0].statistic, "unit": estimates[0].unit}
        values = np.array([one.value for one in estimates], dtype=float)
        if variances is None:
            # An effect that could not be estimated need not have one.
            missing = [
                i
                for i, one in enumerate(estimates)
                if "variance" not in one.counts and not np.isnan(one.value)
            ]
            if missing:
                raise ValueError(
                    f"variances must be given: effect {missing[0] + 1} ({estimates[missing[0]].statistic}) "
                    "holds no sampling variance of its own."
                )
            variances = [one.counts.get("variance", np.nan) for one in estimates]
    else:
        values = np.asarray(effects, dtype=float)
        if variances is None:
            raise ValueError("variances must be given with plain numbers.")
    given = np.asarray(variances, dtype=float)
    if values.ndim != 1 or given.shape != values.shape:
        raise ValueError(
            "effects and variances must be two columns of one length; "
            f"got {values.shape} and {given.shape}."
        )
    for name, column in (("effects", values), ("variances", given)):
        if np.isinf(column).any():
            row = int(np.flatnonzero(np.isinf(column))[0])
            raise ValueError(
                f"{name} must be finite, or NaN where missing; entry {row + 1} is {column[row]}."
            )
    if np.any(given <= 0):
        row = int(np.flatnonzero(given <= 0)[0])
        raise ValueError(f"variances must be greater than 0; entry {row + 1} is {given[row]:g}.")
    return values, given, about


def _are_estimates(effects: Iterable[Any]) -> bool:
    return all(isinstance(one, Estimate) for one in effects) and bool(list(effects))


def _alone(
    values: np.ndarray, given: np.ndarray, keep: np.ndarray, about: dict[str, str], confidence: float
) -> Synthesis:
    y, v = values[keep], given[keep]
    k = len(y)
    nan = float("nan")
    cautions = []
    if k < len(values) and keep.any():
        left_out = int(np.sum(np.isnan(values) | np.isnan(given)))
        if left_out:
            cautions.append(f"{left_out} effects could not be estimated and are left out.")
    method = "random effects, REML, Knapp-Hartung"
    share = np.full(len(values), nan)
    if k < 2:
        average = Estimate(
            about["statistic"] + " (average)", nan, confidence=confidence, n=k, method=method,
            unit=about["unit"], cautions=(TOO_FEW, *cautions),
        )  # fmt: skip
        return Synthesis(average, nan, nan, nan, nan, nan, nan, share)
    tau2 = tau2_reml(y, v)
    w = 1 / (v + tau2)
    mean = float(np.sum(w * y) / np.sum(w))
    error = float(np.sqrt(np.sum(w * (y - mean) ** 2) / ((k - 1) * np.sum(w))))
    reach = float(t_quantile(0.5 * (1 + confidence), k - 1))
    plain = 1 / v
    q = float(np.sum(plain * (y - np.sum(plain * y) / plain.sum()) ** 2))
    typical = (k - 1) * plain.sum() / (plain.sum() ** 2 - np.sum(plain**2))
    if k < FEW:
        cautions.append(FEW_EFFECTS)
    if tau2 == 0 and error < w.sum() ** -0.5:
        cautions.append(TOO_ALIKE)
    low = high = nan
    if k >= 3:
        wide = float(t_quantile(0.5 * (1 + confidence), k - 2)) * np.sqrt(tau2 + error**2)
        low, high = mean - wide, mean + wide
    else:
        cautions.append(ONE_LEFT)
    p = min(1.0, 2 * float(t_sf(abs(mean) / error, k - 1))) if error > 0 else nan
    if error == 0:
        cautions.append("All effects are equal, so their spread says nothing about the error.")
    share[keep] = w / w.sum()
    average = Estimate(
        about["statistic"] + " (average)",
        mean,
        mean - reach * error if error > 0 else nan,
        mean + reach * error if error > 0 else nan,
        confidence,
        p,
        "two-sided",
        "no average effect",
        k,
        {"effects": k, "tau2": tau2, "standard_error": error, "df": k - 1, "variance": error**2},
        method,
        about["unit"],
        "" if about["unit"] else str(orientation(np.array([mean]))[0]),
        tuple(cautions),
    )
    q_p = float(chi2_sf(q, k - 1))
    return Synthesis(average, low, high, tau2, tau2 / (tau2 + typical), q, q_p, share)


def _between(y: np.ndarray, v: np.ndarray, labels: np.ndarray) -> float:
    """Knapp-Hartung F test of equal group averages, with one τ² for all groups."""
    kinds = list(dict.fromkeys(labels.tolist()))
    x = np.array([[label == kind for kind in kinds] for label in labels], dtype=float)
    k, g = len(y), len(kinds)
    if g < 2 or k <= g:
        return float("nan")
    w = 1 / (v + tau2_reml(y, v, x))
    means = (x.T @ (w * y)) / (x.T @ w)
    scale = float(np.sum(w * (y - x @ means) ** 2) / (k - g))
    if scale <= 0:
        return float("nan")
    total = x.T @ w
    center = float(np.sum(total * means) / total.sum())
    return float(f_sf(np.sum(total * (means - center) ** 2) / ((g - 1) * scale), g - 1, k - g))
