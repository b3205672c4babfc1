"""A problem report as a person wants to read it, and as a CSV file."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from itertools import groupby
from pathlib import Path

from rungwise.tables.outgoing import inert
from rungwise.tables.problems import FIELDS, Problem, ProblemReport
from rungwise.tables.whole_files import check_new, write_files

SHOWN_PER_PROBLEM = 4


def report_lines(report: ProblemReport, *, every: bool = False) -> list[str]:
    """Write the report as lines of text: a summary, then each file with its rows in order.

    Rows of one file that share a rule and a column are gathered after the first few, and columns
    that share a rule after the first, unless `every` is set; the number gathered is always said, so
    nothing is hidden.

    Examples
    --------
    >>> report_lines(ProblemReport())
    ['No problems found.']
    """
    if not report.problems:
        return ["No problems found."]
    lines = [report.summary + "."]
    for source, problems in groupby(report, key=lambda problem: problem.source):
        lines += ["", source]
        lines += _source_lines(list(problems), every)
    return lines


def write_csv(report: ProblemReport, path: Path) -> None:
    """Write one row per problem, with the columns `FIELDS`.

    Raises
    ------
    FileExistsError
        If the file is there already.
    NotWritten
        If the disk is full or the folder may not be written to.
    """
    check_new(path)
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(FIELDS)
    writer.writerows([inert(str(getattr(problem, name))) for name in FIELDS] for problem in report)
    write_files({path: out.getvalue()})


def _source_lines(problems: list[Problem], every: bool) -> list[str]:
    same: dict[tuple[str, str, str, bool], list[Problem]] = {}
    for problem in problems:
        same.setdefault(_kind(problem), []).append(problem)
    lines = []
    for problem in problems:
        group = same[_kind(problem)]
        place = group.index(problem)
        shown = SHOWN_PER_PROBLEM if problem.row else 1 if problem.column else len(group)
        if every or len(group) <= shown + 1 or place < shown:
            lines.append(_line(problem))
        elif place == shown:
            rest = group[shown:]
            lines.append(f"  … and {len(rest)} more like it, {_places(rest)}")
    return lines


def _kind(problem: Problem) -> tuple[str, str, str, bool]:
    """Give what problems told together share; those of whole columns differ only in the column."""
    whole = not problem.row and bool(problem.column)
    return problem.code, "" if whole else problem.column, problem.severity, whole


def _places(problems: list[Problem]) -> str:
    if problems[0].row:
        return "in " + _rows(problem.row for problem in problems)
    return "in columns " + ", ".join(problem.column for problem in problems)


def _line(problem: Problem) -> str:
    place = [f"row {problem.row}"] if problem.row else []
    place += [f"column {problem.column}"] if problem.column else []
    what = f"“{problem.value}”: " if problem.value else ""
    where = ", ".join(place)
    kind = "" if problem.severity == "error" else "warning, "
    return (
        f"  {kind}{where + ': ' if where else ''}{what}{problem.problem} {problem.remedy} [{problem.code}]"
    )


def _rows(rows: Iterable[int]) -> str:
    """Write row numbers as runs.

    Examples
    --------
    >>> _rows([3, 4, 5, 9])
    'rows 3-5, 9'
    """
    runs: list[list[int]] = []
    for row in sorted(set(rows)):
        if runs and row == runs[-1][1] + 1:
            runs[-1][1] = row
        else:
            runs.append([row, row])
    return "rows " + ", ".join(f"{low}-{high}" if high > low else str(low) for low, high in runs)
