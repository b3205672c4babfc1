"""Whether one child's score changed by more than measurement error explains."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from rungwise.basis.distributions import normal_quantile, normal_sf, t_quantile, t_sf
from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.estimate import Estimate, Estimates, orientation
from rungwise.change.reference import REFERENCE_FIELDS, Reference

BETTER = ("lower", "higher")

# Expected second score and the standard error it is judged by, from first scores and a reference.
Expectation = Callable[[np.ndarray, Reference], tuple[np.ndarray, np.ndarray | float]]


@dataclass(frozen=True)
class ChangeMethod:
    """One way of judging change: what it needs to know, and what it expects.

    Attributes
    ----------
    needs : tuple of str
        Fields of `Reference` that must be known.
    words : str
        The method in the words of reports, with its paper.
    expectation : callable
        Gives the expected second score and the standard error.
    interval : bool
        True where the standard error is that of the child's own change, so that index ± critical
        value covers it; False where it is the error of a prediction.
    """

    needs: tuple[str, ...]
    words: str
    expectation: Expectation
    interval: bool

    @property
    def uses_reliability(self) -> bool:
        """Whether the method rests on a reliability rather than on a retested group."""
        return "reliability" in self.needs


def _jacobson_truax(pre: np.ndarray, known: Reference) -> tuple[np.ndarray, float]:
    return pre, math.sqrt(2) * known.standard_error


def _unequal_variances(pre: np.ndarray, known: Reference) -> tuple[np.ndarray, float]:
    second_error = _number(known.post_sd) * math.sqrt(1 - _number(known.reliability))
    return pre, math.hypot(known.standard_error, second_error)


def _christensen_mendoza(pre: np.ndarray, known: Reference) -> tuple[np.ndarray, float]:
    sd, post_sd, correlation = (
        _number(value) for value in (known.sd, known.post_sd, known.retest_correlation)
    )
    return pre, math.sqrt(sd**2 + post_sd**2 - 2 * sd * post_sd * correlation)


def _regressed(pre: np.ndarray, known: Reference) -> np.ndarray:
    mean = _number(known.mean)
    return _number(known.reliability) * (pre - mean) + mean


def _regression_to_mean(pre: np.ndarray, known: Reference) -> tuple[np.ndarray, float]:
    return _regressed(pre, known), known.standard_error


def _predicted_score(pre: np.ndarray, known: Reference) -> tuple[np.ndarray, float]:
    return _regressed(pre, known), _number(known.sd) * math.sqrt(1 - _number(known.reliability) ** 2)


def _practice_adjusted(pre: np.ndarray, known: Reference) -> tuple[np.ndarray, float]:
    return pre + _number(known.practice_effect), math.sqrt(2) * known.standard_error


def _regression_based(pre: np.ndarray, known: Reference) -> tuple[np.ndarray, np.ndarray]:
    n, r, mean, sd, post_mean, post_sd = (
        _number(value)
        for value in (
            known.n, known.retest_correlation, known.mean, known.sd, known.post_mean, known.post_sd,
        )
    )  # fmt: skip
    slope = r * post_sd / sd
    residual = post_sd * math.sqrt((1 - r**2) * (n - 1) / (n - 2))
    error = residual * np.sqrt(1 + 1 / n + (pre - mean) ** 2 / (sd**2 * (n - 1)))
    return post_mean + slope * (pre - mean), error


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)


METHODS: dict[str, ChangeMethod] = {
    "jacobson_truax": ChangeMethod(
        ("sd", "reliability"),
        "Jacobson & Truax 1991",
        _jacobson_truax,
        interval=True,
    ),
    "unequal_variances": ChangeMethod(
        ("sd", "post_sd", "reliability"),
        "differing first and second variances (Iverson 2001)",
        _unequal_variances,
        interval=True,
    ),
    "christensen_mendoza": ChangeMethod(
        ("sd", "post_sd", "retest_correlation"),
        "standard deviation of differences (Christensen & Mendoza 1986)",
        _christensen_mendoza,
        interval=False,
    ),
    "regression_to_mean": ChangeMethod(
        ("sd", "reliability", "mean"),
        "regression to the mean (Edwards & Nunnally, after Speer 1992)",
        _regression_to_mean,
        interval=False,
    ),
    "predicted_score": ChangeMethod(
        ("sd", "reliability", "mean"),
        "predicted second score (Gulliksen, Lord & Novick, after Hsu 1989)",
        _predicted_score,
        interval=False,
    ),
    "practice_adjusted": ChangeMethod(
        ("sd", "reliability", "practice_effect"),
        "adjusted for retesting (Chelune et al. 1993)",
        _practice_adjusted,
        interval=True,
    ),
    "regression_based": ChangeMethod(
        ("sd", "mean", "post_sd", "post_mean", "retest_correlation", "n"),
        "regression in a retested group (Crawford & Garthwaite 2007)",
        _regression_based,
        interval=False,
    ),
}

_NAMES = {
    "sd": "standard deviation",
    "reliability": "reliability",
    "mean": "mean",
    "post_sd": "standard deviation at the second occasion",
    "post_mean": "mean at the second occasion",
    "retest_correlation": "retest correlation",
    "practice_effect": "change on mere retesting",
    "n": "size of the reference group",
}


def reliable_change_batch(
    pre: Any,
    post: Any,
    reference: Reference,
    *,
    better: str,
    method: str = "jacobson_truax",
    confidence: float = 0.95,
    days_between: Any = None,
) -> Estimates:
    """Judge the change of many children on one measure; see `reliable_change`.

    Parameters
    ----------
    pre, post : array_like
        First and second scores, one per child; NaN or None where missing.
    reference : Reference
        What is known about the measure.
    better, method, confidence
        As in `reliable_change`.
    days_between : float or array_like, optional
        Days between the two scores, one for all or one per child.

    Returns
    -------
    Estimates
        As in `reliable_change`, one entry per child.

    Examples
    --------
    >>> known = Reference(sd=7.5, reliability=0.80)
    >>> changes = reliable_change_batch([32.5, 40], [47.5, None], known, better="higher")
    >>> changes.value.round(3).tolist()
    [3.162, nan]
    """
    check_choice("better", better, BETTER)
    check_choice("method", method, METHODS)
    check_between("confidence", confidence, 0, 1)
    first, second = _scores("pre", pre), _scores("post", post)
    if first.shape != second.shape:
        raise ValueError(f"post must be one score per child of pre ({len(first)}); got {len(second)}.")
    chosen = METHODS[method]
    if method == "regression_based" and reference.n is not None and reference.n < 3:
        raise ValueError(f"n must be at least 3 for the method 'regression_based'; got {reference.n}.")
    unknown = reference.missing(chosen.needs)
    if unknown:
        expected = np.full(len(first), np.nan)
        error: np.ndarray | float = np.nan
    else:
        expected, error = chosen.expectation(first, reference)
    sign = 1.0 if better == "higher" else -1.0
    index = sign * (second - expected) / error
    size = np.abs(index)
    tail = 1 - (1 - confidence) / 2
    # Crawford & Garthwaite's index is a t on the retested group's residual degrees of freedom.
    if method == "regression_based" and not unknown:
        df = _number(reference.n) - 2
        critical, p_value = float(t_quantile(tail, df)), 2 * t_sf(size, df)
    else:
        critical, p_value = float(normal_quantile(tail)), 2 * normal_sf(size)
    half = critical if chosen.interval else np.nan
    judged = ~np.isnan(index)
    return Estimates(
        "reliable change index",
        value=index,
        ci_low=index - half,
        ci_high=index + half,
        confidence=confidence,
        p_value=np.where(judged, p_value, np.nan),
        alternative="two-sided",
        null="no change beyond measurement error",
        n=2 - np.isnan(first).astype(np.int64) - np.isnan(second),
        counts={
            "pre": first,
            "post": second,
            "change": second - first,
            "expected": expected,
            "standard_error": np.broadcast_to(np.asarray(error, dtype=float), first.shape),
            "critical": np.full(len(first), critical),
        },
        method=chosen.words,
        favors=orientation(index),
        cautions=_cautions(chosen, reference, unknown, first, second, judged, days_between),
    )


def reliable_change(
    pre: float | None,
    post: float | None,
    sd: float | None = None,
    reliability: float | None = None,
    *,
    better: str,
    method: str = "jacobson_truax",
    confidence: float = 0.95,
    days_between: float | None = None,
    reference: Reference | None = None,
    **further: Any,
) -> Estimate:
    """Judge whether one child's score changed by more than measurement error explains.

    The index is the change, less what the method expects anyway, in units of its standard error;
    positive is better for the child. A change is reliable when the index lies beyond the critical
    value. It misleads when the reliability is of another kind, group or interval than the change,
    when raw scores carry a child's growing up, and when it is read as the cause of the change: a
    reliable change is one that happened, not one the program made. Children who enter because they
    scored badly that day tend to score better the next time; only the methods with a mean expect it.

    Parameters
    ----------
    pre, post : float or None
        First and second score; a missing one gives NaN with the reason.
    sd, reliability : float, optional
        Of the reference group. What a method needs and is not given makes the result "cannot be
        said" (NaN with the reason); nothing is filled in.
    better : {"lower", "higher"}
        Direction of improvement of the scores.
    method : str
        ``"jacobson_truax"`` (default; needs `sd`, `reliability`), ``"unequal_variances"`` (also
        ``post_sd``), ``"christensen_mendoza"`` (``sd``, ``post_sd``, ``retest_correlation``),
        ``"regression_to_mean"`` and ``"predicted_score"`` (``sd``, ``reliability``, ``mean``),
        ``"practice_adjusted"`` (``sd``, ``reliability``, ``practice_effect``) or
        ``"regression_based"`` (``n``, ``mean``, ``sd``, ``post_mean``, ``post_sd``,
        ``retest_correlation`` of a group retested without exposure).
    confidence : float
        Two-sided; 0.95 puts the critical value at 1.96. Edwards and Nunnally wrote 2 standard
        errors and Chelune and colleagues 1.64, which are 0.9545 and 0.90 here.
    days_between : float, optional
        Days between the two scores; only used for cautions.
    reference : Reference, optional
        Reference values in one piece, instead of `sd`, `reliability` and `further`.
    **further
        Any other field of `Reference`.

    Returns
    -------
    Estimate
        Statistic ``"reliable change index"``. ``counts`` holds ``pre``, ``post``, ``change``,
        ``expected``, ``standard_error`` and ``critical``, from which the index can be worked by
        hand. The interval is that of the child's own change in standard errors; methods that judge
        by the error of a prediction have none.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    The method of Hageman and Arrindell (1999) is left out: its formula could not be confirmed in
    the paper.

    References
    ----------
    Jacobson & Truax 1991, J Consult Clin Psychol 59:12-19; Iverson 2001, Arch Clin Neuropsychol
    16:183-191; Christensen & Mendoza 1986, Behav Ther 17:305-308; Speer 1992, J Consult Clin
    Psychol 60:402-408; Hsu 1989, Behav Assess 11:459-467; Chelune et al. 1993, Neuropsychology
    7:41-52; Crawford & Garthwaite 2007, Neuropsychology 21:611-620 (formulas from memory of these
    papers).

    Examples
    --------
    >>> change = reliable_change(32.5, 47.5, sd=7.5, reliability=0.80, better="higher")
    >>> round(change.value, 2), change.favors, round(change.counts["standard_error"], 2)
    (3.16, 'improvement', 4.74)
    >>> reliable_change(32.5, 47.5, sd=7.5, better="higher").cautions[0]
    "Cannot be said: the reference group's reliability is not known."
    """
    if reference is None:
        for name in further:
            check_choice("further reference values", name, REFERENCE_FIELDS)
        reference = Reference(sd=sd, reliability=reliability, **further)
    elif sd is not None or reliability is not None or further:
        raise ValueError(
            "reference must stand alone; got sd, reliability or other reference values with it."
        )
    return reliable_change_batch(
        [pre],
        [post],
        reference,
        better=better,
        method=method,
        confidence=confidence,
        days_between=days_between,
    )[0]


def minimal_detectable_change(
    sd: float | None,
    reliability: float | None,
    *,
    confidence: float = 0.95,
    unit: str = "points",
) -> Estimate:
    """Give the smallest change of one score that measurement error alone would seldom make.

    It is the standard error of a difference times the critical value, so it says the same as
    Jacobson and Truax's index in data units. A change above it is reliable, which does not make it
    important; whether it matters to the child is another question.

    Parameters
    ----------
    sd, reliability : float or None
        Of the reference group; None gives NaN with the reason.
    confidence : float
        Two-sided.
    unit : str
        Unit of the scores.

    Returns
    -------
    Estimate
        Statistic ``"minimal detectable change"``, in data units.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Examples
    --------
    >>> round(minimal_detectable_change(7.5, 0.80).value, 3)
    9.297
    """
    check_between("confidence", confidence, 0, 1)
    known = Reference(sd=sd, reliability=reliability)
    unknown = known.missing(("sd", "reliability"))
    critical = float(normal_quantile(1 - (1 - confidence) / 2))
    return Estimate(
        "minimal detectable change",
        critical * math.sqrt(2) * known.standard_error,
        confidence=confidence,
        counts={"standard_error": math.sqrt(2) * known.standard_error, "critical": critical},
        method="critical value times the standard error of a difference",
        unit=unit,
        cautions=(_cannot_be_said(unknown),) if unknown else (),
    )


def _cannot_be_said(unknown: tuple[str, ...]) -> str:
    names = [_NAMES[name] for name in unknown]
    listed = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    verb = "is" if len(names) == 1 else "are"
    return f"Cannot be said: the reference group's {listed} {verb} not known."


def _cautions(
    chosen: ChangeMethod,
    reference: Reference,
    unknown: tuple[str, ...],
    first: np.ndarray,
    second: np.ndarray,
    judged: np.ndarray,
    days_between: Any,
) -> dict[str, np.ndarray]:
    said: dict[str, np.ndarray] = {}
    if unknown:
        said[_cannot_be_said(unknown)] = np.ones(len(first), dtype=bool)
    for words, mask in (
        ("Cannot be said: both scores are missing.", np.isnan(first) & np.isnan(second)),
        ("Cannot be said: the first score is missing.", np.isnan(first) & ~np.isnan(second)),
        ("Cannot be said: the second score is missing.", ~np.isnan(first) & np.isnan(second)),
    ):
        if mask.any():
            said[words] = mask
    if not judged.any():
        return said
    if not chosen.interval:
        words = "No interval is given: this method judges by the error of a prediction, not of the change."
        said[words] = judged
    days = _days(days_between, len(first))
    for gap in np.unique(days[judged]):  # NaN last, and once
        mask = judged & ((days == gap) | (np.isnan(days) & np.isnan(gap)))
        for words in reference.cautions(chosen.uses_reliability, None if np.isnan(gap) else float(gap)):
            said[words] = said.get(words, np.zeros(len(first), dtype=bool)) | mask
    return said


def _days(days_between: Any, n: int) -> np.ndarray:
    if days_between is None:
        return np.full(n, np.nan)
    days = np.asarray(days_between, dtype=float)
    if days.ndim and days.shape != (n,):
        raise ValueError(f"days_between must be one number or one per child ({n}); got {days.size}.")
    if (days < 0).any():
        raise ValueError(f"days_between must be 0 or more; got {days[days < 0].flat[0]:g}.")
    return np.broadcast_to(days, (n,))


def _scores(argument: str, entries: Any) -> np.ndarray:
    numbers = np.array([np.nan if entry is None else entry for entry in entries], dtype=float)
    if np.isinf(numbers).any():
        where = int(np.flatnonzero(np.isinf(numbers))[0])
        raise ValueError(f"{argument} must be finite; entry {where + 1} is {numbers[where]!r}.")
    return numbers
