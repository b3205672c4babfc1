"""How often the intervals over cases held the truth in simulated studies, from the shipped table."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from functools import cache

from rungwise.basis.page_numbers import format_number
from rungwise.resources import PACKAGE

TABLE = PACKAGE / "data" / "study_coverage.csv"
STATISTICS = {
    "multilevel change": "the average change",
    "between-case d, reml": "the between-case difference (REML)",
    "between-case d, moment": "the between-case difference (moments)",
}


@dataclass(frozen=True)
class Coverage:
    """One row of the table.

    Attributes
    ----------
    statistic : str
    cases : int
    between, phi, effect, sd_change : float
        Share of variance between cases, autocorrelation, average change and its standard deviation
        between cases, in units of the total standard deviation of a rating.
    mean : float
        Average estimate.
    coverage : float
        Share of 95 % intervals that held `effect`.
    called : float
        Share with p < .05; without an effect the false-positive rate.
    not_estimable : float
    """

    statistic: str
    cases: int
    between: float
    phi: float
    effect: float
    sd_change: float
    mean: float
    coverage: float
    called: float
    not_estimable: float


@cache
def coverage_table() -> tuple[Coverage, ...]:
    """Read the shipped table, made by ``benchmarks/study_coverage.py``.

    Examples
    --------
    >>> len({row.cases for row in coverage_table()})
    4
    """
    lines = [
        line for line in TABLE.read_text(encoding="utf-8").splitlines(True) if not line.startswith("#")
    ]
    return tuple(
        Coverage(
            row["statistic"],
            int(row["cases"]),
            *(float(row[name]) for name in list(Coverage.__dataclass_fields__)[2:]),
        )
        for row in csv.DictReader(io.StringIO("".join(lines)))
    )


def coverage_words(cases: int) -> str:
    """Say how the intervals did in simulated studies of about so many cases.

    Parameters
    ----------
    cases : int
        The size simulated that is nearest, the smaller of two, is told.

    Examples
    --------
    >>> coverage_words(5).startswith("In simulated studies of 4 cases")
    True
    """
    sizes = sorted({row.cases for row in coverage_table()})
    size = min(sizes, key=lambda one: (abs(one - cases), one))
    told = []
    for statistic, name in STATISTICS.items():
        rows = [row for row in coverage_table() if (row.statistic, row.cases) == (statistic, size)]
        alike = [row.coverage for row in rows if row.sd_change == 0]
        apart = [row.coverage for row in rows if row.sd_change > 0]
        told.append(f"{name} {_range(alike)} ({_range(apart)})")
    return (
        f"In simulated studies of {size} cases the 95% interval held the truth, where the change was the "
        f"same in every case (and where it differed), for {'; '.join(told)}. Those ratings were normal, 20 "
        "a case, with autocorrelation 0 to .6."
    )


def _range(shares: list[float]) -> str:
    low, high = (format_number(100 * end, 0) for end in (min(shares), max(shares)))
    return f"in {low} %" if low == high else f"in {low} to {high} %"
