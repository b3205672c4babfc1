"""How complete the records are, and what was set aside and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.agreement.coverage import agreement_reviews
from rungwise.agreement.fidelity import fidelity_review
from rungwise.audit.cohort import Cohort
from rungwise.audit.digits import digit_preference
from rungwise.audit.planned import planned_ratings
from rungwise.audit.wording import small
from rungwise.series.caseload import Caseload
from rungwise.tables.table import Table

if TYPE_CHECKING:
    import pandas as pd

DATED = ("date", "starts_on")
# Later than this counts as late entry (common practice, no source).
LATE_DAYS = 7
# Blank where there is nothing to say: no gap in the records.
MAY_BE_BLANK = {
    "ratings": ("occasion", "trial", "declined", "ladder_id", "note"),
    "children": ("ended_on", "co_occurring"),
    "ladders": ("height_cm", "width_cm", "support", "position", "direction", "step_pattern", "vision",
                "surface"),
    "plans": ("design_id", "tier", "assignment", "window_opens", "window_closes"),
    "phases": ("criterion", "ladder_id"),
    "observations": ("condition", "support", "minutes", "repetitions", "rater_id", "note"),
    "measures": ("reliability_kind", "retest_days", "clinical_mean", "clinical_sd", "functional_mean",
                 "functional_sd", "practice_effect", "own_group", "group_size", "second_mean",
                 "second_sd", "retest_correlation"),
    "agreement": ("fear_peak",),
    "fidelity": ("rater_id",),
    "incidents": ("ladder_id", "step"),
    "actions": ("done_on", "note"),
}  # fmt: skip
# Asked only of some rows: those in which another field is filled in, or holds one of some values.
ASKED_WHEN: dict[str, tuple[str, tuple[str, ...]]] = {
    "children.end_reason": ("ended_on", ()),
    "observations.fear_peak": ("outcome", ("completed", "partial")),
    "observations.fear_end": ("outcome", ("completed", "partial")),
    "sessions.exposure_minutes": ("attended", ("yes",)),
}
LEVELS = {
    1: "planned ratings only",
    2: "ladders, plans and trials",
    3: "trials with sessions, second observers, goals or scored measures",
}


@dataclass(frozen=True)
class Quality:
    """How far the records can carry the audit.

    Attributes
    ----------
    level : int
        Recording level.
    completeness : DataFrame
        ``table, field, rows, recorded, share``: rows of the quarter, and of children with a program
        open in it. A field nobody ever filled in is not in the table but in `not_recorded`.
    not_recorded : tuple of str
        ``table.field`` of the fields that hold nothing at all.
    weeks : DataFrame
        One row per child under way: ``child_id, weeks, rated, missing``; whole weeks in baseline or
        exposure within the quarter, and those with at least one planned rating.
    procedure : tuple of str
        What is known about second observers and procedure checklists in the quarter.
    digits : DataFrame
        Ratings at numbers people like; see `rungwise.audit.digits`.
    late : tuple of int
        Trials entered more than `LATE_DAYS` days after the day they happened, and trials with a day
        of entry; (0, 0) where the day of entry is not recorded.
    """

    level: int
    completeness: pd.DataFrame
    not_recorded: tuple[str, ...]
    weeks: pd.DataFrame
    procedure: tuple[str, ...]
    digits: pd.DataFrame
    late: tuple[int, int]


def quality(caseload: Caseload, cohort: Cohort) -> Quality:
    """Measure the completeness of the records a quarter's audit rests on."""
    complete, empty = completeness(caseload, cohort)
    return Quality(
        level=caseload.level,
        completeness=complete,
        not_recorded=empty,
        weeks=weeks_rated(caseload, cohort),
        procedure=procedure_checks(caseload, cohort),
        digits=digit_preference(caseload, cohort),
        late=_late(caseload, cohort),
    )


def completeness(caseload: Caseload, cohort: Cohort) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Count, for every table and field, the rows of the quarter and those that hold something.

    A rating counts as recorded where there is a rating or a decline. Fields that may be blank are
    left out, and a reason for the end is asked only where there is an end.
    """
    import pandas as pd

    lost = {"quarter_not_begun", "no_dates", "began_later", "closed_before"}
    there = {child for child, stage in cohort.stages.items() if stage not in lost}
    rows: list[tuple[str, str, int, int]] = []
    never: list[str] = []
    for name, table in caseload.tables.items():
        part = _of_quarter(table, cohort, there)
        for column in table.columns:
            field = f"{name}.{column}"
            if column in MAY_BE_BLANK.get(name, ()):
                continue
            asked = np.ones(len(part), dtype=bool)
            if field in ASKED_WHEN:
                other, wanted = ASKED_WHEN[field]
                asked = np.isin(part[other].astype(str), wanted) if wanted else _filled(part, other)
            if not len(table):
                continue
            if not _filled(table, column).any():
                never.append(field)
            elif asked.any():
                filled = _filled(part, column)[asked]
                rows.append((name, column, int(asked.sum()), int(filled.sum())))
    frame = pd.DataFrame(rows, columns=["table", "field", "rows", "recorded"])
    return frame.assign(share=frame["recorded"] / frame["rows"]), tuple(never)


def procedure_checks(caseload: Caseload, cohort: Cohort) -> tuple[str, ...]:
    """Say how far second observers agreed and procedures were followed in the quarter, where recorded."""
    quarter = in_quarter(caseload, cohort)
    said = [
        _check("Second observers of probe outcomes", review.verdict, review.reasons)
        for review in agreement_reviews(quarter, each_child=False)
    ]
    said += [
        _check("Procedure checklists", review.verdict, review.reasons)
        for review in fidelity_review(quarter)
        if not review.child_id
    ]
    return tuple(said)


def in_quarter(caseload: Caseload, cohort: Cohort) -> Caseload:
    """Give the caseload with the trials, second views, checklists and sessions of the quarter alone."""
    dated = ("observations", "agreement", "fidelity", "sessions")
    there = set(cohort.stages)
    tables = {
        name: _of_quarter(table, cohort, there) if name in dated else table
        for name, table in caseload.tables.items()
    }
    return replace(caseload, tables=tables)


def _check(what: str, verdict: str, reasons: Iterable[str]) -> str:
    found = {"meets": "the usual standard is met", "does not meet": "the usual standard is not met"}
    why = "; ".join(small(reason).rstrip(".") for reason in reasons)
    return f"{what}: {found.get(verdict, verdict)}{f' ({why})' if why else ''}."


def weeks_rated(caseload: Caseload, cohort: Cohort) -> pd.DataFrame:
    """Count, for each child, the whole weeks under way in the quarter and those with a planned rating.

    Weeks run from the child's first day in the quarter; a last part of a week is not counted.
    """
    import pandas as pd

    ratings = planned_ratings(caseload)
    ratings = ratings[ratings["usable"]]
    days = {
        str(child): rows["day"].to_numpy("datetime64[D]")
        for child, rows in ratings.groupby("child_id", sort=False)
    }
    rows = []
    for course in cohort.courses:
        if cohort.stages[course.child_id] not in ("in_baseline", "left_before_exposure", "running", "due"):
            continue
        ends = [day for day in (course.ended_on, course.after_exposure_on, course.due_on) if day]
        first = max(course.began_on or cohort.quarter.first, cohort.quarter.first)
        last = min([cohort.as_of, *(day - timedelta(days=1) for day in ends)])
        weeks = max((last - first).days + 1, 0) // 7
        if not weeks:
            continue
        since = (days.get(course.child_id, np.empty(0, "M8[D]")) - np.datetime64(first, "D")).astype(int)
        rated = len(np.unique(since[(since >= 0) & (since < 7 * weeks)] // 7))
        rows.append((course.child_id, weeks, rated, weeks - rated))
    return pd.DataFrame(rows, columns=["child_id", "weeks", "rated", "missing"])


def set_aside(caseload: Caseload) -> pd.DataFrame:
    """Count the rows that were set aside, and the warnings, by file and rule.

    Returns
    -------
    DataFrame
        ``severity, source, code, rows, problem``: one row per file and rule, errors first; `problem`
        is the sentence of the first of them.
    """
    import pandas as pd

    counts: Counter[tuple[str, str, str]] = Counter()
    first: dict[tuple[str, str, str], str] = {}
    seen: set[tuple[str, str, str, int]] = set()
    for problem in caseload.report:
        key = (problem.severity, problem.source, problem.code)
        first.setdefault(key, problem.problem)
        if problem.row == 0 or (*key, problem.row) not in seen:
            counts[key] += 1
        seen.add((*key, problem.row))
    rows: list[tuple[Any, ...]] = [(*key, counts[key], first[key]) for key in sorted(counts)]
    return pd.DataFrame(rows, columns=["severity", "source", "code", "rows", "problem"])


def _of_quarter(table: Table, cohort: Cohort, there: set[str]) -> Table:
    keep = np.ones(len(table), dtype=bool)
    if "child_id" in table.columns:
        keep &= np.fromiter((child in there for child in table["child_id"]), dtype=bool, count=len(table))
    for column in DATED:
        if column in table.columns:
            keep &= table[column] >= np.datetime64(cohort.quarter.first, "D")
            keep &= table[column] <= np.datetime64(cohort.as_of, "D")
    return table.where(keep)


def _filled(table: Table, column: str) -> np.ndarray:
    values = table[column]
    if values.dtype.kind == "f":
        filled = ~np.isnan(values)
    elif values.dtype.kind == "M":
        filled = ~np.isnat(values)
    else:
        filled = np.array([value is not None and value != "" for value in values], dtype=bool)
    if (table.name, column) == ("ratings", "rating"):
        filled = filled | table["declined"].astype(bool)
    return filled


def _late(caseload: Caseload, cohort: Cohort) -> tuple[int, int]:
    table = caseload.tables.get("observations")
    if table is None:
        return 0, 0
    part = _of_quarter(table, cohort, set(cohort.stages))
    wait = (part["recorded_on"] - part["date"]).astype(float)
    known = ~np.isnat(part["recorded_on"])
    return int((wait[known] > LATE_DAYS).sum()), int(known.sum())
