"""The fast way from a large, regular CSV file to columns; anything irregular is left to the slow way."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from rungwise.tables.grid import Columns, TextColumn, letter_of, without_blank_rows

if TYPE_CHECKING:
    import pyarrow as pa

WORTH_IT = 4 * 1024**2


def read_bulk(content: bytes, delimiter: str, skip: int, headers: Sequence[str]) -> Columns | None:
    """Read all rows below row `skip` as texts, each distinct text kept once.

    Parameters
    ----------
    content : bytes
        UTF-8 without a mark of byte order and without quotation marks.
    delimiter : str
    skip : int
        Row number of the header.
    headers : sequence of str

    Returns
    -------
    Columns or None
        None where a row is blank or has more or fewer cells than the header.
    """
    import pyarrow as pa
    from pyarrow import csv

    names = [str(place) for place in range(len(headers))]
    text = pa.dictionary(pa.int32(), pa.string())
    try:
        table = csv.read_csv(
            pa.BufferReader(content),
            read_options=csv.ReadOptions(skip_rows=skip, column_names=names, block_size=16 * 1024**2),
            parse_options=csv.ParseOptions(delimiter=delimiter, quote_char=False, ignore_empty_lines=False),
            convert_options=csv.ConvertOptions(
                column_types=dict.fromkeys(names, text), strings_can_be_null=False, check_utf8=False
            ),
        )
    except pa.ArrowInvalid:
        return None
    columns = []
    for place, header in enumerate(headers):
        merged = table.column(place).unify_dictionaries()
        texts = merged.chunk(0).dictionary.to_pylist() if merged.num_chunks else []
        parts = [indices_of(chunk.indices) for chunk in merged.chunks]
        codes = np.concatenate(parts) if parts else np.zeros(0, dtype=np.int32)
        columns.append(TextColumn(header, letter_of(place), codes, texts))
    rows = np.arange(skip + 1, skip + 1 + table.num_rows, dtype=np.int64)
    return without_blank_rows(Columns(rows, tuple(columns)))


def indices_of(indices: pa.Int32Array) -> np.ndarray:
    """Give the places of a dictionary's entries, none missing, without asking pandas for help."""
    places = np.frombuffer(indices.buffers()[1], dtype=np.int32)
    return places[indices.offset : indices.offset + len(indices)]
