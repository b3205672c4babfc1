from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rungwise.audit.quarter import Quarter


@pytest.mark.parametrize(
    ("text", "start", "first", "last"),
    [
        ("2026Q1", 1, date(2026, 1, 1), date(2026, 3, 31)),
        ("2026q3", 1, date(2026, 7, 1), date(2026, 9, 30)),
        (" 2026-Q4 ", 1, date(2026, 10, 1), date(2026, 12, 31)),
        ("2024Q1", 12, date(2024, 12, 1), date(2025, 2, 28)),
        ("2023Q1", 12, date(2023, 12, 1), date(2024, 2, 29)),
        ("2026Q4", 4, date(2027, 1, 1), date(2027, 3, 31)),
        ("2026Q1", 7, date(2026, 7, 1), date(2026, 9, 30)),
    ],
)
def test_a_quarter_covers_its_three_months(text, start, first, last):
    quarter = Quarter.parse(text, start)
    assert (quarter.first, quarter.last) == (first, last)


@pytest.mark.parametrize("text", ["2026", "Q3", "2026Q5", "2026Q0", "26Q3", "2026Q3x", "", None, 20263])
def test_anything_else_is_refused_with_what_came(text):
    with pytest.raises(ValueError) as caught:
        Quarter.parse(text)
    assert str(caught.value) == (
        f"quarter must be a year and a quarter from Q1 to Q4, such as 2026Q3; got {text!r}."
    )


@pytest.mark.parametrize("month", [0, 13, 1.5, "4", True])
def test_a_start_month_that_is_no_month_is_refused(month):
    with pytest.raises(ValueError) as caught:
        Quarter.parse("2026Q1", month)
    assert str(caught.value) == f"start_month must be a month number from 1 to 12; got {month!r}."


@given(st.dates(date(1950, 1, 1), date(2150, 12, 31)), st.integers(1, 12))
def test_every_day_lies_in_exactly_one_quarter(day, start):
    quarter = Quarter.containing(day, start)
    assert day in quarter
    assert day not in quarter.previous
    assert day not in quarter.next
    assert quarter.next.first == quarter.last + timedelta(days=1)
    assert quarter.next.previous == quarter
    assert Quarter.parse(quarter.label, start) == quarter


def test_days_in_words_name_both_years_when_they_differ():
    assert Quarter.parse("2026Q3").days == "July 1 to September 30, 2026"
    assert Quarter.parse("2026Q1", 12).days == "December 1, 2026 to February 28, 2027"


def test_quarters_sort_in_time():
    assert Quarter.parse("2025Q4") < Quarter.parse("2026Q1")
