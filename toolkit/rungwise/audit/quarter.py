"""Quarters of a practice's year."""

from __future__ import annotations

import re
from calendar import monthrange
from dataclasses import dataclass
from datetime import date, timedelta

from rungwise.audit.wording import day_words

FORM = re.compile(r"^\s*(\d{4})\s*[-_ /]?\s*Q([1-4])\s*$", re.IGNORECASE)


def check_start_month(month: int) -> int:
    """Return `month` if it is a month number.

    Raises
    ------
    ValueError
        Naming what is allowed and what came.
    """
    if isinstance(month, bool) or not isinstance(month, int) or not 1 <= month <= 12:
        raise ValueError(f"start_month must be a month number from 1 to 12; got {month!r}.")
    return month


@dataclass(frozen=True, order=True)
class Quarter:
    """Three whole months of a practice's year.

    The year is the one in which quarter 1 begins: with April as first month, 2026Q4 runs from
    January to March 2027.

    Parameters
    ----------
    year : int
    number : int
        1 to 4.
    start_month : int
        First month of quarter 1.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Examples
    --------
    >>> Quarter.parse("2026Q3").first, Quarter.parse("2026q3").last
    (datetime.date(2026, 7, 1), datetime.date(2026, 9, 30))
    >>> Quarter.parse("2026Q4", start_month=4).days
    'January 1 to March 31, 2027'
    """

    year: int
    number: int
    start_month: int = 1

    def __post_init__(self) -> None:
        check_start_month(self.start_month)
        if self.number not in (1, 2, 3, 4):
            raise ValueError(f"number must be 1, 2, 3 or 4; got {self.number!r}.")
        if not 1900 <= self.year <= 2199:
            raise ValueError(f"year must be between 1900 and 2199; got {self.year!r}.")

    @classmethod
    def parse(cls, text: str, start_month: int = 1) -> Quarter:
        """Read a quarter written as ``2026Q3``.

        Raises
        ------
        ValueError
            If it is not four digits, a Q and a number from 1 to 4.

        Examples
        --------
        >>> Quarter.parse("2026Q5")
        Traceback (most recent call last):
        ...
        ValueError: quarter must be a year and a quarter from Q1 to Q4, such as 2026Q3; got '2026Q5'.
        """
        found = FORM.match(text) if isinstance(text, str) else None
        if found is None:
            raise ValueError(
                f"quarter must be a year and a quarter from Q1 to Q4, such as 2026Q3; got {text!r}."
            )
        return cls(int(found[1]), int(found[2]), start_month)

    @classmethod
    def containing(cls, day: date, start_month: int = 1) -> Quarter:
        """Give the quarter a day lies in.

        Examples
        --------
        >>> Quarter.containing(date(2027, 2, 3), start_month=4).label
        '2026Q4'
        """
        months = (day.month - check_start_month(start_month)) % 12
        year = day.year - (day.month < start_month)
        return cls(year, months // 3 + 1, start_month)

    @property
    def label(self) -> str:
        """The quarter as people write it, for example ``2026Q3``."""
        return f"{self.year}Q{self.number}"

    @property
    def first(self) -> date:
        """First day."""
        month = self.start_month - 1 + 3 * (self.number - 1)
        return date(self.year + month // 12, month % 12 + 1, 1)

    @property
    def last(self) -> date:
        """Last day."""
        month = self.start_month - 1 + 3 * (self.number - 1) + 2
        year, month = self.year + month // 12, month % 12 + 1
        return date(year, month, monthrange(year, month)[1])

    @property
    def days(self) -> str:
        """First and last day in words."""
        start, end = day_words(self.first), day_words(self.last)
        if self.first.year == self.last.year:
            start = start.rpartition(",")[0]
        return f"{start} to {end}"

    @property
    def previous(self) -> Quarter:
        """The quarter before."""
        return Quarter.containing(self.first - timedelta(days=1), self.start_month)

    @property
    def next(self) -> Quarter:
        """The quarter after."""
        return Quarter.containing(self.last + timedelta(days=1), self.start_month)

    def __contains__(self, day: date) -> bool:
        return self.first <= day <= self.last

    def __str__(self) -> str:
        return self.label
