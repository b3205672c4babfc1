"""From the bytes of a workbook to one grid of texts per sheet."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time
from typing import Any

from rungwise.tables.cells import FORMULA_BLANK
from rungwise.tables.findings import Findings
from rungwise.tables.grid import Grid, place_of
from rungwise.tables.schema import plain

LARGEST = 512 * 1024**2
MOST_CELLS = 20_000_000
# Sheets of the project's own workbooks that hold no data.
ASIDE = frozenset(("read me", "problems", "lists"))
_CELL = re.compile(rb'<c\b[^>]*?\br="([A-Z]{1,3})(\d{1,7})"[^>]*?(?<!/)>')
_FORMULA = re.compile(
    rb'<c\b([^>]*?\br="([A-Z]{1,3})(\d{1,7})"[^>]*?)(?<!/)>((?:(?!</c>).)*?<f\b.*?)</c>', re.DOTALL
)
_VALUE = re.compile(rb"<v>[^<]|<is>")
_SHEET = re.compile(r'<(?:\w+:)?sheet\b[^>]*\bname="([^"]*)"[^>]*\br:id="([^"]*)"')
_TARGET = re.compile(r"<Relationship\b[^>]*>")
_REPEATED_ROW = re.compile(rb'number-rows-repeated="(\d{4,})"')
_REPEATED_CELL = re.compile(rb'number-columns-repeated="(\d{4,})"[^>]*(?<!/)>')


def grids(content: bytes, source: str, findings: Findings) -> list[Grid]:
    """Read every sheet that is not hidden and holds something; what prevents it is reported."""
    blank_formulas: dict[str, set[tuple[int, int]]] = {}
    from_1904 = False
    if content.startswith(b"PK"):
        sound = _unpackable(content, source, findings)
        if sound is None:
            return []
        blank_formulas = sound
        from_1904 = _counts_from_1904(content)
    from python_calamine import CalamineError, CalamineWorkbook, PasswordError, SheetVisibleEnum

    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(content))
        listed = [(sheet.name, sheet.visible == SheetVisibleEnum.Visible) for sheet in book.sheets_metadata]
        found = []
        for name, visible in listed:
            if plain(name) in ASIDE or not visible:
                continue
            rows = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
            if rows:
                blanks = blank_formulas.get(name, set())
                records = _records(rows, blanks)
                found.append(Grid(f"{source}, sheet {name}", name, records, from_1904=from_1904))
    except PasswordError:
        findings.add("file_locked", source)
        return []
    except (CalamineError, OSError, ValueError) as error:
        findings.add(
            "file_broken", source, reason=f"it is no workbook that can be opened ({_short(error)})"
        )
        return []
    if not found:
        findings.add("file_empty", source)
    return found


def text_of(value: Any) -> str:
    """Write a cell's value as a person would have typed it into a text file.

    Examples
    --------
    >>> text_of(7.0), text_of(7.5), text_of(datetime(2026, 3, 4)), text_of(True), text_of(None)
    ('7', '7.5', '2026-03-04', 'true', '')
    """
    if isinstance(value, str):
        return value
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        value = value.replace(tzinfo=None)
        return value.date().isoformat() if value.time() == time() else value.isoformat(" ", "seconds")
    if isinstance(value, date):
        return value.isoformat()
    return str(value)


def _records(rows: list[list[Any]], blanks: set[tuple[int, int]]) -> Iterator[tuple[int, Sequence[str]]]:
    if not blanks:
        for number, row in enumerate(rows, start=1):
            yield number, [text_of(value) for value in row]
        return
    height = max(len(rows), *(row for row, _ in blanks))
    width = max(len(rows[0]), *(column + 1 for _, column in blanks))
    for number in range(1, height + 1):
        row = rows[number - 1] if number <= len(rows) else []
        texts = [text_of(value) for value in row] + [""] * (width - len(row))
        for column in range(width):
            if (number, column) in blanks and not texts[column]:
                texts[column] = FORMULA_BLANK
        yield number, texts


def _unpackable(content: bytes, source: str, findings: Findings) -> dict[str, set[tuple[int, int]]] | None:
    """Unpack with a limit, before any reader that has none; give the formulas without a value.

    A workbook is a zip archive of XML: a small file can unpack to fill the memory, and a single
    cell in the last corner of a sheet makes a dense reader set aside room for all the others.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            size = sum(entry.file_size for entry in archive.infolist())
            if size > LARGEST:
                findings.add("file_too_big", source, size=f"{size / 1024**2:,.0f} MB")
                return None
            # Sizes that lie do not pass the checksums, which are only reached by reading to the end.
            damaged = archive.testzip()
            if damaged is not None:
                findings.add(
                    "file_broken", source, reason=f"its part {damaged} does not match its checksum"
                )
                return None
            names = archive.namelist()
            if "content.xml" in names:
                return {} if _modest(archive.read("content.xml"), source, findings) else None
            formulas: dict[str, set[tuple[int, int]]] = {}
            for sheet, part in _sheet_parts(archive, names):
                xml = archive.read(part)
                cells = [(place_of(letters.decode()), int(row)) for letters, row in _CELL.findall(xml)]
                if cells and (max(c for c, _ in cells) + 1) * max(r for _, r in cells) > MOST_CELLS:
                    findings.add(
                        "file_too_big", f"{source}, sheet {sheet}", size=f"more than {MOST_CELLS:,} cells"
                    )
                    return None
                if b"<f" in xml:
                    formulas[sheet] = {
                        (int(row), place_of(letters.decode()))
                        for kind, letters, row, body in _FORMULA.findall(xml)
                        if b't="str"' not in kind and not _VALUE.search(body)
                    }
            return formulas
    except RuntimeError:
        findings.add("file_locked", source)
    except (
        zipfile.BadZipFile,
        zipfile.LargeZipFile,
        EOFError,
        OSError,
        NotImplementedError,
        ValueError,
    ) as error:
        findings.add(
            "file_broken", source, reason=f"it is no workbook that can be opened ({_short(error)})"
        )
    return None


def _sheet_parts(archive: zipfile.ZipFile, names: list[str]) -> Iterator[tuple[str, str]]:
    """Pair each sheet's name with the part of the archive that holds it."""
    if "xl/workbook.xml" not in names or "xl/_rels/workbook.xml.rels" not in names:
        return
    from html import unescape

    targets = {}
    for link in _TARGET.findall(archive.read("xl/_rels/workbook.xml.rels").decode("utf-8", "replace")):
        attributes = dict(re.findall(r'(\w+)="([^"]*)"', link))
        targets[attributes.get("Id", "")] = attributes.get("Target", "")
    for name, link in _SHEET.findall(archive.read("xl/workbook.xml").decode("utf-8", "replace")):
        target = targets.get(link, "")
        part = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
        if part in names:
            yield unescape(name), part


def _counts_from_1904(content: bytes) -> bool:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        if "xl/workbook.xml" not in archive.namelist():
            return False
        return bool(re.search(rb'date1904="(1|true)"', archive.read("xl/workbook.xml")))


def _modest(xml: bytes, source: str, findings: Findings) -> bool:
    """Say whether an OpenDocument sheet repeats filled cells or rows only in modest numbers."""
    for row in xml.split(b"<table:table-row")[1:]:
        filled = b"office:value" in row or b"<text:p" in row
        many = [int(times) for times in _REPEATED_ROW.findall(row.split(b">", 1)[0])]
        if (filled and many) or _REPEATED_CELL.search(row):
            findings.add("file_too_big", source, size="thousands of copies of one cell")
            return False
    return True


def _short(error: Exception) -> str:
    return str(error).strip().rstrip(".").split("\n")[0][:100] or type(error).__name__
