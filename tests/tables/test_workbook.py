from datetime import date
from textwrap import wrap

import pytest
from openpyxl import load_workbook
from rungwise.series.caseload import read_caseload
from rungwise.tables.read import read_tables
from rungwise.tables.schema import TABLES, schema
from rungwise.tables.workbook import header_of, note_of, write_workbook

TODAY = date(2026, 11, 25)


@pytest.mark.parametrize("level", [1, 2, 3])
def test_each_level_has_its_tables_with_every_column_and_nothing_else(tmp_path, level):
    book = load_workbook(write_workbook(tmp_path / "book.xlsx", level))
    tables = [table for table in TABLES if schema(table).level <= level]
    assert book.sheetnames == ["Read me", *tables]
    for table in tables:
        sheet = book[table]
        found = [schema(table).field_of(cell.value).name for cell in sheet[1]]
        assert found == list(schema(table).fields)
        assert all(cell.comment.text for cell in sheet[1])
        assert all(cell.protection.locked for cell in sheet[1])
        assert sheet.protection.sheet
        assert sheet.freeze_panes == "B2"
        assert not sheet.column_dimensions["A"].protection.locked
        assert str(sheet.cell(2, 1).value).startswith("e.g. ")
        assert not sheet.cell(2, 1).protection.locked


def test_words_to_choose_from_and_limits_come_from_the_schema(tmp_path):
    book = load_workbook(write_workbook(tmp_path / "book.xlsx", 2))
    rules = {}
    for rule in book["observations"].data_validations.dataValidation:
        place = min(area.min_col for area in rule.sqref.ranges)
        rules[list(schema("observations").fields)[place - 1]] = rule
    assert rules["kind"].formula1 == '"probe,approach,practice"'
    assert rules["outcome"].formula1 == '"completed,partial,declined"'
    assert (rules["minutes"].type, rules["minutes"].formula1, rules["minutes"].formula2) == (
        "decimal",
        "0",
        "480",
    )
    assert rules["child_id"].formula1 == "'children'!$A$3:$A$5000"
    assert rules["child_id"].errorStyle == "warning"
    assert rules["date"].type == "date"
    ratings = book["ratings"].data_validations.dataValidation
    rating = next(rule for rule in ratings if rule.promptTitle == "Rating")
    assert rating.type in (None, "none")


def test_the_example_row_is_not_read_and_a_blank_workbook_says_so(tmp_path):
    tables = read_tables(write_workbook(tmp_path / "book.xlsx", 3), today=TODAY)
    assert {problem.code for problem in tables.report} == {"table_empty"}
    assert dict(tables.tables) == {}


def test_what_is_typed_into_it_is_read(tmp_path):
    path = write_workbook(tmp_path / "book.xlsx", 2)
    book = load_workbook(path)
    book["children"].append(["C014", 86, "female"])
    for row in (["C014", None, date(2026, 3, 4), None, None, "baseline", 7],
                ["C014", None, date(2026, 3, 11), None, None, "exposure", "declined"]):  # fmt: skip
        book["ratings"].append(row)
    book.save(path)
    caseload = read_caseload(path, today=TODAY)
    assert len(caseload.report) == 0
    assert caseload.children == ("C014",)
    assert caseload.series("C014").declined.tolist() == [False, True]
    # Sheets nobody used are tables that were not recorded, not tables in which nothing happened.
    assert set(caseload.tables) == {"ratings", "children"}


def test_none_is_an_answer_and_an_empty_sheet_is_not(tmp_path):
    path = write_workbook(tmp_path / "book.xlsx", 2)
    book = load_workbook(path)
    book["children"].append(["C014"])
    book["incidents"].append(["None"])
    book.save(path)
    tables = read_tables(path, today=TODAY)
    assert len(tables.report) == 0
    assert set(tables.tables) == {"children", "incidents"}
    assert len(tables.tables["incidents"]) == 0


def test_the_same_level_gives_the_same_bytes(tmp_path):
    one, other = (write_workbook(tmp_path / name, 3).read_bytes() for name in ("one.xlsx", "two.xlsx"))
    assert one == other


def test_wrong_calls(tmp_path):
    with pytest.raises(ValueError, match="level must be one of 1, 2, 3; got 4"):
        write_workbook(tmp_path / "book.xlsx", 4)
    with pytest.raises(ValueError, match=r"path must end in \.xlsx; got 'book\.csv'"):
        write_workbook(tmp_path / "book.csv")
    write_workbook(tmp_path / "book.xlsx")
    with pytest.raises(FileExistsError, match="is there already"):
        write_workbook(tmp_path / "book.xlsx")


def test_notes_fit_the_boxes_spreadsheets_allow():
    for table in TABLES:
        for field in schema(table).fields.values():
            assert len(note_of(field)) <= 255, (table, field.name)
            assert len(field.title) <= 32
            assert len(",".join(field.enum)) <= 255
            assert schema(table).field_of(header_of(field)) is field


def test_blank_means_what_it_means():
    assert "Blank means 1." in note_of(schema("ratings").fields["trial"])
    assert "Blank means no." in note_of(schema("ratings").fields["declined"])
    assert "Blank" not in note_of(schema("ratings").fields["note"])


def test_every_name_of_a_column_fits_its_two_lines(tmp_path):
    book = load_workbook(write_workbook(tmp_path / "book.xlsx", 3))
    for page in book.worksheets[1:]:
        for cell in page[1]:
            room = int(page.column_dimensions[cell.column_letter].width) - 2
            assert len(wrap(str(cell.value), room)) <= 2, (page.title, cell.value)
