"""Text on its way out of the program, into files that a spreadsheet will open."""

from __future__ import annotations

# The wide forms count as the plain ones in some languages' spreadsheets.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def inert(text: str) -> str:
    """Give a text as a spreadsheet will show it: never as a formula.

    Examples
    --------
    >>> inert("=1+1"), inert("Harbor")
    ("'=1+1", 'Harbor')
    """
    return "'" + text if text.startswith(FORMULA_STARTS) else text
