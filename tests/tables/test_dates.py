from datetime import date

import pytest
from rungwise.tables.dates import both_readings, read_dates

FOURTH_OF_MARCH = date(2026, 3, 4)


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-04", "2026/03/04", "2026.3.4", "20260304", "2026-03-04 00:00:00", "2026-03-04T15:30",
        "4 March 2026", "4 Mar 2026", "04-Mar-26", "4. March 2026", "4th March 2026", "March 4, 2026",
        "Mar 4 2026", "MARCH 4th, 2026", "46085", "46085.0",
    ],
)  # fmt: skip
def test_one_day_written_in_ways_that_leave_no_doubt(text):
    assert read_dates([text]).days == [FOURTH_OF_MARCH]


@pytest.mark.parametrize("text", ["4 Sept 2026", "4 Sep 2026", "September 4, 2026"])
def test_september_has_two_short_forms(text):
    assert read_dates([text]).days == [date(2026, 9, 4)]


@pytest.mark.parametrize(
    "text",
    [
        "2026-02-30", "31/04/2026", "2026-13-01", "2026-03", "March 2026", "4 Nonsense 2026",
        "yesterday", "4.3",
        "1234", "123456", "0026-03-04", "32/01/2026", "13/13/2026", "2026-03-04-05", "4//2026",
        "1899-12-31",
    ],
)  # fmt: skip
def test_what_is_no_day_is_not_read(text):
    read = read_dates([text])
    assert (read.days, read.unreadable) == ([None], [0])


def test_day_and_month_are_never_guessed():
    read = read_dates(["03/04/2026", "2026-03-01", "05.06.26"])
    assert read.days == [None, date(2026, 3, 1), None]
    assert (read.open, read.unreadable, read.settled_by) == ([0, 2], [], None)
    assert both_readings("03/04/2026") == (date(2026, 4, 3), date(2026, 3, 4))


def test_an_entry_that_is_the_same_both_ways_is_read_and_settles_nothing():
    read = read_dates(["04/04/2026", "03/04/2026"])
    assert read.days == [date(2026, 4, 4), None]
    assert read.open == [1]


@pytest.mark.parametrize(
    ("entry", "order", "first"),
    [("25/03/2026", "day", date(2026, 4, 3)), ("03/25/2026", "month", FOURTH_OF_MARCH)],
)
def test_one_entry_settles_the_others(entry, order, first):
    read = read_dates(["03/04/2026", entry])
    assert read.days == [first, date(2026, 3, 25)]
    assert (read.settled_by, read.settled_order, read.settled, read.open) == (1, order, [0], [])


def test_nothing_is_settled_where_nothing_was_open():
    read = read_dates(["25/03/2026", "04/04/2026"])
    assert read.settled_by is None
    assert read.days == [date(2026, 3, 25), date(2026, 4, 4)]


def test_entries_that_contradict_each_other_leave_the_rest_open():
    read = read_dates(["25/03/2026", "03/26/2026", "03/04/2026"])
    assert read.days == [date(2026, 3, 25), date(2026, 3, 26), None]
    assert (read.opposed, read.open) == ((0, 1), [2])


@pytest.mark.parametrize(
    ("order", "day"), [("day_first", date(2026, 4, 3)), ("month_first", FOURTH_OF_MARCH)]
)
def test_the_practice_may_say_which_comes_first(order, day):
    read = read_dates(["03/04/2026", "25/03/2026"], order)
    assert read.days[0] == day
    assert read.open == []
    assert read.unreadable == ([] if order == "day_first" else [1])


def test_every_day_of_four_years_reads_back_from_its_iso_form_and_its_day_number():
    start = date(2024, 1, 1).toordinal()
    days = [date.fromordinal(start + n) for n in range(4 * 366)]
    assert read_dates([day.isoformat() for day in days]).days == days
    serial = [str(day.toordinal() - date(1899, 12, 30).toordinal()) for day in days]
    assert read_dates(serial).days == days
    assert len(read_dates(serial).serials) == len(days)


def test_old_workbooks_number_their_days_from_1904():
    assert read_dates(["44623"], from_1904=True).days == [FOURTH_OF_MARCH]
