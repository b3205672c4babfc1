"""From a grid as written to the part of a table it is: header, columns, rows that are data."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import chain, islice
from typing import Any

import numpy as np

from rungwise.basis.page_numbers import count_of
from rungwise.tables.cells import NUMBER
from rungwise.tables.dates import has_date_form
from rungwise.tables.draft import Part
from rungwise.tables.findings import Findings, shortened
from rungwise.tables.grid import Columns, Grid, TextColumn, gather
from rungwise.tables.header import SEARCHED, Header, find_header
from rungwise.tables.identity import HIDDEN, code_identity, header_identity, shown, text_identity
from rungwise.tables.schema import Schema, plain, schema, tidy

LIMIT = 400
LONGEST = 100_000
UNKNOWN_SHOWN = 20
FIRST_SHOWN = 8
IDENTITY_SEARCHED = 2_000
EXAMPLE_MARK = "e.g."
# How a table says that there was nothing to record, where an empty one might be forgotten.
NONE = frozenset(("none", "nothing happened", "no incidents", "no incident", "no actions"))
_TOTALS = frozenset(
    ("total", "totals", "grand total", "subtotal", "sum", "mean", "average", "avg", "median", "count", "sd",
     "standard deviation", "minimum", "maximum", "min", "max")
)  # fmt: skip

Rows = Iterator[tuple[int, Sequence[str]]]


def understand(
    grid: Grid, table: str | None, findings: Findings, *, sure: bool = True
) -> tuple[str, Part] | None:
    """Find the header, tell the table, and keep the rows that are data.

    Parameters
    ----------
    grid : Grid
    table : str or None
        The table if the name of file or sheet says it.
    sure : bool
        False where the name may be chance, so that the columns decide if they say otherwise.

    Returns
    -------
    tuple of str and Part, or None
        The table's name and its rows; None if there is no table here, which is then reported.
    """
    findings.meet(grid.source)
    records = iter(grid.records)
    head = list(islice(records, SEARCHED))
    if not any(any(cell.strip() for cell in cells) for _, cells in head):
        findings.add("file_empty", grid.source, table=table or "")
        return None
    header = find_header([cells for _, cells in head], table)
    if header is None and table is not None and not sure:
        header = find_header([cells for _, cells in head], None)
    if header is None:
        filled = [cells for _, cells in chain(head, records) if any(cell.strip() for cell in cells)]
        _no_header(table, filled[0], len(filled), grid.source, findings)
        return None
    described = schema(header.table)
    names = _trimmed(header.names, head[header.place + 1 :])
    if len(names) > LIMIT:
        findings.add(
            "too_many_columns", grid.source, table=header.table, count=str(len(names)), limit=str(LIMIT)
        )
        return None
    _above(head, header, grid.source, findings)
    columns = grid.bulk(head[header.place][0], names) if grid.bulk else None
    if columns is None:
        columns = gather(chain(head[header.place + 1 :], records), names)
    part = part_of(columns, described, grid.source, grid.decimal_comma, findings)
    return header.table, replace(part, from_1904=grid.from_1904)


def understand_columns(
    columns: Columns, table: str | None, source: str, findings: Findings
) -> tuple[str, Part] | None:
    """Do the same for columns that come with their names."""
    findings.meet(source)
    header = find_header([[column.header for column in columns.columns]], table)
    if header is None:
        names = [column.header for column in columns.columns]
        _no_header(table, names, len(columns.rows), source, findings)
        return None
    return header.table, part_of(columns, schema(header.table), source, False, findings)


def part_of(
    columns: Columns, described: Schema, source: str, decimal_comma: bool, findings: Findings
) -> Part:
    """Keep the rows that are data and the columns the schema knows."""
    columns, said_none = _data_rows(columns, described, source, findings)
    refused = {}
    for row, cell in columns.overlong:
        refused[row] = "row_too_long"
        findings.add("row_too_long", source, table=described.name, row=row, value=shown(cell))
    for column in columns.columns:
        huge = [place for place, text in enumerate(column.texts) if len(text) > LONGEST]
        for row in columns.rows[column.rows_with(huge)].tolist() if huge else ():
            refused[row] = "cell_too_long"
            findings.add("cell_too_long", source, table=described.name, row=row, column=column.header)
    known = _known(columns, described, source, findings)
    return Part(source, columns.rows, known, decimal_comma, refused, said_none)


def _no_header(
    table: str | None, first: Sequence[str], count: int, source: str, findings: Findings
) -> None:
    """Say that no header was found, and show the first row, unless it may tell who is meant."""
    cells = [tidy(cell) for cell in first if cell.strip()]
    plainly = [bool(NUMBER.fullmatch(cell)) or has_date_form(cell) for cell in cells]
    data = any(plainly)
    read = [
        HIDDEN if data and not is_plain and code_identity(cell) else shown(cell)
        for cell, is_plain in zip(cells[:FIRST_SHOWN], plainly, strict=False)
    ]
    facts: dict[str, Any] = {
        "first": shortened(", ".join(read)),
        "count": count_of(count, "row"),
        "why": ": there may be no header row" if data else "",
    }
    if table is None:
        findings.add("table_unclear", source, **facts)
        return
    needed = ", ".join(field.title for field in schema(table).fields.values() if field.required)
    findings.add("header_missing", source, table=table, example=needed, **facts)


def _trimmed(names: Sequence[str], below: Sequence[tuple[int, Sequence[str]]]) -> tuple[str, ...]:
    """Cut columns off the right that have neither a name nor, in the rows looked at, an entry."""
    width = len(names)
    while width and not names[width - 1].strip():
        width -= 1
    used = max(
        (max((i + 1 for i, cell in enumerate(cells) if cell.strip()), default=0) for _, cells in below),
        default=0,
    )
    # A cell beyond the header is a row that is too long, unless the header leaves a column unnamed there.
    width = max(width, min(used, len(names)))
    return tuple(tidy(name) for name in names[:width])


def _above(
    head: Sequence[tuple[int, Sequence[str]]], header: Header, source: str, findings: Findings
) -> None:
    above = [
        number for number, cells in head[: header.place - header.split] if any(c.strip() for c in cells)
    ]
    for number, cells in head[: header.place - header.split]:
        for cell in cells:
            what = text_identity(tidy(cell))
            if what:
                findings.add(
                    "identity_text", source, table=header.table, row=number, value=HIDDEN, what=what
                )
    if header.split:
        findings.add("header_split", source, table=header.table, row=head[header.place - 1][0])
    if above:
        was = "was" if len(above) == 1 else "were"
        findings.add(
            "rows_above_header",
            source,
            table=header.table,
            row=above[0],
            count=count_of(len(above), "row"),
            was=was,
        )


def _data_rows(
    columns: Columns, described: Schema, source: str, findings: Findings
) -> tuple[Columns, bool]:
    """Leave out example rows, totals and remarks, and say so, except for the example.

    A row that says nothing but "none" is left out too; the second result says whether there is one.
    """
    said_none = False
    if not len(columns.rows):
        return columns, said_none
    first_text = _first_texts(columns)
    keep = np.ones(len(columns.rows), dtype=bool)
    filled = np.zeros(len(columns.rows), dtype=np.int32)
    for column in columns.columns:
        filled += column.rows_with(i for i, text in enumerate(column.texts) if text.strip())
    wide = len(columns.columns) >= 3
    for index, text in first_text.items():
        word = plain(text)
        if tidy(text).casefold().startswith(EXAMPLE_MARK):
            keep[index] = False
        elif word in NONE and filled[index] == 1:
            keep[index] = False
            said_none = True
        elif word in _TOTALS or word.startswith(("total ", "average ", "mean ", "sum of ")):
            keep[index] = False
            findings.add(
                "totals_row", source, table=described.name, row=int(columns.rows[index]), value=shown(text)
            )
        elif wide and filled[index] == 1 and " " in word:
            keep[index] = False
            findings.add(
                "note_row", source, table=described.name, row=int(columns.rows[index]), value=shown(text)
            )
    return (columns if keep.all() else columns.where(keep)), said_none


def _first_texts(columns: Columns) -> dict[int, str]:
    """Give, for every row that may be no data, the text of its first filled cell.

    A row may be no data if that text starts with a letter and has a blank in it, or is a word for
    totals or the mark of an example.
    """
    undecided = np.ones(len(columns.rows), dtype=bool)
    found: dict[int, str] = {}
    for column in columns.columns:
        filled = [bool(text.strip()) for text in column.texts]
        odd = [full and _odd(text) for full, text in zip(filled, column.texts, strict=True)]
        if any(odd):
            rows = undecided & column.rows_with(i for i, is_odd in enumerate(odd) if is_odd)
            found.update({index: column[index] for index in np.flatnonzero(rows).tolist()})
        undecided &= ~column.rows_with(i for i, full in enumerate(filled) if full)
        if not undecided.any():
            break
    return found


def _odd(text: str) -> bool:
    word = plain(text)
    return " " in word or word in _TOTALS or word in NONE or tidy(text).casefold().startswith(EXAMPLE_MARK)


def _known(columns: Columns, described: Schema, source: str, findings: Findings) -> dict[str, TextColumn]:
    """Map the schema's columns to what was written; say which columns are not read."""
    known: dict[str, TextColumn] = {}
    unknown: list[TextColumn] = []
    twice: set[str] = set()
    for column in columns.columns:
        if not column.header:
            if any(text.strip() for text in column.texts):
                findings.add("column_unnamed", source, table=described.name, letter=column.letter)
            continue
        field = described.field_of(column.header)
        if field is None:
            unknown.append(column)
        elif field.name not in known:
            known[field.name] = column
        elif _same(known[field.name], column):
            findings.add("column_copied", source, table=described.name, column=column.header)
        else:
            twice.add(field.name)
            findings.add(
                "column_twice",
                source,
                table=described.name,
                column=column.header,
                first=known[field.name].header,
                second=column.header,
                title=field.title,
            )
    for name in twice:
        del known[name]
    listed = ", ".join(name for name in described.fields if name not in known)
    for column in list(unknown):
        what = header_identity(column.header) or _identity_within(column)
        if what:
            findings.add("identity_column", source, table=described.name, column=column.header, what=what)
            unknown.remove(column)
    for column in unknown[:UNKNOWN_SHOWN]:
        findings.add("column_unknown", source, table=described.name, column=column.header, known=listed)
    if len(unknown) > UNKNOWN_SHOWN:
        more = f"{len(unknown) - UNKNOWN_SHOWN}"
        findings.add("columns_unknown", source, table=described.name, count=more)
    return known


def _identity_within(column: TextColumn) -> str:
    """Say what the entries of a column that is not read seem to hold; ``""`` if nothing."""
    for text in column.texts[:IDENTITY_SEARCHED]:
        what = text_identity(tidy(text))
        if what:
            return what
    return ""


def _same(one: TextColumn, other: TextColumn) -> bool:
    return [one.texts[code].strip() for code in one.codes] == [
        other.texts[code].strip() for code in other.codes
    ]
