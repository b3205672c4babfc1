"""Text on its way out of the program, into files that a spreadsheet will open."""

from __future__ import annotations

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def inert(text: str) -> str:
    """Give a text as a spreadsheet will show it: never as a formula.

    Examples
    --------
    >>> inert("=1+1"), inert("Harbor")
    ("'=1+1", 'Harbor')
    """
    return "'" + text if text.startswith(FORMULA_STARTS) else text
