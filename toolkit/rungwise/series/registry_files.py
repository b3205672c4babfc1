"""Which part files make up a registry, what stands in their footers, and which are copies."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rungwise.tables.files import PARQUET
from rungwise.tables.findings import Findings
from rungwise.tables.identity import header_identity
from rungwise.tables.parquet import VERSION, version_of
from rungwise.tables.problems import Problem
from rungwise.tables.schema import TABLES, schema

if TYPE_CHECKING:
    import pyarrow as pa

TABLE = "ratings"
NEEDED = ("child_id", "phase", "rating")
_TAIL = 1 << 16


@dataclass(frozen=True)
class PartFile:
    """One part file of a registry.

    Attributes
    ----------
    path : Path
    name : str
        Relative to the registry's folder, with forward slashes.
    size, changed : int
        Bytes, and nanoseconds since 1970.
    groups : tuple of int
        Rows of each row group.
    columns : tuple of (str, str, str)
        Name in the schema, name as written, and kind: ``"text"``, ``"number"``, ``"day"`` or
        ``"yes_no"``.
    table : str
    """

    path: Path
    name: str
    size: int
    changed: int
    groups: tuple[int, ...]
    columns: tuple[tuple[str, str, str], ...]
    table: str = TABLE

    @property
    def rows(self) -> int:
        """Rows of the file."""
        return sum(self.groups)


def registry_files(
    folder: Path, findings: Findings, table: str = TABLE
) -> tuple[list[PartFile], dict[str, str], list[Problem]]:
    """List the part files of a registry in the order of their names, each content once.

    Parameters
    ----------
    folder : Path
        One that holds a folder, or a file, of the table's name; of the table of ratings also the folder
        of part files itself.
    findings : Findings
        Takes what is wrong with files.
    table : str

    Returns
    -------
    list of PartFile
    dict of str to str
        Copies left out: name of each, and name of the file it repeats byte for byte.
    list of Problem
        Files that were written under another schema.
    """
    home, paths = part_paths(folder, table)
    copies = _copies(paths, home)
    files: list[PartFile] = []
    strange: list[Problem] = []
    for path in paths:
        name = path.relative_to(home).as_posix()
        if name not in copies:
            found = _footer(path, name, findings, table)
            if isinstance(found, PartFile):
                files.append(found)
            elif found is not None:
                strange.append(found)
    return files, copies, strange


def part_paths(folder: Path, table: str) -> tuple[Path, list[Path]]:
    """Give the part files of a table in the order of their names, and the folder names begin at."""
    home, others = folder / table, frozenset[str]()
    alone = [path for path in folder.iterdir() if path.is_file() and _names(path) == table]
    if not home.is_dir() and alone:
        return folder, sorted(path for path in alone if path.suffix.casefold() in PARQUET)
    if not home.is_dir():
        if table != TABLE:
            return folder, []
        home, others = folder, frozenset(TABLES) - {TABLE}
    return home, sorted(
        path
        for path in home.rglob("*")
        if path.suffix.casefold() in PARQUET
        and path.is_file()
        and not any(piece.startswith((".", "_")) for piece in path.relative_to(home).parts)
        and not (others & {path.relative_to(home).parts[0], _names(path)})
    )


def _names(path: Path) -> str:
    return path.stem.casefold()


def sha256(path: Path) -> str:
    """Give the fingerprint of a file without reading it into memory at once."""
    with path.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()


def fingerprint(files: Sequence[PartFile], *settings: Any) -> str:
    """Give a word that changes with the files and with whatever else decides what is read."""
    told = [[file.name, file.size, file.changed] for file in files]
    return hashlib.sha256(json.dumps([told, *settings], default=str).encode()).hexdigest()[:16]


def _copies(paths: Sequence[Path], home: Path) -> dict[str, str]:
    """Find files that repeat another one byte for byte; only files alike in size and end are read."""
    alike: dict[tuple[int, bytes], list[Path]] = {}
    for path in paths:
        size = path.stat().st_size
        with path.open("rb") as content:
            content.seek(max(0, size - _TAIL))
            alike.setdefault((size, content.read()), []).append(path)
    copies = {}
    for group in alike.values():
        first: dict[str, str] = {}
        for path in group if len(group) > 1 else ():
            name = path.relative_to(home).as_posix()
            kept = first.setdefault(sha256(path), name)
            if kept != name:
                copies[name] = kept
    return copies


def _footer(path: Path, name: str, findings: Findings, table: str) -> PartFile | Problem | None:
    import pyarrow as pa
    from pyarrow import parquet

    findings.meet(name)
    try:
        with parquet.ParquetFile(path) as file:
            metadata, written = file.metadata, file.schema_arrow
    except (pa.ArrowException, OSError, ValueError) as error:
        reason = f"it is no Parquet file that can be opened ({str(error).splitlines()[0][:100]})"
        findings.add("file_broken", name, reason=reason)
        return None
    version = version_of(metadata)
    columns = tuple(_columns(written, name, findings, table))
    there = {known for known, _, _ in columns}
    required = tuple(name for name, field in schema(table).fields.items() if field.required)
    needed = (*NEEDED, "date") if table == TABLE else required
    lacking = [column for column in needed if column not in there]
    if table == TABLE and "date" in lacking and "occasion" in there:
        lacking.remove("date")
    if version != VERSION:
        told = Findings()
        told.add("schema_version", name, version=version, known=VERSION, table=table)
        return told.report().problems[0]
    if lacking:
        return _other_schema(name, lacking, [field.name for field in written], table)
    stat = path.stat()
    groups = tuple(metadata.row_group(i).num_rows for i in range(metadata.num_row_groups))
    return PartFile(path, name, stat.st_size, stat.st_mtime_ns, groups, columns, table)


def _other_schema(name: str, lacking: Sequence[str], written: Sequence[str], table: str) -> Problem:
    described = schema(table)
    titles = ", ".join(f"{described.fields[column].title} ({column})" for column in lacking)
    problem = (
        f"The columns are not those of version {VERSION} of the table of {table}: {titles} cannot be found "
        f"among {', '.join(written)}."
    )
    remedy = "Rename the columns (docs/registry.md, under Migration)."
    return Problem("error", table, name, 0, "", "", "schema_version", problem, remedy)


def _columns(
    written: pa.Schema, name: str, findings: Findings, table: str
) -> Iterator[tuple[str, str, str]]:
    described = schema(table)
    seen: dict[str, str] = {}
    for field in written:
        known = described.field_of(field.name)
        if known is None:
            what = header_identity(field.name)
            if what:
                findings.add("identity_column", name, table=table, column=field.name, what=what)
            continue
        kind = _kind(field.type)
        if kind == "nested":
            findings.add("column_nested", name, column=field.name)
        elif known.name in seen:
            findings.add(
                "column_twice",
                name,
                table=table,
                column=field.name,
                first=seen[known.name],
                second=field.name,
                title=known.title,
            )
        elif kind:
            seen[known.name] = field.name
            yield known.name, field.name, kind


def _kind(written: pa.DataType) -> str:
    """Say how a column is carried on; ``""`` for one that holds nothing."""
    import pyarrow.types as of

    if of.is_dictionary(written):
        written = written.value_type
    if of.is_null(written):
        return ""
    if of.is_date(written) or of.is_timestamp(written):
        return "day"
    if of.is_boolean(written):
        return "yes_no"
    if of.is_integer(written) or of.is_floating(written) or of.is_decimal(written):
        return "number"
    return "text" if of.is_string(written) or of.is_large_string(written) else "nested"
