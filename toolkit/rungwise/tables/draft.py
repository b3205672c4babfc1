"""A table while it is being checked: typed columns, what was written, and which rows are sound."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from rungwise.basis.page_numbers import count_of
from rungwise.tables.cells import FORMULA_BLANK, Parsed, empty_values, parse
from rungwise.tables.findings import Findings
from rungwise.tables.grid import TextColumn
from rungwise.tables.groups import grouped
from rungwise.tables.identity import HIDDEN, code_identity, shown
from rungwise.tables.problems import SetAside
from rungwise.tables.rules import RULES
from rungwise.tables.schema import Schema
from rungwise.tables.table import Table


@dataclass(frozen=True, eq=False)
class Part:
    """The rows of one table in one file or sheet.

    `columns` maps the schema's column names to what was written; `refused` maps the numbers of rows
    that cannot be taken to the rule they break; `said_none` is True where the file says in so many
    words that there is nothing to record; `from_1904` is True for a workbook that numbers its days
    from 1904.
    """

    source: str
    rows: np.ndarray
    columns: dict[str, TextColumn]
    decimal_comma: bool = False
    refused: Mapping[int, str] = field(default_factory=dict)
    said_none: bool = False
    from_1904: bool = False


class Draft:
    """One table under check.

    Attributes
    ----------
    schema : Schema
    values : dict of str to ndarray
        Typed columns, every column of the schema, all rows.
    rows, sources : ndarray
        Row number and file of each row.
    bad : ndarray of bool
        Rows set aside so far.
    blank : dict of str to ndarray of bool
        Cells that stand for nothing; all True for columns that are not there.
    signals : dict of str to ndarray of bool
        Rows where a word stands in place of a number, by what it says.
    """

    def __init__(self, schema: Schema, parts: Sequence[Part], findings: Findings, date_order: str = ""):
        self.schema = schema
        self.parts = tuple(parts)
        self.findings = findings
        sizes = [len(part.rows) for part in parts]
        self._starts = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
        total = int(self._starts[-1])
        self.rows = _joined([part.rows for part in parts], np.zeros(0, dtype=np.int64))
        self.sources = np.repeat(np.array([part.source for part in parts], dtype=object), sizes)
        self.bad = np.zeros(total, dtype=bool)
        self.codes: dict[int, list[str]] = {}
        self._groups: dict[tuple[str, ...], np.ndarray] = {}
        self.values: dict[str, np.ndarray] = {}
        self.blank: dict[str, np.ndarray] = {}
        self.signals: dict[str, np.ndarray] = {}
        for name in schema.fields:
            self._read(name, date_order)
        for start, part in zip(self._starts.tolist(), parts, strict=False):
            for row, code in part.refused.items():
                self.drop(code, (start + np.flatnonzero(part.rows == row)).tolist())

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def name(self) -> str:
        """Name of the table."""
        return self.schema.name

    @property
    def sound(self) -> np.ndarray:
        """Mask of the rows not set aside."""
        return ~self.bad

    def has(self, name: str) -> bool:
        """Say whether any file has the column."""
        return any(name in part.columns for part in self.parts)

    def text(self, name: str, index: int) -> str:
        """Give what stands in a cell, as written; ``""`` where there is no such column."""
        part, at = self._part(index)
        column = part.columns.get(name)
        return "" if column is None else column[at]

    def header(self, name: str, index: int) -> str:
        """Give the column's name as written in the file of a row."""
        column = self._part(index)[0].columns.get(name)
        return "" if column is None else column.header

    def present(self, name: str) -> np.ndarray:
        """Give the mask of the rows whose file has the column."""
        sizes = [len(part.rows) for part in self.parts]
        return np.repeat([name in part.columns for part in self.parts], sizes).astype(bool)

    def written(self, name: str) -> list[tuple[int, TextColumn]]:
        """Give the column as written in each file that has it, with the place of its first row."""
        return [
            (start, part.columns[name])
            for start, part in zip(self._starts.tolist(), self.parts, strict=False)
            if name in part.columns
        ]

    def require_column(self, name: str) -> None:
        """Set aside the rows of every file that lacks the column and whose cells nothing else filled."""
        field = self.schema.fields[name]
        for start, part in zip(self._starts.tolist(), self.parts, strict=False):
            rows = np.arange(start, start + len(part.rows))
            lacking = rows[self.blank[name][rows]]
            if name not in part.columns and len(lacking):
                self.findings.add(
                    "column_missing", part.source, table=self.name, title=field.title, name=name
                )
                self.drop("column_missing", lacking.tolist())

    def place_in_words(self, other: int, index: int) -> str:
        """Name another row, with its file where that is another one."""
        row = f"{self.rows[other]}"
        same = self.sources[other] == self.sources[index]
        return row if same else f"{row} of {self.sources[other]}"

    def tell(self, code: str, index: int, name: str = "", **facts: Any) -> None:
        """Report one problem at one row; an error sets the row aside."""
        value = facts.pop("value", None)
        if value is None:
            value = self.shown(name, index) if name else ""
        self.findings.add(
            code,
            str(self.sources[index]),
            table=self.name,
            row=int(self.rows[index]),
            column=self.header(name, index) if name else "",
            value=value,
            **facts,
        )
        if RULES[code].severity == "error":
            self.drop(code, [index])

    def drop(self, code: str, indices: Iterable[int]) -> None:
        """Set rows aside for a rule that was reported for all of them at once."""
        for index in indices:
            self.bad[index] = True
            self.codes.setdefault(int(index), []).append(code)

    def finish(self) -> Table:
        """Give the sound rows; hand the others to the report."""
        names = [name for name in self.schema.fields if self.has(name)]
        for index in np.flatnonzero(self.bad).tolist():
            cells = {name: self.shown(name, index) for name in names}
            self.findings.set_aside(
                SetAside(
                    self.name,
                    str(self.sources[index]),
                    int(self.rows[index]),
                    tuple(dict.fromkeys(self.codes[index])),
                    cells,
                )
            )
        if not self.bad.any():
            return Table(self.name, self.values, self.rows, self.sources)
        sound = self.sound
        columns = {name: values[sound] for name, values in self.values.items()}
        return Table(self.name, columns, self.rows[sound], self.sources[sound])

    def grouped(self, *names: str) -> np.ndarray:
        """Number the distinct combinations of some columns; kept, so their values must be final."""
        if names not in self._groups:
            self._groups[names] = grouped([self.values[name] for name in names])
        return self._groups[names]

    def shown(self, name: str, index: int) -> str:
        """Give what stands in a cell as a report may show it."""
        text = self.text(name, index).strip()
        if text == FORMULA_BLANK:
            return ""
        if self.schema.fields[name].kind == "person":
            return HIDDEN if code_identity(text) else text
        return shown(text)

    def _part(self, index: int) -> tuple[Part, int]:
        place = int(np.searchsorted(self._starts, index, side="right")) - 1
        return self.parts[place], int(index - self._starts[place])

    def _read(self, name: str, date_order: str) -> None:
        described = self.schema.fields[name]
        values, blanks = [], []
        signals: dict[str, list[np.ndarray]] = {signal: [] for signal in set(described.signals.values())}
        for start, part in zip(self._starts, self.parts, strict=False):
            column = part.columns.get(name)
            if column is None:
                values.append(empty_values(described, len(part.rows)))
                blanks.append(np.ones(len(part.rows), dtype=bool))
                for mask in signals.values():
                    mask.append(np.zeros(len(part.rows), dtype=bool))
                continue
            parsed = parse(
                column,
                described,
                self.schema,
                date_order=date_order,
                decimal_comma=part.decimal_comma,
                from_1904=part.from_1904,
            )
            values.append(parsed.values[column.codes] if len(column.texts) else parsed.values[:0])
            blanks.append(parsed.blank[column.codes] if len(column.texts) else parsed.blank[:0])
            for signal, mask in signals.items():
                by_text = parsed.signals.get(signal, np.zeros(len(column.texts), dtype=bool))
                mask.append(by_text[column.codes] if len(column.texts) else by_text)
            self._report(parsed, column, name, int(start))
        self.values[name] = _joined(values, empty_values(described, 0))
        self.blank[name] = _joined(blanks, np.zeros(0, dtype=bool))
        self.signals.update(
            {signal: _joined(mask, np.zeros(0, dtype=bool)) for signal, mask in signals.items()}
        )

    def _report(self, parsed: Parsed, column: TextColumn, name: str, start: int) -> None:
        for fault in parsed.faults:
            error = RULES[fault.code].severity == "error"
            concerned = start + np.flatnonzero(column.rows_with(fault.places or [fault.place]))
            if fault.places or not error:
                first = start + int(np.flatnonzero(column.rows_with([fault.place]))[0])
                self.tell(fault.code, first, name, count=count_of(len(concerned), "row"), **fault.facts)
                if error:
                    self.drop(fault.code, [index for index in concerned.tolist() if index != first])
            else:
                for index in concerned.tolist():
                    self.tell(fault.code, index, name, **fault.facts)


def _joined(pieces: list[np.ndarray], empty: np.ndarray) -> np.ndarray:
    if not pieces:
        return empty
    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)
