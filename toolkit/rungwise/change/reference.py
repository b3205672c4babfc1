"""What is known about a measure before a child's change on it can be judged."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from rungwise.basis.errors import NotEnoughData, check_choice

RELIABILITY_KINDS = ("internal_consistency", "test_retest", "inter_rater", "unknown")
SCORE_KINDS = ("raw", "age_standardized", "unknown")

# Fewest children from whom a practice may take its own reference values (common practice, no source).
SMALLEST_OWN_GROUP = 20
# Raw scores of children this many days apart are said to carry growing up (common practice, no source).
MATURATION_DAYS = 60
# Retest and change intervals this many times apart are said to differ (common practice, no source).
INTERVAL_FACTOR = 3.0


@dataclass(frozen=True)
class Reference:
    """Reference values of one measure; what is not known stays None and is never filled in.

    Attributes
    ----------
    sd : float or None
        Standard deviation of the reference group's scores at the first occasion.
    reliability : float or None
        Reliability of one score, strictly between 0 and 1.
    mean : float or None
        Mean of the reference group at the first occasion.
    post_mean, post_sd : float or None
        The same at the second occasion, in a reference group that had no exposure between the two.
    retest_correlation : float or None
        Correlation of first and second scores in that group.
    practice_effect : float or None
        Mean change on mere retesting, in data units with the data's sign.
    n : int or None
        Size of the reference group.
    reliability_kind : str
        One of ``"internal_consistency"``, ``"test_retest"``, ``"inter_rater"``, ``"unknown"``. They are
        not interchangeable: only a retest reliability contains the day-to-day wandering of scores.
    retest_days : float or None
        Days between the two scores of a retest reliability.
    score_kind : str
        ``"raw"``, ``"age_standardized"`` or ``"unknown"``.
    own_group : bool
        True when the values were computed from the practice's own children.
    source : str
        Manual, paper or data the values come from.

    Raises
    ------
    ValueError
        Naming the value, what is allowed and what came.
    NotEnoughData
        If the practice's own group has fewer than 20 children.

    Examples
    --------
    >>> round(Reference(sd=7.5, reliability=0.80, source="manual, table 4").standard_error, 4)
    3.3541
    """

    sd: float | None = None
    reliability: float | None = None
    mean: float | None = None
    post_mean: float | None = None
    post_sd: float | None = None
    retest_correlation: float | None = None
    practice_effect: float | None = None
    n: int | None = None
    reliability_kind: str = "unknown"
    retest_days: float | None = None
    score_kind: str = "unknown"
    own_group: bool = False
    source: str = ""

    def __post_init__(self) -> None:
        for name in ("sd", "post_sd", "retest_days"):
            _check(name, getattr(self, name), "a number above 0", lambda value: value > 0)
        _check("reliability", self.reliability, "a number between 0 and 1", lambda value: 0 < value < 1)
        _check(
            "retest_correlation",
            self.retest_correlation,
            "a number between -1 and 1",
            lambda value: -1 < value < 1,
        )
        for name in ("mean", "post_mean", "practice_effect"):
            _check(name, getattr(self, name), "a finite number", math.isfinite)
        _check(
            "n", self.n, "a whole number of at least 2", lambda value: value >= 2 and value == int(value)
        )
        check_choice("reliability_kind", self.reliability_kind, RELIABILITY_KINDS)
        check_choice("score_kind", self.score_kind, SCORE_KINDS)
        if self.own_group and (self.n is None or self.n < SMALLEST_OWN_GROUP):
            raise NotEnoughData(
                f"Reference values from the practice's own group need at least {SMALLEST_OWN_GROUP} "
                f"children; there are {'an unknown number' if self.n is None else self.n}. "
                "Take them from the measure's manual or a published study."
            )

    @classmethod
    def from_own_group(cls, first: Any, second: Any = None, **known: Any) -> Reference:
        """Take reference values from the practice's own children.

        Parameters
        ----------
        first : array_like
            One intake score per child; missing scores are left out.
        second : array_like, optional
            The same children's second scores, with no exposure between the two; gives the values
            for retesting (second mean and SD, correlation, practice effect). Scores after exposure
            must not be used here: they would make a real effect look like mere retesting.
        **known
            Fields that a group cannot give, above all ``reliability`` with its kind.

        Raises
        ------
        NotEnoughData
            With fewer than 20 children, or when all scores are equal.

        Examples
        --------
        >>> own = Reference.from_own_group([4, 8] * 12, reliability=0.85)
        >>> own.n, own.mean, round(own.sd, 3)
        (24, 6.0, 2.043)
        """
        scores = np.asarray([np.nan if score is None else score for score in first], dtype=float)
        values: dict[str, Any] = {}
        keep = ~np.isnan(scores)
        if second is not None:
            again = np.asarray([np.nan if score is None else score for score in second], dtype=float)
            if again.shape != scores.shape:
                raise ValueError(
                    f"second must be one score per child of first ({len(scores)}); got {len(again)}."
                )
            keep &= ~np.isnan(again)
        n = int(keep.sum())
        if n < SMALLEST_OWN_GROUP:
            raise NotEnoughData(
                f"Reference values from the practice's own group need at least {SMALLEST_OWN_GROUP} "
                f"children; there are {n}. Take them from the measure's manual or a published study."
            )
        for name, column in (("first", scores), ("second", None if second is None else again)):
            if column is not None and np.ptp(column[keep]) == 0:
                raise NotEnoughData(f"All {name} scores are equal, so the group has no spread to judge by.")
        if second is not None:
            values = {
                "post_mean": float(np.mean(again[keep])),
                "post_sd": float(np.std(again[keep], ddof=1)),
                "retest_correlation": float(np.corrcoef(scores[keep], again[keep])[0, 1]),
                "practice_effect": float(np.mean(again[keep] - scores[keep])),
            }
        return cls(
            sd=float(np.std(scores[keep], ddof=1)),
            mean=float(np.mean(scores[keep])),
            n=n,
            own_group=True,
            **{"source": f"the practice's own {n} children", **values, **known},
        )

    @property
    def standard_error(self) -> float:
        """Standard error of measurement, ``sd * sqrt(1 - reliability)``; NaN if either is unknown."""
        if self.sd is None or self.reliability is None:
            return float("nan")
        return self.sd * math.sqrt(1 - self.reliability)

    def missing(self, names: tuple[str, ...]) -> tuple[str, ...]:
        """Give those of `names` that are not known."""
        return tuple(name for name in names if getattr(self, name) is None)

    def cautions(self, uses_reliability: bool, days_between: float | None = None) -> tuple[str, ...]:
        """Give the sentences that must stand beside a change judged by these values."""
        said: list[str] = []
        if self.own_group:
            said.append(
                f"The reference values come from the practice's own {self.n} children and carry their "
                "sampling error."
            )
        if uses_reliability:
            said.extend(_reliability_cautions(self.reliability_kind, self.retest_days, days_between))
        if self.score_kind == "raw" and days_between is not None and days_between >= MATURATION_DAYS:
            said.append(
                f"Raw scores {days_between:g} days apart carry growing up: part of the change would have "
                "come without a program."
            )
        return tuple(said)


def _reliability_cautions(kind: str, retest_days: float | None, days_between: float | None) -> list[str]:
    if kind == "internal_consistency":
        return [
            "The reliability is an internal consistency; it leaves out how scores wander from day to day, "
            "and a retest reliability would call fewer changes reliable."
        ]
    if kind == "inter_rater":
        return [
            "The reliability is an agreement between raters; it leaves out how scores wander from day to "
            "day, and a retest reliability would call fewer changes reliable."
        ]
    if kind == "unknown":
        return ["It is not known what kind of reliability this is, and the kinds are not interchangeable."]
    if retest_days is None:
        return ["The retest interval of the reliability is not known."]
    if days_between is not None and days_between > 0:
        ratio = max(retest_days / days_between, days_between / retest_days)
        if ratio > INTERVAL_FACTOR:
            return [
                f"The reliability was measured over {retest_days:g} days and the change over "
                f"{days_between:g}; the two are not interchangeable."
            ]
    return []


def _check(name: str, value: Any, allowed: str, test: Callable[[Any], bool]) -> None:
    if value is None:
        return
    sound = isinstance(value, (int, float, np.integer, np.floating)) and math.isfinite(value)
    if not (sound and test(value)):
        raise ValueError(f"{name} must be {allowed}, or None if it is not known; got {value!r}.")


REFERENCE_FIELDS = tuple(field.name for field in fields(Reference))
