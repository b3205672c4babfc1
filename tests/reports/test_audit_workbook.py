import io
import zipfile
from datetime import date, datetime

import openpyxl
import pytest
from rungwise.audit.audit import audit_quarter
from rungwise.audit.serialize import audit_frames
from rungwise.reports.audit_workbook import audit_workbook
from rungwise.series.caseload import read_caseload


@pytest.fixture(scope="module")
def audit(tmp_path_factory):
    place = tmp_path_factory.mktemp("practice")
    rows = ["child_id,date,phase,rating"]
    for week, value in enumerate([7, 8, 7, 9, 6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1]):
        day = date.fromordinal(date(2026, 5, 4).toordinal() + 7 * week)
        rows.append(f"C01,{day},{'baseline' if week < 4 else 'exposure'},{value}")
    (place / "ratings.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    children = "child_id,entered_on,site,referral_reason\nC01,2026-05-01,=1+1,@SUM(A1)\n"
    (place / "children.csv").write_text(children, encoding="utf-8")
    return audit_quarter(read_caseload(place, today=date(2026, 11, 1)), "2026Q3", today="2026-11-01")


def test_every_table_is_a_sheet_with_its_values(audit):
    book = openpyxl.load_workbook(io.BytesIO(audit_workbook(audit)))
    frames = audit_frames(audit)
    assert book.sheetnames == ["answer", *frames]
    for name, frame in frames.items():
        rows = list(book[name].iter_rows(values_only=True))
        assert rows[0][: len(frame.columns)] == tuple(frame.columns)
        assert len(rows) == len(frame) + 1
    child = dict(zip(*list(book["children"].iter_rows(values_only=True)), strict=True))
    assert child["due_on"] == datetime(2026, 8, 24)
    assert child["nap"] == audit.children["nap"][0]
    assert child["ended_on"] is None
    assert book["answer"]["A2"].value == audit.told.answer


def test_no_text_becomes_a_formula_or_a_link(audit):
    content = audit_workbook(audit)
    with zipfile.ZipFile(io.BytesIO(content)) as parts:
        for name in parts.namelist():
            text = parts.read(name).decode("utf-8", errors="replace")
            if name.startswith("xl/worksheets/"):
                assert "<f>" not in text
                assert "hyperlink" not in text
    book = openpyxl.load_workbook(io.BytesIO(content))
    assert "=1+1" in [cell.value for cell in book["children"]["B"]]
    assert all(
        cell.data_type != "f" for sheet in book for row in sheet for cell in row if cell.value != "=1+1"
    )


def test_same_audit_same_bytes(audit):
    assert audit_workbook(audit) == audit_workbook(audit)


def test_every_printed_page_is_marked_and_numbered(audit):
    book = openpyxl.load_workbook(io.BytesIO(audit_workbook(audit)))
    for sheet in book:
        assert "Confidential" in sheet.oddFooter.left.text
        assert "&P of &N" in sheet.oddFooter.right.text.replace("Page ", "")
