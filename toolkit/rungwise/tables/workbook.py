"""A blank workbook to record in, built from the schemas."""

from __future__ import annotations

import io
from datetime import datetime
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from rungwise.basis.errors import check_choice
from rungwise.tables.cells import range_in_words
from rungwise.tables.schema import TABLES, Field, Schema, schema
from rungwise.tables.understand import EXAMPLE_MARK
from rungwise.tables.whole_files import check_new, write_files

if TYPE_CHECKING:
    from xlsxwriter import Workbook
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

LEVELS = (1, 2, 3)
ROWS = 5_000
FIRST_ROW = 2
# Codes are typed once, in their own table; elsewhere they are offered from there.
HOMES = {"child_id": "children", "ladder_id": "ladders", "measure_id": "measures", "goal_id": "goals"}
INK, NEEDED, OPTIONAL, EXAMPLE = "#16324F", "#C9DDEE", "#E9EEF2", "#5B6770"
_ABOUT = (
    ("Recording workbook", "title"),
    ("One sheet for each table, one row for each thing recorded. Everything here is confidential.", ""),
    ("How to fill it in", "heading"),
    ("Columns marked * are needed in every row; the others are filled in where they are known.", ""),
    ("Point at a column's name to read what belongs there. Many cells offer their words in a list.", ""),
    (f"The gray row beginning with “{EXAMPLE_MARK}” is an example; it is not read and may stay or go.", ""),
    ("Write dates year-month-day, as in 2026-03-04.", ""),
    ("A child who faces a step and declines it is recorded as declined. That is data, not a gap.", ""),
    ("Keep the columns as they are. Add rows below, without blank columns, totals or remarks.", ""),
    (
        "A sheet without rows was not used. If nothing happened, write “none” in its first row: no row is",
        "",
    ),
    ("not the same as no incident.", ""),
    ("Codes only", "heading"),
    (
        "Use a code for every child and every person. Names, birth dates, addresses, phone numbers, email",
        "",
    ),
    ("addresses and record numbers are refused when the workbook is read. Keep the key apart.", ""),
    ("Before you act on it", "heading"),
    ("Supervise every trial, never coerce, agree on stop signs first, and get medical clearance where", ""),
    ("there are red flags. Follow local codes and licensed practice.", ""),
    ("Sheets", "heading"),
)


def write_workbook(path: str | Path, level: int = 1) -> Path:
    """Write a blank workbook with the tables of a recording level.

    Each table has its own sheet, with lists to choose from, limits, units, a note for every column,
    a locked header and an example row that is not read. The same level gives the same bytes.

    Parameters
    ----------
    path : str or Path
        Ending in .xlsx.
    level : {1, 2, 3}
        1: planned ratings, children, phases. 2: also ladders, plans, trials, incidents, actions.
        3: also sessions, scores, goals, second observers, fidelity.

    Raises
    ------
    ValueError
        If `level` is none of these or `path` does not end in .xlsx.
    FileExistsError
        If the file is there already.
    NotWritten
        If the disk is full or the folder may not be written to.
    """
    import xlsxwriter

    check_choice("level", level, LEVELS)
    path = Path(path)
    if path.suffix.casefold() != ".xlsx":
        raise ValueError(f"path must end in .xlsx; got {path.name!r}.")
    check_new(path)
    tables = [table for table in TABLES if schema(table).level <= level]
    content = io.BytesIO()
    book = xlsxwriter.Workbook(content, {"default_date_format": "yyyy-mm-dd", "in_memory": True})
    book.set_properties(
        {
            "title": f"Recording workbook, level {level}",
            "created": datetime(2026, 1, 1),
            "comments": "Confidential",
        }
    )
    formats = _formats(book)
    _about(book.add_worksheet("Read me"), tables, formats)
    for table in tables:
        _sheet(book.add_worksheet(table), schema(table), tables, formats)
    book.get_worksheet_by_name(tables[0]).activate()
    book.close()
    write_files({path: content.getvalue()})
    return path


def header_of(field: Field) -> str:
    """Give a column's name as the workbook shows it: title, unit, and * where it is needed.

    Examples
    --------
    >>> header_of(schema("ladders").fields["height_cm"]), header_of(schema("ratings").fields["phase"])
    ('Height (cm)', 'Phase *')
    >>> header_of(schema("observations").fields["minutes"])
    'Minutes'
    """
    said = field.unit in ("", "points") or field.title.casefold().endswith(field.unit)
    unit = "" if said else f" ({field.unit})"
    return f"{field.title}{unit}{' *' if field.required else ''}"


def note_of(field: Field) -> str:
    """Say in a few lines what belongs in a column.

    Examples
    --------
    >>> print(note_of(schema("children").fields["age_months"]))
    Age at entry into the program, in whole months. Never a birth date.
    A whole number from 12 to 263.
    """
    lines = [field.description]
    if field.enum:
        lines.append("One of: " + ", ".join(field.enum) + ".")
    elif field.type == "boolean":
        lines.append("Yes or no.")
    elif field.type in ("number", "integer"):
        kind = "A whole number" if field.type == "integer" else "A number"
        limits = ""
        if field.minimum is not None or field.maximum is not None:
            limits = " " + range_in_words(field.minimum, field.maximum)
        lines.append(f"{kind}{limits}.")
    elif field.type == "date":
        lines.append("Year-month-day, as in 2026-03-04.")
    if field.required_when:
        lines.append(f"Needed when {field.required_when}.")
    if field.default_words and not field.required:
        lines.append(f"Blank means {field.default_words}.")
    return "\n".join(lines)


def _formats(book: Workbook) -> dict[str, Format]:
    header = {
        "bold": True,
        "text_wrap": True,
        "valign": "top",
        "border": 1,
        "border_color": INK,
        "font_color": INK,
    }
    return {
        "needed": book.add_format({**header, "bg_color": NEEDED}),
        "optional": book.add_format({**header, "bg_color": OPTIONAL, "bold": False}),
        "example": book.add_format(
            {"italic": True, "font_color": EXAMPLE, "bg_color": "#F4F4F4", "locked": False}
        ),
        "text": book.add_format({"num_format": "@", "locked": False}),
        "date": book.add_format({"num_format": "yyyy-mm-dd", "locked": False}),
        "free": book.add_format({"locked": False}),
        "title": book.add_format({"bold": True, "font_size": 16, "font_color": INK}),
        "heading": book.add_format({"bold": True, "font_size": 12, "font_color": INK, "valign": "bottom"}),
        "body": book.add_format({"text_wrap": True, "valign": "top"}),
        "link": book.add_format({"font_color": INK, "underline": 1}),
    }


def _about(sheet: Worksheet, tables: list[str], formats: dict[str, Format]) -> None:
    sheet.set_column(0, 0, 22)
    sheet.set_column(1, 1, 86)
    sheet.hide_gridlines(2)
    row = 0
    for text, kind in _ABOUT:
        sheet.write_string(row, 0, text, formats.get(kind))
        if kind:
            sheet.set_row(row, 30)
        row += 1
    for table in tables:
        described = schema(table)
        sheet.write_url(row, 0, f"internal:'{table}'!A1", formats["link"], table)
        sheet.write_string(row, 1, f"{described.title}: {described.row}.", formats["body"])
        row += 1
    sheet.protect()
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)


def _sheet(sheet: Worksheet, described: Schema, tables: list[str], formats: dict[str, Format]) -> None:
    for place, field in enumerate(described.fields.values()):
        cells = formats["date" if field.type == "date" else "text" if field.type == "string" else "free"]
        sheet.set_column(place, place, _width(field), cells)
        sheet.write_string(0, place, header_of(field), formats["needed" if field.required else "optional"])
        sheet.write_comment(0, place, note_of(field), {"x_scale": 2, "y_scale": 1.4, "author": "rungwise"})
        example = f"{EXAMPLE_MARK} {field.example}" if place == 0 else field.example
        sheet.write_string(1, place, example, formats["example"])
        rule = _validation(field, described, tables)
        if rule:
            sheet.data_validation(FIRST_ROW, place, ROWS, place, rule)
    last = len(described.fields) - 1
    sheet.set_row(0, 32)
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, ROWS, last)
    sheet.protect(
        "",
        {
            "format_columns": True, "format_rows": True, "insert_rows": True, "delete_rows": True,
            "sort": True, "autofilter": True,
        },
    )  # fmt: skip
    sheet.set_landscape()
    sheet.repeat_rows(0)
    sheet.fit_to_pages(1, 0)
    sheet.set_header(f"&L{described.title}&RConfidential")
    sheet.set_footer("&RPage &P of &N")


def _width(field: Field) -> float:
    # The row of names is two lines high; bold letters are wider than the digits a width counts.
    title = header_of(field).replace(" *", "\u00a0*")
    two_lines = next(size for size in range(1, 99) if len(wrap(title, size, break_long_words=False)) <= 2)
    words = max(len(word) for word in title.split(" "))
    longest = max(words + 3, two_lines + 3, len(field.example) + 2, 12 if field.type == "date" else 9)
    return min(max(longest, 28 if field.kind == "text" else 0), 40)


def _validation(field: Field, described: Schema, tables: list[str]) -> dict[str, Any] | None:
    """Offer the allowed words, and hold the limits; ratings also take words, so they are left free."""
    told = {
        "input_title": field.title[:32],
        "input_message": _cut(note_of(field), 255),
        "error_title": field.title[:32],
        "ignore_blank": True,
    }
    home = HOMES.get(field.name)
    if field.enum:
        return {
            **told,
            "validate": "list",
            "source": list(field.enum),
            "error_message": "Choose one of the list.",
        }
    if field.type == "boolean":
        return {**told, "validate": "list", "source": ["yes", "no"], "error_message": "Choose yes or no."}
    if home in tables and home != described.name:
        place = list(schema(home).fields).index(field.name)
        column = chr(ord("A") + place)
        source = f"='{home}'!${column}${FIRST_ROW + 1}:${column}${ROWS}"
        message = f"The sheet {home} does not list this code yet. Keep it all the same?"
        return {
            **told,
            "validate": "list",
            "source": source,
            "error_type": "warning",
            "error_message": message,
        }
    if field.type == "date":
        message = "Write a day as year-month-day, for example 2026-03-04."
        limit = datetime(1990, 1, 1)
        return {**told, "validate": "date", "criteria": ">=", "value": limit, "error_message": message}
    if (
        field.type in ("number", "integer")
        and not field.signals
        and (field.minimum, field.maximum) != (None, None)
    ):
        kind = "integer" if field.type == "integer" else "decimal"
        message = f"This must be {range_in_words(field.minimum, field.maximum)}."
        rule = {**told, "validate": kind, "error_message": message}
        if field.minimum is None or field.maximum is None:
            return {**rule, "criteria": ">=", "value": field.minimum}
        return {**rule, "criteria": "between", "minimum": field.minimum, "maximum": field.maximum}
    return {**told, "validate": "any"}


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
