"""The phase of the program on a day."""

from __future__ import annotations

import numpy as np

from rungwise.tables.level_1 import phases_by_start
from rungwise.tables.table import Table, TableSet


def phase_on(tables: TableSet, rows: Table) -> np.ndarray:
    """Give the phase of every row of a table with child, ladder and date.

    The rule is the reader's own: phases given for the row's ladder count, otherwise those given for
    all ladders of the child; days before the first start are baseline.

    Parameters
    ----------
    tables : TableSet
        With the table ``phases``.
    rows : Table
        With the columns ``child_id``, ``ladder_id`` and ``date``.

    Returns
    -------
    ndarray of object
        A phase, or None where the records do not say.
    """
    if "phases" not in tables.tables:
        return np.full(len(rows), None, dtype=object)
    return phases_by_start(rows.columns, tables.tables["phases"].columns)
