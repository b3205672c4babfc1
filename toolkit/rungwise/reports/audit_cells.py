"""How the audit's pages write shares, rates, days and texts into cells."""

from __future__ import annotations

import math
from datetime import date
from typing import Any

import pandas as pd

from rungwise.audit.wording import day_short, percent
from rungwise.basis.page_numbers import format_number


def rows_of(frame: pd.DataFrame) -> list[Any]:
    """Give the rows of a frame, each with its columns as attributes."""
    return list(frame.itertuples(index=False))


def large(words: str) -> str:
    """Begin with a capital."""
    return words[:1].upper() + words[1:]


def share_words(share: float, low: float, high: float) -> str:
    """Write a share with its limits; nothing where there is none."""
    return "" if math.isnan(share) else f"{percent(share)} ({range_words(low, high)})"


def rate_words(value: float, low: float, high: float, digits: int = 1) -> str:
    """Write a rate with its limits; nothing where there is none."""
    if math.isnan(value):
        return ""
    least, most = format_number(low, digits), format_number(high, digits)
    return f"{format_number(value, digits)} ({least} to {most})"


def range_words(low: float, high: float) -> str:
    """Write the limits of a share."""
    return "" if math.isnan(low) else f"{percent(low)} to {percent(high)}"


def day_cell(day: date | None) -> str:
    """Write a day in a table's width; nothing where there is none."""
    return "" if day is None else day_short(day)
