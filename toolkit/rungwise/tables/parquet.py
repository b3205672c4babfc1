"""From the bytes of a Parquet file to columns of texts, each distinct value written once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.tables.bulk import indices_of
from rungwise.tables.findings import Findings
from rungwise.tables.grid import Columns, TextColumn, letter_of, without_blank_rows
from rungwise.tables.sheets import text_of

if TYPE_CHECKING:
    import pyarrow as pa

MOST_ROWS = 50_000_000
# Version of the tables; a file that says nothing was written under the first.
VERSION = "1"
_VERSION_KEY = b"rungwise:schema_version"


def version_of(metadata: pa.parquet.FileMetaData) -> str:
    """Give the version of the tables a Parquet file was written under."""
    return (metadata.metadata or {}).get(_VERSION_KEY, VERSION.encode()).decode(errors="replace")


def columns_of_parquet(content: bytes, source: str, findings: Findings) -> Columns | None:
    """Read one Parquet file; the record after n others is row n + 2, as below a header.

    Values become the texts a CSV file would hold, so that the same checks give the same results.
    """
    import pyarrow as pa
    from pyarrow import parquet

    try:
        file = parquet.ParquetFile(pa.BufferReader(content))
        if file.metadata.num_rows > MOST_ROWS:
            findings.add("file_too_big", source, size=f"{file.metadata.num_rows:,} rows")
            return None
        if (version := version_of(file.metadata)) != VERSION:
            findings.add("schema_version", source, version=version, known=VERSION)
            return None
        table = file.read()
    except (pa.ArrowException, OSError, ValueError, MemoryError) as error:
        reason = f"it is no Parquet file that can be opened ({str(error).splitlines()[0][:100]})"
        findings.add("file_broken", source, reason=reason)
        return None
    columns = []
    for place, name in enumerate(table.column_names):
        found = encoded(table.column(place))
        if found is None:
            findings.add("column_nested", source, column=name)
            continue
        columns.append(TextColumn(str(name), letter_of(place), *found))
    rows = np.arange(2, table.num_rows + 2, dtype=np.int64)
    return without_blank_rows(Columns(rows, tuple(columns)))


def encoded(column: pa.ChunkedArray) -> tuple[np.ndarray, list[str]] | None:
    """Number the distinct values of a column and write each as text; None for lists and structs."""
    import pyarrow as pa

    kind = column.type
    if pa.types.is_nested(kind) or pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
        return None
    if pa.types.is_timestamp(kind):
        column = column.cast(pa.timestamp("us", kind.tz), safe=False)
    elif pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
    elif pa.types.is_null(kind):
        return np.zeros(len(column), dtype=np.int32), [""]
    merged: Any = column.combine_chunks()
    if isinstance(merged, pa.ChunkedArray):
        merged = pa.concat_arrays(merged.chunks) if merged.num_chunks else pa.array([], merged.type)
    encoded = merged.dictionary_encode()
    texts = [text_of(value) for value in encoded.dictionary.to_pylist()]
    texts = ["" if text == "nan" and pa.types.is_floating(kind) else text for text in texts]
    codes = indices_of(encoded.indices.fill_null(len(texts)))
    return codes, [*texts, ""]
