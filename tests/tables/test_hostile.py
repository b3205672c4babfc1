"""Whatever is handed over, the answer is one clear sentence and never a traceback."""

import csv
import io
import os
import struct
import zipfile
from datetime import date
from pathlib import Path

import pytest
from rungwise.tables import files as files_module
from rungwise.tables import sheets as sheets_module
from rungwise.tables.findings import Findings
from rungwise.tables.read import read_tables

TODAY = date(2026, 11, 25)
OLD_CONTAINER = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
GOOD = "date,phase,rating\n2026-03-04,baseline,7\n"


def codes(path):
    tables = read_tables(path, today=TODAY)
    for problem in tables.report:
        assert problem.problem.endswith(".")
        assert "Traceback" not in problem.problem
        assert "\n" not in problem.problem
    return [problem.code for problem in tables.report]


def workbook_bytes(rows, name="ratings"):
    import xlsxwriter

    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    sheet = book.add_worksheet(name)
    for place, row in enumerate(rows):
        sheet.write_row(place, 0, row)
    book.close()
    return out.getvalue()


def repacked(content, **changed):
    """Write a zip archive again with some parts replaced."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            new.writestr(name, changed.get(name.replace("/", "__").replace(".", "_"), old.read(name)))
    return out.getvalue()


SHEET = [["date", "phase", "rating"], ["2026-03-04", "baseline", 7]]


@pytest.mark.parametrize(
    ("name", "content", "expected"),
    [
        ("a.csv", b"", ["file_empty"]),
        ("a.csv", b"\n \n", ["file_empty"]),
        ("a.csv", b"\xef\xbb\xbf", ["file_empty"]),
        ("a.csv", bytes(range(256)) * 20, ["file_not_text"]),
        ("a.csv", b"date,phase,rating\n2026-03-04,baseline,\0\0\0", ["file_not_text"]),
        ("a.csv", b"%PDF-1.7 something", ["file_kind"]),
        ("a.pdf", GOOD.encode(), ["file_kind"]),
        ("a.docx", b"PK\x03\x04word/document.xml", ["file_kind"]),
        ("a.zip", b"PK\x03\x04something", ["file_kind"]),
        ("a.csv", b"\x1f\x8bpacked", ["file_kind"]),
        ("a.xlsx", GOOD.encode(), ["file_broken"]),
        ("a.xlsx", b"PK\x03\x04xl/ and nothing more", ["file_broken"]),
        ("a.xlsx", OLD_CONTAINER + "EncryptedPackage".encode("utf-16-le"), ["file_locked"]),
        ("a.xls", OLD_CONTAINER + b"\0" * 600, ["file_broken"]),
        ("a.parquet", b"PAR1 and nothing more PAR1", ["file_broken"]),
        ("a.parquet", GOOD.encode(), ["file_broken"]),
        ("ratings.csv", b"what,ever\n1,2\n", ["header_missing"]),
        ("a.csv", b"what,ever\n1,2\n", ["table_unclear"]),
        ("a.csv", GOOD.replace("rating", "rating" + ",x" * 1000).encode(), ["too_many_columns"]),
    ],
)  # fmt: skip
def test_files_that_cannot_be_read(tmp_path, name, content, expected):
    (tmp_path / name).write_bytes(content)
    assert codes(tmp_path / name) == expected


@pytest.mark.parametrize("limit", [131_072, 10_000_000])
@pytest.mark.parametrize("mark", ["", '"'])
def test_a_cell_longer_than_any_record_costs_its_row_alone(tmp_path, mark, limit):
    before = csv.field_size_limit(limit)
    try:
        text = f"date,phase,rating,note\n2026-03-04,baseline,7,{mark}{'x' * 2_000_000}{mark}\n"
        (tmp_path / "a.csv").write_text(text + "2026-03-11,baseline,6,\n")
        tables = read_tables(tmp_path / "a.csv", today=TODAY)
    finally:
        csv.field_size_limit(before)
    (only,) = tables.report
    assert only.row == 2
    assert only.code in (["cell_too_long"] if limit > 2_000_000 or not mark else ["quote_open"])
    assert [row.row for row in tables.report.set_aside] == [2]
    assert tables.tables["ratings"].rows.tolist() == [3]


def test_a_path_that_is_not_there(tmp_path):
    assert codes(tmp_path / "nowhere" / "a.csv") == ["path_missing"]


def test_a_folder_without_a_table(tmp_path):
    assert codes(tmp_path) == ["nothing_to_read"]
    (tmp_path / "letter.docx").write_bytes(b"x")
    assert codes(tmp_path) == ["nothing_to_read"]


def test_a_table_given_twice(tmp_path):
    (tmp_path / "ratings.csv").write_text(GOOD)
    (tmp_path / "ratings.tsv").write_text(GOOD.replace(",", "\t"))
    tables = read_tables(tmp_path, today=TODAY)
    (only,) = tables.report
    assert (only.code, only.source) == ("table_twice", "ratings.tsv")
    assert "ratings.csv" in only.problem
    assert len(tables.tables["ratings"]) == 1


def test_a_header_that_cannot_be_found_names_the_columns_needed(tmp_path):
    (tmp_path / "ratings.csv").write_text("what,ever\n1,2\n")
    (only,) = read_tables(tmp_path, today=TODAY).report
    assert only.code == "header_missing"
    assert "Child code, Phase" in only.remedy


def test_a_workbook_by_another_name_is_read(tmp_path):
    (tmp_path / "a.csv").write_bytes(workbook_bytes(SHEET))
    tables = read_tables(tmp_path / "a.csv", today=TODAY)
    assert [problem.code for problem in tables.report] == ["extension_differs"]
    assert tables.tables["ratings"]["rating"].tolist() == [7]


def test_links_in_a_circle(tmp_path):
    (tmp_path / "a.csv").symlink_to(tmp_path / "b.csv")
    (tmp_path / "b.csv").symlink_to(tmp_path / "a.csv")
    assert codes(tmp_path / "a.csv") == ["path_loop"]
    (tmp_path / "ratings.csv").symlink_to(tmp_path / "ratings.csv")
    assert "path_loop" in codes(tmp_path)


def test_a_folder_of_parts_that_links_to_itself(tmp_path):
    (tmp_path / "ratings").mkdir()
    (tmp_path / "ratings" / "again").symlink_to(tmp_path, target_is_directory=True)
    (tmp_path / "ratings" / "part1.csv").write_text(GOOD)
    assert codes(tmp_path) == []


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "ratings.csv")
    assert codes(tmp_path) == ["path_unreadable"]


def test_files_and_folders_without_the_right_to_read(tmp_path, monkeypatch):
    (tmp_path / "ratings.csv").write_text(GOOD)

    def refuse(*_):
        raise PermissionError(13, "Permission denied")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "read_bytes", refuse)
        (only,) = read_tables(tmp_path, today=TODAY).report
        assert (only.code, only.source) == ("path_unreadable", "ratings.csv")
        assert "permission denied" in only.problem
    with monkeypatch.context() as patch:
        patch.setattr(files_module.os, "scandir", refuse)
        assert codes(tmp_path) == ["path_unreadable"]


def test_a_zip_bomb_is_not_unpacked(tmp_path, monkeypatch):
    monkeypatch.setattr(sheets_module, "LARGEST", 20 * 1024**2)
    bomb = repacked(workbook_bytes(SHEET), xl__sharedStrings_xml=b" " * (25 * 1024**2))
    assert len(bomb) < 100_000
    (tmp_path / "a.xlsx").write_bytes(bomb)
    assert codes(tmp_path / "a.xlsx") == ["file_too_big"]


def test_a_zip_bomb_that_lies_about_its_size(tmp_path):
    bomb = bytearray(repacked(workbook_bytes(SHEET), xl__sharedStrings_xml=b" " * (64 * 1024**2)))
    real = struct.pack("<L", 64 * 1024**2)
    while real in bomb:
        at = bomb.index(real)
        bomb[at : at + 4] = struct.pack("<L", 1000)
    (tmp_path / "a.xlsx").write_bytes(bomb)
    assert codes(tmp_path / "a.xlsx") == ["file_broken"]
    # It is refused before any reader that might believe the size.
    assert sheets_module._unpackable(bytes(bomb), "a.xlsx", Findings()) is None


def test_a_cell_in_the_last_corner(tmp_path):
    far = workbook_bytes(SHEET)
    with zipfile.ZipFile(io.BytesIO(far)) as archive:
        xml = archive.read("xl/worksheets/sheet1.xml")
    row = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    far = repacked(far, xl__worksheets__sheet1_xml=xml.replace(b"</sheetData>", row))
    (tmp_path / "a.xlsx").write_bytes(far)
    assert codes(tmp_path / "a.xlsx") == ["file_too_big"]


def test_a_thousand_columns(tmp_path):
    rows = [["date", "phase", "rating", *range(1000)], ["2026-03-04", "baseline", 7, *range(1000)]]
    (tmp_path / "a.xlsx").write_bytes(workbook_bytes(rows))
    assert codes(tmp_path / "a.xlsx") == ["too_many_columns"]


def test_an_encrypted_archive(tmp_path):
    locked = bytearray(workbook_bytes(SHEET))
    with zipfile.ZipFile(io.BytesIO(bytes(locked))) as archive:
        entries = archive.infolist()
    for entry in entries:
        locked[entry.header_offset + 6] |= 1
    central = 0
    while (central := locked.find(b"PK\x01\x02", central)) >= 0:
        locked[central + 8] |= 1
        central += 4
    (tmp_path / "a.xlsx").write_bytes(locked)
    assert codes(tmp_path / "a.xlsx") == ["file_locked"]


def test_an_empty_workbook(tmp_path):
    (tmp_path / "a.xlsx").write_bytes(workbook_bytes([]))
    assert codes(tmp_path / "a.xlsx") == ["file_empty"]


def test_an_open_document_bomb(tmp_path):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("META-INF/manifest.xml", "<manifest/>")
        archive.writestr(
            "content.xml",
            '<office:document-content><table:table table:name="ratings">'
            '<table:table-row table:number-rows-repeated="1000000">'
            '<table:table-cell office:value="1" table:number-columns-repeated="16000">'
            "<text:p>1</text:p></table:table-cell></table:table-row></table:table></office:document-content>",
        )
    (tmp_path / "a.ods").write_bytes(out.getvalue())
    assert codes(tmp_path / "a.ods") == ["file_too_big"]


def test_parquet_of_another_version_is_not_read(tmp_path):
    import pyarrow as pa
    from pyarrow import parquet

    table = pa.table({"date": ["2026-03-04"], "phase": ["baseline"], "rating": [7]})
    for version, expected in (("1", []), ("2", ["schema_version"])):
        told = table.replace_schema_metadata({"rungwise:schema_version": version})
        parquet.write_table(told, tmp_path / "a.parquet")
        assert codes(tmp_path / "a.parquet") == expected


def test_lists_in_parquet_are_not_read(tmp_path):
    import pyarrow as pa
    from pyarrow import parquet

    table = pa.table({"date": ["2026-03-04"], "phase": ["baseline"], "rating": [7], "declined": [[1, 2]]})
    parquet.write_table(table, tmp_path / "a.parquet")
    assert codes(tmp_path / "a.parquet") == ["column_nested"]


@pytest.mark.parametrize("content", [b"label = ", b"\xff\xfe\x00", b"a = 1\na = 2"])
def test_settings_that_cannot_be_read(tmp_path, content):
    (tmp_path / "ratings.csv").write_text(GOOD)
    (tmp_path / "practice.toml").write_bytes(content)
    assert codes(tmp_path) == ["practice_unreadable"]


def test_every_message_survives_braces_and_percent_signs(tmp_path):
    (tmp_path / "a.csv").write_text("date,phase,rating,{x}\n{0},%s {phase},{}\n")
    assert codes(tmp_path / "a.csv") == [
        "column_unknown",
        "date_unreadable",
        "word_unknown",
        "number_unreadable",
    ]
