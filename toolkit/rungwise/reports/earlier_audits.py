"""Earlier audits read back from the files they were written to."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

from rungwise.audit.reaudit import Earlier
from rungwise.tables.table import InputFile

NAME = "audit.json"


def read_earlier(path: str | Path | None) -> tuple[Earlier, ...]:
    """Read the ``audit.json`` of an earlier audit, or all of them in a folder and the folders in it.

    Raises
    ------
    ValueError
        If there is none, or one cannot be read; the message says where and what to give instead.

    Examples
    --------
    >>> read_earlier(None)
    ()
    """
    if path is None:
        return ()
    place = Path(path)
    files = sorted(place.rglob(NAME)) if place.is_dir() else [place]
    if not files:
        raise ValueError(f"earlier must be an {NAME} or a folder that holds some; got {place.name}.")
    found = []
    for file in files:
        name = file.relative_to(place).as_posix() if place.is_dir() else file.name
        other = f"earlier must hold JSON as {NAME} has it; got something else in {name}."
        try:
            content = file.read_bytes()
            document = json.loads(content)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise ValueError(f"earlier must be a file that can be read; got {name}: {reason}.") from None
        except ValueError:
            raise ValueError(
                f"earlier must hold JSON as {NAME} has it; got something else in {name}."
            ) from None
        if not isinstance(document, dict):
            raise ValueError(other)
        found.append(Earlier(document, InputFile(name, hashlib.sha256(content).hexdigest(), len(content))))
    return tuple(found)
