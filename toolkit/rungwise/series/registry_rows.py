"""From part files in any order to rows that lie together by child.

Each task reads some row groups and leaves one file in which the rows of every part lie together, so
that a part can later be read from all of them without reading anything else.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.errors import DataProblems
from rungwise.series.blocks import LONGEST, hashed, hashed_letters, prefix
from rungwise.series.engine import whole_file
from rungwise.series.registry_files import PartFile
from rungwise.tables.groups import Places
from rungwise.tables.parquet import encoded
from rungwise.tables.problems import Problem, ProblemReport
from rungwise.tables.schema import schema, tidy

if TYPE_CHECKING:
    import pyarrow as pa

CHILD = "child_id"
# Column that says where a row came from, and what stands before the name of a column of places.
ROW, CODED = ".row", ".coded "
# Distinct texts of a column that is written as places in a list of them.
MOST_TEXTS = 10_000


_AT_ONCE = 8_192
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_NONE = np.zeros(0, dtype=np.int64)


@dataclass(frozen=True)
class Piece:
    """Some row groups of one file."""

    file: PartFile
    number: int
    groups: tuple[int, ...]

    @property
    def rows(self) -> int:
        """Rows of the piece."""
        return sum(self.file.groups[group] for group in self.groups)


@dataclass(frozen=True)
class Scatter:
    """What one task takes: pieces with the same columns, where to write, and into how many parts."""

    pieces: tuple[Piece, ...]
    to: Path
    bits: int
    together: int


def scatters(files: Sequence[PartFile], to: Path, bits: int, together: int) -> list[Scatter]:
    """Cut the files into tasks of about `together` rows each."""
    pieces: list[Piece] = []
    for number, file in enumerate(files):
        groups: list[int] = []
        for group in range(len(file.groups)):
            groups.append(group)
            if sum(file.groups[g] for g in groups) >= together:
                pieces.append(Piece(file, number, tuple(groups)))
                groups = []
        if groups:
            pieces.append(Piece(file, number, tuple(groups)))
    tasks: list[tuple[Piece, ...]] = []
    for _, alike in groupby(pieces, key=lambda piece: [(c[0], c[2]) for c in piece.file.columns]):
        held: list[Piece] = []
        for piece in alike:
            held.append(piece)
            if sum(one.rows for one in held) >= together:
                tasks.append(tuple(held))
                held = []
        if held:
            tasks.append(tuple(held))
    return [
        Scatter(task, to / f"rows-{place:05d}.arrow", bits, together) for place, task in enumerate(tasks)
    ]


@dataclass(frozen=True, eq=False)
class PartRows:
    """Rows of one part that one task left, in the order of their files and rows.

    Attributes
    ----------
    file, number : ndarray of int64
        Number of the file, and of the row as a person sees it.
    coded : dict of str to (ndarray, list of str)
        Columns of few distinct texts: place of each row's text, and the texts.
    carried : dict of str to list of Array
        The other columns, among them the codes of the children.
    """

    file: np.ndarray
    number: np.ndarray
    coded: dict[str, tuple[np.ndarray, list[str]]]
    carried: dict[str, list[pa.Array]]


def scatter(task: Scatter) -> None:
    """Write the rows of some pieces, those of each part together, and beside them what is told of all.

    Columns of few distinct texts are written as places in a list of them, which stands beside.
    """
    wide = frozenset({CHILD})
    while True:
        try:
            return _scattered(task, wide)
        except _Crowded as crowded:
            wide |= crowded.columns


class _Crowded(Exception):
    """Columns have too many distinct texts to be written as places."""

    def __init__(self, columns: frozenset[str]):
        super().__init__(*sorted(columns))
        self.columns = columns


def _scattered(task: Scatter, wide: frozenset[str]) -> None:
    """Write the rows, with `wide` columns as they are.

    Raises
    ------
    _Crowded
        If other columns should be written as they are, too; then nothing is written.
    """
    import pyarrow as pa

    directions: set[tuple[str, str]] = set()
    origins: list[tuple[int, int]] = []
    places: dict[str, Places] = {}
    with whole_file(task.to) as draft:
        writer: Any = None
        for piece, first, columns in _batches(task):
            directions |= _directions(columns)
            part = prefix(_hashes(columns[CHILD]), task.bits).astype(np.uint16)
            order = np.argsort(part, kind="stable")
            ends = np.searchsorted(part[order], np.arange(2**task.bits + 1)).tolist()
            written = {ROW: pa.array(order.astype(np.int32))}
            for name, column in columns.items():
                if schema(piece.file.table).fields[name].type == "date":
                    _refuse_readings(name, column, piece.file, first)
                if name in wide:
                    # One file cannot hold batches with dictionaries of their own.
                    whole = column.cast(pa.string()) if pa.types.is_dictionary(column.type) else column
                    written[name] = whole.take(pa.array(order))
                    continue
                codes, texts = _numbered(column)
                known = places.setdefault(name, Places())
                found = np.array([known[text] for text in texts], dtype=np.int64)
                written[CODED + name] = pa.array(found.astype(np.uint16)[codes][order])
            crowded = frozenset(name for name, known in places.items() if len(known) > MOST_TEXTS)
            if crowded:
                raise _Crowded(crowded)
            origins.append((piece.number, first))
            batch = pa.RecordBatch.from_pydict(written)
            writer = writer or pa.ipc.new_file(str(draft), batch.schema)
            for start, end in pairwise(ends):
                # A part without rows gets its batch too: places in the file are counted.
                writer.write_batch(batch.slice(start, end - start))
        if writer is None:
            pa.ipc.new_file(str(draft), pa.schema([(CHILD, pa.string())])).close()
        else:
            writer.close()
        told = {
            "directions": sorted(directions),
            "origins": origins,
            "texts": {name: list(known) for name, known in places.items()},
        }
        with whole_file(told_beside(task.to)) as beside:
            beside.write_text(json.dumps(told), encoding="utf-8")


def told_beside(rows: Path) -> Path:
    """Give the file in which a task tells what it says of all its rows."""
    return rows.with_suffix(".json")


def rows_of_part(files: Sequence[Path], part: int, bits: int) -> list[PartRows]:
    """Read the rows of one part from what all tasks left."""
    import pyarrow as pa

    found = []
    for path in files:
        told = json.loads(told_beside(path).read_text(encoding="utf-8"))
        with pa.memory_map(str(path)) as source:
            reader = pa.ipc.open_file(source)
            batches, file, number = [], [_NONE], [_NONE]
            for place, (origin, first) in enumerate(told["origins"]):
                batch = reader.get_batch(part + place * 2**bits)
                batches.append(batch)
                file.append(np.full(batch.num_rows, origin, dtype=np.int64))
                number.append(batch.column(ROW).to_numpy() + np.int64(first))
        if not sum(map(len, file)):
            continue
        coded, carried = {}, {}
        for name in batches[0].schema.names:
            columns = [batch.column(name) for batch in batches]
            if name.startswith(CODED):
                known = name.removeprefix(CODED)
                codes = np.concatenate([column.to_numpy() for column in columns])
                coded[known] = codes, told["texts"][known]
            elif name != ROW:
                carried[name] = columns
        found.append(PartRows(np.concatenate(file), np.concatenate(number), coded, carried))
    return found


def _batches(task: Scatter) -> Iterator[tuple[Piece, int, dict[str, pa.Array]]]:
    """Give the columns of some rows, with the number of the first of them."""
    from pyarrow import parquet

    for piece in task.pieces:
        names = [written for _, written, _ in piece.file.columns]
        fields = schema(piece.file.table).fields
        # Texts even where they consist of digits.
        codes = frozenset(
            written for known, written, _ in piece.file.columns if fields[known].type == "string"
        )
        few = [written for known, written, kind in piece.file.columns if kind == "text" and known != CHILD]
        row = 2 + sum(piece.file.groups[: piece.groups[0]])
        with parquet.ParquetFile(piece.file.path, read_dictionary=few) as file:
            for batch in file.iter_batches(
                batch_size=task.together, row_groups=list(piece.groups), columns=names
            ):
                yield (
                    piece,
                    row,
                    {
                        known: _carried(batch.column(written), kind, piece.file, written, codes)
                        for known, written, kind in piece.file.columns
                    },
                )
                row += batch.num_rows


def _numbered(column: pa.Array) -> tuple[np.ndarray, list[str]]:
    """Number the values of a column and write each as text; a text may stand at several places."""
    import pyarrow as pa

    if pa.types.is_dictionary(column.type):
        texts = [text or "" for text in column.dictionary.to_pylist()]
        return column.indices.fill_null(len(texts)).to_numpy(), [*texts, ""]
    found = encoded(pa.chunked_array([column]))
    if found is None:
        raise ValueError(f"columns must hold single values; got {column.type}.")
    return found


def _carried(column: Any, kind: str, file: PartFile, name: str, codes: frozenset[str]) -> pa.Array:
    """Give a column in the one form its kind is carried on in."""
    import pyarrow as pa
    from pyarrow import compute

    if pa.types.is_dictionary(column.type):
        if kind == "text":
            return column.cast(pa.dictionary(pa.int32(), pa.string()))
        column = column.dictionary_decode()
    if kind == "number" and name in codes:
        # Codes made of digits alone; a whole number in a column of floats has no decimals as a code.
        whole = compute.equal(compute.round(column), column)
        if compute.all(whole, min_count=0).as_py() is not False:
            column = column.cast(pa.int64())
        return column.cast(pa.string())
    if kind == "number":
        return column.cast(pa.float64(), safe=False)
    if kind == "text":
        return column.cast(pa.string())
    if kind == "day":
        days = column.cast(pa.date32(), safe=False)
        if pa.types.is_timestamp(column.type):
            whole = compute.equal(days.cast(column.type, safe=False), column)
            if compute.all(whole, min_count=0).as_py() is False:
                raise refused(
                    file, name, "day_with_time", "The column holds times of day.", "Write whole days."
                )
        return days
    return column


def refused(file: PartFile, column: str, code: str, problem: str, remedy: str) -> DataProblems:
    """Give the error for a file that a registry cannot take."""
    report = ProblemReport((Problem("error", file.table, file.name, 0, column, "", code, problem, remedy),))
    return DataProblems(f"{file.name}, column {column}: {problem} {remedy}", report)


def _refuse_readings(name: str, column: pa.Array, file: PartFile, first: int) -> None:
    """Refuse days as texts that can be read in several ways.

    Which reading is meant can only be told from a whole file, and a part holds a few of its rows.
    """
    import pyarrow as pa

    if pa.types.is_date(column.type):
        return
    missing = schema(file.table).missing
    codes, texts = _numbered(column)
    for place, text in enumerate(texts):
        if not _DAY.fullmatch(tidy(text)) and tidy(text).casefold() not in missing:
            rows = np.flatnonzero(codes == place)
            if len(rows):
                problem = f"{text!r} in row {first + rows[0]} is no date written year-month-day."
                remedy = "Write the column as dates, or as 2026-03-04."
                raise refused(file, name, "day_as_text", problem, remedy)


def _hashes(column: pa.Array) -> np.ndarray:
    """Hash the codes of a column from their bytes, as `hashed` does from the texts."""
    import pyarrow as pa

    if pa.types.is_dictionary(column.type):
        column = column.cast(pa.string())
    array = column.fill_null("")
    if not len(array):
        return np.zeros(0, dtype=np.uint64)
    _, offsets_buffer, data = array.buffers()
    ends = np.frombuffer(offsets_buffer, dtype=np.int32)[array.offset : array.offset + len(array) + 1]
    letters = np.zeros(int(ends[-1] - ends[0]) + LONGEST, dtype=np.uint8)
    if data is not None:
        letters[:-LONGEST] = np.frombuffer(data, dtype=np.uint8)[ends[0] : ends[-1]]
    hashes = np.empty(len(array), dtype=np.uint64)
    odd = np.zeros(len(array), dtype=bool)
    # A few at a time, so that what is worked out stays in the cache.
    for start in range(0, len(array), _AT_ONCE):
        few = slice(start, start + _AT_ONCE)
        begins = (ends[start : start + _AT_ONCE + 1] - ends[0]).astype(np.int64)
        hashes[few], odd[few] = hashed_letters(letters, begins[:-1][: len(hashes[few])], np.diff(begins))
    # Blanks and letters beyond ASCII are left to the rules for texts.
    rows = np.flatnonzero(odd)
    if len(rows):
        hashes[rows] = hashed([tidy(text) for text in array.take(pa.array(rows)).to_pylist()])
    return hashes


def _directions(columns: Mapping[str, pa.Array]) -> set[tuple[str, str]]:
    """Give every outcome with every direction stated for it."""
    if "better" not in columns:
        return set()
    better, stated = _numbered(columns["better"])
    if "outcome" not in columns:
        return {("", stated[place]) for place in np.unique(better).tolist()}
    outcome, names = _numbered(columns["outcome"])
    both = np.unique(outcome.astype(np.int64) * len(stated) + better).tolist()
    return {(names[pair // len(stated)], stated[pair % len(stated)]) for pair in both}
