"""From the bytes of a CSV file to rows of texts."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from itertools import islice

from rungwise.tables import bulk
from rungwise.tables.findings import Findings, shortened
from rungwise.tables.grid import Columns, Grid
from rungwise.tables.identity import shown
from rungwise.tables.problems import SetAside

DELIMITERS = (",", ";", "\t", "|")
SAMPLE = 64 * 1024


def read_text(content: bytes, source: str, findings: Findings) -> str | None:
    r"""Decode a file: UTF-8, UTF-16, or Windows-1252 with a warning; None if it is no text.

    Examples
    --------
    >>> read_text(b"caf\xe9", "a.csv", found := Findings()), len(found)
    ('café', 1)
    """
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif b"\0" in content[:SAMPLE]:
        # UTF-16 without its mark: in Latin text every second byte is zero.
        sample = content[: min(SAMPLE, len(content) // 2 * 2)]
        encodings = [
            name
            for name, start in (("utf-16-le", 1), ("utf-16-be", 0))
            if sample[start::2].count(0) > 0.7 * len(sample) / 2
        ]
    else:
        encodings = ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        if _binary(text[:SAMPLE]):
            break
        if encoding == "cp1252":
            findings.add("encoding_assumed", source)
        return text
    findings.add("file_not_text", source)
    return None


def grid_of(
    text: str,
    source: str,
    name: str,
    known: Callable[[Sequence[str]], int],
    findings: Findings,
    content: bytes = b"",
) -> Grid:
    """Split a text into rows of cells, with the delimiter that makes most headers known.

    Parameters
    ----------
    text, source, name : str
    known : callable
        Number of known column names in a row of cells.
    findings : Findings
    content : bytes, optional
        The file as it is, for reading it in bulk if it is large and plain.
    """
    head = text[:SAMPLE].splitlines(keepends=True)[:40]
    first = 0
    delimiter = ""
    if head and head[0].strip().casefold().startswith("sep=") and len(head[0].strip()) == 5:
        # A spreadsheet's own mark; it is not shown as a row.
        delimiter, first = head[0].strip()[4], 1
        head = head[1:]
    if not delimiter:
        there = [mark for mark in DELIMITERS if any(mark in line for line in head)] or [","]
        delimiter = there[0]
        if len(there) > 1:
            delimiter = max(there, key=lambda mark: _fit(head, mark, known))
    return Grid(
        source,
        name,
        _records(text, first, delimiter, source, findings),
        decimal_comma=delimiter == ";",
        bulk=_bulk(content, delimiter) if not first else None,
    )


def _bulk(content: bytes, delimiter: str) -> Callable[[int, Sequence[str]], Columns | None] | None:
    plain = b'"' not in content and b"\r" not in content.replace(b"\r\n", b"")
    if len(content) < bulk.WORTH_IT or content.startswith(b"\xef\xbb\xbf") or not plain:
        return None
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return None
    return partial(bulk.read_bulk, content, delimiter)


def _fit(head: Sequence[str], delimiter: str, known: Callable[[Sequence[str]], int]) -> tuple[int, int]:
    try:
        rows = list(csv.reader(head, delimiter=delimiter))
    except csv.Error:
        return 0, 0
    widths = [len(row) for row in rows if any(row)]
    return max(map(known, rows), default=0), max(widths, default=0)


class _Lines:
    """Lines of a file with a place that can be set back."""

    def __init__(self, lines: list[str], place: int):
        self.lines = lines
        self.place = place

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        if self.place >= len(self.lines):
            raise StopIteration
        self.place += 1
        return self.lines[self.place - 1]


def _records(
    text: str, skip: int, delimiter: str, source: str, findings: Findings
) -> Iterator[tuple[int, Sequence[str]]]:
    number = 0
    if '"' not in text:
        reader = csv.reader(islice(_lines(text), skip, None), delimiter=delimiter)
        while True:
            number += 1
            try:
                cells = next(reader)
            except StopIteration:
                return
            except csv.Error:
                _refuse("cell_too_long", source, number, "", findings)
            else:
                yield number, cells
    lines = _Lines(list(_lines(text)), skip)
    reader = csv.reader(lines, delimiter=delimiter)
    width = 0
    while lines.place < len(lines.lines):
        start = lines.place
        number += 1
        try:
            cells = next(reader)
            spans = lines.place - start > 1
            swallowed = spans and _swallows(lines, start, delimiter, width or len(cells))
            width = width if spans else max(width, len(cells))
        except csv.Error:
            swallowed = True
        if swallowed:
            # The row where the mark opens is named, and reading goes on at the next line, so that
            # no row disappears into a cell.
            line = lines.lines[start].strip()
            _refuse("quote_open" if '"' in line else "cell_too_long", source, number, line, findings)
            lines.place = start + 1
            reader = csv.reader(lines, delimiter=delimiter)
            continue
        yield number, cells


def _refuse(code: str, source: str, row: int, line: str, findings: Findings) -> None:
    findings.add(code, source, row=row, value=shown(line))
    findings.set_aside(SetAside("", source, row, (code,), {"row": shortened(shown(line))}))


def _swallows(lines: _Lines, start: int, delimiter: str, width: int) -> bool:
    taken = lines.lines[start : lines.place]
    rows = [line.count(delimiter) >= width - 1 > 0 for line in taken]
    if any(rows[1:-1]) or (rows[0] and rows[-1]):
        return True
    return lines.place == len(lines.lines) and taken[-1].count('"') % 2 == 0


def _lines(text: str) -> Iterator[str]:
    """Give the lines of a text at ends of line alone, not at the rarer marks `splitlines` knows."""
    # The head comes first, so that looking for the header does not copy the whole file.
    head = text.find("\n", SAMPLE) + 1 or len(text)
    yield from io.StringIO(text[:head], newline="")
    if head < len(text):
        yield from io.StringIO(text[head:], newline="")


def _binary(text: str) -> bool:
    odd = sum(1 for mark in text if ord(mark) < 32 and mark not in "\t\n\r\f\v\x1a")
    return "\0" in text or odd > 0.01 * len(text)
