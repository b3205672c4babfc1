"""What the checks have found so far."""

from __future__ import annotations

from typing import Any

from rungwise.tables.problems import Problem, ProblemReport, SetAside
from rungwise.tables.rules import RULES

SHOWN = 80


class Findings:
    """Gathers problems in any order and gives them in the order of files and rows."""

    def __init__(self) -> None:
        self._problems: list[Problem] = []
        self._set_aside: list[SetAside] = []
        self._order: dict[str, int] = {}

    def __len__(self) -> int:
        return len(self._problems)

    def meet(self, source: str) -> None:
        """Fix the place of a file or sheet in the report."""
        self._order.setdefault(source, len(self._order))

    def add(
        self,
        code: str,
        source: str,
        *,
        table: str = "",
        row: int = 0,
        column: str = "",
        value: str = "",
        **facts: Any,
    ) -> None:
        """Add one broken rule; `facts` fill in the words of its sentences."""
        rule = RULES[code]
        self.meet(source)
        facts.update(table=table, row=row, column=column, value=value)
        self._problems.append(
            Problem(
                severity=rule.severity,
                table=table,
                source=source,
                row=row,
                column=column,
                value=shortened(value),
                code=code,
                problem=_sentence(rule.problem.format_map(facts)),
                remedy=_sentence(rule.remedy.format_map(facts)),
            )
        )

    def set_aside(self, row: SetAside) -> None:
        """Add one row that no analysis will see."""
        self._set_aside.append(row)

    def report(self) -> ProblemReport:
        """Give everything found, files in reading order, rows in theirs."""

        def place(entry: Problem | SetAside) -> tuple[int, int]:
            return self._order.get(entry.source, len(self._order)), entry.row

        return ProblemReport(
            tuple(sorted(self._problems, key=place)), tuple(sorted(self._set_aside, key=place))
        )


def shortened(text: str) -> str:
    """Cut long text for the page.

    Examples
    --------
    >>> len(shortened("x" * 500))
    80
    """
    return text if len(text) <= SHOWN else text[: SHOWN - 1] + "…"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
