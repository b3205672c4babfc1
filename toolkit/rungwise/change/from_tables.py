"""Change on the measures and goals of a caseload."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.basis.estimate import Estimates
from rungwise.change.classify import ChangeClasses, classify_changes
from rungwise.change.cutoffs import Cutoffs, clinical_cutoffs
from rungwise.change.goals import (
    HIGHEST,
    LOWEST,
    goal_attainment_change_batch,
    goal_attainment_t_batch,
)
from rungwise.change.reference import SMALLEST_OWN_GROUP, Reference
from rungwise.change.reliable_change import reliable_change_batch
from rungwise.tables.table import Table, TableSet

if TYPE_CHECKING:
    import pandas as pd

LATER_OCCASIONS = ("review", "discharge", "follow_up")
NOT_RECORDED = "not recorded"


@dataclass(frozen=True, eq=False)
class MeasureChange:
    """The change of all children on one measure, rated by one kind of rater.

    Attributes
    ----------
    measure_id, title, better : str
        As in the ``measures`` table.
    rated_by : str
        Kind of rater of both scores, or ``"not recorded"``.
    later : str
        Which score is compared with intake: an occasion, or ``"latest"``.
    minimum, maximum : float
        Ends of the instrument.
    reference : Reference
        Reference values as recorded; what was not recorded is None.
    functional : Reference
        Mean and standard deviation of the functional group, as far as they are used.
    cutoffs : Cutoffs
    classes : ChangeClasses
        One entry per child with a score at intake or at the later occasion.
    first_on, second_on : ndarray of datetime64[D]
        Dates of the two scores; NaT where missing.
    unusable : tuple of str
        Reference values recorded that cannot be right, and are not used.
    cautions : tuple of str
        What was left out, and why; those of `unusable` first.
    """

    measure_id: str
    title: str
    better: str
    rated_by: str
    later: str
    minimum: float
    maximum: float
    reference: Reference
    functional: Reference
    cutoffs: Cutoffs
    classes: ChangeClasses
    first_on: np.ndarray
    second_on: np.ndarray
    unusable: tuple[str, ...]
    cautions: tuple[str, ...]

    def of_child(self, child_id: str) -> ChangeClasses | None:
        """Give one child's entry alone; None where the child has no score."""
        if child_id not in self.classes.labels:
            return None
        i = self.classes.labels.index(child_id)
        return replace(
            self.classes,
            changes=self.classes.changes.take([i]),
            categories=self.classes.categories[[i]],
            labels=(child_id,),
        )

    def frame(self) -> pd.DataFrame:
        """Give one row per child, with dates, from which each category can be worked by hand."""
        frame = self.classes.frame()
        frame.insert(1, "measure_id", self.measure_id)
        frame.insert(2, "rated_by", self.rated_by)
        frame.insert(3, "first_on", self.first_on)
        frame.insert(4, "second_on", self.second_on)
        frame.insert(5, "better", self.better)
        return frame


@dataclass(frozen=True)
class Goal:
    """One goal of a child, from which T can be worked by hand.

    Attributes
    ----------
    child_id, goal_id : str
    weight : float
        1 where none was recorded.
    start, latest : float
        Levels −2 to +2; NaN where missing.
    rated_on : datetime64[D]
        Day of the latest rating; NaT where there is none.
    """

    child_id: str
    goal_id: str
    weight: float
    start: float
    latest: float
    rated_on: np.datetime64


@dataclass(frozen=True, eq=False)
class GoalAttainment:
    """Goal attainment of every child with goals.

    Attributes
    ----------
    children : tuple of str
    goals : tuple of Goal
        Every goal, child by child.
    start, latest, change : Estimates
        T at the start, at the latest rating of each goal, and the change over goals with both.
    lowest, highest : Estimates
        T at the latest ratings with every goal that has none at −2, and at +2. Bounds only: no result
        is taken from them.
    change_lowest, change_highest : Estimates
        The change with every missing level at the end of its scale that makes it least, and most.
    rated_on : ndarray of datetime64[D]
        Date of each child's latest rating; NaT where no goal was rated.
    """

    children: tuple[str, ...]
    goals: tuple[Goal, ...]
    start: Estimates
    latest: Estimates
    change: Estimates
    lowest: Estimates
    highest: Estimates
    change_lowest: Estimates
    change_highest: Estimates
    rated_on: np.ndarray

    def frame(self) -> pd.DataFrame:
        """Give one row per child: goals, T at start and latest with bounds, change, what is missing."""
        import pandas as pd

        return pd.DataFrame(
            {
                "child_id": self.children,
                "goals": self.latest.counts["goals"],
                "missing": self.latest.counts["missing"],
                "rated_on": self.rated_on,
                "t_start": self.start.value,
                "t_latest": self.latest.value,
                "t_lowest": self.lowest.value,
                "t_highest": self.highest.value,
                "change": self.change.value,
                "change_lowest": self.change_lowest.value,
                "change_highest": self.change_highest.value,
                "cautions": [
                    " ".join(dict.fromkeys((*start.cautions, *one.cautions, *change.cautions)))
                    for start, one, change in zip(self.start, self.latest, self.change, strict=True)
                ],
            }
        )

    def goal_frame(self) -> pd.DataFrame:
        """Give one row per goal: weight, level at the start and at the latest rating."""
        import pandas as pd

        rows = [
            (one.child_id, one.goal_id, one.weight, one.start, one.latest, one.rated_on)
            for one in self.goals
        ]
        frame = pd.DataFrame(rows, columns=["child_id", "goal_id", "weight", "start", "latest", "rated_on"])
        frame["rated_on"] = frame["rated_on"].astype("datetime64[s]")
        return frame


def measure_reference(measures: Table, row: int) -> tuple[Reference, Reference, Cutoffs, tuple[str, ...]]:
    """Give one measure's clinical and functional values, its cutoffs, and what could not be used.

    Reliable change rests on the clinical group's mean and standard deviation, as children who
    enter come from it. Absent values stay absent, and so do those that cannot be right.
    """
    unusable: list[str] = []

    def number(column: str, allowed: str = "", fits: Callable[[float], bool] | None = None) -> float | None:
        value = float(measures[column][row])
        if np.isnan(value):
            return None
        if fits is not None and not fits(value):
            name = column.replace("_", " ")
            unusable.append(f"The {name} recorded ({value:g}) is not {allowed} and is not used.")
            return None
        return value

    def above_0(column: str) -> float | None:
        return number(column, "above 0", lambda value: value > 0)

    def text(column: str, otherwise: str) -> str:
        value = measures[column][row]
        return otherwise if value is None else str(value)

    better = str(measures["better"][row])
    size = number("group_size", "a whole number of at least 2", lambda value: value >= 2 and value % 1 == 0)
    own_group = bool(measures["own_group"][row])
    group: dict[str, Any] = {
        "sd": above_0("clinical_sd"),
        "mean": number("clinical_mean"),
        "post_mean": number("second_mean"),
        "post_sd": above_0("second_sd"),
        "retest_correlation": number(
            "retest_correlation", "between -1 and 1", lambda value: -1 < value < 1
        ),
        "practice_effect": number("practice_effect"),
        "n": None if size is None else int(size),
    }
    if own_group and (size is None or size < SMALLEST_OWN_GROUP):
        many = "an unknown number of" if size is None else f"{size:g}"
        unusable.append(
            f"The reference values come from the practice's own group of {many} children, not at least "
            f"{SMALLEST_OWN_GROUP}, and are not used."
        )
        group, own_group = {}, False
    reference = Reference(
        **group,
        reliability=number("reliability", "between 0 and 1", lambda value: 0 < value < 1),
        reliability_kind=text("reliability_kind", "unknown"),
        retest_days=above_0("retest_days"),
        score_kind=text("score_kind", "unknown"),
        own_group=own_group,
        source=text("source", ""),
    )
    mean = reference.mean

    def beyond(value: float) -> bool:
        return mean is None or (value > mean if better == "higher" else value < mean)

    functional = Reference(
        mean=number("functional_mean", "on the better side of the clinical mean", beyond),
        sd=above_0("functional_sd"),
        source=reference.source,
    )
    cutoffs = clinical_cutoffs(
        clinical_mean=mean,
        clinical_sd=reference.sd,
        functional_mean=functional.mean,
        functional_sd=functional.sd,
        better=better,
    )
    return reference, functional, cutoffs, tuple(unusable)


def measure_changes(
    tables: TableSet,
    *,
    later: str = "latest",
    method: str = "jacobson_truax",
    cutoff: str = "c",
    confidence: float = 0.95,
) -> tuple[MeasureChange, ...]:
    """Judge the change from intake to a later occasion on every measure of a caseload.

    Each child's first intake score is compared with the last score of the later occasion by the
    same kind of rater; scores by different kinds of rater are never compared. A child with only one
    of the two is listed, and it cannot be said what became of it.

    Parameters
    ----------
    tables : TableSet
        With the tables ``measures`` and ``assessments``.
    later : {"latest", "review", "discharge", "follow_up"}
        Which score to compare with intake; ``"latest"`` takes the last of any later occasion.
    method, confidence
        As in `reliable_change`.
    cutoff : {"a", "b", "c"}
        As in `classify_changes`.

    Returns
    -------
    tuple of MeasureChange
        One per measure and kind of rater, in the order of ``measures``; empty where the tables were
        not recorded, which says nothing about the children.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.
    """
    check_choice("later", later, ("latest", *LATER_OCCASIONS))
    if "measures" not in tables.tables or "assessments" not in tables.tables:
        return ()
    measures, scores = tables.tables["measures"], tables.tables["assessments"]
    wanted = LATER_OCCASIONS if later == "latest" else (later,)
    raters = np.array(
        [NOT_RECORDED if rater is None else rater for rater in scores["rated_by"]], dtype=object
    )
    first = scores["occasion"] == "intake"
    second = np.isin(scores["occasion"].astype(str), wanted)
    changes = []
    for row, measure_id in enumerate(measures["measure_id"].tolist()):
        here = (scores["measure_id"] == measure_id) & (first | second)
        reference, functional, cutoffs, unusable = measure_reference(measures, row)
        for rater in dict.fromkeys(raters[here].tolist()):
            mine = here & (raters == rater)
            children, pre, first_on, repeated = _one_each(scores, mine & first, mine, last=False)
            _, post, second_on, _ = _one_each(scores, mine & second, mine, last=True)
            days = (second_on - first_on).astype("timedelta64[D]").astype(float)
            days[np.isnat(first_on) | np.isnat(second_on)] = np.nan
            backward = days < 0
            post = np.where(backward, np.nan, post)
            days[backward] = np.nan
            results = reliable_change_batch(
                pre, post, reference, better=cutoffs.better, method=method, confidence=confidence,
                days_between=days,
            )  # fmt: skip
            changes.append(
                MeasureChange(
                    measure_id=measure_id,
                    title=str(measures["title"][row]),
                    better=cutoffs.better,
                    rated_by=rater,
                    later=later,
                    minimum=float(measures["minimum"][row]),
                    maximum=float(measures["maximum"][row]),
                    reference=reference,
                    functional=functional,
                    cutoffs=cutoffs,
                    classes=classify_changes(results, cutoffs, cutoff=cutoff, labels=children),
                    first_on=first_on,
                    second_on=second_on,
                    unusable=unusable,
                    cautions=(
                        *unusable,
                        *_left_out(
                            repeated,
                            int(backward.sum()),
                            _rated_by_others(scores, here, raters, rater, first),
                        ),
                    ),
                )
            )
    return tuple(changes)


def goal_attainment(tables: TableSet, *, until: Any = None, rho: float = 0.30) -> GoalAttainment | None:
    """Give the goal attainment of every child with goals, at the start and at the latest ratings.

    Parameters
    ----------
    tables : TableSet
        With the table ``goals``, and ``goal_ratings`` where goals were rated.
    until : date, optional
        Goals set and ratings given after this day are left out.
    rho : float
        As in `goal_attainment_t`, whose weaknesses apply.

    Returns
    -------
    GoalAttainment or None
        None where no goal was recorded up to that day.
    """
    if "goals" not in tables.tables:
        return None
    goals = tables.tables["goals"]
    last_day = np.datetime64("9999-12-31" if until is None else until, "D")
    goals = goals.where(goals["set_on"] <= last_day)
    if not len(goals):
        return None
    latest: dict[tuple[str, str], tuple[np.datetime64, float]] = {}
    if "goal_ratings" in tables.tables:
        ratings = tables.tables["goal_ratings"]
        columns = (ratings["child_id"], ratings["goal_id"], ratings["date"], ratings["level"])
        for child, goal, day, level in zip(*columns, strict=True):
            known = latest.get((child, goal))
            if day <= last_day and (known is None or day > known[0]):
                latest[child, goal] = (day, float(level))
    children = tuple(sorted(set(goals["child_id"].tolist())))
    place = {child: i for i, child in enumerate(children)}
    most = max((int(np.sum(goals["child_id"] == child)) for child in children), default=0)
    shape = (len(children), most)
    start, now = np.full(shape, np.nan), np.full(shape, np.nan)
    weights = np.zeros(shape)
    rated_on = np.full(len(children), np.datetime64("NaT"), dtype="datetime64[D]")
    used = np.zeros(len(children), dtype=int)
    listed = []
    for child, goal, weight, level in zip(
        goals["child_id"], goals["goal_id"], goals["weight"], goals["start_level"], strict=True
    ):
        i, j = place[child], used[place[child]]
        used[i] += 1
        start[i, j] = level
        weights[i, j] = 1.0 if np.isnan(weight) else weight
        day = np.datetime64("NaT", "D")
        if (child, goal) in latest:
            day, now[i, j] = latest[child, goal]
            rated_on[i] = day if np.isnat(rated_on[i]) else max(day, rated_on[i])
        listed.append(Goal(child, goal, weights[i, j], start[i, j], now[i, j], day))
    there = np.arange(most) < used[:, None]

    def filled(levels: np.ndarray, end: float) -> np.ndarray:
        return np.where(there & np.isnan(levels), end, levels)

    low, high = filled(now, LOWEST), filled(now, HIGHEST)
    return GoalAttainment(
        children=children,
        goals=tuple(sorted(listed, key=lambda one: one.child_id)),
        start=goal_attainment_t_batch(start, weights, rho=rho),
        latest=goal_attainment_t_batch(now, weights, rho=rho),
        change=goal_attainment_change_batch(start, now, weights, rho=rho),
        lowest=goal_attainment_t_batch(low, weights, rho=rho),
        highest=goal_attainment_t_batch(high, weights, rho=rho),
        change_lowest=goal_attainment_change_batch(filled(start, HIGHEST), low, weights, rho=rho),
        change_highest=goal_attainment_change_batch(filled(start, LOWEST), high, weights, rho=rho),
        rated_on=rated_on,
    )


def _one_each(
    scores: Table, chosen: np.ndarray, listed: np.ndarray, *, last: bool
) -> tuple[tuple[str, ...], np.ndarray, np.ndarray, int]:
    """Give one score and date per listed child: the first or last of those chosen, by date."""
    children = tuple(sorted(set(scores["child_id"][listed].tolist())))
    value = np.full(len(children), np.nan)
    day = np.full(len(children), np.datetime64("NaT"), dtype="datetime64[D]")
    place = {child: i for i, child in enumerate(children)}
    order = np.flatnonzero(chosen)
    order = order[np.argsort(scores["date"][order], kind="stable")]
    repeated = len(order) - len(set(scores["child_id"][order].tolist()))
    for entry in order if last else order[::-1]:
        i = place[scores["child_id"][entry]]
        value[i], day[i] = scores["score"][entry], scores["date"][entry]
    return children, value, day, repeated


def _rated_by_others(
    scores: Table, here: np.ndarray, raters: np.ndarray, rater: str, first: np.ndarray
) -> int:
    """Count children with only one of the two scores by this rater and the other by another."""
    mine, others = here & (raters == rater), here & (raters != rater)

    def children(mask: np.ndarray) -> set[str]:
        return set(scores["child_id"][mask].tolist())

    only_first = children(mine & first) - children(mine & ~first)
    only_second = children(mine & ~first) - children(mine & first)
    return len(only_first & children(others & ~first)) + len(only_second & children(others & first))


def _left_out(repeated: int, backward: int, mixed: int) -> tuple[str, ...]:
    said = []
    if repeated:
        said.append(f"Intake scores not used, because a child had an earlier one: {repeated}.")
    if backward:
        said.append(
            f"Children whose later score is dated before intake, so that it is not used: {backward}."
        )
    if mixed:
        said.append(f"Children whose two scores are by different kinds of rater and not compared: {mixed}.")
    return tuple(said)
