"""A table as written: rows of texts, before anything is understood."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice

import numpy as np

from rungwise.tables.groups import Places

CHUNK = 20_000


@dataclass(frozen=True, eq=False)
class Grid:
    """Rows of texts with the numbers a person sees beside them.

    Attributes
    ----------
    source : str
        File, or file and sheet.
    name : str
        File stem or sheet name, which may name the table.
    records : iterable of (int, sequence of str)
        Row number (from 1, blank rows counted) and the texts of its cells.
    decimal_comma : bool
        True where commas cannot separate columns, so that they are decimal points.
    from_1904 : bool
        True for a workbook that numbers its days from 1904.
    bulk : callable, optional
        Gives all rows below row number `skip` at once, for large files whose rows are all alike;
        None from it means that they are not, and that `records` must be read.
    """

    source: str
    name: str
    records: Iterable[tuple[int, Sequence[str]]]
    decimal_comma: bool = False
    from_1904: bool = False
    bulk: Callable[[int, Sequence[str]], Columns | None] | None = None


@dataclass(frozen=True, eq=False)
class TextColumn:
    """One column as written, each distinct text kept once.

    Attributes
    ----------
    header : str
        The column's name as written.
    letter : str
        Its letter in a spreadsheet.
    codes : ndarray of int32
        Place in `texts` of each row's entry.
    texts : list of str
        The distinct texts.
    """

    header: str
    letter: str
    codes: np.ndarray
    texts: list[str]

    def __getitem__(self, row: int) -> str:
        return self.texts[self.codes[row]]

    def where(self, mask: np.ndarray) -> TextColumn:
        """Give the rows of a mask, with the texts that stand in them."""
        codes = self.codes[mask]
        used = np.zeros(len(self.texts), dtype=bool)
        used[codes] = True
        renumbered = np.cumsum(used, dtype=np.int32) - 1
        texts = [text for text, kept in zip(self.texts, used.tolist(), strict=True) if kept]
        return TextColumn(self.header, self.letter, renumbered[codes].astype(np.int32), texts)

    def rows_with(self, wanted: Iterable[int]) -> np.ndarray:
        """Give the mask of the rows whose text stands at one of some places of `texts`."""
        chosen = np.zeros(len(self.texts) + 1, dtype=bool)
        chosen[list(wanted)] = True
        return chosen[self.codes]


@dataclass(frozen=True, eq=False)
class Columns:
    """All columns of one file or sheet, with the row number of every row kept.

    `overlong` lists the rows that had more cells than the header, with what was too much.
    """

    rows: np.ndarray
    columns: tuple[TextColumn, ...]
    overlong: tuple[tuple[int, str], ...] = field(default=())

    def where(self, mask: np.ndarray) -> Columns:
        """Give the rows of a mask."""
        columns = tuple(column.where(mask) for column in self.columns)
        return Columns(self.rows[mask], columns, self.overlong)


def gather(records: Iterator[tuple[int, Sequence[str]]], headers: Sequence[str]) -> Columns:
    """Gather rows into columns, each distinct text kept once; wholly blank rows are left out.

    Works through the rows in chunks, so memory grows with the number of distinct texts and four
    bytes a cell, not with the text of the file.
    """
    width = len(headers)
    places = [Places() for _ in headers]
    parts: list[list[np.ndarray]] = [[] for _ in headers]
    rows: list[np.ndarray] = []
    overlong: list[tuple[int, str]] = []
    while chunk := list(islice(records, CHUNK)):
        numbers = [number for number, _ in chunk]
        texts = [cells for _, cells in chunk]
        if set(map(len, texts)) != {width}:
            texts = [_fitted(number, cells, width, overlong) for number, cells in chunk]
        rows.append(np.array(numbers, dtype=np.int64))
        for i, cells in enumerate(zip(*texts, strict=True)):
            parts[i].append(np.fromiter(map(places[i].__getitem__, cells), np.int32, len(chunk)))
    columns = [
        TextColumn(
            header, letter_of(i), np.concatenate(part) if part else np.zeros(0, np.int32), list(place)
        )
        for i, (header, part, place) in enumerate(zip(headers, parts, places, strict=True))
    ]
    numbers_all = np.concatenate(rows) if rows else np.zeros(0, dtype=np.int64)
    return without_blank_rows(Columns(numbers_all, tuple(columns), tuple(overlong)))


def without_blank_rows(columns: Columns) -> Columns:
    """Leave out the rows in which nothing stands."""
    filled = np.zeros(len(columns.rows), dtype=bool)
    for column in columns.columns:
        filled |= column.rows_with(i for i, text in enumerate(column.texts) if text and not text.isspace())
    return columns if filled.all() else columns.where(filled)


def letter_of(place: int) -> str:
    """Give the letter a spreadsheet shows for a column.

    Examples
    --------
    >>> letter_of(0), letter_of(27)
    ('A', 'AB')
    """
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def place_of(letters: str) -> int:
    """Give the place of a column from its letter.

    Examples
    --------
    >>> place_of("A"), place_of("AB")
    (0, 27)
    """
    place = 0
    for letter in letters:
        place = 26 * place + ord(letter) - 64
    return place - 1


def _fitted(
    number: int, cells: Sequence[str], width: int, overlong: list[tuple[int, str]]
) -> Sequence[str]:
    if len(cells) > width:
        extra = [cell for cell in cells[width:] if cell.strip()]
        if extra:
            overlong.append((number, extra[0]))
        return cells[:width]
    return [*cells, *[""] * (width - len(cells))]
