"""A practice's checked tables, and the planned series in them."""

from __future__ import annotations

from datetime import date
from functools import cached_property
from pathlib import Path

import numpy as np

from rungwise.basis.errors import DataProblems
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.tables.level_1 import usual_rater
from rungwise.tables.problems import ProblemReport
from rungwise.tables.read import read_tables, usable
from rungwise.tables.table import Table, TableSet


class Caseload(TableSet):
    """Checked tables with the planned probe series of every child.

    Get one from `read_caseload`. Level 1 series come from ``ratings``.
    """

    @cached_property
    def _rows(self) -> dict[str, np.ndarray]:
        """Rows of `ratings` by child, in the table's order."""
        ratings = self.tables.get("ratings")
        if ratings is None or not len(ratings):
            return {}
        by_child: dict[str, list[int]] = {}
        for row, child in enumerate(ratings["child_id"].tolist()):
            by_child.setdefault(child, []).append(row)
        return {child: np.array(rows) for child, rows in by_child.items()}

    @property
    def children(self) -> tuple[str, ...]:
        """Codes of the children with at least one planned rating, in alphabetical order."""
        return tuple(sorted(self._rows))

    def outcomes(self, child_id: str) -> tuple[str, ...]:
        """Give what was rated for a child, fear first.

        Raises
        ------
        ValueError
            If the child has no planned rating.
        """
        found = set(self._of(child_id)["outcome"].tolist())
        return tuple(sorted(found, key=lambda outcome: (outcome != "fear", outcome)))

    def ladders(self, child_id: str, outcome: str | None = None) -> tuple[str, ...]:
        """Give the ladders on which a child has planned ratings (``""`` where no ladder is named).

        Raises
        ------
        ValueError
            If the child has no planned rating, or none of that outcome.
        """
        rows = self._about(child_id, outcome)
        return tuple(sorted({ladder or "" for ladder in rows["ladder_id"].tolist()}))

    def raters(
        self, child_id: str, ladder_id: str | None = None, outcome: str | None = None
    ) -> tuple[str, ...]:
        """Give the kinds of rater of a series, the one its answer rests on first (``""``: not said)."""
        kinds = [kind or "" for kind in self._one(child_id, ladder_id, outcome)["rated_by"].tolist()]
        usual = usual_rater([kind or None for kind in kinds]) or ""
        return (usual, *sorted(set(kinds) - {usual}))

    def series(
        self,
        child_id: str,
        ladder_id: str | None = None,
        outcome: str | None = None,
        *,
        rated_by: str | None = None,
    ) -> PhaseSeries:
        r"""Give one child's planned ratings.

        Times are days since the child's first planned rating on any ladder, so that days can be
        compared between ladders, or occasion numbers where no days were recorded. Ratings by different kinds of rater are never pooled.

        Parameters
        ----------
        child_id : str
        ladder_id : str, optional
            May be left out if there is only one; ``""`` where no ladder is named.
        outcome : str, optional
            Default fear, or the only outcome there is.
        rated_by : str, optional
            Kind of rater; default the one with most ratings in this series.

        Raises
        ------
        ValueError
            Naming the argument, what there is and what came.

        Examples
        --------
        >>> import tempfile, pathlib
        >>> file = pathlib.Path(tempfile.mkdtemp(), "one.csv")
        >>> _ = file.write_text("date,phase,rating\n2026-03-04,baseline,7\n2026-03-11,exposure,5")
        >>> read_caseload(file).series("child").times.tolist()
        [0.0, 7.0]
        """
        rows = self._one(child_id, ladder_id, outcome)
        there = self.raters(child_id, ladder_id, outcome)
        if rated_by is None:
            rated_by = there[0]
        elif rated_by not in there:
            raise ValueError(_one_of("rated_by", rated_by, there))
        rows = rows.where(np.array([(kind or "") == rated_by for kind in rows["rated_by"].tolist()]))
        dates = rows["date"]
        if np.isnat(dates).any():
            times = rows["occasion"]
        else:
            times = (dates - self._of(child_id)["date"].min()).astype(float)
        order = np.lexsort((rows["trial"], times))
        rows = rows.where(order)
        name = str(rows["outcome"][0])
        scale = self.practice.scales.get(name)
        label = " ".join(part for part in (child_id, str(rows["ladder_id"][0] or "")) if part)
        return PhaseSeries(
            rows["rating"],
            rows["phase"],
            times[order],
            rows["declined"].astype(bool),
            str(rows["better"][0]),
            label=label if name == "fear" else f"{label}, {name}",
            floor=None if scale is None else scale.minimum,
            ceiling=None if scale is None else scale.maximum,
        )

    def batch(self, outcome: str | None = None) -> SeriesBatch:
        """Lay every planned series side by side, child by child and ladder by ladder.

        Parameters
        ----------
        outcome : str, optional
            Default every child's own default: fear, or the only outcome there is.
        """
        return SeriesBatch.of(
            *(
                self.series(child, ladder, outcome)
                for child in self.children
                if outcome is None or outcome in self.outcomes(child)
                for ladder in self.ladders(child, outcome)
            )
        )

    def _of(self, child_id: str) -> Table:
        if child_id not in self._rows:
            raise ValueError(_one_of("child_id", child_id, self.children))
        return self.tables["ratings"].where(self._rows[child_id])

    def _about(self, child_id: str, outcome: str | None) -> Table:
        rows = self._of(child_id)
        there = self.outcomes(child_id)
        if outcome is None:
            if len(there) > 1 and there[0] != "fear":
                raise ValueError(f"outcome must be given for {child_id}: one of {_listed(there)}.")
            outcome = there[0]
        elif outcome not in there:
            raise ValueError(_one_of("outcome", outcome, there))
        return rows.where(rows["outcome"] == outcome)

    def _one(self, child_id: str, ladder_id: str | None, outcome: str | None) -> Table:
        rows = self._about(child_id, outcome)
        there = tuple(sorted({ladder or "" for ladder in rows["ladder_id"].tolist()}))
        if ladder_id is None:
            if len(there) > 1:
                raise ValueError(f"ladder_id must be given for {child_id}: one of {_listed(there)}.")
            ladder_id = there[0]
        elif ladder_id not in there:
            raise ValueError(_one_of("ladder_id", ladder_id, there))
        return rows.where(np.array([(ladder or "") == ladder_id for ladder in rows["ladder_id"].tolist()]))


def read_caseload(path: str | Path, *, today: date | None = None) -> Caseload:
    """Read and check a folder, a CSV file, a workbook or a Parquet folder.

    Rows with errors are set aside and stand in ``caseload.report``; the rest is used. A file with
    nothing but date, phase and rating is one child, under the code ``child``.

    Parameters
    ----------
    path : str or Path
    today : date, optional
        Day after which dates are refused; default the computer's.

    Raises
    ------
    DataProblems
        If no sound row is left, or the file cannot be read; ``.report`` lists every problem.
    """
    read = read_tables(path, today=today)
    if not usable(read.tables):
        raise DataProblems(_refusal(path, read.report), read.report)
    return Caseload(read.tables, read.practice, read.report, read.inputs)


def check(path: str | Path, *, today: date | None = None) -> ProblemReport:
    """List everything wrong with a caseload, in one pass; never raises for what is in the files.

    Parameters
    ----------
    path : str or Path
    today : date, optional
        Day after which dates are refused; default the computer's.
    """
    return read_tables(path, today=today).report


def _refusal(path: str | Path, report: ProblemReport) -> str:
    if len(report.errors) == 1:
        only = report.errors[0]
        return f"{only.source}: {only.problem} {only.remedy}"
    return f"Nothing in {Path(path).name or path} can be used; the problems are listed below."


def _one_of(argument: str, value: object, there: tuple[str, ...]) -> str:
    return f"{argument} must be one of {_listed(there)}; got {value!r}."


def _listed(there: tuple[str, ...], most: int = 12) -> str:
    shown = ", ".join(repr(entry) for entry in there[:most]) or "none (there are no planned ratings)"
    return shown if len(there) <= most else f"{shown} and {len(there) - most} more"
