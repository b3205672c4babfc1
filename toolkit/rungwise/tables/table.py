"""Checked tables in memory: typed columns without a data-frame library, a frame when asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from rungwise.basis.page_numbers import count_of
from rungwise.tables.practice import Practice
from rungwise.tables.problems import ProblemReport

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, eq=False)
class Table:
    """The sound rows of one table.

    Attributes
    ----------
    name : str
        Table name, as in ``schemas/``.
    columns : Mapping[str, ndarray]
        Every column the schema declares, in schema order: text as objects (None where missing),
        numbers as float64 (NaN), dates as datetime64[D] (NaT), yes/no as objects True/False/None.
    rows : ndarray of int
        Row of each entry as the person sees it in `source` (the header is row 1).
    sources : ndarray of object
        File, or file and sheet, of each entry.
    """

    name: str
    columns: Mapping[str, np.ndarray]
    rows: np.ndarray
    sources: np.ndarray

    def __len__(self) -> int:
        return len(self.rows)

    def __getitem__(self, column: str) -> np.ndarray:
        return self.columns[column]

    def __repr__(self) -> str:
        return f"Table({self.name}: {count_of(len(self), 'row')})"

    def where(self, mask: np.ndarray) -> Table:
        """Give the rows of a mask."""
        return Table(
            self.name,
            {name: values[mask] for name, values in self.columns.items()},
            self.rows[mask],
            self.sources[mask],
        )

    @property
    def frame(self) -> pd.DataFrame:
        """The table as a data frame, indexed by the row the person sees."""
        import pandas as pd

        return pd.DataFrame(dict(self.columns), index=pd.Index(self.rows, name="row"))


@dataclass(frozen=True)
class InputFile:
    """One file that was read: its name and the SHA-256 of its bytes."""

    name: str
    sha256: str
    size: int


@dataclass(frozen=True, eq=False)
class TableSet:
    """All checked tables of one practice, with what was set aside.

    Attributes
    ----------
    tables : Mapping[str, Table]
        Only tables that were there; an absent optional table means "not recorded", never zero.
    practice : Practice
        Settings of ``practice.toml``, defaults named as defaults.
    report : ProblemReport
        Every problem found; rows with errors are not in `tables`.
    inputs : tuple of InputFile
    """

    tables: Mapping[str, Table]
    practice: Practice
    report: ProblemReport
    inputs: tuple[InputFile, ...] = field(default=())

    def __repr__(self) -> str:
        tables = ", ".join(f"{name} {len(table)}" for name, table in self.tables.items())
        return f"{type(self).__name__}({tables or 'no tables'}; {self.report.summary})"

    @property
    def level(self) -> int:
        """Recording level: 1 ratings only, 2 with observations and plans, 3 with sessions or scores."""
        if "observations" not in self.tables:
            return 1
        richer = ("sessions", "measures", "goals", "agreement", "fidelity")
        return 3 if any(name in self.tables for name in richer) else 2

    def frame(self, table: str) -> pd.DataFrame:
        """Give one table as a data frame.

        Raises
        ------
        KeyError
            If the table was not recorded.
        """
        if table not in self.tables:
            raise KeyError(
                f"The table {table!r} was not recorded here; there are: {', '.join(self.tables)}."
            )
        return self.tables[table].frame
