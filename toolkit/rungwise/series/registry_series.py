"""From the rows of one part of a registry to its series.

Most children of a registry have rows that every check lets pass unchanged. They are recognized column
by column and put together here without further ado. Every child with anything out of the ordinary in
any of its rows, even a warning, goes through the checks that any caseload goes through, with all of
its rows: what is sound is decided in one place.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

import numpy as np

from rungwise.series.batch import SeriesBatch
from rungwise.series.caseload import Caseload
from rungwise.series.phase_series import PHASES, PhaseSeries
from rungwise.series.planned import FEAR
from rungwise.series.registry_files import TABLE
from rungwise.series.registry_ordinary import Ordinary, Rows
from rungwise.series.registry_rows import PartRows
from rungwise.tables.draft import Part
from rungwise.tables.findings import Findings
from rungwise.tables.grid import Columns, TextColumn
from rungwise.tables.practice import Practice
from rungwise.tables.problems import Problem
from rungwise.tables.read import check_parts
from rungwise.tables.schema import schema
from rungwise.tables.understand import part_of


@dataclass(frozen=True)
class Settings:
    """What reading a part needs to know of the whole registry.

    Attributes
    ----------
    practice : Practice
    today : date
    files : tuple of str
        Names of the files, by number.
    directions : Mapping[str, str]
        Direction of outcomes that the practice did not declare, where rows state it.
    """

    practice: Practice
    today: date
    files: tuple[str, ...]
    directions: Mapping[str, str]


@dataclass
class Told:
    """What must be said about the rows of a part."""

    rows: int = 0
    rows_set_aside: int = 0
    blank_ratings: int = 0
    repeated: dict[str, int] = field(default_factory=dict)
    scales: dict[str, list[int]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    children: int = 0
    series: int = 0
    checked_singly: int = 0


@dataclass(frozen=True, eq=False)
class FlatSeries:
    """Series one after another, sorted by child and ladder.

    `children`, `ladders` and `outcomes` hold one text per series; `starts` the day that time 0 is,
    counted from 1970, NaN where occasions are numbered; the other columns are those of
    `SeriesBatch.from_flat`.
    """

    children: list[str]
    ladders: list[str]
    outcomes: list[str]
    offsets: np.ndarray
    starts: np.ndarray
    n_a: np.ndarray
    sign: np.ndarray
    floor: np.ndarray
    ceiling: np.ndarray
    values: np.ndarray
    times: np.ndarray
    declined: np.ndarray

    def __len__(self) -> int:
        return len(self.children)

    @property
    def labels(self) -> tuple[str, ...]:
        """Labels as `Caseload.series` gives them."""
        return tuple(
            (f"{child} {ladder}" if ladder else child) + (f", {outcome}" if outcome != FEAR else "")
            for child, ladder, outcome in zip(self.children, self.ladders, self.outcomes, strict=True)
        )

    def batch(self) -> SeriesBatch:
        """Lay the series side by side."""
        return SeriesBatch.from_flat(
            self.values,
            self.offsets,
            self.n_a,
            sign=self.sign,
            declined=self.declined,
            times=self.times,
            floor=self.floor,
            ceiling=self.ceiling,
            labels=self.labels,
        )


def series_of_part(parts: Sequence[PartRows], settings: Settings) -> tuple[FlatSeries, Told]:
    """Check the rows of one part and give its series, with what must be said."""
    if not parts:
        return _flat([]), Told()
    rows = Rows.of(parts, settings.directions)
    ordinary = Ordinary(rows, settings.practice, settings.today, settings.directions)
    told = Told(rows=len(rows.number), scales=ordinary.scales)
    pieces = [_ordinary(ordinary, settings, told)]
    others = np.flatnonzero(~ordinary.is_plain[rows.child])
    if len(others):
        told.checked_singly = int((~ordinary.is_plain).sum())
        pieces.append(_checked(rows, others, settings, told))
    made = _merged([piece for piece in pieces if len(piece)])
    told.series, told.children = len(made), len(set(made.children))
    return made, told


def _ordinary(ordinary: Ordinary, settings: Settings, told: Told) -> FlatSeries:
    """Put the series of the plain children together."""
    rows, (order, starts, repeats) = ordinary.rows, ordinary.in_order()
    if not len(order):
        return _merged([])
    for number, count in zip(*np.unique(rows.file[repeats], return_counts=True), strict=True):
        told.repeated[settings.files[number]] = int(count)
    told.rows_set_aside += len(repeats)
    told.blank_ratings = int(ordinary.blank[order].sum()) if ordinary.blank.any() else 0
    lengths = np.diff(np.append(starts, len(order)))
    first = order[starts]
    day = ordinary.day[order]
    time = (day - np.repeat(day[starts], lengths)).astype(float)
    if ordinary.occasion is not None and not ordinary.dated.all():
        time = np.where(ordinary.dated[order], time, ordinary.occasion[order])
    phase = ordinary.phase[order]
    n_a = np.add.reduceat(phase == 0, starts, dtype=np.int64)
    kept = phase <= 1
    if not kept.all():
        lengths = np.add.reduceat(kept, starts, dtype=np.int64)
        order, time = order[kept], time[kept]
    outcome = ordinary.outcome[first].tolist()
    child = rows.child[first]
    return FlatSeries(
        ordinary.names.take(child).to_pylist(),
        [ordinary.ladders[place] for place in ordinary.ladder[first].tolist()],
        [ordinary.outcomes[place] for place in outcome],
        np.concatenate([[0], np.cumsum(lengths)]),
        np.where(ordinary.dated[first], day[starts], np.nan).astype(float),
        n_a,
        ordinary.sign[outcome],
        ordinary.floor[outcome],
        ordinary.ceiling[outcome],
        ordinary.rating[order],
        time,
        ordinary.declined[order],
    )


def _checked(rows: Rows, which: np.ndarray, settings: Settings, told: Told) -> FlatSeries:
    """Give the series of some rows by the checks of any caseload."""
    findings = Findings()
    columns = {name: column.where(which) for name, column in rows.columns.items()}
    parts = parts_of(columns, rows.file[which], rows.number[which], TABLE, settings.files, findings)
    # Whether a scale was left undeclared is judged over the whole registry; here each rating is.
    practice = replace(settings.practice, given=settings.practice.given | {"scales"})
    read = check_parts({TABLE: parts}, practice, settings.today, findings, ())
    told.rows_set_aside += read.report.rows_set_aside
    told.problems += read.report.problems
    caseload = Caseload(read.tables, settings.practice, read.report, ())
    found: list[tuple[str, str, str, PhaseSeries]] = []
    for child in caseload.children:
        try:
            outcome = caseload.outcomes(child)[0]
            for ladder in caseload.ladders(child):
                found.append((child, ladder, outcome, caseload.series(child, ladder)))
        except ValueError as unclear:
            remedy = "Rate fear, or one outcome only, for this child."
            told.problems.append(
                Problem("error", TABLE, "", 0, "", child, "outcome_unclear", str(unclear), remedy)
            )
    return _flat(found)


def parts_of(
    columns: Mapping[str, TextColumn],
    file: np.ndarray,
    number: np.ndarray,
    table: str,
    files: Sequence[str],
    findings: Findings,
) -> list[Part]:
    """Give some rows of a table file by file, as they would have been read from each.

    Parameters
    ----------
    columns : Mapping[str, TextColumn]
    file, number : ndarray
        Where each row came from.
    table : str
    files : sequence of str
        Names of the files, by number.
    findings : Findings
    """
    parts = []
    order = np.lexsort((number, file))
    for piece in np.split(order, np.flatnonzero(np.diff(file[order])) + 1):
        source = files[file[piece[0]]] if len(piece) else table
        findings.meet(source)
        written = Columns(number[piece], tuple(column.where(piece) for column in columns.values()))
        parts.append(part_of(written, schema(table), source, False, findings))
    return parts


def _flat(found: Sequence[tuple[str, str, str, PhaseSeries]]) -> FlatSeries:
    picks = [
        np.concatenate([np.flatnonzero(series.phases == phase) for phase in PHASES[:2]])
        for *_, series in found
    ]

    def joined(name: str, kind: Any) -> np.ndarray:
        columns = [getattr(series, name)[pick] for (*_, series), pick in zip(found, picks, strict=True)]
        return np.concatenate([np.zeros(0, dtype=kind), *columns])

    def ends(name: str) -> np.ndarray:
        limits = [getattr(series, name) for *_, series in found]
        return np.array([np.nan if limit is None else limit for limit in limits], dtype=float)

    return FlatSeries(
        [child for child, *_ in found],
        [ladder for _, ladder, *_ in found],
        [outcome for _, _, outcome, _ in found],
        np.cumsum([0, *map(len, picks)]),
        np.array([_day_number(series) for *_, series in found], dtype=float),
        np.array([np.sum(series.phases == PHASES[0]) for *_, series in found], dtype=np.int64),
        np.array([1.0 if series.better == "higher" else -1.0 for *_, series in found]),
        ends("floor"),
        ends("ceiling"),
        joined("values", float),
        joined("times", float),
        joined("declined", bool),
    )


def _day_number(series: PhaseSeries) -> float:
    return np.nan if series.starts_on is None else float((series.starts_on - date(1970, 1, 1)).days)


def _merged(pieces: Sequence[FlatSeries]) -> FlatSeries:
    """Put pieces together, sorted by child and ladder."""
    if len(pieces) == 1:
        return pieces[0]
    if not pieces:
        return _flat([])
    texts = {
        name: [text for piece in pieces for text in getattr(piece, name)]
        for name in ("children", "ladders", "outcomes")
    }
    order = sorted(range(len(texts["children"])), key=lambda i: (texts["children"][i], texts["ladders"][i]))
    lengths = np.concatenate([np.diff(piece.offsets) for piece in pieces])
    starts = np.cumsum(lengths) - lengths
    picked = np.array(order)
    rows = np.repeat(starts[picked] - (np.cumsum(lengths[picked]) - lengths[picked]), lengths[picked])
    rows += np.arange(len(rows))
    flat = {
        name: np.concatenate([getattr(piece, name) for piece in pieces])[rows]
        for name in ("values", "times", "declined")
    }
    columns = {
        name: np.concatenate([getattr(piece, name) for piece in pieces])[picked]
        for name in ("starts", "n_a", "sign", "floor", "ceiling")
    }
    return FlatSeries(
        [texts["children"][i] for i in order],
        [texts["ladders"][i] for i in order],
        [texts["outcomes"][i] for i in order],
        offsets=np.concatenate([[0], np.cumsum(lengths[picked])]),
        **columns,
        **flat,
    )
