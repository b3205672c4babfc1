"""Put finished output in its place in one step, or leave what was there untouched."""

from __future__ import annotations

import ctypes
import errno
import hashlib
import json
import os
import secrets
import shutil
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import rungwise
from rungwise.basis.errors import RungwiseError

CONTENTS = "contents.json"
_PARTIAL, _PREVIOUS = ".partial", ".previous"
_STALE_AFTER_SECONDS = 24 * 3600
_NO_SPACE = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_NO_RIGHTS = {errno.EACCES, errno.EPERM, errno.EROFS}


class NotWritten(RungwiseError):
    """The output could not be put in its place; what was there before is untouched."""


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
    target = Path(os.path.abspath(Path(path).expanduser()))
    _restore(target)
    if target.is_dir():
        _check_folder(target, overwrite)
    elif target.exists() and not overwrite:
        raise NotWritten(f"{target} exists already; choose another name, or say --overwrite to replace it.")
    return target


def write_files(files: Mapping[str | Path, str | bytes], *, overwrite: bool = False) -> list[Path]:
    """Write one or several files; each appears whole or not at all.

    All contents are written beside their places first, and moved there only when every one of them
    is safely on the disk.

    Parameters
    ----------
    files : mapping of path to text or bytes
        Text is written as UTF-8 with plain newlines, the same on every system.
    overwrite : bool
        Whether files of these names may be replaced.

    Returns
    -------
    list of Path

    Raises
    ------
    NotWritten
        If a file is in the way, the disk is full or the folder may not be written to.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> write_files({folder / "answer.txt": "no clear change"})[0].read_text()
    'no clear change'
    >>> write_files({folder / "answer.txt": "rose"})
    Traceback (most recent call last):
    ...
    rungwise.reports.write.NotWritten: ...answer.txt exists already; ...
    """
    targets = {check_free(path, overwrite=overwrite): content for path, content in files.items()}
    for target in targets:
        if target.is_dir():
            raise NotWritten(f"{target} is a folder; give the name of a file.")
    partials: dict[Path, Path] = {}
    try:
        for target, content in targets.items():
            with _plain_errors(target):
                target.parent.mkdir(parents=True, exist_ok=True)
                partials[target] = _beside(target, _PARTIAL)
                _write_through(partials[target], content)
        for target, partial in partials.items():
            with _plain_errors(target):
                _move_file(partial, target, overwrite)
    finally:
        for partial in partials.values():
            partial.unlink(missing_ok=True)
    return list(targets)


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
    with _plain_errors(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        _sweep(target)
        partial = _beside(target, _PARTIAL)
        partial.mkdir()
    try:
        with _plain_errors(target, inside=partial):
            yield partial
        with _plain_errors(target):
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
    _write_through(folder / CONTENTS, json.dumps(listing, indent=2, ensure_ascii=False) + "\n")


def _write_through(path: Path, content: str | bytes) -> None:
    data = content.encode("utf-8") if isinstance(content, str) else content
    with path.open("xb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def _beside(target: Path, kind: str) -> Path:
    return target.with_name(f".{target.name}.{secrets.token_hex(4)}{kind}")


def _sweep(target: Path) -> None:
    """Remove what killed runs left behind, leaving alone what another run may be writing now."""
    for left in target.parent.glob(f".{_literal(target.name)}.????????{_PARTIAL}"):
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


def _move_file(partial: Path, target: Path, overwrite: bool) -> None:
    if overwrite:
        os.replace(partial, target)
        return
    try:
        os.link(partial, target)  # unlike a rename, fails if another run got there first
    except FileExistsError:
        raise NotWritten(f"{target} exists already; nothing was replaced.") from None
    except OSError:
        check_free(target)
        os.rename(partial, target)


def _move_folder(partial: Path, target: Path) -> None:
    if not target.exists():
        partial.rename(target)
    elif not any(target.iterdir()):
        target.rmdir()
        partial.rename(target)
    elif not _exchange(partial, target):
        previous = _beside(target, _PREVIOUS)
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


@contextmanager
def _plain_errors(target: Path, inside: Path | None = None) -> Iterator[None]:
    """Turn what the system says into one sentence; with `inside`, only about files in that folder."""
    try:
        yield
    except OSError as error:
        about = error.filename
        if inside is not None and about is not None and inside not in Path(about).parents:
            raise
        if error.errno in _NO_SPACE:
            raise NotWritten(
                f"There is no room left on the disk for {target}; nothing was changed there."
            ) from error
        if error.errno in _NO_RIGHTS:
            raise NotWritten(
                f"{target} may not be written (no permission, or open in another program); "
                "choose another place."
            ) from error
        if error.errno in {errno.ENOTDIR, errno.EEXIST} and not target.parent.is_dir():
            raise NotWritten(f"{target.parent} is not a folder; choose another place.") from error
        raise
