"""The part of a practice's tables that concerns the children of a study."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from rungwise.series.caseload import Caseload


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
