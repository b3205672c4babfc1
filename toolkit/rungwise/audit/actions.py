"""What earlier audits decided, read back."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.audit.quarter import Quarter
from rungwise.basis.page_numbers import count_of
from rungwise.series.caseload import Caseload

if TYPE_CHECKING:
    import pandas as pd

STATES = {
    "done": "done",
    "done_late": "done after the day it was due",
    "overdue": "not done, and past the day it was due",
    "open": "not done, not due yet",
}


def actions_table(caseload: Caseload, quarter: Quarter, as_of: date) -> pd.DataFrame:
    """List the actions raised up to this quarter with where they stand on a day.

    Returns
    -------
    DataFrame
        ``raised_in, action, owner_role, due_on, done_on, state, note``, oldest first. An action done
        after the day looked at counts as not done.
    """
    import pandas as pd

    columns = ["raised_in", "action", "owner_role", "due_on", "done_on", "state", "note"]
    table = caseload.tables.get("actions")
    if table is None:
        return pd.DataFrame(columns=columns)
    rows = []
    for i in range(len(table)):
        if Quarter.parse(table["raised_in"][i], quarter.start_month) > quarter:
            continue
        due = _day(table["due_on"][i])
        done = _day(table["done_on"][i])
        if done is not None and done > as_of:
            done = None
        rows.append(
            (table["raised_in"][i].upper(), table["action"][i], table["owner_role"][i], due, done,
             _state(due, done, as_of), table["note"][i] or "")
        )  # fmt: skip
    rows.sort(key=lambda row: (row[0], row[3] or date.max, row[1]))
    return pd.DataFrame(rows, columns=columns)


def read_back(table: pd.DataFrame, quarter: Quarter, *, recorded: bool) -> tuple[str, ...]:
    """Say in one sentence what became of the actions of earlier audits."""
    earlier = table[table["raised_in"] != quarter.label]
    if not recorded:
        return ()
    if earlier.empty:
        return ("No earlier audit raised an action.",)
    count = earlier["state"].value_counts().to_dict()
    done = count.get("done", 0) + count.get("done_late", 0)
    waiting = {"overdue": "overdue", "open": "not due yet"}
    parts = [f"{done} done"]
    parts += [f"{count[state]} {words}" for state, words in waiting.items() if state in count]
    return (f"Of {count_of(len(earlier), 'action')} from earlier audits: {', '.join(parts)}.",)


def _state(due: date | None, done: date | None, as_of: date) -> str:
    if done is not None:
        return "done_late" if due is not None and done > due else "done"
    return "overdue" if due is not None and due < as_of else "open"


def _day(value: Any) -> date | None:
    return None if np.isnat(value) else value.item()
