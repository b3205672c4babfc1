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
from rungwise.tables.problems import Problem
from rungwise.tables.schema import schema

if TYPE_CHECKING:
    import pyarrow as pa

TABLE = "ratings"
# Version of the ratings table; a file that says nothing was written under the first.
VERSION = "1"
VERSION_KEY = b"rungwise:schema_version"
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
    """

    path: Path
    name: str
    size: int
    changed: int
    groups: tuple[int, ...]
    columns: tuple[tuple[str, str, str], ...]

    @property
    def rows(self) -> int:
        """Rows of the file."""
        return sum(self.groups)


def registry_files(
    folder: Path, findings: Findings
) -> tuple[list[PartFile], dict[str, str], list[Problem]]:
    """List the part files of a registry in the order of their names, each content once.

    Parameters
    ----------
    folder : Path
        The folder of part files, or one that holds them in a folder ``ratings``.
    findings : Findings
        Takes what is wrong with files.

    Returns
    -------
    list of PartFile
    dict of str to str
        Copies left out: name of each, and name of the file it repeats byte for byte.
    list of Problem
        Files that were written under another schema.
    """
    home = folder / TABLE if (folder / TABLE).is_dir() else folder
    paths = sorted(
        path
        for path in home.rglob("*")
        if path.suffix.casefold() in PARQUET
        and path.is_file()
        and not any(piece.startswith((".", "_")) for piece in path.relative_to(home).parts)
    )
    copies = _copies(paths, home)
    files: list[PartFile] = []
    strange: list[Problem] = []
    for path in paths:
        name = path.relative_to(home).as_posix()
        if name not in copies:
            found = _footer(path, name, findings)
            if isinstance(found, PartFile):
                files.append(found)
            elif found is not None:
                strange.append(found)
    return files, copies, strange


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


def _footer(path: Path, name: str, findings: Findings) -> PartFile | Problem | None:
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
    version = (metadata.metadata or {}).get(VERSION_KEY, VERSION.encode()).decode(errors="replace")
    columns = tuple(_columns(written, name, findings))
    lacking = [column for column in (*NEEDED, "date") if column not in {known for known, _, _ in columns}]
    if "date" in lacking and any(known == "occasion" for known, _, _ in columns):
        lacking.remove("date")
    if version != VERSION or lacking:
        return _other_schema(name, version, lacking, [field.name for field in written])
    stat = path.stat()
    groups = tuple(metadata.row_group(i).num_rows for i in range(metadata.num_row_groups))
    return PartFile(path, name, stat.st_size, stat.st_mtime_ns, groups, columns)


def _other_schema(name: str, version: str, lacking: Sequence[str], written: Sequence[str]) -> Problem:
    described = schema(TABLE)
    if version != VERSION:
        problem = (
            f"The file was written under version {version} of the table of ratings; this release reads "
            f"version {VERSION}."
        )
        remedy = "Use a release that reads that version, or write the file anew"
    else:
        titles = ", ".join(f"{described.fields[column].title} ({column})" for column in lacking)
        problem = (
            f"The columns are not those of version {VERSION} of the table of ratings: {titles} cannot be "
            f"found among {', '.join(written)}."
        )
        remedy = "Rename the columns"
    remedy += " (docs/registry.md, under Migration)."
    return Problem("error", TABLE, name, 0, "", "", "schema_version", problem, remedy)


def _columns(written: pa.Schema, name: str, findings: Findings) -> Iterator[tuple[str, str, str]]:
    described = schema(TABLE)
    seen: dict[str, str] = {}
    for field in written:
        known = described.field_of(field.name)
        if known is None:
            what = header_identity(field.name)
            if what:
                findings.add("identity_column", name, table=TABLE, column=field.name, what=what)
            continue
        kind = _kind(field.type)
        if kind == "nested":
            findings.add("column_nested", name, column=field.name)
        elif known.name in seen:
            findings.add(
                "column_twice",
                name,
                table=TABLE,
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
