"""Trials of a caseload in one order, each once, with its phase."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, MutableMapping
from dataclasses import dataclass, fields
from itertools import pairwise
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

    def where(self, rows: np.ndarray | slice) -> Trials:
        """Give the trials of a mask, of places or of a stretch."""
        return Trials(*[getattr(self, name)[rows] for name in _COLUMNS])

    def begins(self, *names: str) -> np.ndarray:
        """Give the places where an entry of these columns differs from the one before."""
        columns = [getattr(self, name) for name in names]
        return np.flatnonzero(np.any([_is_new(column) for column in columns], axis=0))

    def by_ladder(self) -> Iterator[tuple[str, str, Trials]]:
        """Give child, ladder and their trials, pair by pair."""
        begins = self.begins("child_id", "ladder_id").tolist()
        for begin, end in pairwise([*begins, len(self)]):
            yield self.child_id[begin], self.ladder_id[begin], self.where(slice(begin, end))

    def by_step(self) -> Steps:
        """Put the trials of each step of a child's ladder together."""
        ladder = np.cumsum(_is_new(self.child_id) | _is_new(self.ladder_id))
        order = np.lexsort((self.step, ladder))
        begin = np.flatnonzero(_is_new(ladder[order]) | _is_new(self.step[order]))
        new_day = _is_new(self.day[order])
        new_day[begin] = True
        end = np.append(begin, len(self))[1:]
        return Steps(order, begin, end, ladder[order][begin], new_day)


@dataclass(frozen=True, eq=False)
class Steps:
    """Steps of each child's ladder, upward.

    Attributes
    ----------
    order : ndarray of int
        Places of the trials, step by step, those of a step in time order.
    begin, end : ndarray of int
        Where each step's stretch of `order` begins and ends.
    ladder : ndarray of int
        Numbers the ladder (of a child) that each step is on, in order.
    new_day : ndarray of bool
        Marks the first trial of each day at a step, in `order`.
    """

    order: np.ndarray
    begin: np.ndarray
    end: np.ndarray
    ladder: np.ndarray
    new_day: np.ndarray

    def __len__(self) -> int:
        return len(self.begin)

    def count(self, mask: np.ndarray) -> np.ndarray:
        """Count the entries of a mask, given in `order`, step by step."""
        return np.add.reduceat(mask, self.begin, dtype=np.int64)


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


def higher_one_later(ladder: np.ndarray, last: np.ndarray) -> np.ndarray:
    """Tell of each step whether a higher one of its ladder was there later.

    Parameters
    ----------
    ladder : ndarray of int
        The ladder each step is on, in the order of ladders and steps.
    last : ndarray of int
        When each step was there for the last time.

    Examples
    --------
    >>> higher_one_later(np.array([0, 0, 0, 1]), np.array([3, 9, 5, 12])).tolist()
    [True, False, False, False]
    """
    if not len(last):
        return np.zeros(0, dtype=bool)
    # From the end backward, each ladder lies above all those behind it, so that their steps never count.
    above = last + (ladder[-1] - ladder) * (np.ptp(last) + 1)
    highest = np.maximum.accumulate(above[::-1])[::-1]
    return np.append(highest[1:] > above[:-1], False)


def _is_new(column: np.ndarray) -> np.ndarray:
    """Mark the entries that differ from the one before them."""
    new = np.ones(len(column), dtype=bool)
    new[1:] = column[1:] != column[:-1]
    return new


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
