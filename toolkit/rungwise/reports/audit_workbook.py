"""Both editions as a workbook: a sheet per table, numbers as numbers, no formula anywhere."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from rungwise.audit.audit import Audit
from rungwise.audit.serialize import audit_frames
from rungwise.audit.sharing import CELLS, HIDDEN, SETTINGS, SharedAudit, shared_document
from rungwise.reports.html import EDITIONS

if TYPE_CHECKING:
    import pandas as pd

SHEET_NAME_LENGTH = 31


# The longest text a cell can hold; more would be dropped whole.
CELL_LENGTH = 32_767


def audit_workbook(audit: Audit) -> bytes:
    """Write the audit as a workbook.

    Texts are written as texts, so that none is taken for a formula or a link; missing numbers are
    empty cells. Every printed page is marked confidential and has its number. The workbook bears the
    last day looked at instead of the day it was made: the same audit gives the same bytes.
    """
    title = f"{audit.label}: quarterly audit {audit.quarter}"
    lines = [
        f"{title} ({audit.quarter.days})",
        audit.told.answer,
        audit.told.uncertainty,
        *audit.told.first_page,
        "How far to trust this",
        *audit.told.trust,
        *audit.cautions,
    ]
    return _workbook(title, audit.as_of, lines, audit_frames(audit), EDITIONS["practice"])


def shared_workbook(shared: SharedAudit) -> bytes:
    """Write the edition for sharing as a workbook, from nothing but a `SharedAudit`.

    It follows the rules of `audit_workbook`; a number that is not shown is the mark `HIDDEN`, and there
    is no hidden sheet, row or cell.
    """
    import pandas as pd

    def frame(rows: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
        written = [
            {name: HIDDEN if entry is None else entry for name, entry in row.items()} for row in rows
        ]
        return pd.DataFrame(written, dtype=object)

    document = shared_document(shared)
    children = [
        {"cell": name, "children": shared.cells[name], "words": words} for name, words in CELLS.items()
    ]
    frames = {
        "children": frame(children),
        "standards": frame(document["standards"]),
        "earlier": frame(document["earlier"]),
        "settings": frame(
            {"setting": name, "value": shared.settings[name], "words": words}
            for name, words in SETTINGS.items()
        ),
    }
    title = f"{shared.label}: audit {shared.quarter}"
    head = f"{title} ({shared.quarter.days})"
    lines = [head, shared.answer, shared.uncertainty, *shared.sentences, shared.rule]
    kept = {name: found for name, found in frames.items() if len(found)}
    return _workbook(title, shared.as_of, lines, kept, "For sharing")


def _workbook(
    title: str, day: date, lines: Iterable[str], frames: Mapping[str, pd.DataFrame], mark: str
) -> bytes:
    import xlsxwriter

    stream = io.BytesIO()
    plain = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
             "nan_inf_to_errors": False, "in_memory": True}  # fmt: skip
    with xlsxwriter.Workbook(stream, plain) as book:
        book.set_properties({"title": title, "created": datetime(day.year, day.month, day.day)})
        formats = {
            "head": book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"}),
            "day": book.add_format({"num_format": "yyyy-mm-dd", "align": "left"}),
            "text": book.add_format({"text_wrap": True, "valign": "top"}),
        }
        _answer(book, lines, formats, mark)
        for name, frame in frames.items():
            _sheet(book, name, frame, formats, mark)
    return stream.getvalue()


def _answer(book: Any, lines: Iterable[str], formats: dict[str, Any], mark: str) -> None:
    sheet = book.add_worksheet("answer")
    _print_setup(sheet, mark, landscape=False)
    sheet.set_column(0, 0, 100, formats["text"])
    for row, line in enumerate(line for line in lines if line):
        sheet.write_string(row, 0, line[:CELL_LENGTH], formats["head" if row < 2 else "text"])


def _sheet(book: Any, name: str, frame: pd.DataFrame, formats: dict[str, Any], mark: str) -> None:
    sheet = book.add_worksheet(name[:SHEET_NAME_LENGTH])
    _print_setup(sheet, mark, landscape=True)
    sheet.freeze_panes(1, 1)
    sheet.repeat_rows(0)
    widths = [len(column) for column in frame.columns]
    for place, column in enumerate(frame.columns):
        sheet.write_string(0, place, column, formats["head"])
    for row, entries in enumerate(frame.itertuples(index=False), start=1):
        for place, entry in enumerate(entries):
            widths[place] = max(widths[place], len(str(entry)))
            _write(sheet, row, place, entry, formats)
    for place, width in enumerate(widths):
        sheet.set_column(place, place, min(max(width, 8), 60) + 1)


def _write(sheet: Any, row: int, place: int, entry: Any, formats: dict[str, Any]) -> None:
    if hasattr(entry, "item"):
        entry = entry.item()
    if isinstance(entry, str):
        if entry:
            sheet.write_string(row, place, entry[:CELL_LENGTH])
    elif isinstance(entry, date):
        if entry == entry:
            sheet.write_datetime(row, place, datetime(entry.year, entry.month, entry.day), formats["day"])
    elif isinstance(entry, (int, float)) and not math.isnan(entry):
        sheet.write_number(row, place, entry)


def _print_setup(sheet: Any, mark: str, *, landscape: bool) -> None:
    sheet.set_paper(9)  # A4
    if landscape:
        sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.set_footer(f"&L{mark}&RPage &P of &N")
