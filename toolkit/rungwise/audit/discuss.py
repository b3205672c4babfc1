"""Children to discuss: each with the fact that raised it and the rule that made it one.

Facts only. What follows from them is for the people who know the child; nobody is ranked, and the
list does not say who worked with whom.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from rungwise.audit.cohort import IN_PROGRESS, STAGES, Cohort
from rungwise.audit.courses import Course
from rungwise.audit.outcomes import Outcome
from rungwise.audit.planned import planned_ratings
from rungwise.audit.wording import day_words
from rungwise.basis.page_numbers import count_of, format_bounded, format_p
from rungwise.series.caseload import Caseload

if TYPE_CHECKING:
    import pandas as pd

    from rungwise.single_case.verdict import Verdict

# Thresholds: common practice, no source.
WINDOW = 4
DECLINES = 2
GAPS = 2.0
DAYS = 14
# In the order of the page.
RULES = {
    "serious_incident": "A serious incident in the quarter",
    "rose": "The verdict is “rose”",
    "no_fall": "No fall by the day the outcome was due",
    "left_for_fear": "Left before the horizon because of fear",
    "declines_rising": (
        f"At least {DECLINES} declines in the last {WINDOW} exposure occasions, and more than in the "
        f"{WINDOW} before"
    ),
    "overdue": f"No planned rating for more than {GAPS:g} planned gaps and at least {DAYS} days",
    "not_judged": "Outcome due but not judged",
}
NO_FALL = ("no_clear_change", "about_the_same")


@dataclass(frozen=True)
class Point:
    """One reason to discuss one child.

    Attributes
    ----------
    child_id : str
    rule : str
        A key of `RULES`.
    fact : str
        What was recorded, in one sentence.
    """

    child_id: str
    rule: str
    fact: str


def children_to_discuss(
    caseload: Caseload, cohort: Cohort, outcomes: Iterable[Outcome]
) -> tuple[Point, ...]:
    """Gather every reason to discuss a child, in the order of `RULES` and by code within a rule."""
    ratings = planned_ratings(caseload)
    ratings = ratings[ratings["day"].to_numpy("datetime64[D]") <= np.datetime64(cohort.as_of, "D")]
    by_child = _by_child(ratings[ratings["usable"]])
    points = [*_serious(caseload, cohort), *_outcomes(outcomes)]
    planned = _planned_gaps(caseload)
    for course in cohort.courses:
        rows = by_child.get(course.child_id)
        if _under_way(course, cohort):
            points += _overdue(course, rows, planned.get(course.child_id), cohort.as_of)
            if rows is not None:
                points += _declines(course.child_id, rows, cohort)
    order = list(RULES)
    return tuple(sorted(points, key=lambda point: (order.index(point.rule), point.child_id)))


def points_table(points: Iterable[Point]) -> pd.DataFrame:
    """Give the points as a frame: ``child_id, rule, fact, rule_words``."""
    import pandas as pd

    rows = [(point.child_id, point.rule, point.fact, RULES[point.rule]) for point in points]
    return pd.DataFrame(rows, columns=["child_id", "rule", "fact", "rule_words"])


def _under_way(course: Course, cohort: Cohort) -> bool:
    """Whether the child was in baseline or exposure on the last day looked at."""
    stage = cohort.stages[course.child_id]
    if stage in (*IN_PROGRESS, "nothing_recorded"):
        return course.ended_on is None
    exposed = stage in ("due", "counted_earlier") and course.due_by == "horizon"
    return exposed and course.ended_on is None and course.after_exposure_on is None and course.end_recorded


def _serious(caseload: Caseload, cohort: Cohort) -> list[Point]:
    table = caseload.tables.get("incidents")
    if table is None:
        return []
    first, last = np.datetime64(cohort.quarter.first, "D"), np.datetime64(cohort.as_of, "D")
    hit = (table["severity"] == "serious") & (table["date"] >= first) & (table["date"] <= last)
    points = []
    for i in np.flatnonzero(hit):
        kind = str(table["kind"][i]).replace("_", " ").capitalize()
        fact = f"{kind} on {day_words(table['date'][i].item())}."
        points.append(Point(table["child_id"][i], "serious_incident", fact))
    return points


def _outcomes(outcomes: Iterable[Outcome]) -> list[Point]:
    points = []
    for outcome in outcomes:
        course = outcome.course
        if outcome.stage != "judged":
            points.append(Point(course.child_id, "not_judged", _missing_fact(outcome)))
        elif outcome.answer is not None and outcome.code in ("rose", *NO_FALL):
            rule = "rose" if outcome.code == "rose" else "no_fall"
            points.append(Point(course.child_id, rule, _verdict_fact(course, outcome.answer.verdict)))
        if course.due_by == "left_early" and course.end_reason == "fear" and course.ended_on is not None:
            fact = f"Left on {day_words(course.ended_on)}; reason recorded: fear."
            points.append(Point(course.child_id, "left_for_fear", fact))
    return points


def _verdict_fact(course: Course, verdict: Verdict) -> str:
    # A rise is called by its own one-sided p, the other verdicts by the two-sided one.
    p = f"p {format_p(verdict.fell.p_value)}"
    if verdict.code == "rose":
        p = f"one-sided p {format_p(verdict.worse.p_value)}"
    return (
        f"{verdict.words[0].upper()}{verdict.words[1:]}: NAP {format_bounded(verdict.size.value)}, "
        f"{p}, over {_occasions(course)}."
    )


def _missing_fact(outcome: Outcome) -> str:
    return f"{STAGES[outcome.stage][1]}: {_occasions(outcome.course)}."


def _occasions(course: Course) -> str:
    return (
        f"{count_of(course.n_baseline, 'baseline occasion')} and "
        f"{count_of(course.n_exposure, 'exposure occasion')}"
    )


def _planned_gaps(caseload: Caseload) -> Mapping[str, float]:
    """Days between planned probes, by child: the most frequent plan where there are several."""
    table = caseload.tables.get("plans")
    gaps: dict[str, float] = {}
    if table is not None:
        for child, often in zip(table["child_id"], table["planned_per_week"], strict=True):
            if often > 0:
                gaps[child] = min(gaps.get(child, np.inf), 7 / often)
    return gaps


@dataclass(frozen=True, eq=False)
class _Rated:
    """One child's ratings and declines, entry by entry."""

    day: np.ndarray
    ladder: np.ndarray
    exposure: np.ndarray
    declined: np.ndarray


def _by_child(usable: pd.DataFrame) -> dict[str, _Rated]:
    day = usable["day"].to_numpy("datetime64[D]")
    ladder = usable["ladder_id"].to_numpy(dtype=object)
    exposure = usable["phase"].to_numpy(dtype=object) == "exposure"
    declined = usable["declined"].to_numpy(dtype=bool)
    return {
        str(child): _Rated(day[rows], ladder[rows], exposure[rows], declined[rows])
        for child, rows in usable.groupby("child_id", sort=False).indices.items()
    }


def _overdue(course: Course, rows: _Rated | None, planned: float | None, as_of: date) -> list[Point]:
    if rows is None:
        since = course.began_on
        if since is None or (as_of - since).days < DAYS:
            return []
        fact = (
            f"No planned rating since the program began on {day_words(since)}, {(as_of - since).days} days."
        )
        return [Point(course.child_id, "overdue", fact)]
    days = np.unique(rows.day)
    silent = int((np.datetime64(as_of, "D") - days[-1]).astype(int))
    gap, kind = planned, "planned"
    if gap is None and len(days) > WINDOW:
        gap, kind = float(np.median(np.diff(days).astype(int))), "typical"
    if gap is None or silent <= GAPS * gap or silent < DAYS:
        return []
    fact = (
        f"Last planned rating on {day_words(days[-1].item())}, {silent} days before "
        f"{day_words(as_of)}; {kind} gap {gap:.0f} {'day' if round(gap) == 1 else 'days'}."
    )
    return [Point(course.child_id, "overdue", fact)]


def _declines(child: str, rows: _Rated, cohort: Cohort) -> list[Point]:
    points = []
    order = np.argsort(rows.day, kind="stable")
    order = order[rows.exposure[order]]
    for ladder in sorted(set(rows.ladder[order].tolist())):
        mine = order[rows.ladder[order] == ladder]
        if len(mine) < 2 * WINDOW or rows.day[mine[-1]].item() < cohort.quarter.first:
            continue
        declined = rows.declined[mine]
        last = int(declined[-WINDOW:].sum())
        before = int(declined[-2 * WINDOW : -WINDOW].sum())
        if last >= DECLINES and last > before:
            on = f" on {ladder!s}" if ladder else ""
            fact = (
                f"Declined {last} of the last {WINDOW} exposure occasions{on}, "
                f"{before} of the {WINDOW} before."
            )
            points.append(Point(child, "declines_rising", fact))
    return points
