"""From the rows of one part of a registry to its series.

Most children of a registry have rows that every check lets pass unchanged. They are recognized column
by column and put together here without further ado. Every child with anything out of the ordinary in
any of its rows, even a warning, goes through the checks that any caseload goes through, with all of
its rows: what is sound is decided in one place.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.series.batch import SeriesBatch
from rungwise.series.caseload import Caseload
from rungwise.series.phase_series import PHASES, PhaseSeries
from rungwise.series.planned import FEAR
from rungwise.series.registry_files import TABLE
from rungwise.series.registry_rows import FILE, ROW, refused
from rungwise.tables.cells import parse
from rungwise.tables.findings import Findings
from rungwise.tables.grid import Columns, TextColumn, letter_of
from rungwise.tables.groups import Places
from rungwise.tables.parquet import encoded
from rungwise.tables.practice import Practice
from rungwise.tables.problems import Problem
from rungwise.tables.read import check_parts
from rungwise.tables.schema import schema, tidy
from rungwise.tables.understand import part_of

if TYPE_CHECKING:
    import pyarrow as pa


_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")


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


def series_of_part(tables: Sequence[pa.Table], settings: Settings) -> tuple[FlatSeries, Told]:
    """Check the rows of one part and give its series, with what must be said."""
    rows = _Rows.of(tables, settings)
    told = Told(rows=len(rows.number))
    ordinary = _Ordinary(rows, settings)
    pieces = [ordinary.series(told)]
    others = np.flatnonzero(~ordinary.is_plain[rows.child])
    if len(others):
        told.checked_singly = int((~ordinary.is_plain).sum())
        pieces.append(_checked(rows, others, settings, told))
    made = _merged([piece for piece in pieces if len(piece)])
    told.series, told.children = len(made), len(set(made.children))
    return made, told


@dataclass(frozen=True, eq=False)
class _Rows:
    """Rows of a part as columns of texts; `child` numbers the codes as written, whatever their case."""

    file: np.ndarray
    number: np.ndarray
    child: np.ndarray
    columns: dict[str, TextColumn]

    @classmethod
    def of(cls, tables: Sequence[pa.Table], settings: Settings) -> _Rows:
        names = [
            name
            for name in schema(TABLE).fields
            if any(name in table.column_names for table in tables) or name == "child_id"
        ]
        columns = {name: _joined(name, place, tables, settings) for place, name in enumerate(names)}
        if settings.directions:
            columns["better"] = _with_directions(columns, settings.directions)
        spelled = Places()
        of_text = [spelled[tidy(text).casefold()] for text in columns["child_id"].texts]
        child = np.array(of_text, dtype=np.int64)[columns["child_id"].codes] if of_text else _none()
        return cls(_origin(tables, FILE), _origin(tables, ROW), child, columns)


class _Ordinary:
    """Tells the children that no rule has anything to say about, and puts their series together."""

    def __init__(self, rows: _Rows, settings: Settings):
        self.rows = rows
        self.files = settings.files
        n = len(rows.number)
        bad = np.zeros(n, dtype=bool)
        described = schema(TABLE)
        values: dict[str, np.ndarray] = {}
        self.texts: dict[str, list[Any]] = {}
        signals: dict[str, np.ndarray] = {}
        for name, column in rows.columns.items():
            parsed = parse(
                column, described.fields[name], described, date_order=settings.practice.date_order
            )
            faulty = {place for fault in parsed.faults for place in (fault.place, *fault.places)}
            if faulty:
                bad |= column.rows_with(faulty)
            if described.fields[name].type in ("string", "boolean"):
                numbers = Places()
                ids = [-1 if value is None else numbers[value] for value in parsed.values.tolist()]
                values[name] = np.array(ids, dtype=np.int64)[column.codes]
                self.texts[name] = list(numbers)
            else:
                values[name] = parsed.values[column.codes]
            for signal, mask in parsed.signals.items():
                signals[signal] = mask[column.codes]
        bad |= _not_codes(rows.columns["child_id"])
        self.size = int(rows.child.max(initial=-1)) + 1
        self._times(values, bad, settings.today)
        self._ratings(values, signals, bad)
        self._outcomes(values, bad, settings)
        self.trial = np.nan_to_num(values.get("trial", np.ones(n)), nan=1.0).astype(np.int64)
        self.ladder, self.ladders = _ranked(
            values.get("ladder_id", np.full(n, -1)), self.texts.get("ladder_id")
        )
        phase = values["phase"]
        rank = np.array([PHASES.index(text) for text in self.texts["phase"]] + [0], dtype=np.int64)
        bad |= phase < 0
        self.phase = rank[phase]
        self._bad = bad
        for constant in (values["child_id"], self.outcome, self.dated.astype(np.int64)):
            self._differs(rows.child, constant)
        child = values["child_id"]
        names = np.full(self.size, "", dtype=object)
        texts = np.array([*self.texts["child_id"], ""], dtype=object)
        names[rows.child] = texts[child]
        self.names = names
        series = rows.child * (len(self.ladders) + 1) + self.ladder
        if "rated_by" in values:
            self._differs(series, values["rated_by"])
        self.is_plain = np.bincount(rows.child, weights=self._bad, minlength=self.size) == 0
        self.order, self.repeats = self._in_order()

    def _times(self, values: dict[str, np.ndarray], bad: np.ndarray, today: date) -> None:
        n = len(bad)
        day = values.get("date", np.full(n, "NaT", dtype="datetime64[D]"))
        self.occasion = values.get("occasion", np.full(n, np.nan))
        self.dated = ~np.isnat(day)
        bad |= self.dated & (day > np.datetime64(today, "D"))
        bad |= ~self.dated & np.isnan(self.occasion)
        self.day = day.astype(np.int64)

    def _ratings(
        self, values: dict[str, np.ndarray], signals: dict[str, np.ndarray], bad: np.ndarray
    ) -> None:
        n = len(bad)
        rating = values["rating"]
        yes_no = self.texts.get("declined", [])
        said = np.array([*yes_no, None], dtype=object)[values.get("declined", np.full(n, -1))]
        said_yes = said == True  # noqa: E712
        word = signals.get("declined", np.zeros(n, dtype=bool))
        rated = ~np.isnan(rating)
        bad |= rated & said_yes
        bad |= word & (said == False)  # noqa: E712
        self.declined = said_yes | word
        self.rating = np.where(self.declined, np.nan, rating)
        self.blank = ~rated & ~self.declined & ~signals.get("missed", np.zeros(n, dtype=bool))

    def _outcomes(self, values: dict[str, np.ndarray], bad: np.ndarray, settings: Settings) -> None:
        n = len(bad)
        names = [*self.texts.get("outcome", [])]
        outcome = values.get("outcome", np.full(n, -1))
        if FEAR not in names:
            names.append(FEAR)
        self.outcome = np.where(outcome < 0, names.index(FEAR), outcome)
        self.outcomes = names
        better = values.get("better", np.full(n, -1))
        stated = np.array([*self.texts.get("better", []), ""], dtype=object)[better]
        self.sign, self.floor, self.ceiling = (np.empty(len(names)) for _ in range(3))
        self.off_scale: dict[str, list[int]] = {}
        for place, name in enumerate(names):
            scale = settings.practice.scales.get(name)
            usual = scale.better if scale else settings.directions.get(name, "lower")
            self.sign[place] = 1.0 if usual == "higher" else -1.0
            self.floor[place] = scale.minimum if scale else np.nan
            self.ceiling[place] = scale.maximum if scale else np.nan
            about = self.outcome == place
            bad |= about & (stated != "") & (stated != usual)
            if scale is not None and about.any():
                off = about & ((self.rating < scale.minimum) | (self.rating > scale.maximum))
                bad |= off
                self.off_scale[name] = [int(off.sum()), int((about & ~np.isnan(self.rating)).sum())]

    def _differs(self, groups: np.ndarray, column: np.ndarray) -> None:
        """Mark every row of the groups within which a column has more than one value."""
        first = np.zeros(int(groups.max(initial=-1)) + 1, dtype=column.dtype)
        first[groups] = column
        self._bad |= np.bincount(groups, weights=column != first[groups], minlength=len(first))[groups] > 0

    def _in_order(self) -> tuple[np.ndarray, np.ndarray]:
        """Sort the rows of plain children; withdraw children whose rows do not follow one another."""
        rows = self.rows
        by_name = np.argsort(self.names, kind="stable") if self.size else _none()
        place = np.empty(self.size, dtype=np.int64)
        place[by_name] = np.arange(self.size)
        use = np.flatnonzero(self.is_plain[rows.child])
        series = place[rows.child[use]] * (len(self.ladders) + 1) + self.ladder[use]
        time = self.day[use]
        undated = ~self.dated[use]
        if undated.any():
            # A child has days or occasion numbers, never both, so their ranks need no common scale.
            _, ranks = np.unique(self.occasion[use], return_inverse=True)
            time = np.where(undated, ranks, np.where(undated, 0, time))
        order = use[_sorted(series, time, self.trial[use], rows.file[use], rows.number[use])]
        if not len(order):
            return order, _none()
        series_of = np.empty(len(rows.number), dtype=np.int64)
        series_of[use] = series
        time_of = np.empty(len(rows.number), dtype=np.int64)
        time_of[use] = time
        here, before = order[1:], order[:-1]
        same = series_of[here] == series_of[before]
        at_once = same & (time_of[here] == time_of[before])
        phase, occasion = self.phase, self.occasion
        odd = same & (phase[here] < phase[before])
        odd |= at_once & (phase[here] != phase[before])
        odd |= same & self.dated[here] & (occasion[here] < occasion[before])
        at_once &= self.trial[here] == self.trial[before]
        word_for_word = at_once.copy()
        for column in rows.columns.values():
            word_for_word &= column.codes[here] == column.codes[before]
        odd |= at_once & ~word_for_word
        self.is_plain[rows.child[here[odd]]] = False
        stay = self.is_plain[rows.child[order]]
        repeated = np.concatenate([[False], word_for_word])
        return order[stay & ~repeated], order[stay & repeated]

    def series(self, told: Told) -> FlatSeries:
        """Put the series of the plain children together."""
        rows, order = self.rows, self.order
        for name, (off, rated) in self.off_scale.items():
            told.scales[name] = [off, rated]
        if not len(order):
            return _merged([])
        for number, count in zip(*np.unique(rows.file[self.repeats], return_counts=True), strict=True):
            told.repeated[self.files[number]] = int(count)
        told.rows_set_aside += len(self.repeats)
        told.blank_ratings = int(self.blank[order].sum())
        series = rows.child[order] * (len(self.ladders) + 1) + self.ladder[order]
        starts = np.flatnonzero(np.concatenate([[True], series[1:] != series[:-1]]))
        number = np.cumsum(np.concatenate([[False], series[1:] != series[:-1]]))
        first = order[starts]
        day = self.day[order]
        time = np.where(self.dated[order], day - day[starts][number], self.occasion[order]).astype(float)
        kept = self.phase[order] <= 1
        used = order[kept]
        lengths = np.bincount(number[kept], minlength=len(starts))
        return FlatSeries(
            self.names[rows.child[first]].tolist(),
            [self.ladders[place] for place in self.ladder[first].tolist()],
            [self.outcomes[place] for place in self.outcome[first].tolist()],
            np.concatenate([[0], np.cumsum(lengths)]),
            np.where(self.dated[first], day[starts], np.nan).astype(float),
            np.bincount(number[kept], weights=self.phase[used] == 0, minlength=len(starts)).astype(
                np.int64
            ),
            self.sign[self.outcome[first]],
            self.floor[self.outcome[first]],
            self.ceiling[self.outcome[first]],
            self.rating[used],
            time[kept],
            self.declined[used],
        )


def _checked(rows: _Rows, which: np.ndarray, settings: Settings, told: Told) -> FlatSeries:
    """Give the series of some rows by the checks of any caseload."""
    findings = Findings()
    parts = []
    which = which[np.lexsort((rows.number[which], rows.file[which]))]
    cuts = np.flatnonzero(np.diff(rows.file[which])) + 1
    for indices in np.split(which, cuts):
        mask = np.zeros(len(rows.number), dtype=bool)
        mask[indices] = True
        order = np.argsort(rows.number[mask], kind="stable")
        columns = []
        for column in rows.columns.values():
            here = column.where(mask)
            columns.append(TextColumn(here.header, here.letter, here.codes[order], here.texts))
        source = settings.files[rows.file[indices[0]]]
        findings.meet(source)
        written = Columns(rows.number[mask][order], tuple(columns))
        parts.append(part_of(written, schema(TABLE), source, False, findings))
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


def _joined(name: str, place: int, tables: Sequence[pa.Table], settings: Settings) -> TextColumn:
    """Number the texts of a column over all tables of a part."""
    texts = Places()
    codes = []
    if name == "date":
        _refuse_readings(tables, settings)
    for table in tables:
        if name not in table.column_names:
            codes.append(np.full(table.num_rows, texts[""], dtype=np.int32))
            continue
        found = encoded(table.column(name))
        if found is None:
            raise ValueError(f"column {name} must hold single values; got {table.column(name).type}.")
        here = [texts[text] for text in found[1]]
        codes.append(np.array(here, dtype=np.int32)[found[0]])
    joined = np.concatenate(codes) if codes else np.zeros(0, dtype=np.int32)
    used = np.zeros(len(texts), dtype=bool)
    used[joined] = True
    renumbered = np.cumsum(used, dtype=np.int32) - 1
    kept = [text for text, is_used in zip(texts, used.tolist(), strict=True) if is_used]
    return TextColumn(name, letter_of(place), renumbered[joined].astype(np.int32), kept)


def _refuse_readings(tables: Sequence[pa.Table], settings: Settings) -> None:
    """Refuse days as texts that can be read in several ways.

    Which reading is meant can only be told from a whole file, and a part holds a few of its rows.
    """
    import pyarrow as pa

    missing = schema(TABLE).missing
    for table in tables:
        if "date" in table.column_names and not pa.types.is_date(table.schema.field("date").type):
            found = encoded(table.column("date"))
            for place, text in enumerate(found[1] if found else ()):
                if not _DAY.fullmatch(tidy(text)) and tidy(text).casefold() not in missing:
                    row = int(np.flatnonzero(found[0] == place)[0]) if found else 0
                    raise refused(
                        settings.files[table.column(FILE)[row].as_py()],
                        "date",
                        "day_as_text",
                        f"{text!r} in row {table.column(ROW)[row].as_py()} is no date written "
                        "year-month-day.",
                        "Write the column as dates, or as 2026-03-04.",
                    )


def _with_directions(columns: Mapping[str, TextColumn], directions: Mapping[str, str]) -> TextColumn:
    """Fill in the direction of undeclared outcomes where rows leave it blank."""
    outcome = columns["outcome"]
    n = len(outcome.codes)
    better = columns.get("better") or TextColumn("better", "", np.zeros(n, np.int32), [""])
    texts, codes = list(better.texts), better.codes.copy()
    blank = better.rows_with(i for i, text in enumerate(texts) if not tidy(text))
    for place, text in enumerate(outcome.texts):
        usual = directions.get(tidy(text).casefold())
        if usual:
            if usual not in texts:
                texts.append(usual)
            codes[blank & (outcome.codes == place)] = texts.index(usual)
    return TextColumn("better", better.letter, codes, texts)


def _origin(tables: Sequence[pa.Table], name: str) -> np.ndarray:
    return np.concatenate([_none(), *(table.column(name).to_numpy() for table in tables)])


def _not_codes(column: TextColumn) -> np.ndarray:
    """Mark rows whose child may be a remark or a total: those are told by rules for whole rows."""
    return column.rows_with(
        place
        for place, text in enumerate(column.texts)
        if text != tidy(text) or " " in text or not any(letter.isdigit() for letter in text)
    )


def _ranked(codes: np.ndarray, texts: list[Any] | None) -> tuple[np.ndarray, list[str]]:
    """Number ladders in the order of their codes, the unnamed one first."""
    names = sorted({"", *(texts or [])})
    rank = np.array([*(names.index(text) for text in texts or []), names.index("")], dtype=np.int64)
    return rank[codes], names


def _sorted(
    series: np.ndarray, time: np.ndarray, trial: np.ndarray, file: np.ndarray, number: np.ndarray
) -> np.ndarray:
    """Give the order by series, time and trial; equals in the order of files and rows."""
    if not len(series):
        return _none()
    low = int(time.min())
    spans = [int(series.max()) + 1, int(time.max()) - low + 1, int(trial.max()) + 1]
    if spans[0] * spans[1] * spans[2] < 2**62:
        key = (series * spans[1] + (time - low)) * spans[2] + trial
        order = np.argsort(key)
        ordered = key[order]
        if not (ordered[1:] == ordered[:-1]).any():
            return order
    return np.lexsort((number, file, trial, time, series))


def _none() -> np.ndarray:
    return np.zeros(0, dtype=np.int64)
