"""Read a caseload and find everything wrong with it in one pass."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from functools import partial
from pathlib import Path

from rungwise.tables.checks import check_drafts
from rungwise.tables.delimited import grid_of, read_text
from rungwise.tables.draft import Draft, Part
from rungwise.tables.files import FileFound, find_files, kind_of, read_bytes
from rungwise.tables.findings import Findings
from rungwise.tables.grid import Grid
from rungwise.tables.header import known_columns
from rungwise.tables.practice import Practice, read_practice
from rungwise.tables.schema import TABLES, schema, table_named
from rungwise.tables.table import InputFile, Table, TableSet
from rungwise.tables.understand import understand, understand_columns

# A file without rows says that nothing happened, or that nothing was decided.
MAY_BE_EMPTY = ("incidents", "actions")


def read_tables(path: str | Path, *, today: date | None = None) -> TableSet:
    """Read a folder, a CSV file, a workbook or Parquet, and check all of it.

    Never raises for what stands in the files: everything is in ``report``, and `TableSet.tables`
    holds the sound rows.

    Parameters
    ----------
    path : str or Path
    today : date, optional
        Day after which dates are refused; default the computer's.
    """
    findings = Findings()
    files, settings = find_files(Path(path), findings)
    inputs: list[InputFile] = []
    practice = Practice()
    if settings is not None:
        file = FileFound(settings, settings.name, None)
        read = read_bytes(file, findings)
        if read is not None:
            practice = read_practice(read[0], settings.name, findings)
            inputs.append(read[1])
    parts: dict[str, list[Part]] = {}
    for file in files:
        for table, part in _parts(file, inputs, findings):
            if table in parts and file.table is None:
                other = parts[table][0].source
                findings.add("table_twice", part.source, table=table, other=other)
                continue
            parts.setdefault(table, []).append(part)
    return check_parts(parts, practice, today or date.today(), findings, inputs)


def check_parts(
    parts: Mapping[str, Sequence[Part]],
    practice: Practice,
    today: date,
    findings: Findings,
    inputs: Sequence[InputFile],
) -> TableSet:
    """Type and check what was read, table by table; the sound rows stand in the result."""
    drafts = {
        table: Draft(schema(table), parts[table], findings, practice.date_order)
        for table in TABLES
        if table in parts
    }
    check_drafts(drafts, practice, today)
    tables = {name: draft.finish() for name, draft in drafts.items()}
    return TableSet(tables, practice, findings.report(), tuple(inputs))


def usable(tables: Mapping[str, Table]) -> bool:
    """Say whether any table has a sound row."""
    return any(len(table) for table in tables.values())


def _parts(file: FileFound, inputs: list[InputFile], findings: Findings) -> Iterator[tuple[str, Part]]:
    read = read_bytes(file, findings)
    if read is None:
        return
    content, fingerprint = read
    inputs.append(fingerprint)
    kind = kind_of(content, file, findings)
    stem = file.path.stem.casefold()
    named = file.table or (stem if stem in TABLES else None)
    found = None
    if kind == "text":
        text = read_text(content, file.name, findings)
        if text is not None:
            grid = grid_of(
                text, file.name, file.path.stem, partial(known_columns, table=named), findings, content
            )
            found = understand(grid, named, findings, sure=file.table is not None)
    elif kind == "parquet":
        from rungwise.tables.parquet import columns_of_parquet

        columns = columns_of_parquet(content, file.name, findings)
        if columns is not None:
            found = understand_columns(columns, named, file.name, findings)
    elif kind == "workbook":
        from rungwise.tables.sheets import grids

        yield from _sheets(grids(content, file.name, findings), file.table, named, findings)
    if found is not None:
        table, part = found
        if not len(part.rows) and table not in MAY_BE_EMPTY and not part.said_none:
            findings.add("table_empty", part.source, table=table)
        yield found


def _sheets(
    sheets: list[Grid], sure: str | None, named: str | None, findings: Findings
) -> Iterator[tuple[str, Part]]:
    """Read each sheet named after a table; a sheet alone in its workbook may bear any name.

    A sheet without rows is a table that was not recorded: workbooks come with all their sheets. Only
    a row that says "none" makes it a table in which nothing was to be recorded.
    """
    alone = len(sheets) == 1
    empty: list[tuple[str, str]] = []
    found_any = False
    for sheet in sheets:
        findings.meet(sheet.source)
        table = table_named(sheet.name)
        if table is None and not alone:
            findings.add("sheet_unknown", sheet.source)
            continue
        table = sure or table or named if alone else table
        found = understand(sheet, table, findings, sure=not alone or sure is not None)
        if found is None:
            continue
        if len(found[1].rows) or found[1].said_none:
            found_any = True
            yield found
        else:
            empty.append((found[0], sheet.source))
    if not found_any:
        for name, source in empty:
            findings.add("table_empty", source, table=name)
