"""From part files in any order to rows that lie together by child.

Each task reads some row groups and leaves one file in which the rows of every part lie together, so
that a part can later be read from all of them without reading anything else.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.errors import DataProblems
from rungwise.series.blocks import hashed, hashed_bytes, prefix
from rungwise.series.engine import whole_file
from rungwise.series.registry_files import TABLE, PartFile
from rungwise.tables.problems import Problem, ProblemReport
from rungwise.tables.schema import tidy

if TYPE_CHECKING:
    import pyarrow as pa

# Columns that say where a row came from.
FILE, ROW = ".file", ".row"
# Columns that are texts even where they consist of digits.
TEXTS = ("child_id", "ladder_id", "outcome", "note")


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


def scatter(task: Scatter) -> None:
    """Write the rows of some pieces, those of each part together; beside it which way outcomes go."""
    import pyarrow as pa

    directions: set[tuple[str | None, str | None]] = set()
    with whole_file(task.to) as draft:
        writer: Any = None
        for rows in _batches(task):
            directions |= _directions(rows)
            part = prefix(_hashes(rows.column("child_id")), task.bits)
            order = np.argsort(part.astype(np.uint16), kind="stable")
            together = rows.take(pa.array(order)).combine_chunks()
            ends = np.searchsorted(part[order], np.arange(2**task.bits + 1)).tolist()
            writer = writer or pa.ipc.new_file(str(draft), together.schema)
            for start, end in pairwise(ends):
                # A part without rows gets its batch too: places in the file are counted.
                slices = together.slice(start, end - start).combine_chunks().to_batches()
                writer.write_batch(slices[0] if slices else _nothing(together.schema))
        if writer is None:
            pa.ipc.new_file(str(draft), pa.schema([("child_id", pa.string())])).close()
        else:
            writer.close()
        with whole_file(task.to.with_suffix(".json")) as beside:
            beside.write_text(json.dumps(sorted(directions, key=str)), encoding="utf-8")


def rows_of_part(files: Sequence[Path], part: int, bits: int) -> list[pa.Table]:
    """Read the rows of one part from all files, one table for each set of columns."""
    import pyarrow as pa

    found: dict[Any, list[pa.RecordBatch]] = {}
    for path in files:
        with pa.memory_map(str(path)) as source:
            reader = pa.ipc.open_file(source)
            for place in range(part, reader.num_record_batches, 2**bits):
                batch = reader.get_batch(place)
                if batch.num_rows:
                    found.setdefault(str(batch.schema), []).append(batch)
    return [pa.Table.from_batches(batches) for batches in found.values()]


def _batches(task: Scatter) -> Iterator[pa.Table]:
    import pyarrow as pa
    from pyarrow import parquet

    for piece in task.pieces:
        names = [written for _, written, _ in piece.file.columns]
        codes = frozenset(written for known, written, _ in piece.file.columns if known in TEXTS)
        row = 2 + sum(piece.file.groups[: piece.groups[0]])
        with parquet.ParquetFile(piece.file.path) as file:
            for batch in file.iter_batches(
                batch_size=task.together, row_groups=list(piece.groups), columns=names
            ):
                columns = {
                    known: _carried(batch.column(written), kind, piece.file.name, written, codes)
                    for known, written, kind in piece.file.columns
                }
                n = batch.num_rows
                columns[FILE] = pa.array(np.full(n, piece.number, dtype=np.int32))
                columns[ROW] = pa.array(np.arange(row, row + n, dtype=np.int64))
                row += n
                yield pa.table(columns)


def _carried(column: Any, kind: str, file: str, name: str, codes: frozenset[str]) -> pa.Array:
    """Give a column in the one form its kind is carried on in."""
    import pyarrow as pa
    from pyarrow import compute

    if pa.types.is_dictionary(column.type):
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


def refused(file: str, column: str, code: str, problem: str, remedy: str) -> DataProblems:
    """Give the error for a file that a registry cannot take."""
    report = ProblemReport((Problem("error", TABLE, file, 0, column, "", code, problem, remedy),))
    return DataProblems(f"{file}, column {column}: {problem} {remedy}", report)


def _hashes(column: pa.ChunkedArray) -> np.ndarray:
    """Hash the codes of a column from their bytes, as `hashed` does from the texts."""
    import pyarrow as pa

    array = column.combine_chunks().fill_null("")
    if isinstance(array, pa.ChunkedArray):
        array = pa.concat_arrays(array.chunks)
    if not len(array):
        return np.zeros(0, dtype=np.uint64)
    _, offsets_buffer, data = array.buffers()
    offsets = np.frombuffer(offsets_buffer, dtype=np.int32)[array.offset : array.offset + len(array) + 1]
    lengths = np.diff(offsets).astype(np.int64)
    width = max(int(lengths.max()), 1)
    letters = (
        np.frombuffer(data, dtype=np.uint8)[offsets[0] : offsets[-1]] if data else np.zeros(0, np.uint8)
    )
    if (lengths == width).all():
        table = letters.reshape(len(array), width).copy()
    else:
        table = np.zeros((len(array), width), dtype=np.uint8)
        table[np.arange(width) < lengths[:, None]] = letters
    capital = (table >= ord("A")) & (table <= ord("Z"))
    table += capital * np.uint8(32)
    hashes = hashed_bytes(table, lengths)
    # Blanks and letters beyond ASCII are left to the rules for texts.
    used = np.arange(width) < lengths[:, None]
    odd = np.flatnonzero((((table <= 32) & used) | (table >= 127)).any(axis=1))
    if len(odd):
        hashes[odd] = hashed([tidy(text) for text in array.take(pa.array(odd)).to_pylist()])
    return hashes


def _directions(rows: pa.Table) -> set[tuple[str | None, str | None]]:
    """Give every outcome with every direction stated for it."""
    if "better" not in rows.column_names:
        return set()
    names = [name for name in ("outcome", "better") if name in rows.column_names]
    found = rows.select(names).group_by(names).aggregate([]).to_pylist()
    return {(entry.get("outcome"), entry["better"]) for entry in found}


def _nothing(schema: pa.Schema) -> pa.RecordBatch:
    import pyarrow as pa

    return pa.RecordBatch.from_arrays([pa.array([], field.type) for field in schema], schema=schema)
