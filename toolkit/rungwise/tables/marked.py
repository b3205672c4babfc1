"""A copy of the files with every problem marked in its cell and explained."""

from __future__ import annotations

import errno
import gc
import io
import os
import re
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rungwise.tables.delimited import grid_of, read_text
from rungwise.tables.files import FileFound, find_files, kind_of, read_bytes
from rungwise.tables.findings import Findings
from rungwise.tables.header import SEARCHED, known_columns
from rungwise.tables.problems import FIELDS, Problem, ProblemReport
from rungwise.tables.schema import tidy
from rungwise.tables.whole_files import check_new, plain_errors, write_files

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.cell import Cell
    from openpyxl.worksheet.worksheet import Worksheet

# Light enough to read black text on, and apart in gray.
ERROR, WARNING = "FFF2A99E", "FFFCEFC3"
SHEET = "Problems"
_TITLES = {
    "severity": "Kind", "table": "Table", "source": "Where", "row": "Row", "column": "Column",
    "value": "Value", "code": "Rule", "problem": "What is wrong", "remedy": "How to put it right",
}  # fmt: skip
_ILLEGAL = dict.fromkeys(n for n in range(32) if n not in (9, 10, 13))


def write_marked_copy(path: str | Path, report: ProblemReport, to: str | Path) -> Path:
    """Write a workbook that shows every problem where it is; what was read stays untouched.

    A workbook is copied with its own formats; CSV files become one sheet each. Cells with problems
    are colored (errors darker than warnings) and bear a comment; the first sheet lists all problems
    with a link to each cell. When the copy is read in turn, that list is not read.

    Parameters
    ----------
    path : str or Path
        What was checked: a folder of CSV files, a CSV file or a workbook.
    report : ProblemReport
        From `check` of the same path.
    to : str or Path
        New file, ending in .xlsx.

    Raises
    ------
    ValueError
        If `to` does not end in .xlsx, or nothing in `path` can be marked (Parquet, files that
        cannot be read).
    FileExistsError
        If `to` is there already.
    NotWritten
        If the disk is full or the folder may not be written to.
    """
    path, to = Path(path), Path(to)
    if to.suffix.casefold() != ".xlsx":
        raise ValueError(f"to must end in .xlsx; got {to.name!r}.")
    check_new(to)
    book, sources = _copy(path)
    if not sources:
        raise ValueError(f"{path.name} holds no CSV file or workbook that can be opened and marked.")
    places = _mark(sources, report)
    _list(book, report, places)
    write_files({to: _content(book, to)})
    return to


def _content(book: Workbook, to: Path) -> bytes:
    """Give the workbook as bytes; its parts are gathered in temporary files, so the disk matters."""
    content = io.BytesIO()
    refused: int | None = None
    # A writer that could not finish complains once more when it is thrown away, so that is done here.
    hook, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        book.save(content)
    except OSError as error:
        refused = error.errno
    except Exception as error:
        # The XML library names what the system said in an error of its own.
        said = re.search(r"\bIO_(E[A-Z]+)\b", str(error))
        if said is None:
            raise
        refused = getattr(errno, said[1], errno.EIO)
    finally:
        if refused is not None:
            gc.collect()
        sys.unraisablehook = hook
    if refused is not None:
        with plain_errors(to):
            raise OSError(refused, os.strerror(refused), tempfile.gettempdir())
    return content.getvalue()


def _copy(path: Path) -> tuple[Workbook, dict[str, Worksheet]]:
    """Copy what can be marked; give the sheet that stands for each source of the report."""
    from openpyxl import Workbook

    silent = Findings()
    files, _ = find_files(path, silent)
    sources: dict[str, Worksheet] = {}
    book: Workbook | None = None
    for file in files:
        read = read_bytes(file, silent)
        kind = kind_of(read[0], file, silent) if read else None
        if read and kind == "workbook" and len(files) == 1 and read[0].startswith(b"PK"):
            opened = _opened(read[0])
            if opened is None:
                continue
            return opened, {f"{file.name}, sheet {sheet.title}": sheet for sheet in opened.worksheets}
        if read and kind == "text":
            if book is None:
                book = Workbook()
                book.remove(book.worksheets[0])
            sources[file.name] = _text_sheet(book, read[0], file)
    return book or Workbook(), sources


def _opened(content: bytes) -> Workbook | None:
    from openpyxl import load_workbook

    try:
        return load_workbook(io.BytesIO(content))
    except Exception:  # openpyxl raises whatever its parts raise on a damaged file
        return None


def _text_sheet(book: Workbook, content: bytes, file: FileFound) -> Worksheet:
    silent = Findings()
    sheet = book.create_sheet(_sheet_name(book, file.path.stem))
    text = read_text(content, file.name, silent) or ""
    grid = grid_of(text, file.name, file.path.stem, lambda cells: known_columns(cells, file.table), silent)
    for row, cells in grid.records:
        for place, cell in enumerate(cells, start=1):
            if cell:
                _put(sheet.cell(row, place), cell)
    # A line that broke the reading off is no record; its text still belongs to the copy.
    for problem in silent.report():
        if problem.row and sheet.cell(problem.row, 1).value is None:
            _put(sheet.cell(problem.row, 1), problem.value)
    for column in sheet.columns:
        longest = max((len(str(cell.value)) for cell in column if cell.value is not None), default=0)
        sheet.column_dimensions[column[0].column_letter].width = min(max(longest + 2, 8), 40)
    _fit_page(sheet)
    return sheet


def _sheet_name(book: Workbook, stem: str) -> str:
    name = "".join(mark if mark not in "[]:*?/\\" else "_" for mark in stem)[:31] or "table"
    return name if name not in book.sheetnames else f"{name[:28]}_{len(book.sheetnames)}"


def _mark(sources: dict[str, Worksheet], report: ProblemReport) -> dict[int, str]:
    """Color and explain the cells; give the address of each problem's cell by its place in the report."""
    from openpyxl.comments import Comment
    from openpyxl.styles import PatternFill

    together: dict[tuple[str, str], list[Problem]] = {}
    places: dict[int, str] = {}
    for number, problem in enumerate(report):
        sheet = sources.get(problem.source)
        if sheet is None:
            continue
        cells = list(_cells(sheet, problem))
        if not cells:
            continue
        places[number] = f"'{sheet.title}'!{cells[0].coordinate}"
        color = ERROR if problem.severity == "error" else WARNING
        for cell in cells:
            if cell.fill.fgColor.rgb != ERROR:
                cell.fill = PatternFill("solid", start_color=color)
        together.setdefault((problem.source, cells[0].coordinate), []).append(problem)
    for (source, address), problems in together.items():
        cell = sources[source][address]
        lines = [cell.comment.text] if cell.comment else []
        lines += [f"{p.severity.capitalize()}: {p.problem} {p.remedy}" for p in problems]
        cell.comment = Comment("\n".join(lines), "rungwise", width=340, height=60 + 50 * len(problems))
    return places


def _cells(sheet: Worksheet, problem: Problem) -> Iterator[Cell]:
    """Give the cell a problem is about: in its row, or the column's name, or the whole row."""
    place = _column(sheet, problem.column) if problem.column else None
    if place is not None:
        row = problem.row or place[0]
        yield sheet.cell(row, place[1])
    elif problem.row:
        filled = [cell for cell in sheet[problem.row] if cell.value is not None]
        yield from filled or [sheet.cell(problem.row, 1)]


def _column(sheet: Worksheet, name: str) -> tuple[int, int] | None:
    """Find where a column's name stands: row and column, both from 1."""
    last = None
    for row in sheet.iter_rows(min_row=1, max_row=min(sheet.max_row, SEARCHED)):
        for cell in row:
            text = tidy(str(cell.value)) if cell.value is not None else ""
            if text == name:
                return cell.row, cell.column
            if text and name.endswith(f" {text}"):
                last = (cell.row, cell.column)
    return last


def _list(book: Workbook, report: ProblemReport, places: dict[int, str]) -> None:
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.worksheet.hyperlink import Hyperlink

    if SHEET in book.sheetnames:
        book.remove(book[SHEET])
    sheet = book.create_sheet(SHEET, 0)
    widths = {"problem": 50, "remedy": 46, "source": 20, "value": 18, "column": 16, "code": 18, "row": 7}
    for place, name in enumerate(FIELDS, start=1):
        cell = sheet.cell(1, place, _TITLES[name])
        cell.font = Font(bold=True)
        sheet.column_dimensions[cell.column_letter].width = widths.get(name, 11)
    for number, problem in enumerate(report):
        row = number + 2
        lines = 1
        for place, name in enumerate(FIELDS, start=1):
            text = str(getattr(problem, name))
            cell = sheet.cell(row, place)
            if text and (name, text) != ("row", "0"):
                _put(cell, text)
            cell.alignment = Alignment(wrap_text=True, vertical="top")
            lines = max(lines, -(-len(text) // (widths.get(name, 11) - 2)))
        sheet.row_dimensions[row].height = 14 * lines
        color = ERROR if problem.severity == "error" else WARNING
        sheet.cell(row, 1).fill = PatternFill("solid", start_color=color)
        where = sheet.cell(row, FIELDS.index("row" if problem.row else "column") + 1)
        if number in places and where.value is not None:
            where.hyperlink = Hyperlink(where.coordinate, location=places[number], display=where.value)
            where.font = Font(underline="single")
    if not len(report):
        sheet.cell(2, 1, "No problems found.")
    sheet.freeze_panes = "A2"
    _fit_page(sheet)
    book.active = 0


def _fit_page(sheet: Worksheet) -> None:
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows = "1:1"
    sheet.oddHeader.right.text = "Confidential"


def _put(cell: Cell, text: Any) -> None:
    """Write text as text: a cell that begins with = must not become a formula."""
    cell.value = str(text).translate(_ILLEGAL)[:32_000]
    cell.data_type = "s"
