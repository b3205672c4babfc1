"""Dates as people and spreadsheets write them; day and month are never guessed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?)?")
_COMPACT = re.compile(r"((?:19|20)\d\d)(\d\d)(\d\d)")
_SPLIT = re.compile(r"(\d{1,2})[-/.](\d{1,2})[-/.](\d{4}|\d{2})(?: 0?0:00(?::00)?)?")
_WORDED = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?[-/. ]+([A-Za-z]{3,9})\.?,?[-/. ]+(\d{4}|\d{2})")
_WORD_FIRST = re.compile(r"([A-Za-z]{3,9})\.? (\d{1,2})(?:st|nd|rd|th)?,? +(\d{4}|\d{2})")
_SERIAL = re.compile(r"(\d{5})(?:\.0+)?")
_MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
    "november", "december",
)  # fmt: skip
# Day 0 of the two calendars in which spreadsheets number their days.
_DAY_0 = {False: date(1899, 12, 30), True: date(1904, 1, 1)}
EARLIEST = date(1900, 1, 1)


@dataclass(frozen=True)
class DatesRead:
    """What the distinct texts of a date column say.

    Attributes
    ----------
    days : list of date or None
        One per text; None where there is no such day or its order is open.
    unreadable : list of int
        Places of texts that are no day of the calendar.
    open : list of int
        Places of texts that can be read both ways and that nothing settles.
    settled_by : int or None
        Place of the text that shows which comes first; None where nothing had to be settled.
    settled_order : str
        ``"day"`` or ``"month"`` where `settled_by` is given.
    settled : list of int
        Places of texts read in that order that could have been read both ways.
    opposed : tuple of int or None
        Places of two texts that contradict each other.
    serials : list of int
        Places of day numbers of a spreadsheet.
    """

    days: list[date | None]
    unreadable: list[int]
    open: list[int]
    settled_by: int | None
    settled_order: str
    settled: list[int]
    opposed: tuple[int, int] | None
    serials: list[int]


def read_dates(texts: Sequence[str], order: str = "", *, from_1904: bool = False) -> DatesRead:
    """Read the distinct texts of one column.

    Parameters
    ----------
    texts : sequence of str
        Tidy and not blank.
    order : {"", "day_first", "month_first"}
        The practice's own word on entries such as 03/04/2026.
    from_1904 : bool
        True for a workbook that numbers its days from 1904.

    Examples
    --------
    >>> read_dates(["2026-03-04", "4 March 2026", "46085"]).days[1].isoformat()
    '2026-03-04'
    >>> read_dates(["03/04/2026", "25/04/2026"]).settled_order
    'day'
    >>> read_dates(["03/04/2026"]).open
    [0]
    """
    days: list[date | None] = [None] * len(texts)
    unreadable: list[int] = []
    serials: list[int] = []
    both: dict[int, tuple[date, date]] = {}
    day_only: list[int] = []
    month_only: list[int] = []
    for place, text in enumerate(texts):
        split = _SPLIT.fullmatch(text)
        if split:
            first, second, year = int(split[1]), int(split[2]), _year(split[3])
            as_day, as_month = _day(year, second, first), _day(year, first, second)
            if order:
                as_day, as_month = (as_day, None) if order == "day_first" else (None, as_month)
            elif as_day and as_month and as_day != as_month:
                both[place] = (as_day, as_month)
                continue
            elif as_day != as_month:
                (day_only if as_day else month_only).append(place)
            days[place] = as_day or as_month
        else:
            days[place] = _whole(text)
            if days[place] is None and _SERIAL.fullmatch(text):
                days[place] = _DAY_0[from_1904] + timedelta(days=int(text[:5]))
                serials.append(place)
        if days[place] is None:
            unreadable.append(place)
    opposed = (day_only[0], month_only[0]) if day_only and month_only else None
    settled_by = None
    settled_order = ""
    settled: list[int] = []
    if both and not opposed and (day_only or month_only):
        settled_order = "day" if day_only else "month"
        settled_by = (day_only or month_only)[0]
        settled = list(both)
        for place, (as_day, as_month) in both.items():
            days[place] = as_day if day_only else as_month
        both = {}
    return DatesRead(days, unreadable, list(both), settled_by, settled_order, settled, opposed, serials)


def has_date_form(text: str) -> bool:
    """Say whether a text is written as a date, be there such a day or not.

    Examples
    --------
    >>> has_date_form("2026-02-30"), has_date_form("last week")
    (True, False)
    """
    return any(form.fullmatch(text) for form in (_ISO, _COMPACT, _SPLIT, _WORDED, _WORD_FIRST))


def both_readings(text: str) -> tuple[date, date]:
    """Give the day-first and the month-first reading of an open entry.

    Examples
    --------
    >>> [day.isoformat() for day in both_readings("03/04/2026")]
    ['2026-04-03', '2026-03-04']
    """
    split = _SPLIT.fullmatch(text)
    if split is None:
        raise ValueError(f"text must be an entry such as 03/04/2026; got {text!r}.")
    first, second, year = int(split[1]), int(split[2]), _year(split[3])
    return date(year, second, first), date(year, first, second)


def in_words(day: date) -> str:
    """Write a day so that nobody can take it for another.

    Examples
    --------
    >>> in_words(date(2026, 3, 4))
    '4 March 2026'
    """
    return f"{day.day} {_MONTHS[day.month - 1].capitalize()} {day.year}"


def _whole(text: str) -> date | None:
    for pattern in (_ISO, _COMPACT):
        found = pattern.fullmatch(text)
        if found:
            return _day(int(found[1]), int(found[2]), int(found[3]))
    found = _WORDED.fullmatch(text)
    if found:
        return _day(_year(found[3]), _month(found[2]), int(found[1]))
    found = _WORD_FIRST.fullmatch(text)
    if found:
        return _day(_year(found[3]), _month(found[1]), int(found[2]))
    return None


def _month(word: str) -> int:
    word = word.casefold().removesuffix("t") if word.casefold() == "sept" else word.casefold()
    return next((place for place, month in enumerate(_MONTHS, start=1) if month.startswith(word)), 0)


def _year(digits: str) -> int:
    return int(digits) + (2000 if len(digits) == 2 else 0)


def _day(year: int, month: int, day: int) -> date | None:
    try:
        found = date(year, month, day)
    except ValueError:
        return None
    return found if found >= EARLIEST else None
