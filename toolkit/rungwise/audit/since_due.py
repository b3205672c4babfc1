"""What records after the due day say: the child's own answer beside the audit's."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from rungwise.audit.outcomes import Outcome, answer_all, clear_outcome
from rungwise.series.caseload import Caseload
from rungwise.single_case.verdict_rule import VERDICTS

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = ("child_id", "due_on", "verdict", "verdict_now", "later_ratings")
COMPARED = ("baseline", "exposure")
# Children asked again at most: beyond, it would take as long as the whole audit (design choice).
AT_MOST = 200


def since_due(caseload: Caseload, outcomes: Sequence[Outcome]) -> pd.DataFrame:
    """Give the verdict the whole record leads to, for children rated on after their outcome was due.

    The audit judges every child by the records up to the same point, the day the outcome was due; the
    child's own answer uses all of them, so the two may differ. Both are right about what they rest on.

    Returns
    -------
    DataFrame
        ``child_id, due_on, verdict, verdict_now, later_ratings``: one row per child judged here who has
        later ratings in baseline or exposure, by code; `verdict_now` is ``""`` where the whole record
        does not say which outcome or probe step to judge by, and everywhere with more than `AT_MOST`
        such children, who are not asked again.
    """
    import pandas as pd

    judged = {one.course.child_id: one for one in outcomes if one.code and one.course.due_on is not None}
    planned = caseload.planned
    later = np.isin(planned["phase"].astype(str), COMPARED)
    due = [judged[child].course.due_on if child in judged else None for child in planned["child_id"]]
    later &= planned["date"].astype("datetime64[D]") > np.array(due, dtype="datetime64[D]")
    children, counts = np.unique(planned["child_id"][later].astype(str), return_counts=True)
    asked = children.tolist() if len(children) <= AT_MOST else []
    clear = {child: clear_outcome(caseload, child) for child in asked}
    answers = answer_all(caseload, {child: what for child, what in clear.items() if what})
    rows = []
    for child, count in zip(children.tolist(), counts.tolist(), strict=True):
        now = answers[child].verdict.code if child in answers else ""
        rows.append((child, judged[child].course.due_on, judged[child].code, now, count))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def about_since_due(table: pd.DataFrame) -> tuple[str, ...]:
    """Say that a child's own answer rests on all records, and name those where it differs."""
    if table.empty:
        return ()
    differs = table[table["verdict"] != table["verdict_now"]]
    n = len(table)
    were = "1 child judged here was" if n == 1 else f"{n} children judged here were"
    told = (
        f"{were} rated on after the outcome was due; the answer about the single child uses those ratings "
        "too"
    )
    if n > AT_MOST:
        return (f"{told}. With so many, the two were not compared here, and may differ.",)
    if differs.empty:
        return (f"{told}, and says the same.",)
    named = "; ".join(
        f"{row['child_id']}, here “{VERDICTS[row['verdict']]}”, there "
        f"“{VERDICTS.get(row['verdict_now'], 'unclear')}”"
        for row in differs.to_dict("records")
    )
    right = "Each is right about the records it rests on"
    return (f"{told}, and differs for {len(differs)}: {named}. {right}.",)
