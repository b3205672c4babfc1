"""How a page was made, so that anyone with the same files can make it again and compare."""

from __future__ import annotations

import platform
from collections.abc import Iterable, Mapping
from datetime import date
from importlib.metadata import version

import rungwise
from rungwise.reports.blocks import Block, facts, heading, paragraph
from rungwise.reports.catalog import Words
from rungwise.reports.words import ENGLISH
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


def provenance(
    inputs: Iterable[InputFile], *, rerun: str, stated_on: date | None = None, say: Words = ENGLISH
) -> Block:
    """Give the closing block of a page: versions, a SHA-256 of every file read, how to rerun.

    Parameters
    ----------
    inputs : iterable of InputFile
        ``caseload.inputs``; only names and hashes are shown, never a folder.
    rerun : str
        The command that makes the page again.
    stated_on : datetime.date, optional
        The date the report was asked to bear; without it the page has no date of its own.
    say : Words
        Language.
    """
    return (
        heading(say("check.heading"))
        + paragraph(say("check.same"))
        + facts(made_with(rerun, stated_on, say))
        + facts(hashes(inputs), kind="hashes")
    )


def made_with(rerun: str, stated_on: date | None = None, say: Words = ENGLISH) -> dict[str, str]:
    """Give versions, the command that makes the page again, and the date stated if there is one."""
    entries = {
        say("check.made_with"): ", ".join(f"{name} {number}" for name, number in versions().items()),
        say("check.again"): rerun,
    }
    if stated_on is not None:
        entries[say("check.date")] = date_words(stated_on, say)
    return entries


def date_words(day: date, say: Words = ENGLISH) -> str:
    """Write a day the same way whatever the language settings of the computer.

    Examples
    --------
    >>> date_words(date(2026, 9, 3))
    'September 3, 2026'
    """
    month = say("months").split()[day.month - 1]
    return say("date", month=month, day=day.day, year=day.year)


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
