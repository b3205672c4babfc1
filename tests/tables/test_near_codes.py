"""A slip in a code makes another child unnoticed, unless it is pointed out."""

from datetime import date, timedelta

import pytest
from rungwise.tables.read import read_tables

TODAY = date(2026, 11, 25)
FIRST = date(2026, 3, 2)


def rows(child, weeks, *, shift=0, ladder="gangway"):
    days = [FIRST + timedelta(days=7 * week + shift) for week in weeks]
    return [
        f"{child},{ladder},{day.isoformat()},{'baseline' if day.month < 4 else 'exposure'},7"
        for day in days
    ]


@pytest.fixture
def check(tmp_path):
    def check(*lines, **others):
        (tmp_path / "ratings.csv").write_text("child_id,ladder_id,date,phase,rating\n" + "\n".join(lines))
        for name, text in others.items():
            (tmp_path / f"{name}.csv").write_text(text)
        tables = read_tables(tmp_path, today=TODAY)
        assert len(tables.report.set_aside) == sum(p.severity == "error" for p in tables.report)
        return [(p.code, p.column, p.value) for p in tables.report], tables.report

    return check


@pytest.mark.parametrize("slip", ["C0I4", "CO14", "C0l4"])
def test_letters_that_look_like_digits_are_pointed_out(check, slip):
    found, report = check(*rows("C014", range(17)), *rows(slip, [17]))
    assert found == [("code_near", "child_id", slip)]
    (problem,) = report
    assert problem.severity == "warning"
    assert problem.row == 19
    assert problem.problem == "This code stands in 1 row only and looks like C014 (17 rows)."


def test_a_row_of_a_neighboring_code_in_the_week_the_child_lacks_is_pointed_out(check):
    weeks = [week for week in range(17) if week != 9]
    assert check(*rows("C014", weeks), *rows("C015", [9]))[0] == [("code_near", "child_id", "C015")]
    assert check(*rows("C014", weeks), *rows("C14", [9]))[0] == [("code_near", "child_id", "C14")]


def test_a_new_child_with_the_next_code_is_no_slip(check):
    assert check(*rows("C014", range(17)), *rows("C015", [15, 16]))[0] == []
    assert check(*rows("C014", range(10)), *rows("C015", [12, 13], shift=2))[0] == []
    assert check(*rows("C014", range(17)), *rows("C015", [8, 9], shift=2))[0] == []


def test_codes_that_stand_often_enough_are_no_slips(check):
    assert check(*rows("C014", range(17)), *rows("C0I4", range(20, 23)))[0] == []
    assert check(*rows("C014", range(4)), *rows("C0I4", [5]))[0] == []


def test_codes_further_apart_are_no_slips(check):
    weeks = [week for week in range(17) if week != 9]
    assert check(*rows("C014", weeks), *rows("C041", [9]))[0] == []


def test_a_misspelled_ladder_is_pointed_out(check):
    lines = [*rows("C014", range(16)), *rows("C014", [17], ladder="gangwey")]
    assert check(*lines)[0] == [("code_near", "ladder_id", "gangwey")]


def test_codes_that_are_listed_are_meant(check):
    lines = [*rows("C014", range(17)), *rows("C0I4", [17])]
    assert check(*lines, children="child_id\nC014\nC0I4\n")[0] == []
    assert check(*lines, children="child_id\nC014\n")[0] == [("unknown_child", "child_id", "C0I4")]


def test_a_slip_in_another_table_is_pointed_out_there(check):
    starts = "child_id,ladder_id,starts_on,phase\nC0I4,gangway,2026-04-01,exposure\n"
    found, report = check(*rows("C014", range(17)), phases=starts)
    assert found == [("code_near", "child_id", "C0I4")]
    assert report.problems[0].source == "phases.csv"


def test_many_codes_are_compared_in_good_time(check):
    lines = [line for child in range(400) for line in rows(f"C{child:04d}", range(5))]
    lines += [line for child in range(400) for line in rows(f"D{child:04d}", [1, 2])]
    assert check(*lines)[0] == []
