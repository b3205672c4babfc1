"""Data frames that are already in a notebook: the same rules, as a pandera schema and as a caseload."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from datetime import date
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.page_numbers import count_of
from rungwise.tables.cells import Fault, parse
from rungwise.tables.draft import Part
from rungwise.tables.findings import Findings
from rungwise.tables.grid import Columns, TextColumn, letter_of, without_blank_rows
from rungwise.tables.identity import code_identity, shown
from rungwise.tables.practice import Practice
from rungwise.tables.problems import Problem
from rungwise.tables.read import check_parts
from rungwise.tables.rules import RULES
from rungwise.tables.schema import Field, schema
from rungwise.tables.sheets import text_of
from rungwise.tables.table import InputFile, TableSet
from rungwise.tables.understand import understand_columns

if TYPE_CHECKING:
    import pandas as pd
    import pandera.pandas as pa

FAILED = ("formula_failed",)
CODES_BY_TYPE = {
    "string": ("identity_value", "word_unknown", "code_form", "text_form", *FAILED),
    "number": ("number_unreadable", "number_is_date", "number_ambiguous", "number_out_of_range", *FAILED),
    "integer": (
        "number_unreadable", "number_is_date", "number_ambiguous", "number_not_whole",
        "number_out_of_range", *FAILED,
    ),
    "date": ("date_unreadable", "date_ambiguous", "date_orders_mixed", *FAILED),
    "boolean": ("yes_no_unknown", *FAILED),
}  # fmt: skip


def frame_schema(table: str, *, date_order: str = "") -> pa.DataFrameSchema:
    """Build a pandera schema of one table from its descriptor.

    It holds the rules about single cells: every check bears the code of its rule, so that
    ``failure_cases["check"]`` says which was broken. What rows and tables say about each other is
    checked by `read_frames` only. Validate with ``lazy=True`` to get all failures at once.

    Parameters
    ----------
    table : str
    date_order : {"", "day_first", "month_first"}
        How entries such as 03/04/2026 are read; real dates need none.

    Examples
    --------
    >>> built = frame_schema("ratings")
    >>> [check.name for check in built.columns["phase"].checks][:2]
    ['required_blank', 'identity_value']
    """
    import pandera.pandas as pa

    described = schema(table)
    columns = {}
    for name, field in described.fields.items():
        codes = CODES_BY_TYPE[field.type]
        checks = [
            pa.Check(partial(_unbroken, table, field, date_order, code), name=code, ignore_na=False)
            for code in (("required_blank", *codes) if field.required else codes)
        ]
        needed = field.required and field.default is None
        columns[name] = pa.Column(
            checks=checks, nullable=True, required=needed, title=field.title, description=field.description
        )
    return pa.DataFrameSchema(
        columns, strict=False, name=table, title=described.title, description=described.description
    )


def frame_problems(table: str, frame: pd.DataFrame, *, date_order: str = "") -> tuple[Problem, ...]:
    """Validate a data frame with `frame_schema` and give its failures as problems.

    Rows are numbered as in a spreadsheet: the first row of the frame is row 2. Columns may bear any
    name the schema knows them by.
    """
    import pandera.errors

    described = schema(table)
    names = {column: field.name for column in frame for field in [described.field_of(str(column))] if field}
    renamed = frame.rename(columns=names).reset_index(drop=True)
    findings = Findings()
    source = f"data frame {table}"
    try:
        frame_schema(table, date_order=date_order).validate(renamed, lazy=True)
    except (pandera.errors.SchemaErrors, pandera.errors.SchemaError) as raised:
        written = {name: str(column) for column, name in names.items()}
        for name, code, indices in _failures(raised.failure_cases):
            if code == "column_missing":
                title = described.fields[name].title
                findings.add(code, source, table=table, title=title, name=name)
                continue
            column = _texts(renamed[name])
            _report(
                findings,
                source,
                table,
                described.fields[name],
                column,
                written[name],
                code,
                indices,
                date_order,
            )
    return findings.report().problems


def read_frames(
    frames: Mapping[str, pd.DataFrame], practice: Practice | None = None, *, today: date | None = None
) -> TableSet:
    """Check data frames as if they were the files of a caseload.

    Parameters
    ----------
    frames : Mapping of str to DataFrame
        By table name. The index plays no part; rows are numbered as in a spreadsheet, from 2.
    practice : Practice, optional
    today : date, optional
        Day after which dates are refused; default the computer's.

    Raises
    ------
    ValueError
        If a name is not that of a table.
    """
    findings = Findings()
    parts: dict[str, list[Part]] = {}
    inputs = []
    for name, frame in frames.items():
        described = schema(name)
        columns = tuple(
            TextColumn(str(header), letter_of(place), *_texts(frame.iloc[:, place]))
            for place, header in enumerate(frame.columns)
        )
        rows = np.arange(2, len(frame) + 2, dtype=np.int64)
        source = f"data frame {name}"
        content = frame.to_csv(index=False).encode()
        inputs.append(InputFile(source, hashlib.sha256(content).hexdigest(), len(content)))
        found = understand_columns(
            without_blank_rows(Columns(rows, columns)), described.name, source, findings
        )
        if found is not None:
            parts.setdefault(found[0], []).append(found[1])
    return check_parts(parts, practice or Practice(), today or date.today(), findings, inputs)


def _unbroken(table: str, field: Field, date_order: str, code: str, series: pd.Series) -> pd.Series:
    """Give, for every cell of a column, whether it keeps one rule."""
    import pandas as pd

    codes, texts = _texts(series)
    column = TextColumn(field.name, "A", codes, texts)
    parsed = parse(column, field, schema(table), date_order=date_order)
    if code == "required_blank":
        broken = {place for place in range(len(texts)) if parsed.blank[place]}
    else:
        broken = {
            place
            for fault in parsed.faults
            if fault.code == code
            for place in fault.places or (fault.place,)
        }
    return pd.Series(~column.rows_with(broken), index=series.index)


def _texts(series: pd.Series) -> tuple[np.ndarray, list[str]]:
    """Write every distinct value of a column as a CSV file would hold it."""
    import pandas as pd

    codes, values = pd.factorize(series, use_na_sentinel=True)
    texts = [text_of(value) for value in values.tolist()]
    return np.where(codes < 0, len(texts), codes).astype(np.int32), [*texts, ""]


def _failures(cases: pd.DataFrame) -> list[tuple[str, str, list[int]]]:
    """Give the rows that break each rule in each column, in the order of columns."""
    found: dict[tuple[str, str], list[int]] = {}
    for context, name, check, case, index in zip(
        *(cases[column] for column in ("schema_context", "column", "check", "failure_case", "index")),
        strict=True,
    ):
        if check == "column_in_dataframe":
            found[str(case), "column_missing"] = []
        elif context == "Column" and check in RULES and index == index:
            found.setdefault((str(name), str(check)), []).append(int(index))
    return [(name, code, sorted(set(indices))) for (name, code), indices in found.items()]


def _report(
    findings: Findings,
    source: str,
    table: str,
    field: Field,
    column: tuple[np.ndarray, list[str]],
    header: str,
    code: str,
    indices: list[int],
    date_order: str,
) -> None:
    """Write one problem for each cell, or one for all cells where the rule speaks of a column."""
    codes, texts = column
    faults: list[Fault] = parse(
        TextColumn(header, "A", codes, texts), field, schema(table), date_order=date_order
    ).faults
    hide: Callable[[str], Any] = shown
    if field.kind == "person":
        hide = _shown_code
    for index in indices:
        text = texts[codes[index]]
        matching = [
            fault
            for fault in faults
            if fault.code == code and codes[index] in (fault.places or (fault.place,))
        ]
        facts = matching[0].facts if matching else {"title": field.title, "run": ""}
        whole = bool(matching and matching[0].places)
        count = count_of(len(indices), "row")
        findings.add(
            code,
            source,
            table=table,
            row=index + 2,
            column=header,
            value=hide(text.strip()),
            count=count,
            **facts,
        )
        if whole:
            break


def _shown_code(text: str) -> str:
    return "(not shown)" if code_identity(text) else text
