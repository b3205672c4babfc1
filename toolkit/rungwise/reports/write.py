"""Put finished output in its place in one step, or leave what was there untouched."""

from __future__ import annotations

import ctypes
import errno
import hashlib
import json
import os
import shutil
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import rungwise
from rungwise.tables.whole_files import (
    PARTIAL,
    NotWritten,
    beside,
    exists_already,
    full_path,
    plain_errors,
    write_files,
    write_through,
)

__all__ = ["NotWritten", "check_free", "whole_folder", "write_files"]

CONTENTS = "contents.json"
_PREVIOUS = ".previous"
_STALE_AFTER_SECONDS = 24 * 3600


def check_free(path: str | Path, *, overwrite: bool = False) -> Path:
    """Say before the work begins whether a report may be written at `path`.

    Parameters
    ----------
    path : str or Path
        A file, or a folder that a report is to fill.
    overwrite : bool
        Whether an earlier file or report folder there may be replaced. A folder is replaced only
        if this program wrote it and nothing else has been put into it since.

    Returns
    -------
    Path
        The path, absolute.

    Raises
    ------
    NotWritten
        In one sentence: what is in the way and what to do.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.mkdtemp()
    >>> check_free(Path(folder) / "audit").name
    'audit'
    """
    target = full_path(path)
    with plain_errors(target):
        _restore(target)
        if target.is_dir():
            _check_folder(target, overwrite)
        elif target.exists() and not overwrite:
            raise exists_already(target)
        _check_rights(target)
    return target


@contextmanager
def whole_folder(path: str | Path, *, overwrite: bool = False) -> Iterator[Path]:
    """Fill a folder that appears at `path` only when the block ends without an error.

    Inside the block, write into the folder that is yielded (a hidden sibling of `path`). At the end
    a ``contents.json`` with the SHA-256 of every file is added and the folder takes its place in one
    step. If the block fails or the program is killed, whatever stood at `path` is still there, whole.

    Parameters
    ----------
    path : str or Path
        Where the finished folder is to stand.
    overwrite : bool
        Whether an earlier report folder there may be replaced; see `check_free`.

    Raises
    ------
    NotWritten
        If something is in the way, the disk is full or the place may not be written to.

    Examples
    --------
    >>> import tempfile
    >>> target = Path(tempfile.mkdtemp()) / "audit"
    >>> with whole_folder(target) as folder:
    ...     _ = (folder / "flow.csv").write_text("children\\n60\\n")
    >>> sorted(entry.name for entry in target.iterdir())
    ['contents.json', 'flow.csv']
    """
    target = check_free(path, overwrite=overwrite)
    if target.exists() and not target.is_dir():
        raise NotWritten(f"{target} is a file; give the name of a folder.")
    with plain_errors(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        _sweep(target)
        partial = beside(target, PARTIAL)
        partial.mkdir()
    try:
        with plain_errors(target, inside=partial):
            yield partial
        with plain_errors(target):
            _write_contents(partial)
            check_free(target, overwrite=overwrite)
            _move_folder(partial, target)
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def _check_folder(target: Path, overwrite: bool) -> None:
    inside = {entry.relative_to(target).as_posix() for entry in target.rglob("*") if entry.is_file()}
    if not inside:
        return
    if CONTENTS not in inside:
        raise NotWritten(
            f"{target} holds files that are not an earlier report; choose a new or an empty folder."
        )
    if not overwrite:
        raise NotWritten(
            f"{target} holds an earlier report; choose another folder, or say --overwrite to replace it."
        )
    try:
        listed = set(json.loads((target / CONTENTS).read_text(encoding="utf-8"))["files"])
    except (OSError, ValueError, KeyError, TypeError):
        raise NotWritten(
            f"{target / CONTENTS} cannot be read, so it is not sure that this is an earlier report; "
            "choose another folder."
        ) from None
    added = sorted(inside - listed - {CONTENTS})
    if added:
        named = ", ".join(added[:3]) + (f" and {len(added) - 3} more" if len(added) > 3 else "")
        raise NotWritten(
            f"{target} holds files that the earlier report did not ({named}); move them away, or "
            "choose another folder."
        )


def _check_rights(target: Path) -> None:
    """Refuse a place where nothing may be made, before the work on what is to go there begins."""
    folder = next(at for at in target.parents if at.exists())
    if folder.is_dir() and not os.access(folder, os.W_OK | os.X_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(folder))


def _write_contents(folder: Path) -> None:
    files = {}
    for entry in sorted(folder.rglob("*")):
        if entry.is_file():
            with entry.open("r+b") as stream:
                files[entry.relative_to(folder).as_posix()] = hashlib.file_digest(
                    stream, "sha256"
                ).hexdigest()
                os.fsync(stream.fileno())
    listing = {"made_by": f"rungwise {rungwise.__version__}", "files": files}
    write_through(folder / CONTENTS, json.dumps(listing, indent=2, ensure_ascii=False) + "\n")


def _sweep(target: Path) -> None:
    """Remove what killed runs left behind, leaving alone what another run may be writing now."""
    for left in target.parent.glob(f".{_literal(target.name)}.????????{PARTIAL}"):
        if time.time() - left.stat().st_mtime > _STALE_AFTER_SECONDS:
            shutil.rmtree(left, ignore_errors=True)


def _restore(target: Path) -> None:
    """Put back a report whose replacement was killed between the two renames of `_move_folder`."""
    if target.exists():
        return
    kept = sorted(target.parent.glob(f".{_literal(target.name)}.????????{_PREVIOUS}"))
    if kept:
        kept[-1].rename(target)


def _literal(name: str) -> str:
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)


def _move_folder(partial: Path, target: Path) -> None:
    if not target.exists():
        partial.rename(target)
    elif not any(target.iterdir()):
        target.rmdir()
        partial.rename(target)
    elif not _exchange(partial, target):
        previous = beside(target, _PREVIOUS)
        target.rename(previous)
        partial.rename(target)
        shutil.rmtree(previous, ignore_errors=True)


def _exchange(one: Path, other: Path) -> bool:
    """Swap two folders in one step where the system can (Linux); say whether it did."""
    if not sys.platform.startswith("linux"):
        return False
    renameat2 = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if renameat2 is None:
        return False
    at_working_directory, exchange = -100, 2
    done = renameat2(
        at_working_directory, os.fsencode(one), at_working_directory, os.fsencode(other), exchange
    )
    return bool(done == 0)
