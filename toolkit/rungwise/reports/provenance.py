"""How a page was made, so that anyone with the same files can make it again and compare."""

from __future__ import annotations

import platform
from collections.abc import Iterable, Mapping
from datetime import date
from importlib.metadata import version

import rungwise
from rungwise.audit.wording import day_words
from rungwise.reports.blocks import Block, facts, heading, paragraph
from rungwise.tables.practice import Practice
from rungwise.tables.table import InputFile

LIBRARIES = ("numpy", "pandas", "matplotlib")


def versions() -> dict[str, str]:
    """Give the versions a page's numbers and pictures depend on.

    Examples
    --------
    >>> list(versions())
    ['rungwise', 'Python', 'numpy', 'pandas', 'matplotlib']
    """
    return {
        "rungwise": rungwise.__version__,
        "Python": platform.python_version(),
        **{name: version(name) for name in LIBRARIES},
    }


def provenance(inputs: Iterable[InputFile], *, rerun: str, stated_on: date | None = None) -> Block:
    """Give the closing block of a page: versions, a SHA-256 of every file read, how to rerun.

    Parameters
    ----------
    inputs : iterable of InputFile
        ``caseload.inputs``; only names and hashes are shown, never a folder.
    rerun : str
        The command that makes the page again.
    stated_on : datetime.date, optional
        The date the report was asked to bear; without it the page has no date of its own.
    """
    return (
        heading("How to check this page")
        + paragraph(
            "The same files give the same page, byte for byte. A file that was read is the same file if "
            "its SHA-256 is the same."
        )
        + facts(made_with(rerun, stated_on))
        + facts(hashes(inputs), kind="hashes")
    )


def made_with(rerun: str, stated_on: date | None = None) -> dict[str, str]:
    """Give versions, the command that makes the page again, and the date stated if there is one."""
    entries = {
        "Made with": ", ".join(f"{name} {number}" for name, number in versions().items()),
        "To make it again": rerun,
    }
    if stated_on is not None:
        entries["Date stated"] = day_words(stated_on)
    return entries


def hashes(inputs: Iterable[InputFile]) -> dict[str, str]:
    """Give the SHA-256 of every file read, by its name alone."""
    return {file.name: file.sha256 for file in inputs}


def settings(practice: Practice, names: Mapping[str, str]) -> dict[str, str]:
    """Write settings, named in words, with where each comes from.

    Examples
    --------
    >>> settings(Practice(), {"alpha": "level of significance"})
    {'level of significance': '0.05 (default: common practice, no source)'}
    """
    return {
        words: f"{getattr(practice, name):g} ({practice.source_of(name)})" for name, words in names.items()
    }
