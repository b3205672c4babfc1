"""One row per problem, written for the person who has to put it right."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from rungwise.basis.page_numbers import count_of

if TYPE_CHECKING:
    import pandas as pd

FIELDS = ("severity", "table", "source", "row", "column", "value", "code", "problem", "remedy")


@dataclass(frozen=True, order=True, slots=True)
class Problem:
    """One thing wrong in one place.

    Attributes
    ----------
    severity : str
        ``"error"`` sets the row aside; ``"warning"`` sets nothing aside.
    table : str
        Table of the schema, ``""`` if it could not be told.
    source : str
        File, or file and sheet.
    row : int
        Row as a spreadsheet numbers it (titles, header and blank rows count); 0 when it concerns the
        whole file or column.
    column : str
        Column as written in the file; ``""`` when it concerns the whole row.
    value : str
        What stands there.
    code : str
        Rule code, stable between versions.
    problem : str
        What is wrong, in one sentence.
    remedy : str
        How to put it right, in one sentence.
    """

    severity: str
    table: str
    source: str
    row: int
    column: str
    value: str
    code: str
    problem: str
    remedy: str


@dataclass(frozen=True, eq=False, slots=True)
class SetAside:
    """One row that no analysis sees, as it was written.

    Attributes
    ----------
    table, source : str
    row : int
        Row as the person sees it.
    codes : tuple of str
        Codes of the rules it breaks.
    cells : Mapping[str, str]
        What stands in it, by column name of the schema; entries that look like a person's
        identity are left out.
    """

    table: str
    source: str
    row: int
    codes: tuple[str, ...]
    cells: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class ProblemReport:
    """Every problem of one reading, in the order of files and rows.

    Attributes
    ----------
    problems : tuple of Problem
    set_aside : tuple of SetAside
        Every row that errors keep out of the analyses.
    """

    problems: tuple[Problem, ...] = ()
    set_aside: tuple[SetAside, ...] = ()

    def __len__(self) -> int:
        return len(self.problems)

    def __iter__(self) -> Iterator[Problem]:
        return iter(self.problems)

    def __repr__(self) -> str:
        return f"ProblemReport({self.summary})"

    @property
    def summary(self) -> str:
        """How much was found, in a few words.

        Examples
        --------
        >>> ProblemReport().summary
        'no problems'
        """
        errors, warnings = len(self.errors), len(self.warnings)
        aside = f" ({count_of(self.rows_set_aside, 'row')} set aside)" if self.rows_set_aside else ""
        parts = [f"{count_of(errors, 'error')}{aside}"] if errors else []
        parts += [f"{count_of(warnings, 'warning')} (nothing set aside)"] if warnings else []
        return " and ".join(parts) or "no problems"

    @property
    def errors(self) -> tuple[Problem, ...]:
        """Problems that set their row (or file) aside."""
        return tuple(problem for problem in self.problems if problem.severity == "error")

    @property
    def warnings(self) -> tuple[Problem, ...]:
        """Problems that set nothing aside."""
        return tuple(problem for problem in self.problems if problem.severity == "warning")

    @property
    def ok(self) -> bool:
        """True when there is no error."""
        return not self.errors

    @property
    def rows_set_aside(self) -> int:
        """Rows that do not enter any analysis."""
        return len(self.set_aside)

    @property
    def table(self) -> pd.DataFrame:
        """The report as a data frame with the columns `FIELDS`."""
        import pandas as pd

        return pd.DataFrame(
            [[getattr(problem, name) for name in FIELDS] for problem in self.problems], columns=list(FIELDS)
        )
