import pytest
from rungwise.tables.delimited import grid_of, read_text
from rungwise.tables.findings import Findings
from rungwise.tables.header import known_columns


def split(text):
    findings = Findings()
    grid = grid_of(text, "a.csv", "a", lambda cells: known_columns(cells, "ratings"), findings)
    return [(row, list(cells)) for row, cells in grid.records], grid, findings.report()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_texts_in_the_encodings_of_spreadsheets(encoding):
    text = "date,phase,rating,note\n2026-03-04,baseline,7,café pier\n" * 3
    findings = Findings()
    assert read_text(text.encode(encoding), "a.csv", findings).removeprefix("\ufeff") == text
    assert [problem.code for problem in findings.report()] == (
        ["encoding_assumed"] if encoding == "cp1252" else []
    )


@pytest.mark.parametrize(
    "content", [b"\x00\x01\x02\x03" * 50, b"a,b\n" + b"\x00" * 9, bytes(range(256)), b"\x81\x8d"]
)
def test_what_is_no_text(content):
    findings = Findings()
    assert read_text(content, "a.csv", findings) is None
    assert [problem.code for problem in findings.report()] == ["file_not_text"]


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_the_delimiter_is_found(mark):
    rows, grid, _ = split(
        mark.join(["date", "phase", "rating"]) + "\n" + mark.join(["2026-03-04", "A", "7"])
    )
    assert rows[1] == (2, ["2026-03-04", "A", "7"])
    assert grid.decimal_comma == (mark == ";")


def test_commas_in_a_file_of_semicolons_do_not_mislead():
    rows, _, _ = split("date;phase;rating;note\n2026-03-04;A;7,5;a, b, c, d, e\n")
    assert rows[1] == (2, ["2026-03-04", "A", "7,5", "a, b, c, d, e"])


def test_the_mark_of_a_spreadsheet_is_no_row():
    rows, _, _ = split("sep=;\ndate;phase;rating\n2026-03-04;A;7\n")
    assert rows[0] == (1, ["date", "phase", "rating"])


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_lines_end_in_three_ways_and_blank_ones_count(ending):
    rows, _, _ = split(ending.join(["date,phase,rating", "", "2026-03-04,A,7", ""]))
    assert [row for row, cells in rows if any(cells)] == [1, 3]


def test_other_marks_of_line_end_stay_in_their_cell():
    rows, _, _ = split("date,phase,rating,note\n2026-03-04,A,7,one\u2028two\x0bthree\n")
    assert rows[1][1][3] == "one\u2028two\x0bthree"


def test_quoted_cells_may_span_lines():
    rows, _, report = split(
        'date,phase,rating,note\n2026-03-04,A,7,"one\ntwo, ""three"""\n2026-03-11,A,6,\n'
    )
    assert rows == [
        (1, ["date", "phase", "rating", "note"]),
        (2, ["2026-03-04", "A", "7", 'one\ntwo, "three"']),
        (3, ["2026-03-11", "A", "6", ""]),
    ]
    assert len(report) == 0


@pytest.mark.parametrize("closing", ["", '"closed far below'])
def test_a_mark_that_never_closes_swallows_no_row(closing):
    lines = [
        "date,phase,rating,note",
        '2026-03-04,A,7,"open',
        "2026-03-11,A,6,",
        "2026-03-18,A,5,",
        "2026-03-25,A,4,",
    ]
    lines[-1] += closing
    rows, _, report = split("\n".join(lines) + "\n")
    assert [problem.row for problem in report] == [2]
    assert [row.row for row in report.set_aside] == [2]
    assert [row for row, _ in rows] == [1, 3, 4, 5]
    assert rows[-1][1][3].strip() == closing.strip('"')


def test_marks_in_two_rows_one_after_the_other():
    rows, _, report = split(
        'date,phase,note,rating\n2026-03-04,A,"brave,7\n2026-03-11,A,"calm,6\n2026-03-18,A,,5\n'
    )
    assert [problem.code for problem in report] == ["quote_open", "quote_open"]
    assert [row for row, _ in rows] == [1, 4]
