"""Which files make up a caseload, and their bytes; each is read once."""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from rungwise.tables.findings import Findings
from rungwise.tables.schema import table_named
from rungwise.tables.table import InputFile

TEXT = (".csv", ".tsv", ".txt", ".tab")
WORKBOOK = (".xlsx", ".xlsm", ".xls", ".ods")
PARQUET = (".parquet", ".pq")
PRACTICE = "practice.toml"
KINDS = {
    **dict.fromkeys(TEXT, "text"),
    **dict.fromkeys(WORKBOOK, "workbook"),
    **dict.fromkeys(PARQUET, "parquet"),
}
_MAGIC = (
    (b"PK\x03\x04", "zip"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "ole"),
    (b"PAR1", "parquet"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"{\\rtf", "a word-processor document"),
    (b"\x1f\x8b", "a compressed archive"),
    (b"7z\xbc\xaf", "a compressed archive"),
    (b"Rar!", "a compressed archive"),
    (b"SQLite format 3", "a database"),
)  # fmt: skip


@dataclass(frozen=True)
class FileFound:
    """One file that belongs to the caseload.

    Attributes
    ----------
    path : Path
    name : str
        As reports show it: relative to the caseload's folder, with forward slashes.
    table : str or None
        Table its name, or its folder's name, stands for.
    """

    path: Path
    name: str
    table: str | None


def find_files(path: Path, findings: Findings) -> tuple[list[FileFound], Path | None]:
    """List the files of a caseload, and its ``practice.toml`` if it has one.

    A folder holds files (or folders of parts) named after their tables; anything else in it is
    left alone, with a word about files that could be tables. A single file stands for itself.
    """
    name = path.name or str(path)
    try:
        is_folder = path.is_dir()
        if not is_folder and not path.exists():
            findings.add(_absence(path), name)
            return [], None
        if not is_folder:
            beside = path.parent / PRACTICE
            return [FileFound(path, path.name, None)], beside if beside.is_file() else None
        entries = sorted(os.scandir(path), key=lambda entry: entry.name.casefold())
    except OSError as error:
        _refuse(error, name, findings)
        return [], None
    found: list[FileFound] = []
    unnamed: list[FileFound] = []
    practice: Path | None = None
    for entry in entries:
        if entry.name.startswith((".", "~$")):
            continue
        here = Path(entry.path)
        kind = KINDS.get(here.suffix.casefold())
        try:
            if entry.is_dir():
                table = table_named(here.stem)
                if table:
                    found += _parts(here, table)
            elif entry.name == PRACTICE:
                practice = here
            elif kind:
                table = table_named(here.stem)
                if table:
                    found.append(FileFound(here, entry.name, table))
                elif kind == "workbook":
                    found.append(FileFound(here, entry.name, None))
                elif here.suffix.casefold() != ".txt":
                    unnamed.append(FileFound(here, entry.name, None))
        except OSError as error:
            _refuse(error, entry.name, findings)
    chosen = _one_each(found, findings)
    if not chosen:
        return _only_file(path, unnamed, findings), practice
    for file in unnamed:
        findings.add("file_unknown", file.name)
    return chosen, practice


def _only_file(path: Path, unnamed: list[FileFound], findings: Findings) -> list[FileFound]:
    """Without any file named after a table, a folder may be the parts of one, or hold one file."""
    table = table_named(path.name)
    parts = list(_parts(path, table)) if table else []
    if parts:
        return [FileFound(part.path, part.path.relative_to(path).as_posix(), table) for part in parts]
    if len(unnamed) == 1:
        return unnamed
    for file in unnamed:
        findings.add("file_unknown", file.name)
    if unnamed or not len(findings):
        findings.add("nothing_to_read", path.name or str(path))
    return []


def read_bytes(file: FileFound, findings: Findings) -> tuple[bytes, InputFile] | None:
    """Read a file once, with its fingerprint; None if that is refused, which is reported."""
    try:
        if not file.path.is_file():
            raise OSError(errno.EINVAL, "it is not a regular file")
        content = file.path.read_bytes()
    except OSError as error:
        _refuse(error, file.name, findings)
        return None
    except MemoryError:
        findings.add("file_too_big", file.name, size="more than the memory there is")
        return None
    if not content and file.path.name != PRACTICE:
        findings.add("file_empty", file.name, table=file.table or "")
        return None
    return content, InputFile(file.name, hashlib.sha256(content).hexdigest(), len(content))


def kind_of(content: bytes, file: FileFound, findings: Findings) -> str | None:
    """Tell what a file is from its first bytes: ``"text"``, ``"workbook"`` or ``"parquet"``.

    A name that says otherwise is reported; None if it is nothing that holds tables.
    """
    found = next((kind for magic, kind in _MAGIC if content.startswith(magic)), "text")
    said = KINDS.get(file.path.suffix.casefold())
    if found == "ole":
        # Old workbooks and locked new ones share this container.
        if b"E\0n\0c\0r\0y\0p\0t\0e\0d\0P\0a\0c\0k\0a\0g\0e" in content:
            findings.add("file_locked", file.name)
            return None
        found = "workbook"
    elif found == "zip":
        names = content[-200_000:] if len(content) > 200_000 else content
        if any(mark in names for mark in (b"xl/", b"content.xml")):
            found = "workbook"
        else:
            found = "a word-processor document" if b"word/" in names else "a compressed archive"
    if found not in ("text", "workbook", "parquet"):
        findings.add("file_kind", file.name, found=found)
        return None
    if said is None and found == "text":
        said = "text" if file.path.suffix.casefold() in ("", ".dat", ".log") else None
        if said is None:
            ending = file.path.suffix
            findings.add("file_kind", file.name, found=f"a file ending in {ending}")
            return None
    if said != found and found == "text":
        findings.add(
            "file_broken", file.name, reason=f"it ends in {file.path.suffix}, but is no {said} file"
        )
        return None
    if said != found:
        what = {"workbook": "a workbook", "parquet": "a Parquet file"}[found]
        findings.add("extension_differs", file.name, extension=file.path.suffix or "nothing", found=what)
    return found


def _parts(folder: Path, table: str) -> Iterator[FileFound]:
    """List the parts of a table that is spread over a folder; links to folders are not followed."""
    for root, folders, names in os.walk(folder):
        folders.sort()
        for name in sorted(names):
            path = Path(root) / name
            if path.suffix.casefold() in (*TEXT, *PARQUET) and not name.startswith((".", "_", "~$")):
                yield FileFound(path, path.relative_to(folder.parent).as_posix(), table)


def _one_each(found: list[FileFound], findings: Findings) -> list[FileFound]:
    """Keep one file, or one folder of parts, for each table."""
    chosen: list[FileFound] = []
    given: dict[str, str] = {}
    for file in found:
        home = file.name.split("/")[0]
        if file.table is None or given.setdefault(file.table, home) == home:
            chosen.append(file)
        else:
            findings.add("table_twice", file.name, table=file.table, other=given[file.table])
    return chosen


def _absence(path: Path) -> str:
    try:
        path.stat()
    except OSError as error:
        if error.errno == errno.ELOOP:
            return "path_loop"
    except RuntimeError:
        return "path_loop"
    return "path_missing"


def _refuse(error: OSError, name: str, findings: Findings) -> None:
    code = "path_loop" if error.errno == errno.ELOOP else "path_unreadable"
    findings.add(code, name, reason=(error.strerror or str(error)).lower())
