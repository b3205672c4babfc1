"""What earlier audits decided, read back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.audit.quarter import Quarter
from rungwise.audit.wording import day_words, listed
from rungwise.basis.page_numbers import count_of
from rungwise.series.caseload import Caseload

if TYPE_CHECKING:
    import pandas as pd

# Overdue actions named on the first page.
NAMED = 3
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
    if earlier["state"].isin(["done", "done_late"]).all():
        which = "The one action" if len(earlier) == 1 else f"All {len(earlier)} actions"
        return (f"{which} from earlier audits {'is' if len(earlier) == 1 else 'are'} done.",)
    done = count.get("done", 0) + count.get("done_late", 0)
    waiting = {"overdue": "overdue", "open": "not due yet"}
    parts = [f"{done} done"]
    parts += [f"{count[state]} {words}" for state, words in waiting.items() if state in count]
    late = [f"“{action}”" for action in earlier.loc[earlier["state"] == "overdue", "action"]]
    named = f" Overdue: {listed(late[:NAMED])}{' and others' if len(late) > NAMED else ''}." if late else ""
    return (f"Of {count_of(len(earlier), 'action')} from earlier audits: {', '.join(parts)}.{named}",)


def to_decide(standards: pd.DataFrame, discuss: pd.DataFrame, actions: pd.DataFrame) -> tuple[str, ...]:
    """Name what the next action plan could answer: standards missed, children to discuss, actions overdue.

    Facts in the order of the page; which of them need an action is for the practice to decide.
    """
    missed = standards.loc[standards["result"] == "not_met", "words"]
    said = [f"Standard not met: {words}" for words in missed]
    for words, part in discuss.groupby("rule_words", sort=False):
        said.append(f"{words}: {count_of(part['child_id'].nunique(), 'child', 'children')}")
    said += [f"Overdue since {day_words(row['due_on'])}: {row['action']}"
             for row in actions[actions["state"] == "overdue"].to_dict("records")]  # fmt: skip
    return tuple(said)


def plan_to_fill_in(answers: Sequence[str], quarter: Quarter) -> pd.DataFrame:
    """Give the lines of the next action plan in the columns of ``actions.csv``, the action still blank.

    The note says what the line could answer; lines without an action are to be deleted.
    """
    import pandas as pd

    columns = ["raised_in", "action", "owner_role", "due_on", "done_on", "note"]
    rows = [(quarter.label, "", "", "", "", answer) for answer in answers or ("",)]
    return pd.DataFrame(rows, columns=columns)


def _state(due: date | None, done: date | None, as_of: date) -> str:
    if done is not None:
        return "done_late" if due is not None and done > due else "done"
    return "overdue" if due is not None and due < as_of else "open"


def _day(value: Any) -> date | None:
    return None if np.isnat(value) else value.item()
