"""Who was there in a quarter, whose outcome was due, and where the others are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from rungwise.audit.courses import Course, courses
from rungwise.audit.quarter import Quarter
from rungwise.audit.wording import every as every_of
from rungwise.series.caseload import Caseload

if TYPE_CHECKING:
    import pandas as pd

# Each child of the files ends at exactly one stage. A stage belongs to the total it is lost from;
# the last one is the total that remains.
TOTALS = {
    "known": "Children in the files",
    "open": "Program open on a day of the quarter",
    "due": "Outcome due in the quarter",
    "judged": "Outcome judged",
}
STAGES = {
    "quarter_not_begun": ("known", "The quarter has not begun"),
    "no_dates": ("known", "No date says when: cannot be placed in a quarter"),
    "began_later": ("known", "Program began after the quarter"),
    "closed_before": ("known", "Program closed before the quarter"),
    "waiting": ("open", "Referred, program not begun"),
    "nothing_recorded": ("open", "Program begun, no phase and no rating recorded"),
    "in_baseline": ("open", "Still in baseline"),
    "left_before_exposure": ("open", "Left before exposure began"),
    "running": ("open", "Exposure running, horizon not reached"),
    "counted_earlier": ("open", "Outcome already counted in an earlier quarter"),
    "no_ratings": ("due", "No usable planned rating up to the day the outcome was due"),
    "few_baseline": ("due", "Too few baseline occasions"),
    "few_exposure": ("due", "Too few exposure occasions"),
    "too_few": ("due", "Ratings too few or too alike for any change to show"),
    "outcome_unclear": ("due", "Several outcomes or probe steps: not known which to judge by"),
    "judged": ("judged", "Outcome judged"),
}
IN_PROGRESS = ("in_baseline", "running")


@dataclass(frozen=True)
class Cohort:
    """All children of the files, each placed in the quarter.

    Attributes
    ----------
    quarter : Quarter
    as_of : date
        The last day whose data are used: the end of the quarter, or today if that is earlier.
    courses : tuple of Course
    stages : Mapping[str, str]
        Stage of each child, a key of `STAGES` or ``"due"``.
    unknown : tuple of str
        Sentences saying what the files do not tell.
    """

    quarter: Quarter
    as_of: date
    courses: tuple[Course, ...]
    stages: Mapping[str, str]
    unknown: tuple[str, ...]

    @property
    def due(self) -> tuple[Course, ...]:
        """Courses of the children whose outcome is due."""
        return tuple(course for course in self.courses if self.stages[course.child_id] == "due")


def cohort(caseload: Caseload, quarter: Quarter, today: date) -> Cohort:
    """Place every child of the files in a quarter.

    The flow covers programs open on any day of the quarter. An outcome is due once: on the day
    exposure ended, or on the day the practice's horizon was reached, whichever came first; a child
    whose outcome was due earlier is not counted again.

    Parameters
    ----------
    caseload : Caseload
    quarter : Quarter
    today : date
        While the quarter runs, the last day that can be looked at.
    """
    as_of = min(quarter.last, today)
    every = courses(caseload, as_of)
    stages = {course.child_id: course.stage(quarter, as_of) for course in every}
    return Cohort(quarter, as_of, every, stages, _unknown(caseload, every))


def flow(stages: Mapping[str, str]) -> pd.DataFrame:
    """Count the children at every stage.

    Parameters
    ----------
    stages : Mapping[str, str]
        Final stage of each child, a key of `STAGES`.

    Returns
    -------
    DataFrame
        ``kind`` (``"total"`` or ``"loss"``), ``code``, ``words``, ``children``; each total is
        the one above it less the losses between them.

    Examples
    --------
    >>> table = flow({"C01": "judged", "C02": "in_baseline"})
    >>> table[table["kind"] == "total"].set_index("code")["children"].to_dict()
    {'known': 2, 'open': 2, 'due': 1, 'judged': 1}
    """
    return flow_of(Counter(stages.values()))


def flow_of(counts: Mapping[str, int]) -> pd.DataFrame:
    """Give the table of `flow` from the number of children at each stage."""
    import pandas as pd

    rows: list[tuple[str, str, str, int]] = []
    remaining = sum(counts.values())
    for total, words in TOTALS.items():
        rows.append(("total", total, words, remaining))
        for code, (lost_from, loss) in STAGES.items():
            if lost_from == total and code != "judged":
                rows.append(("loss", code, loss, counts.get(code, 0)))
                remaining -= counts.get(code, 0)
    return pd.DataFrame(rows, columns=["kind", "code", "words", "children"])


def censored(caseload: Caseload, until: Mapping[str, date]) -> Caseload:
    """Give the caseload of some children as it stood at the end of each one's own last day.

    Parameters
    ----------
    caseload : Caseload
    until : Mapping[str, date]
        Last day whose records are kept, by child. Other children's rows, and rows without a date
        in a dated table, are left out.
    """
    limit = {child: np.datetime64(day, "D") for child, day in until.items()}
    tables = {}
    for name, table in caseload.tables.items():
        if "child_id" not in table.columns:
            tables[name] = table
            continue
        dated = next(
            (column for column in ("date", "starts_on", "set_on") if column in table.columns), None
        )
        kept, rest = table["child_id"].tolist(), np.datetime64("NaT", "D")
        places = {child: place for place, child in enumerate(dict.fromkeys(kept))}
        limits = np.array([limit.get(child, rest) for child in places], dtype="datetime64[D]")
        last = limits[np.fromiter(map(places.__getitem__, kept), dtype=np.int64, count=len(kept))]
        keep = ~np.isnat(last) if dated is None else table[dated] <= last
        tables[name] = table.where(keep)
    return replace(caseload, tables=tables)


def _unknown(caseload: Caseload, every: tuple[Course, ...]) -> tuple[str, ...]:
    sentences = []
    if "children" not in caseload.tables:
        sentences.append(
            "There is no children table, so when programs began and ended, and why children left, is not "
            "known; a program counts as open from its first planned rating to its last, and at least "
            "until its outcome is due."
        )
    read_off = sum(course.exposure_by == "ratings" for course in every)
    if read_off:
        whom = f"{read_off} of {len(every)} children"
        if read_off == len(every):
            whom = f"{every_of(read_off)} {'child' if read_off == 1 else 'children'}"
        sentences.append(
            f"For {whom} no phase table says when exposure began; it is taken "
            "to begin with the first rating in exposure, so it may have begun earlier."
        )
    undated = [course for course in every if course.n_undated]
    if undated:
        sentences.append(
            f"{sum(course.n_undated for course in undated)} planned ratings of {len(undated)} children "
            "have no date and cannot be placed in a quarter; they are not used."
        )
    return tuple(sentences)
