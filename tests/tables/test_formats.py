"""The same caseload as CSV, workbook, Parquet file or partitioned folder gives the same results."""

import csv
import subprocess
import sys
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from rungwise.tables import bulk
from rungwise.tables.read import read_tables
from rungwise.tables.schema import TABLES, schema

DEMO = Path(__file__).parents[2] / "data_demo"
TODAY = date(2026, 11, 25)
CASELOADS = ["practice_level_1", "practice", "messy/level_3"]


def test_the_caseloads_hold_every_table_that_is_recorded():
    there = {file.stem for name in CASELOADS for file in (DEMO / name).glob("*.csv")}
    assert there == set(TABLES)
    assert {file.stem for file in (DEMO / "practice").glob("*.csv")} == set(TABLES) - {"ratings"}


def rows_of(path):
    with open(path, newline="", encoding="utf-8") as file:
        return list(csv.reader(file))


def typed(name, column, text):
    """Give a cell the type a spreadsheet would, where the text allows it."""
    field = schema(name).field_of(column)
    if not text or field is None:
        return text or None
    try:
        if field.type in ("number", "integer"):
            return float(text)
        if field.type == "date":
            return date.fromisoformat(text)
    except ValueError:
        return text
    return text


def as_workbook(folder, path, *, with_types=True):
    import xlsxwriter

    book = xlsxwriter.Workbook(path, {"default_date_format": "yyyy-mm-dd"})
    for file in sorted(folder.glob("*.csv")):
        sheet = book.add_worksheet(file.stem)
        header, *rows = rows_of(file)
        sheet.write_row(0, 0, header)
        for place, row in enumerate(rows, start=1):
            for column, (name, text) in enumerate(zip(header, row, strict=True)):
                value = typed(file.stem, name, text) if with_types else text
                if isinstance(value, date):
                    sheet.write_datetime(place, column, value)
                elif isinstance(value, float):
                    sheet.write_number(place, column, value)
                elif value is not None:
                    sheet.write_string(place, column, value)
    book.close()


def as_parquet(folder, path, *, parts=1):
    import pyarrow as pa
    from pyarrow import parquet

    for file in sorted(folder.glob("*.csv")):
        header, *rows = rows_of(file)
        columns = {}
        for place, name in enumerate(header):
            cells = [typed(file.stem, name, row[place]) for row in rows]
            if len({type(cell) for cell in cells if cell is not None}) > 1:
                cells = [row[place] or None for row in rows]
            columns[name] = cells
        table = pa.table(columns)
        if parts == 1:
            parquet.write_table(table, path / f"{file.stem}.parquet")
            continue
        for part in range(parts):
            home = path / file.stem / f"part={part}"
            home.mkdir(parents=True)
            start = part * len(rows) // parts
            piece = table.slice(start, (part + 1) * len(rows) // parts - start)
            parquet.write_table(piece, home / "rows.parquet")


def same_tables(one, other):
    assert set(one) == set(other)
    for name in one:
        for column, values in one[name].columns.items():
            theirs = other[name][column]
            if values.dtype == object:
                assert values.tolist() == theirs.tolist(), (name, column)
            else:
                np.testing.assert_array_equal(values, theirs, err_msg=f"{name}.{column}")


def places(tables):
    return sorted((p.table, p.row, p.column, p.code) for p in tables.report if p.table)


@pytest.mark.parametrize("caseload", CASELOADS)
@pytest.mark.parametrize("with_types", [True, False])
def test_a_workbook_is_the_folder(tmp_path, caseload, with_types):
    folder = DEMO / caseload
    as_workbook(folder, tmp_path / "book.xlsx", with_types=with_types)
    if (folder / "practice.toml").exists():
        (tmp_path / "practice.toml").write_bytes((folder / "practice.toml").read_bytes())
    one, other = read_tables(folder, today=TODAY), read_tables(tmp_path / "book.xlsx", today=TODAY)
    same_tables(one.tables, other.tables)
    assert places(one) == places(other)
    for name, table in one.tables.items():
        assert table.rows.tolist() == other.tables[name].rows.tolist()


@pytest.mark.parametrize("caseload", CASELOADS)
def test_parquet_files_are_the_folder(tmp_path, caseload):
    folder = DEMO / caseload
    as_parquet(folder, tmp_path)
    one, other = read_tables(folder, today=TODAY), read_tables(tmp_path, today=TODAY)
    same_tables(one.tables, other.tables)
    assert places(one) == places(other)


@pytest.mark.parametrize("caseload", CASELOADS)
def test_a_partitioned_folder_is_the_folder(tmp_path, caseload):
    folder = DEMO / caseload
    as_parquet(folder, tmp_path, parts=3)
    one, other = read_tables(folder, today=TODAY), read_tables(tmp_path, today=TODAY)
    same_tables(one.tables, other.tables)
    assert len(other.inputs) == 3 * len(list(folder.glob("*.csv")))


@pytest.mark.parametrize("caseload", CASELOADS)
def test_reading_in_bulk_is_reading_row_by_row(tmp_path, caseload, monkeypatch):
    folder = DEMO / caseload
    one = read_tables(folder, today=TODAY)
    monkeypatch.setattr(bulk, "WORTH_IT", 0)
    used = []
    real = bulk.read_bulk
    monkeypatch.setattr(bulk, "read_bulk", lambda *given: used.append(1) or real(*given))
    other = read_tables(folder, today=TODAY)
    plain = [file for file in folder.glob("*.csv") if '"' not in file.read_text(encoding="utf-8")]
    assert len(used) >= len(set(one.tables) & {file.stem for file in plain}) >= 3
    same_tables(one.tables, other.tables)
    assert one.report.problems == other.report.problems
    for name, table in one.tables.items():
        assert table.rows.tolist() == other.tables[name].rows.tolist()


@pytest.mark.parametrize(
    ("text", "rows"),
    [
        ("Title\n\ndate,phase,rating\n2026-03-02,baseline,7\n2026-03-09,exposure,5\n", [4, 5]),
        ("date,phase,rating\r\n2026-03-02,baseline,7\r\n2026-03-09,exposure,5", [2, 3]),
        ("date,phase,rating\n\n2026-03-02,baseline,7\n\n2026-03-09,exposure,5\n\n", [3, 5]),
        ("date,phase,rating\n2026-03-02,baseline\n2026-03-09,exposure,5\n", [2, 3]),
        ("date;phase;rating\n,,\n2026-03-02;baseline;7,5\n ; ; \n2026-03-09;exposure;5\n", [3, 5]),
        ("date,phase,rating,note\n2026-03-02,baseline,7,café\n2026-03-09,exposure,5,\n", [2, 3]),
    ],
)
def test_rows_keep_their_numbers_however_they_are_read(tmp_path, monkeypatch, text, rows):
    (tmp_path / "ratings.csv").write_bytes(text.encode())
    one = read_tables(tmp_path, today=TODAY)
    monkeypatch.setattr(bulk, "WORTH_IT", 0)
    other = read_tables(tmp_path, today=TODAY)
    assert one.tables["ratings"].rows.tolist() == other.tables["ratings"].rows.tolist() == rows
    assert one.report.problems == other.report.problems
    same_tables(one.tables, other.tables)


def test_reading_a_small_file_loads_nothing_heavy():
    code = f"""
import sys
from rungwise.series.caseload import read_caseload
caseload = read_caseload({str(DEMO / "one_child.csv")!r})
caseload.series(caseload.children[0])
heavy = {{"pandas", "pandera", "scipy", "pyarrow", "python_calamine", "openpyxl"}}
print(*sorted(heavy & set(sys.modules)))
"""
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == ""


def test_each_file_is_read_once(monkeypatch):
    opened = []
    real = Path.read_bytes
    monkeypatch.setattr(Path, "read_bytes", lambda path: opened.append(path.name) or real(path))
    tables = read_tables(DEMO / "practice", today=TODAY)
    assert sorted(opened) == sorted(file.name for file in tables.inputs)
    assert len(set(opened)) == len(opened)
