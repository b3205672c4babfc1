import hashlib
from datetime import date
from pathlib import Path

import pytest
from openpyxl import Workbook, load_workbook
from rungwise.tables.marked import ERROR, WARNING, write_marked_copy
from rungwise.tables.problems import ProblemReport
from rungwise.tables.read import read_tables

MESSY = Path(__file__).parents[2] / "data_demo" / "messy"
TODAY = date(2026, 11, 25)


def marked(path, to):
    report = read_tables(path, today=TODAY).report
    return load_workbook(write_marked_copy(path, report, to)), report


def color(cell):
    return cell.fill.fgColor.rgb if cell.fill.fill_type == "solid" else None


@pytest.mark.parametrize("caseload", [MESSY, MESSY / "level_3"])
def test_every_problem_of_a_folder_is_marked_where_it_is(tmp_path, caseload):
    book, report = marked(caseload, tmp_path / "marked.xlsx")
    listed = book["Problems"]
    assert listed.max_row == len(report) + 1
    checked = 0
    for number, problem in enumerate(report, start=2):
        assert [cell.value or "" for cell in listed[number]][6:] == [
            problem.code,
            problem.problem,
            problem.remedy,
        ]
        stem = problem.source.removesuffix(".csv")
        if stem not in book.sheetnames or not (problem.row or problem.column):
            continue
        sheet = book[stem]
        link = listed.cell(number, 4 if problem.row else 5).hyperlink
        cell = sheet[link.location.split("!")[1]]
        assert problem.problem in cell.comment.text
        assert color(cell) in ((ERROR,) if problem.severity == "error" else (ERROR, WARNING))
        if problem.row:
            assert cell.row == problem.row
        if problem.row and problem.value and problem.value != "(not shown)":
            assert str(cell.value).startswith(problem.value[:20].strip()) or not problem.column
        checked += 1
    assert checked > 0.8 * len(report)


def test_sound_cells_are_not_marked(tmp_path):
    book, report = marked(MESSY, tmp_path / "marked.xlsx")
    rows = {problem.row for problem in report if problem.source == "ratings.csv" and problem.row}
    for row in book["ratings"].iter_rows(min_row=4):
        if row[0].row not in rows:
            assert all(color(cell) is None for cell in row)


def test_a_workbook_keeps_its_formats_and_the_original_stays_untouched(tmp_path):
    source = MESSY / "files" / "workbook.xlsx"
    before = hashlib.sha256(source.read_bytes()).hexdigest()
    book, _ = marked(source, tmp_path / "marked.xlsx")
    assert hashlib.sha256(source.read_bytes()).hexdigest() == before
    assert book.sheetnames == ["Problems", "Fear log", "Plan of rooms"]
    sheet = book["Fear log"]
    assert color(sheet["C7"]) == ERROR
    assert "formula" in sheet["C7"].comment.text
    assert sheet["C7"].value == "=C6-1"
    assert color(sheet["A6"]) == WARNING
    assert "A1:D1" in {str(area) for area in sheet.merged_cells.ranges}


def test_the_copy_can_be_corrected_and_read_again(tmp_path):
    book, _ = marked(MESSY / "files" / "workbook.xlsx", tmp_path / "marked.xlsx")
    book["Fear log"]["C7"] = 6
    book["Fear log"]["C9"] = 4
    book["Fear log"]["C9"].number_format = "General"
    book["Fear log"]["A6"] = date(2026, 3, 16)
    book.save(tmp_path / "corrected.xlsx")
    tables = read_tables(tmp_path / "corrected.xlsx", today=TODAY)
    assert [problem.code for problem in tables.report] == ["rows_above_header", "sheet_unknown"]
    assert len(tables.tables["ratings"]) == 7


def test_text_that_looks_like_a_formula_stays_text(tmp_path):
    (tmp_path / "ratings.csv").write_text(
        "date,phase,rating,note\n2026-03-04,baseline,=1+1,=HYPERLINK(1)\n"
    )
    book, report = marked(tmp_path / "ratings.csv", tmp_path / "marked.xlsx")
    assert report.problems[0].value == "=1+1"
    assert book["ratings"]["C2"].data_type == "s"
    assert book["ratings"]["D2"].data_type == "s"
    assert book["Problems"]["F2"].data_type == "s"


def test_a_file_without_problems_says_so(tmp_path):
    (tmp_path / "ratings.csv").write_text("date,phase,rating\n2026-03-04,baseline,7\n")
    book, _ = marked(tmp_path / "ratings.csv", tmp_path / "marked.xlsx")
    assert book["Problems"]["A2"].value == "No problems found."


def test_a_comment_that_was_there_is_kept(tmp_path):
    from openpyxl.comments import Comment

    book = Workbook()
    sheet = book.active
    sheet.title = "ratings"
    for row in (["date", "phase", "rating"], ["2026-03-04", "baseline", "seven"]):
        sheet.append(row)
    sheet["C2"].comment = Comment("check with parent", "clinic")
    book.save(tmp_path / "book.xlsx")
    copy, _ = marked(tmp_path / "book.xlsx", tmp_path / "marked.xlsx")
    assert copy["ratings"]["C2"].comment.text.startswith("check with parent\nError: This is not a number.")


def test_wrong_calls(tmp_path):
    report = ProblemReport()
    with pytest.raises(ValueError, match=r"to must end in \.xlsx; got 'marked\.csv'"):
        write_marked_copy(MESSY, report, tmp_path / "marked.csv")
    (tmp_path / "there.xlsx").write_bytes(b"x")
    with pytest.raises(FileExistsError, match="is there already"):
        write_marked_copy(MESSY, report, tmp_path / "there.xlsx")
    assert (tmp_path / "there.xlsx").read_bytes() == b"x"
    with pytest.raises(ValueError, match="holds no CSV file or workbook"):
        write_marked_copy(tmp_path / "nowhere", report, tmp_path / "marked.xlsx")
    assert not (tmp_path / "marked.xlsx").exists()
