"""The rows that no analysis sees, written out for whoever has to put them right."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from rungwise.tables.problems import SetAside

COLUMNS = ("table", "source", "row", "rules", "content")


def set_aside_csv(rows: Iterable[SetAside]) -> str:
    r"""Write rows set aside as comma-separated text: where each stands, why, and what it says.

    The content is one cell, ``column: entry`` after ``column: entry``, so that rows of different
    tables fit one file and no entry can act as a formula. Entries that look like a person's identity
    are not shown.

    Examples
    --------
    >>> row = SetAside("ratings", "ratings.csv", 5, ("date_unreadable",), {"date": "2026-02-30"})
    >>> set_aside_csv([row]).splitlines()[1]
    'ratings,ratings.csv,5,date_unreadable,date: 2026-02-30'
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        content = "; ".join(f"{name}: {entry}" for name, entry in row.cells.items() if entry)
        writer.writerow((row.table, row.source, row.row, " ".join(row.codes), content))
    return out.getvalue()
