"""Trials of a caseload in one order, each once, with its phase."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, MutableMapping
from dataclasses import dataclass, fields
from weakref import WeakKeyDictionary

import numpy as np

from rungwise.ladders.phase_on import phase_on
from rungwise.tables.groups import coded, firsts, grouped, in_order
from rungwise.tables.table import Table, TableSet


@dataclass(frozen=True, eq=False)
class Trials:
    """Trials in the order of child, ladder, day and trial number; one entry per trial.

    Attributes
    ----------
    child_id, ladder_id : ndarray of object
    day : ndarray of datetime64[D]
    trial, step : ndarray of float
    kind, outcome : ndarray of object
    before, peak, end : ndarray of float
        Fear ratings; NaN where not given. None is kept beside a decline except `before`.
    rated_by : ndarray of object
    phase : ndarray of object
        None where the records do not say.
    """

    child_id: np.ndarray
    ladder_id: np.ndarray
    day: np.ndarray
    trial: np.ndarray
    step: np.ndarray
    kind: np.ndarray
    outcome: np.ndarray
    before: np.ndarray
    peak: np.ndarray
    end: np.ndarray
    rated_by: np.ndarray
    phase: np.ndarray

    def __len__(self) -> int:
        return len(self.child_id)

    @property
    def declined(self) -> np.ndarray:
        """Mask of the trials that were declined."""
        return self.outcome == "declined"

    def where(self, rows: np.ndarray) -> Trials:
        """Give the trials of a mask or of places."""
        return Trials(*(getattr(self, name)[rows] for name in _COLUMNS))

    def groups(self, *names: str) -> np.ndarray:
        """Number the distinct combinations of some columns, in the order of the trials."""
        return grouped([getattr(self, name) for name in names])

    def by_ladder(self) -> Iterator[tuple[str, str, Trials]]:
        """Give child, ladder and their trials, pair by pair."""
        if not len(self):
            return
        pairs = self.groups("child_id", "ladder_id")
        for places in np.split(np.arange(len(self)), np.flatnonzero(np.diff(pairs)) + 1):
            yield self.child_id[places[0]], self.ladder_id[places[0]], self.where(places)


_COLUMNS = tuple(one.name for one in fields(Trials))
# Every outcome asks for the same trials of a caseload, which never change.
_gathered: MutableMapping[TableSet, Trials] = WeakKeyDictionary()


def trials_of(tables: TableSet, *, child_id: str | None = None) -> Trials | None:
    """Gather the trials of a caseload.

    Where several kinds of rater rated one trial, the rating by the kind who rated most trials of
    that child's ladder stands; ratings by different kinds are never mixed into one.

    Parameters
    ----------
    tables : TableSet
        With the table ``observations``; ``phases`` where they were recorded.
    child_id : str, optional
        Only this child.

    Returns
    -------
    Trials or None
        None where trials were not recorded, which says nothing about the children.
    """
    if "observations" not in tables.tables:
        return None
    rows = tables.tables["observations"]
    if child_id is not None:
        return _gather(tables, rows.where(rows["child_id"] == child_id))
    if tables not in _gathered:
        gathered = _gather(tables, rows)
        for name in _COLUMNS:
            getattr(gathered, name).setflags(write=False)
        _gathered[tables] = gathered
    return _gathered[tables]


def _gather(tables: TableSet, rows: Table) -> Trials:
    if len(rows):
        rows = rows.where(_one_row_each(rows.columns))
    declined = rows["outcome"] == "declined"
    return Trials(
        child_id=rows["child_id"],
        ladder_id=rows["ladder_id"],
        day=rows["date"],
        trial=rows["trial"],
        step=rows["step"],
        kind=rows["kind"],
        outcome=rows["outcome"],
        before=rows["fear_before"],
        peak=np.where(declined, np.nan, rows["fear_peak"]),
        end=np.where(declined, np.nan, rows["fear_end"]),
        rated_by=rows["rated_by"],
        phase=phase_on(tables, rows),
    )


def _one_row_each(values: Mapping[str, np.ndarray]) -> np.ndarray:
    """Give places of the rows to use, in order: of each trial the row by the ladder's usual rater."""
    child, ladder = _alphabetical(values["child_id"]), _alphabetical(values["ladder_id"])
    pair = grouped([child, ladder])
    rater = grouped([pair, values["rated_by"]])
    # Most rows first; among equals the kind named first, as for planned ratings.
    popularity = np.bincount(rater)[rater]
    trial = grouped([pair, *(values[name] for name in ("date", "kind", "step", "trial"))])
    best = np.lexsort((np.arange(len(trial)), -popularity, trial))
    chosen = best[np.concatenate([[True], np.diff(trial[best]) > 0])]
    order = in_order(pair[chosen], values["date"][chosen], values["trial"][chosen], chosen)
    return chosen[order]


def _alphabetical(column: np.ndarray) -> np.ndarray:
    """Number the entries of a text column in alphabetical order."""
    codes = coded(column)
    names = column[firsts(codes)].astype(str)
    rank = np.empty(len(names), dtype=np.int64)
    rank[np.argsort(names, kind="stable")] = np.arange(len(names))
    return rank[codes]
