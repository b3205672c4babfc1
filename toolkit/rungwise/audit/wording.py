"""Days and shares in the words of the audit page."""

from __future__ import annotations

import math
from datetime import date

from rungwise.basis.page_numbers import of_hundred

MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip


def day_words(day: date) -> str:
    """Write a day the same way whatever the language settings of the computer.

    Examples
    --------
    >>> day_words(date(2026, 9, 3))
    'September 3, 2026'
    """
    return f"{MONTHS[day.month - 1]} {day.day}, {day.year}"


def day_short(day: date) -> str:
    """Write a day in a table's width.

    Examples
    --------
    >>> day_short(date(2026, 9, 3))
    'Sep 3, 2026'
    """
    return f"{MONTHS[day.month - 1][:3]} {day.day}, {day.year}"


def percent(share: float) -> str:
    """Write a share in whole percent that never rounds to a false 0 or 100.

    Examples
    --------
    >>> percent(0.667), percent(0.999), percent(float("nan"))
    ('67%', 'more than 99%', 'not available')
    """
    return "not available" if math.isnan(share) else f"{of_hundred(share)}%"


def small(words: str) -> str:
    """Begin without a capital, for what goes on after a colon or semicolon.

    Examples
    --------
    >>> small("On average")
    'on average'
    """
    return words[:1].lower() + words[1:]


def listed(parts: list[str]) -> str:
    """Join parts the way a sentence does.

    Examples
    --------
    >>> listed(["a", "b", "c"]), listed(["a", "b"]), listed(["a"])
    ('a, b and c', 'a and b', 'a')
    """
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def every(number: int) -> str:
    """Say "all" of a number the way people do.

    Examples
    --------
    >>> every(1), every(2), every(7)
    ('the one', 'both', 'all 7')
    """
    return {1: "the one", 2: "both"}.get(number, f"all {number}")
