"""The audit's tables as one workbook: a sheet per table, numbers as numbers, no formula anywhere."""

from __future__ import annotations

import io
import math
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from rungwise.audit.audit import Audit
from rungwise.audit.serialize import audit_frames
from rungwise.reports.html import EDITIONS

if TYPE_CHECKING:
    import pandas as pd

SHEET_NAME_LENGTH = 31


def audit_workbook(audit: Audit) -> bytes:
    """Write the audit as a workbook.

    Texts are written as texts, so that none is taken for a formula or a link; missing numbers are
    empty cells. Every printed page is marked confidential and has its number. The workbook bears the
    last day looked at instead of the day it was made: the same audit gives the same bytes.
    """
    import xlsxwriter

    stream = io.BytesIO()
    plain = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
             "nan_inf_to_errors": False, "in_memory": True}  # fmt: skip
    with xlsxwriter.Workbook(stream, plain) as book:
        book.set_properties(
            {
                "title": f"{audit.label}: quarterly audit {audit.quarter}",
                "created": datetime(audit.as_of.year, audit.as_of.month, audit.as_of.day),
            }
        )
        formats = {
            "head": book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"}),
            "day": book.add_format({"num_format": "yyyy-mm-dd", "align": "left"}),
            "text": book.add_format({"text_wrap": True, "valign": "top"}),
        }
        _answer(book, audit, formats)
        for name, frame in audit_frames(audit).items():
            _sheet(book, name, frame, formats)
    return stream.getvalue()


def _answer(book: Any, audit: Audit, formats: dict[str, Any]) -> None:
    sheet = book.add_worksheet("answer")
    _print_setup(sheet, landscape=False)
    sheet.set_column(0, 0, 100, formats["text"])
    lines = [
        f"{audit.label}: quarterly audit {audit.quarter} ({audit.quarter.days})",
        audit.told.answer,
        audit.told.uncertainty,
        *audit.told.first_page,
        "How far to trust this",
        *audit.told.trust,
        *audit.cautions,
    ]
    for row, line in enumerate(line for line in lines if line):
        sheet.write_string(row, 0, line, formats["head" if row < 2 else "text"])


def _sheet(book: Any, name: str, frame: pd.DataFrame, formats: dict[str, Any]) -> None:
    sheet = book.add_worksheet(name[:SHEET_NAME_LENGTH])
    _print_setup(sheet, landscape=True)
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
            sheet.write_string(row, place, entry)
    elif isinstance(entry, date):
        if entry == entry:
            sheet.write_datetime(row, place, datetime(entry.year, entry.month, entry.day), formats["day"])
    elif isinstance(entry, (int, float)) and not math.isnan(entry):
        sheet.write_number(row, place, entry)


def _print_setup(sheet: Any, *, landscape: bool) -> None:
    sheet.set_paper(9)  # A4
    if landscape:
        sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.set_footer(f"&L{EDITIONS['practice']}&RPage &P of &N")
