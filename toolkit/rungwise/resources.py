"""Where the shipped schemas and notebooks are, in a checkout or in an installed package."""

from __future__ import annotations

from pathlib import Path

PACKAGE = Path(__file__).resolve().parent


def shipped(kind: str) -> Path:
    """Give the folder of ``"schemas"`` or ``"notebooks"``.

    The build maps the two top-level folders into the package; in a checkout they stand beside
    ``toolkit/``.

    Raises
    ------
    FileNotFoundError
        If neither copy is there: the installation is incomplete.

    Examples
    --------
    >>> (shipped("schemas") / "ratings.json").exists()
    True
    """
    for folder in (PACKAGE / "shipped" / kind, PACKAGE.parent.parent / kind):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(
        f"The {kind} that belong to rungwise are missing from {PACKAGE}; install the package again."
    )
