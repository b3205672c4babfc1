"""A practice's checked tables, and the planned series in them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from rungwise.basis.errors import DataProblems
from rungwise.basis.page_numbers import count_of
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.series.planned import FEAR, planned_ratings
from rungwise.tables.level_1 import usual_rater
from rungwise.tables.practice import Practice
from rungwise.tables.problems import ProblemReport
from rungwise.tables.read import read_tables, usable
from rungwise.tables.table import Table, TableSet

if TYPE_CHECKING:
    import pandas as pd


class Caseload(TableSet):
    """Checked tables with the planned series of every child.

    Get one from `read_caseload`. Planned ratings are the rows of ``ratings`` (level 1) and the
    probes of ``observations`` (from level 2); `planned` holds both in one form.
    """

    @cached_property
    def planned(self) -> Table:
        """All planned ratings, from whichever tables hold them (see `planned_ratings`)."""
        return planned_ratings(self.tables, self.practice)

    @cached_property
    def _by_child(self) -> dict[str, np.ndarray]:
        by_child: dict[str, list[int]] = {}
        for row, child in enumerate(self.planned["child_id"].tolist()):
            by_child.setdefault(child, []).append(row)
        return {child: np.array(rows) for child, rows in by_child.items()}

    @cached_property
    def _ladder_names(self) -> np.ndarray:
        return np.array([ladder or "" for ladder in self.planned["ladder_id"].tolist()], dtype=object)

    @cached_property
    def _raters(self) -> np.ndarray:
        return np.array([kind or "" for kind in self.planned["rated_by"].tolist()], dtype=object)

    @property
    def children(self) -> tuple[str, ...]:
        """Codes of the children with at least one planned rating, in alphabetical order."""
        return tuple(sorted(self._by_child))

    def outcomes(self, child_id: str) -> tuple[str, ...]:
        """Give what was rated for a child, fear first.

        Raises
        ------
        ValueError
            If the child has no planned rating.
        """
        found = set(self.planned["outcome"][self._of(child_id)].tolist())
        return tuple(sorted(found, key=lambda outcome: (outcome != FEAR, outcome)))

    def ladders(
        self, child_id: str, outcome: str | None = None, *, trained: bool | None = None
    ) -> tuple[str, ...]:
        """Give the ladders on which a child has planned ratings (``""`` where no ladder is named).

        Parameters
        ----------
        child_id : str
        outcome : str, optional
            Default fear, or the only outcome there is.
        trained : bool, optional
            True for the ladders that are practiced, False for those that show generalization;
            default both.

        Raises
        ------
        ValueError
            If the child has no planned rating, or none of that outcome.
        """
        rows = self._about(child_id, outcome)
        if trained is not None:
            rows = rows[self.planned["trained"][rows] == trained]
        return tuple(sorted(set(self._ladder_names[rows].tolist())))

    def probe_steps(
        self, child_id: str, ladder_id: str | None = None, outcome: str | None = None
    ) -> tuple[float, ...]:
        """Give the steps probed on a ladder, the primary one first; none where steps are not recorded."""
        return self._probed(self._on(child_id, ladder_id, outcome))

    def _probed(self, rows: np.ndarray) -> tuple[float, ...]:
        steps, primary = self.planned["probe_step"][rows], self.planned["primary"][rows]
        found = {step for step in set(steps.tolist()) if step == step}
        first = {step for step in set(steps[primary].tolist()) if step == step}
        return tuple(sorted(found, key=lambda step: (step not in first, step)))

    def raters(
        self,
        child_id: str,
        ladder_id: str | None = None,
        outcome: str | None = None,
        probe_step: float | None = None,
    ) -> tuple[str, ...]:
        """Give the kinds of rater of a series, the one its answer rests on first (``""``: not said)."""
        return self._rating(self._at(child_id, ladder_id, outcome, probe_step))

    def _rating(self, rows: np.ndarray) -> tuple[str, ...]:
        kinds = self._raters[rows].tolist()
        usual = usual_rater([kind or None for kind in kinds]) or ""
        return (usual, *sorted(set(kinds) - {usual}))

    def series(
        self,
        child_id: str,
        ladder_id: str | None = None,
        outcome: str | None = None,
        *,
        probe_step: float | None = None,
        rated_by: str | None = None,
    ) -> PhaseSeries:
        r"""Give one child's planned ratings on one ladder.

        Times are days since the first rating of the series, or occasion numbers where no days were
        recorded. Ratings of different steps or by different kinds of rater are never pooled. Several
        trials of a day stand one after the other at the same time.

        Parameters
        ----------
        child_id : str
        ladder_id : str, optional
            May be left out if there is only one; ``""`` where no ladder is named.
        outcome : str, optional
            Default fear, or the only outcome there is.
        probe_step : float, optional
            Default the primary probe step, or the only one; without a plan it must be given where
            several steps were probed.
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
        rows = self._at(child_id, ladder_id, outcome, probe_step)
        there = self._rating(rows)
        if rated_by is None:
            rated_by = there[0]
        elif rated_by not in there:
            raise ValueError(_one_of("rated_by", rated_by, there))
        planned = self.planned
        rows = rows[self._raters[rows] == rated_by]
        dates = planned["date"][rows]
        starts_on = None
        if np.isnat(dates).any():
            times = planned["occasion"][rows]
        else:
            starts_on = dates.min().astype("datetime64[D]").astype(object)
            times = (dates - dates.min()).astype(float)
        order = np.lexsort((planned["trial"][rows], times))
        rows, times = rows[order], times[order]
        first = rows[0]
        name = planned["outcome"][first]
        ladder = planned["ladder_id"][first]
        return PhaseSeries(
            planned["rating"][rows],
            planned["phase"][rows],
            times,
            planned["declined"][rows],
            planned["better"][first],
            label=" ".join(part for part in (child_id, ladder) if part)
            + (f", {name}" if name != FEAR else ""),
            floor=_end(planned["floor"][first]),
            ceiling=_end(planned["ceiling"][first]),
            starts_on=starts_on,
        )

    def batch(self, outcome: str | None = None, *, trained: bool | None = None) -> SeriesBatch:
        """Lay every planned series side by side, child by child and ladder by ladder.

        Each ladder gives one series, at its primary probe step and by its usual kind of rater.

        Parameters
        ----------
        outcome : str, optional
            Default every child's own default: fear, or the only outcome there is.
        trained : bool, optional
            True for ladders that are practiced, False for those that are not; default both.
        """
        return SeriesBatch.of(
            *(
                self.series(child, ladder, outcome)
                for child in self.children
                if outcome is None or outcome in self.outcomes(child)
                for ladder in self.ladders(child, outcome, trained=trained)
            )
        )

    def _of(self, child_id: str) -> np.ndarray:
        if not self._by_child:
            raise ValueError(f"child_id {child_id!r} cannot be found: no planned ratings were recorded.")
        if child_id not in self._by_child:
            raise ValueError(_one_of("child_id", child_id, self.children))
        return self._by_child[child_id]

    def _about(self, child_id: str, outcome: str | None) -> np.ndarray:
        rows = self._of(child_id)
        there = self.outcomes(child_id)
        if outcome is None:
            if len(there) > 1 and there[0] != FEAR:
                raise ValueError(f"outcome must be given for {child_id}: one of {_listed(there)}.")
            outcome = there[0]
        elif outcome not in there:
            raise ValueError(_one_of("outcome", outcome, there))
        return rows[self.planned["outcome"][rows] == outcome]

    def _on(self, child_id: str, ladder_id: str | None, outcome: str | None) -> np.ndarray:
        rows = self._about(child_id, outcome)
        ladders = self._ladder_names[rows]
        there = tuple(sorted(set(ladders.tolist())))
        if ladder_id is None:
            if len(there) > 1:
                raise ValueError(
                    f"ladder_id (--ladder on the command line) must be given for {child_id}: one of "
                    f"{_listed(there)}."
                )
            ladder_id = there[0]
        elif ladder_id not in there:
            raise ValueError(_one_of("ladder_id", ladder_id, there))
        return rows[ladders == ladder_id]

    def _at(
        self, child_id: str, ladder_id: str | None, outcome: str | None, probe_step: float | None
    ) -> np.ndarray:
        rows = self._on(child_id, ladder_id, outcome)
        steps = self.planned["probe_step"][rows]
        there = self._probed(rows)
        if probe_step is None:
            if len(there) < 2:
                return rows
            primary = {step for step in steps[self.planned["primary"][rows]].tolist() if step == step}
            if len(primary) != 1:
                raise ValueError(f"probe_step must be given for {child_id}: one of {_listed(there)}.")
            probe_step = primary.pop()
        elif probe_step not in there:
            raise ValueError(_one_of("probe_step", probe_step, there))
        return rows[steps == probe_step]


def read_caseload(path: str | Path, *, today: date | None = None) -> Caseload:
    """Read and check a folder, a CSV file, a workbook or a Parquet folder.

    Rows with errors are set aside and stand in ``caseload.report``; the rest is used, so look at the
    report before trusting what a caseload says. A file with nothing but date, phase and rating is
    one child, under the code ``child``.

    Parameters
    ----------
    path : str or Path
    today : date, optional
        Day after which dates are refused; default the computer's.

    Raises
    ------
    DataProblems
        Only if nothing usable is left: no sound row in any table, or no file that can be read.
        ``.report`` lists every problem. Problems beside sound rows raise nothing.
    """
    read = read_tables(path, today=today)
    if not usable(read.tables):
        raise DataProblems(_refusal(path, read.report), read.report)
    return Caseload(read.tables, read.practice, read.report, read.inputs)


def read_frames(
    frames: Mapping[str, pd.DataFrame], practice: Practice | None = None, *, today: date | None = None
) -> Caseload:
    """Check data frames as if they were the files of a caseload.

    Parameters
    ----------
    frames : Mapping of str to DataFrame
        By table name. The index plays no part; rows are numbered as in a spreadsheet, from 2.
    practice : Practice, optional
        Settings; default those of a practice that set none.
    today : date, optional
        Day after which dates are refused; default the computer's.

    Raises
    ------
    DataProblems
        If no sound row is left; ``.report`` lists every problem.
    ValueError
        If a name is not that of a table.

    Examples
    --------
    >>> import pandas as pd
    >>> frame = pd.DataFrame({"date": ["2026-03-04", "2026-03-11"], "phase": ["A", "B"], "rating": [7, 5]})
    >>> read_frames({"ratings": frame}).series("child").values.tolist()
    [7.0, 5.0]
    """
    from rungwise.tables.frames import read_frames as read_frame_tables

    read = read_frame_tables(frames, practice, today=today)
    if not usable(read.tables):
        raise DataProblems(_refusal("the data frames", read.report), read.report)
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
    """Say in one line why nothing can be used; the report says the rest, where there is more."""
    name = Path(path).name or str(path)
    problems = report.problems
    if problems and all(problem.code == "table_empty" for problem in problems):
        what = "ratings" if any(problem.table == "ratings" for problem in problems) else "rows"
        return f"{name}: {problems[0].problem} Type the first {what} in below the header."
    if len(problems) == 1:
        return f"{problems[0].source}: {problems[0].problem} {problems[0].remedy}"
    return f"Nothing in {name} can be used; the report lists {count_of(len(problems), 'problem')}."


def _end(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def _one_of(argument: str, value: object, there: tuple[object, ...]) -> str:
    return f"{argument} must be one of {_listed(there)}; got {value!r}."


def _listed(there: tuple[object, ...], most: int = 12) -> str:
    shown = ", ".join(repr(entry) for entry in there[:most])
    return shown if len(there) <= most else f"{shown} and {len(there) - most} more"
