"""The children of a study: their part of a practice's tables, and names that are not their codes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from rungwise.series.caseload import Caseload
from rungwise.study.plan import StudyPlan
from rungwise.tables.table import Table


def of_children(caseload: Caseload, children: Iterable[str]) -> Caseload:
    """Give a caseload that holds the rows of some children only; ladders and measures stay whole.

    Actions of the audit, which concern no child, are left out.

    Examples
    --------
    >>> import pandas as pd
    >>> from rungwise.series.caseload import read_frames
    >>> rows = {"child_id": ["A1", "B2"], "date": ["2026-03-04"] * 2, "phase": ["A"] * 2, "rating": [7, 5]}
    >>> of_children(read_frames({"ratings": pd.DataFrame(rows)}), ["A1"]).children
    ('A1',)
    """
    chosen = sorted(set(children))
    kept = {}
    for name, table in caseload.tables.items():
        if name == "actions":
            continue
        if "child_id" in table.columns:
            kept[name] = table.where(np.isin(table["child_id"].astype(str), chosen))
        else:
            kept[name] = table
    return Caseload(kept, caseload.practice, caseload.report, caseload.inputs)


def participant_names(children: Iterable[str]) -> dict[str, str]:
    """Give every child a name for the report, in the order given; a child named already keeps it.

    Examples
    --------
    >>> participant_names(["C014", "C003", "C014"])
    {'C014': 'P1', 'C003': 'P2'}
    """
    return {child: f"P{number}" for number, child in enumerate(dict.fromkeys(children), start=1)}


def renamed(caseload: Caseload, names: Mapping[str, str]) -> Caseload:
    """Give the rows of the children named, under those names instead of their codes.

    Examples
    --------
    >>> import pandas as pd
    >>> from rungwise.series.caseload import read_frames
    >>> rows = {"child_id": ["A1", "B2"], "date": ["2026-03-04"] * 2, "phase": ["A"] * 2, "rating": [7, 5]}
    >>> renamed(read_frames({"ratings": pd.DataFrame(rows)}), {"B2": "P1"}).children
    ('P1',)
    """
    own = of_children(caseload, names)
    tables = {name: _renamed_table(table, names) for name, table in own.tables.items()}
    return Caseload(tables, own.practice, own.report, own.inputs)


def renamed_plan(plan: StudyPlan, names: Mapping[str, str]) -> StudyPlan:
    """Give a plan with its children under other names; its fingerprint is another one too."""
    cases = tuple(replace(case, child_id=names[case.child_id]) for case in plan.cases)
    return replace(plan, cases=cases)


def _renamed_table(table: Table, names: Mapping[str, str]) -> Table:
    if "child_id" not in table.columns:
        return table
    codes = np.array([names[str(code)] for code in table["child_id"].tolist()], dtype=object)
    return Table(table.name, {**table.columns, "child_id": codes}, table.rows, table.sources)
