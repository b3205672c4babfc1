"""The rows of one part of a registry that every check lets pass unchanged, recognized column by column.

Each distinct text of a column is looked at once; what is left to do row by row is done for all rows of
a part at a time. A child stays ordinary only while no rule has anything to say about any of its rows.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from rungwise.series.phase_series import PHASES
from rungwise.series.planned import FEAR
from rungwise.series.registry_files import TABLE
from rungwise.series.registry_rows import CHILD, PartRows
from rungwise.tables.bulk import indices_of
from rungwise.tables.cells import parse
from rungwise.tables.grid import TextColumn, letter_of
from rungwise.tables.groups import Places
from rungwise.tables.parquet import encoded
from rungwise.tables.practice import Practice
from rungwise.tables.schema import schema, tidy

if TYPE_CHECKING:
    import pyarrow as pa

# Codes about which no rule for codes has anything to say: every other one is looked at singly.
PLAIN_CODE = "^([A-Za-z]{1,3}[-_.]?)?[0-9]{1,6}$"


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows of a part as columns of texts.

    Attributes
    ----------
    file, number : ndarray of int64
        Where each row came from.
    child : ndarray of int32
        Number of each row's child, the same whatever the case of its code.
    columns : dict of str to TextColumn
        All columns, in the order of the schema.
    codes : StringArray
        The texts of the children's codes, as in ``columns["child_id"]``.
    plain : ndarray of bool
        Which of them are `PLAIN_CODE`.
    child_of : ndarray of int32
        Number of the child of each of them.
    """

    file: np.ndarray
    number: np.ndarray
    child: np.ndarray
    columns: dict[str, TextColumn]
    codes: pa.StringArray
    plain: np.ndarray
    child_of: np.ndarray

    @classmethod
    def of(cls, parts: Sequence[PartRows], directions: Mapping[str, str]) -> Rows:
        """Join what the tasks left of a part."""
        columns = columns_of(parts, TABLE, directions)
        codes, plain, child_of = _spelled(columns[CHILD].texts)
        same = np.array_equal(child_of, np.arange(len(child_of)))
        child = columns[CHILD].codes if same else child_of[columns[CHILD].codes]
        file, number = (
            np.concatenate([np.zeros(0, dtype=np.int64), *(getattr(part, name) for part in parts)])
            for name in ("file", "number")
        )
        return cls(file, number, child, columns, codes, plain, child_of)


class Ordinary:
    """Tells the children that no rule has anything to say about.

    Attributes
    ----------
    rows : Rows
    is_plain : ndarray of bool
        Whether each child is ordinary; final only after `in_order`.
    names : StringArray
        Code of each child.
    rank : ndarray of int64
        Place of each child in the order of the codes.
    ladder, phase, day, dated, occasion, trial, rating, declined, blank, outcome : ndarray
        One entry per row.
    ladders, outcomes : list of str
        What the numbers in `ladder` and `outcome` stand for.
    sign, floor, ceiling : ndarray
        One entry per outcome.
    scales : dict of str to list of int
        Ratings off each known scale, and all ratings on it.
    """

    def __init__(self, rows: Rows, practice: Practice, today: date, directions: Mapping[str, str]):
        self.rows = rows
        self._bad = np.zeros(len(rows.number), dtype=bool)
        described = schema(TABLE)
        self._parsed = {
            name: parse(column, described.fields[name], described, date_order=practice.date_order)
            for name, column in rows.columns.items()
            if name != CHILD
        }
        for name, parsed in self._parsed.items():
            self._mark(name, {place for fault in parsed.faults for place in (fault.place, *fault.places)})
        self._times(today)
        self._ratings()
        self._outcomes(practice, directions)
        trial = self._numbers("trial")
        if trial is None:
            self.trial = np.broadcast_to(np.int64(1), self._bad.shape)
        else:
            self.trial = np.nan_to_num(trial, nan=1.0).astype(np.int64)
        self.ladder, self.ladders = self._in_words("ladder_id", "")
        phase, names = self._in_words("phase", PHASES[0])
        self.phase = np.array([PHASES.index(name) for name in names], dtype=np.int8)[phase]
        self._mark("phase", _places(text is None for text in self._parsed["phase"].values.tolist()))
        self._children()

    def _mark(self, name: str, places: Collection[int]) -> None:
        """Mark the rows in which a text of a column stands that needs a closer look."""
        if places:
            self._bad |= self.rows.columns[name].rows_with(places)

    def _numbers(self, name: str) -> np.ndarray | None:
        """Give a column of numbers row by row, if it is there."""
        if name not in self._parsed:
            return None
        return self._parsed[name].values[self.rows.columns[name].codes]

    def _in_words(self, name: str, usual: str) -> tuple[np.ndarray, list[str]]:
        """Number the words of a column in their order, `usual` standing for blanks, row by row."""
        n = len(self.rows.number)
        if name not in self._parsed:
            return np.broadcast_to(np.int64(0), (n,)), [usual]
        values = [usual if value is None else value for value in self._parsed[name].values.tolist()]
        words = sorted({usual, *values})
        place = {word: place for place, word in enumerate(words)}
        if len(words) == 1:
            return np.broadcast_to(np.int64(0), (n,)), words
        numbers = np.array([place[value] for value in values], dtype=np.int64)
        return numbers[self.rows.columns[name].codes], words

    def _times(self, today: date) -> None:
        n = len(self.rows.number)
        self.occasion = self._numbers("occasion")
        self.day, self.dated = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=bool)
        if "date" in self._parsed:
            days = self._parsed["date"].values
            codes = self.rows.columns["date"].codes
            self.day = np.where(np.isnat(days), 0, days.astype(np.int64))[codes]
            self.dated = (~np.isnat(days))[codes] if np.isnat(days).any() else np.ones(n, dtype=bool)
            self._mark("date", _places(days > np.datetime64(today, "D")))
        if not self.dated.all():
            self._bad |= ~self.dated & (True if self.occasion is None else np.isnan(self.occasion))

    def _ratings(self) -> None:
        rating = self._numbers("rating")
        if rating is None:
            raise ValueError("the rows must have ratings.")
        signals = self._parsed["rating"].signals
        no_rating = np.isnan(rating)
        word, missed = (self._where("rating", signals.get(name, _NO)) for name in ("declined", "missed"))
        said = self._parsed["declined"].values.tolist() if "declined" in self._parsed else []
        yes = self._where("declined", np.array([value is True for value in said], dtype=bool))
        no = self._where("declined", np.array([value is False for value in said], dtype=bool))
        self._bad |= (~no_rating & yes) | (word & no)
        self.declined = yes | word
        self.rating = np.where(self.declined, np.nan, rating) if self.declined.any() else rating
        self.blank = no_rating & ~self.declined & ~missed

    def _where(self, name: str, chosen: np.ndarray) -> np.ndarray:
        """Mark the rows of the chosen texts of a column."""
        if not chosen.any():
            return np.broadcast_to(False, self._bad.shape)
        return chosen[self.rows.columns[name].codes]

    def _outcomes(self, practice: Practice, directions: Mapping[str, str]) -> None:
        self.outcome, self.outcomes = self._in_words("outcome", FEAR)
        stated = self._parsed["better"].values.tolist() if "better" in self._parsed else []
        self.sign, self.floor, self.ceiling = (np.empty(len(self.outcomes)) for _ in range(3))
        self.scales: dict[str, list[int]] = {}
        for place, name in enumerate(self.outcomes):
            scale = practice.scales.get(name)
            usual = scale.better if scale else directions.get(name, "lower")
            self.sign[place] = 1.0 if usual == "higher" else -1.0
            self.floor[place] = scale.minimum if scale else np.nan
            self.ceiling[place] = scale.maximum if scale else np.nan
            about = self.outcome == place
            other = np.array([text not in (None, usual) for text in stated], dtype=bool)
            self._bad |= about & self._where("better", other)
            if scale is not None and about.any():
                off = about & ((self.rating < scale.minimum) | (self.rating > scale.maximum))
                self._bad |= off
                self.scales[name] = [int(off.sum()), int((about & ~np.isnan(self.rating)).sum())]

    def _children(self) -> None:
        from pyarrow import compute

        rows = self.rows
        self._mark(CHILD, _no_plain_codes(rows))
        size = int(rows.child_of.max(initial=-1)) + 1
        spelled = np.bincount(rows.child_of, minlength=size)
        first = np.zeros(size, dtype=np.int64)
        first[rows.child_of[::-1]] = np.arange(len(rows.child_of))[::-1]
        self.names: pa.StringArray = rows.codes.take(first)
        self.rank = np.empty(size, dtype=np.int64)
        self.rank[compute.array_sort_indices(self.names).to_numpy()] = np.arange(size)
        if len(self.outcomes) > 1:
            self._differs(rows.child, self.outcome)
        if self.dated.any() and not self.dated.all():
            self._differs(rows.child, self.dated)
        if len(rows.columns["rated_by"].texts if "rated_by" in rows.columns else ()) > 1:
            raters, _ = self._in_words("rated_by", "")
            self._differs(rows.child * np.int64(len(self.ladders)) + self.ladder, raters)
        self.is_plain = spelled == 1
        self.is_plain[rows.child[self._bad]] = False

    def _differs(self, groups: np.ndarray, column: np.ndarray) -> None:
        """Mark every row of the groups within which a column has more than one value."""
        first = np.zeros(int(groups.max(initial=-1)) + 1, dtype=column.dtype)
        first[groups] = column
        mixed = np.zeros(len(first), dtype=bool)
        mixed[groups[column != first[groups]]] = True
        if mixed.any():
            self._bad |= mixed[groups]

    def in_order(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Sort the rows of plain children; withdraw children whose rows do not follow one another.

        Returns
        -------
        ndarray of int64
            The rows by child, ladder, time and trial.
        ndarray of int64
            Where each series begins in that order.
        ndarray of int64
            Rows left out because they repeat another one word for word.
        """
        rows = self.rows
        plain = self.is_plain.all()
        use = None if plain else np.flatnonzero(self.is_plain[rows.child])
        if not len(rows.child if use is None else use):
            return _nowhere(), _nowhere(), _nowhere()

        def used(column: np.ndarray) -> np.ndarray:
            return column if use is None else column[use]

        series = self.rank[used(rows.child)]
        if len(self.ladders) > 1:
            series = series * len(self.ladders) + used(self.ladder)
        time = used(self.day)
        if self.occasion is not None and not self.dated.all():
            # A child has days or occasion numbers, never both, so their ranks need no common scale.
            _, ranks = np.unique(used(self.occasion), return_inverse=True)
            time = np.where(used(self.dated), time, ranks)
        order, same, at_once, again = _sorted(series, time, used(self.trial))
        order = order if use is None else use[order]
        phase = self.phase[order]
        odd = same & (phase[1:] < phase[:-1])
        if at_once.any():
            odd |= at_once & (phase[1:] != phase[:-1])
        if self.occasion is not None:
            occasion = self.occasion[order]
            odd |= same & self.dated[order[1:]] & (occasion[1:] < occasion[:-1])
        begins = np.concatenate([[True], ~same])
        places = np.flatnonzero(again)
        if not len(places) and not odd.any():
            return order, np.flatnonzero(begins), _nowhere()
        repeated = np.zeros(len(order), dtype=bool)
        here, before = order[places + 1], order[places]
        word_for_word = np.ones(len(places), dtype=bool)
        for column in rows.columns.values():
            word_for_word &= column.codes[here] == column.codes[before]
        repeated[places[word_for_word] + 1] = True
        odd[places[~word_for_word]] = True
        self.is_plain[rows.child[order[1:][odd]]] = False
        stay = self.is_plain[rows.child[order]]
        # The first row of a series never repeats another, and a child stays or goes with all of its rows.
        kept = stay & ~repeated
        return order[kept], np.flatnonzero(begins[kept]), order[stay & repeated]


_NO = np.zeros(0, dtype=bool)


def _nowhere() -> np.ndarray:
    return np.zeros(0, dtype=np.int64)


def _places(chosen: Iterable[bool]) -> list[int]:
    return [place for place, is_chosen in enumerate(chosen) if is_chosen]


def _no_plain_codes(rows: Rows) -> list[int]:
    """Give the places of codes a rule has something to say about, a remark or a total among them."""
    column, described = rows.columns[CHILD], schema(TABLE)
    places = np.flatnonzero(~rows.plain).tolist()
    texts = [column.texts[place] for place in places]
    others = TextColumn(column.header, column.letter, np.zeros(0, dtype=np.int32), texts)
    parsed = parse(others, described.fields[CHILD], described)
    faulty = {place for fault in parsed.faults for place in (fault.place, *fault.places)}
    return [
        place
        for i, (place, text) in enumerate(zip(places, texts, strict=True))
        if i in faulty
        or parsed.values[i] is None
        or text != tidy(text)
        or " " in text
        or not any(letter.isdigit() for letter in text)
    ]


def _spelled(texts: Sequence[str]) -> tuple[pa.StringArray, np.ndarray, np.ndarray]:
    """Give codes as a column, which of them are plain, and a number for each, whatever its case."""
    import pyarrow as pa
    from pyarrow import compute

    codes = pa.array(texts, pa.string())
    plain = compute.match_substring_regex(codes, PLAIN_CODE).to_numpy(zero_copy_only=False)
    lower = compute.ascii_lower(codes)
    odd = np.flatnonzero(~plain).tolist()
    if odd:
        spelled = lower.to_pylist()
        for place in odd:
            spelled[place] = tidy(texts[place]).casefold()
        lower = pa.array(spelled, pa.string())
    return codes, plain, indices_of(lower.dictionary_encode().indices)


def columns_of(
    parts: Sequence[PartRows], table: str, directions: Mapping[str, str]
) -> dict[str, TextColumn]:
    """Give the columns of a table over all that the tasks left of a part, in the order of the schema."""
    there = {CHILD, *(name for part in parts for name in (*part.coded, *part.carried))}
    names = [name for name in schema(table).fields if name in there]
    columns = {name: _joined(name, place, parts) for place, name in enumerate(names)}
    if directions and "outcome" in columns:
        columns["better"] = _with_directions(columns, directions)
    return columns


def _joined(name: str, place: int, parts: Sequence[PartRows]) -> TextColumn:
    """Number the texts of a column over all that the tasks left of a part."""
    import pyarrow as pa

    if name == CHILD:
        chunks = [chunk for part in parts for chunk in part.carried[name]]
        every = [_encoded(pa.chunked_array(chunks, pa.string()))]
    else:
        every = [
            part.coded[name]
            if name in part.coded
            else _encoded(pa.chunked_array(part.carried[name]))
            if name in part.carried
            else (np.zeros(len(part.number), dtype=np.int32), [""])
            for part in parts
        ]
    known = Places()
    codes = [np.zeros(0, dtype=np.int32)]
    for numbers, texts in every:
        found = np.zeros(len(texts), dtype=np.int32)
        used = np.flatnonzero(np.bincount(numbers, minlength=len(texts)))
        found[used] = [known[texts[text]] for text in used.tolist()]
        codes.append(found[numbers])
    return TextColumn(name, letter_of(place), np.concatenate(codes), list(known))


def _encoded(column: pa.ChunkedArray) -> tuple[np.ndarray, list[str]]:
    found = encoded(column)
    if found is None:
        raise ValueError(f"columns must hold single values; got {column.type}.")
    return found


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


def _sorted(
    series: np.ndarray, time: np.ndarray, trial: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Give the order by series, time and trial, equals as they stand, and what neighbors share.

    Returns
    -------
    ndarray of int64
    ndarray of bool
        For each row but the first, whether it is of the same series as the one before, three times:
        at any time, at the same time, at the same time and trial.
    """
    spans = [time, trial, np.arange(len(series))]
    widths = [int(column.max() - column.min()).bit_length() for column in spans]
    if int(series.max()).bit_length() + sum(widths) < 63:
        key = series.astype(np.int64)
        for column, width in zip(spans, widths, strict=True):
            if width:
                key <<= width
                key |= column - column.min()
        # Sorted itself, not by way of an order: several times faster.
        key.sort()
        apart = key[1:] ^ key[:-1]
        same, at_once, again = (apart < 1 << sum(widths[shared:]) for shared in range(3))
        return key & ((1 << widths[2]) - 1), same, at_once, again
    order = np.lexsort((trial, time, series))
    same, at_once, again = (np.diff(column[order]) == 0 for column in (series, time, trial))
    return order, same, same & at_once, same & at_once & again
