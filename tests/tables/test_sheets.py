"""What only workbooks can hold."""

import zipfile
from datetime import date, datetime

import pytest
from openpyxl import Workbook
from openpyxl.utils.datetime import CALENDAR_MAC_1904
from rungwise.tables.findings import Findings
from rungwise.tables.read import read_tables
from rungwise.tables.sheets import grids, text_of

TODAY = date(2026, 11, 25)
HEADER = ["date", "phase", "rating"]


def saved(book, path):
    book.save(path)
    return read_tables(path, today=TODAY)


def book_of(*rows, title="ratings"):
    book = Workbook()
    book.active.title = title
    for row in rows:
        book.active.append(row)
    return book


def test_days_of_a_workbook_that_counts_from_1904(tmp_path):
    book = book_of(HEADER, [None, "baseline", 7], [44630, "baseline", 8])
    book.epoch = CALENDAR_MAC_1904
    book.active["A2"] = datetime(2026, 3, 4)
    tables = saved(book, tmp_path / "mac.xlsx")
    assert tables.tables["ratings"]["date"].astype(str).tolist() == ["2026-03-04", "2026-03-11"]
    assert [problem.code for problem in tables.report] == ["date_serial"]


def test_formulas_without_a_result_are_told_and_those_with_one_are_read(tmp_path):
    book = book_of(HEADER, ["2026-03-04", "baseline", "=3+4"], ["2026-03-11", "baseline", 7])
    tables = saved(book, tmp_path / "formulas.xlsx")
    assert [(p.row, p.column, p.code, p.value) for p in tables.report] == [
        (2, "rating", "formula_blank", "")
    ]
    book = book_of([*HEADER, "note"], ["2026-03-04", "baseline", "=3+4", "=B2"])
    book.save(tmp_path / "bare.xlsx")
    # As a spreadsheet program saves it: results beside the formulas, one of them an empty text.
    with (
        zipfile.ZipFile(tmp_path / "bare.xlsx") as old,
        zipfile.ZipFile(tmp_path / "saved.xlsx", "w") as new,
    ):
        for name in old.namelist():
            part = old.read(name)
            part = part.replace(b"<f>3+4</f><v></v>", b"<f>3+4</f><v>7</v>")
            part = part.replace(b"<f>3+4</f><v/>", b"<f>3+4</f><v>7</v>")
            part = part.replace(b"<f>3+4</f><v />", b"<f>3+4</f><v>7</v>")
            new.writestr(name, part.replace(b'<c r="D2"><f>', b'<c r="D2" t="str"><f>'))
    tables = read_tables(tmp_path / "saved.xlsx", today=TODAY)
    assert len(tables.report) == 0
    assert tables.tables["ratings"]["rating"].tolist() == [7]


def test_a_formula_without_a_result_below_all_values_is_found(tmp_path):
    book = book_of([*HEADER, "note"], ["2026-03-04", "baseline", 7, None])
    book.active["A4"] = "2026-03-18"
    book.active["B4"] = "=B2"
    book.active["C4"] = "=C2"
    book.active["C6"] = "=C2"
    tables = saved(book, tmp_path / "below.xlsx")
    found = [(p.row, p.column, p.code) for p in tables.report]
    assert found[:2] == [(4, "phase", "formula_blank"), (4, "rating", "formula_blank")]
    assert {row for row, _, _ in found} == {4, 6}


def test_a_sheet_alone_may_bear_any_name_and_a_hidden_one_is_not_read(tmp_path):
    book = book_of(HEADER, ["2026-03-04", "baseline", 7], title="Tabelle1")
    hidden = book.create_sheet("old")
    hidden.append(["anything"])
    hidden.sheet_state = "hidden"
    tables = saved(book, tmp_path / "any name.xlsx")
    assert len(tables.report) == 0
    assert len(tables.tables["ratings"]) == 1


def test_merged_names_over_a_second_header_row(tmp_path):
    book = book_of(
        ["Child", "Ladder", "Date", "Kind", "Step", "Outcome", "Fear", None, None],
        [None] * 6 + ["before", "peak", "end"],
        ["C1", "gangway", datetime(2026, 3, 4), "probe", 4, "completed", 7, 8, 5],
        title="observations",
    )
    for area in ("A1:A2", "B1:B2", "C1:C2", "D1:D2", "E1:E2", "F1:F2", "G1:I1"):
        book.active.merge_cells(area)
    tables = saved(book, tmp_path / "merged.xlsx")
    trials = tables.tables["observations"]
    assert [trials[name].tolist() for name in ("fear_before", "fear_peak", "fear_end")] == [[7], [8], [5]]
    assert [problem.code for problem in tables.report] == ["header_split", "phase_unknown"]


def test_two_sheets_of_one_table_are_not_mixed(tmp_path):
    book = book_of(HEADER, ["2026-03-04", "baseline", 7])
    other = book.create_sheet("Fear log")
    for row in (HEADER, ["2026-03-11", "baseline", 6]):
        other.append(row)
    tables = saved(book, tmp_path / "two.xlsx")
    (only,) = tables.report
    assert (only.code, only.source) == ("table_twice", "two.xlsx, sheet Fear log")
    assert len(tables.tables["ratings"]) == 1


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (7, "7"), (7.0, "7"), (7.25, "7.25"), (1e20, "1e+20"), (True, "true"), (None, ""), ("7 ", "7 "),
        (datetime(2026, 3, 4, 15, 30), "2026-03-04 15:30:00"), (date(2026, 3, 4), "2026-03-04"),
    ],
)  # fmt: skip
def test_values_become_the_texts_a_person_would_type(value, text):
    assert text_of(value) == text


def test_rows_keep_the_numbers_of_the_sheet(tmp_path):
    book = Workbook()
    book.active.title = "ratings"
    for place, (name, entry) in enumerate(zip(HEADER, ["2026-03-04", "baseline", 7], strict=True), start=2):
        book.active.cell(4, place, name)
        book.active.cell(9, place, entry)
    book.save(tmp_path / "far.xlsx")
    (grid,) = grids((tmp_path / "far.xlsx").read_bytes(), "far.xlsx", Findings())
    assert [row for row, cells in grid.records if any(cells)] == [4, 9]
    assert read_tables(tmp_path / "far.xlsx", today=TODAY).tables["ratings"].rows.tolist() == [9]
