"""Files that appear whole or not at all, and never in the place of another unasked."""

from __future__ import annotations

import errno
import os
import secrets
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from rungwise.basis.errors import RungwiseError

PARTIAL = ".partial"
NO_SPACE = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_NO_RIGHTS = {errno.EACCES, errno.EPERM, errno.EROFS}


class NotWritten(RungwiseError):
    """The output could not be put in its place; what was there before is untouched."""


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
    rungwise.tables.whole_files.NotWritten: ...answer.txt exists already; ...
    """
    targets = {_check(path, overwrite): content for path, content in files.items()}
    partials: dict[Path, Path] = {}
    made: list[Path] = []
    done = False
    try:
        for target, content in targets.items():
            with plain_errors(target):
                made += _make_folder(target.parent)
                partials[target] = beside(target, PARTIAL)
                write_through(partials[target], content)
        for target, partial in partials.items():
            with plain_errors(target):
                _move_file(partial, target, overwrite)
        done = True
    finally:
        for partial in partials.values():
            partial.unlink(missing_ok=True)
        if not done:
            _remove_empty(made)
    return list(targets)


def check_new(path: str | Path) -> None:
    """Say before the work begins that a file is there already, where none is ever replaced.

    Raises
    ------
    FileExistsError
    """
    if os.path.lexists(path):
        raise FileExistsError(f"{path} is there already; name another file or remove it.")


def full_path(path: str | Path) -> Path:
    """Give a path as it stands, from the root, without following links."""
    return Path(os.path.abspath(Path(path).expanduser()))


def exists_already(target: Path) -> NotWritten:
    """Say that a file is in the way."""
    return NotWritten(f"{target} exists already; choose another name, or say --overwrite to replace it.")


def write_through(path: Path, content: str | bytes) -> None:
    """Write a new file and wait until it is on the disk."""
    data = content.encode("utf-8") if isinstance(content, str) else content
    with path.open("xb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def beside(target: Path, kind: str) -> Path:
    """Name a hidden sibling on the same disk, from which a rename needs no room."""
    return target.with_name(f".{target.name}.{secrets.token_hex(4)}{kind}")


@contextmanager
def plain_errors(target: Path, inside: Path | None = None) -> Iterator[None]:
    """Turn what the system says into one sentence; with `inside`, only about files in that folder."""
    try:
        yield
    except OSError as error:
        about = error.filename
        if inside is not None and about is not None and inside not in Path(about).parents:
            raise
        if error.errno in NO_SPACE:
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


def _make_folder(folder: Path) -> list[Path]:
    """Make a folder with those above it; give the new ones, the deepest first."""
    new = [at for at in (folder, *folder.parents) if not at.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    return new


def _remove_empty(folders: list[Path]) -> None:
    for folder in folders:
        with suppress(OSError):
            folder.rmdir()


def _check(path: str | Path, overwrite: bool) -> Path:
    target = full_path(path)
    if target.is_dir():
        raise NotWritten(f"{target} is a folder; give the name of a file.")
    if target.exists() and not overwrite:
        raise exists_already(target)
    return target


def _move_file(partial: Path, target: Path, overwrite: bool) -> None:
    if overwrite:
        os.replace(partial, target)
        return
    try:
        os.link(partial, target)  # unlike a rename, fails if another run got there first
    except FileExistsError:
        raise NotWritten(f"{target} exists already; nothing was replaced.") from None
    except OSError:
        _check(target, overwrite)
        os.rename(partial, target)
