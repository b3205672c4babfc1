"""Problems as a person reads them, and as a CSV file."""

import csv

import pytest
from rungwise.tables.problem_text import SHOWN_PER_PROBLEM, report_lines, write_csv
from rungwise.tables.problems import FIELDS, Problem, ProblemReport


def problem(
    row,
    *,
    source="ratings.csv",
    column="date",
    value="31/02/2026",
    code="date_unreadable",
    severity="error",
):
    return Problem(
        severity, "ratings", source, row, column, value, code, "This is no day.", "Write it again."
    )


def report(*problems):
    return ProblemReport(problems)


def test_a_sound_file_is_one_line():
    assert report_lines(report()) == ["No problems found."]


def test_each_problem_stands_below_its_file_with_place_value_remedy_and_code():
    lines = report_lines(
        report(problem(4), problem(9, source="children.csv", severity="warning", value=""))
    )
    assert lines[1:] == [
        "",
        "ratings.csv",
        "  row 4, column date: “31/02/2026”: This is no day. Write it again. [date_unreadable]",
        "",
        "children.csv",
        "  warning, row 9, column date: This is no day. Write it again. [date_unreadable]",
    ]
    assert "1 error" in lines[0]
    assert "1 warning (nothing set aside)" in lines[0]


def test_many_rows_of_one_problem_are_gathered_and_counted():
    many = [problem(row) for row in (3, 4, 5, 9, 10, 11, 12, 20)]
    lines = report_lines(report(*many))
    shown = [line for line in lines if line.startswith("  row")]
    assert len(shown) == SHOWN_PER_PROBLEM
    assert lines[-1] == "  … and 4 more like it, in rows 10-12, 20"


def test_every_row_is_printed_when_asked():
    many = [problem(row) for row in range(3, 23)]
    lines = report_lines(report(*many), every=True)
    assert sum(line.startswith("  row") for line in lines) == 20


def test_different_columns_are_not_gathered_together():
    mixed = [problem(row, column=column) for row in range(3, 8) for column in ("date", "starts_on")]
    lines = report_lines(report(*mixed))
    assert not any("more like it" in line for line in lines)


def test_columns_that_share_a_rule_are_gathered_after_the_first():
    unknown = [
        problem(0, column=name, value="", code="column_unknown", severity="warning")
        for name in ("mood", "weather", "shoes", "snack")
    ]
    lines = report_lines(report(*unknown, problem(0, column="", value="", code="column_missing")))
    assert lines[3:] == [
        "  warning, column mood: This is no day. Write it again. [column_unknown]",
        "  … and 3 more like it, in columns weather, shoes, snack",
        "  This is no day. Write it again. [column_missing]",
    ]
    assert len(report_lines(report(*unknown), every=True)) == 7


def test_problems_of_the_file_itself_are_not_gathered():
    unnamed = [problem(0, column="", value="", code="column_unnamed") for _ in range(9)]
    assert len(report_lines(report(*unnamed))) == 12


def test_the_summary_counts_rows_set_aside_only_where_there_are_some():
    assert report_lines(report(problem(0)))[0] == "1 error."


def test_the_csv_file_holds_every_field_and_no_formula(tmp_path):
    target = tmp_path / "problems.csv"
    write_csv(report(problem(4, value="=HYPERLINK(1)"), problem(5)), target)
    with open(target, newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == FIELDS
    assert [row["value"] for row in rows] == ["'=HYPERLINK(1)", "31/02/2026"]
    assert [row["row"] for row in rows] == ["4", "5"]


def test_an_earlier_csv_file_is_kept(tmp_path):
    target = tmp_path / "problems.csv"
    target.write_text("mine", encoding="utf-8")
    with pytest.raises(FileExistsError, match="is there already; name another file or remove it"):
        write_csv(report(problem(4)), target)
    assert target.read_text(encoding="utf-8") == "mine"
