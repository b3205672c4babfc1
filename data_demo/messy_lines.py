"""A line of a messy file and what is planted in it."""

from __future__ import annotations

from collections.abc import Sequence

# One line of a file, the problems planted in it as (column, rule code), and whether it is set aside.
Line = tuple[str, Sequence[tuple[str, str]], bool]
OK: tuple[()] = ()


def good(line: str) -> Line:
    """Give a sound line."""
    return line, OK, False


def odd(line: str, *problems: tuple[str, str]) -> Line:
    """Give a line with warnings; it is used."""
    return line, problems, False


def bad(line: str, *problems: tuple[str, str]) -> Line:
    """Give a line with an error; it is set aside."""
    return line, problems, True
