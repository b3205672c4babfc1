"""What the start page does, without a browser: every action ends in words, and no old answer stays."""

from __future__ import annotations

import csv
import html
import io
import re
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from rungwise.reports import start_page as module
from rungwise.reports.catalog import words_in
from rungwise.reports.start_page import start_page
from rungwise.reports.start_view import SHOWN_OF_A_KIND, problems_csv, problems_html
from rungwise.series.caseload import check, read_caseload
from rungwise.single_case.child_answer import child_answer
from rungwise.tables.problems import FIELDS

pytestmark = pytest.mark.usefixtures("unprinted")

ROOT = Path(__file__).resolve().parents[2]
TODAY = date(2026, 11, 13)
WHEN = datetime(2026, 11, 13, tzinfo=UTC)


def words(widget) -> str:
    return html.unescape(re.sub(r"<[^>]+>", " ", re.sub(r"data:[^\"]+", "", widget.value)))


def upload(page, *files: tuple[str, bytes]) -> None:
    page.upload.value = [
        {"name": name, "type": "", "size": len(content), "content": content, "last_modified": WHEN}
        for name, content in files
    ]


@pytest.fixture
def page(tmp_path):
    return start_page(tmp_path, today=TODAY)


@pytest.fixture
def demo(page):
    page.demo.click()
    return page


def test_the_demo_of_the_page_is_the_demo_of_the_checkout(demo):
    shipped = read_caseload(ROOT / "data_demo" / "practice_level_1", today=TODAY)
    assert demo.caseload.children == shipped.children
    for name, column in (("ratings", "rating"), ("phases", "starts_on")):
        assert (demo.caseload.tables[name][column] == shipped.tables[name][column]).sum() > 50
    assert "invented practice with invented children" in words(demo.status)


def test_no_child_is_shown_until_one_is_chosen(demo):
    assert demo.child.value is None
    assert demo.save.disabled
    assert "appears here when a child is chosen" in words(demo.shown)


def test_the_answer_shown_is_the_answer_computed(demo):
    demo.child.value = "C014"
    expected = child_answer(demo.caseload, "C014")
    first = expected.headline.split(". ")[0]
    assert first in " ".join(words(demo.shown).split())
    assert 'alt="Graph of fear by day. Verdict: ' in demo.shown.value
    assert not demo.save.disabled


def test_a_ladder_is_shown_alone_and_the_answer_stays_over_all(demo):
    caseload = demo.caseload
    several = next(child for child in caseload.children if len(caseload.ladders(child)) > 1)
    demo.child.value = several
    assert demo.shown.value.count("<figure>") == len(caseload.ladders(several))
    demo.ladder.value = caseload.ladders(several)[0]
    assert demo.shown.value.count("<figure>") == 1
    assert "The answer above counts all ladders together." in words(demo.shown)
    assert len(demo.answer.ladders) > 1


def test_a_file_with_one_child_is_answered_at_once(page):
    upload(page, ("one.csv", (ROOT / "data_demo" / "one_child.csv").read_bytes()))
    assert "one.csv: 1 child." in words(page.status)
    assert page.answer.child_id == "child"


def test_several_files_are_read_together(page):
    folder = ROOT / "data_demo" / "practice_level_1"
    upload(page, *((file.name, file.read_bytes()) for file in sorted(folder.glob("*.csv"))))
    assert "children.csv, phases.csv, ratings.csv: 57 children." in words(page.status)


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("letter.csv", b"%PDF-1.7", "PDF"),
        ("empty.csv", b"", "empty"),
        ("notes.docx", b"PK\x03\x04 word/document", "word-processor"),
        ("list.csv", b"food,price\nsoup,3\n", "could not be used"),
    ],
)
def test_a_wrong_file_gets_a_sentence_and_takes_the_old_answer_away(demo, name, content, said):
    demo.child.value = "C014"
    upload(demo, (name, content))
    assert f"{name} could not be used." in words(demo.status)
    assert said in words(demo.status) + words(demo.problems)
    assert demo.answer is None
    assert "C014" not in words(demo.shown)
    assert demo.save.disabled


@pytest.mark.parametrize("name", ["../../outside.csv", "..\\..\\outside.csv", "/etc/outside.csv"])
def test_an_uploaded_name_never_leads_out_of_the_folder(page, name):
    upload(page, (name, (ROOT / "data_demo" / "one_child.csv").read_bytes()))
    assert "outside.csv: 1 child." in words(page.status)
    assert page._source.parent.parent == Path(page._scratch.name)


def test_a_typed_name_is_looked_for_in_the_folder_and_an_absolute_one_where_it_says(page, tmp_path):
    content = (ROOT / "data_demo" / "one_child.csv").read_bytes()
    (tmp_path / "mine.csv").write_bytes(content)
    for typed in ("mine.csv", ' "mine.csv" ', str(ROOT / "data_demo" / "one_child.csv")):
        page.path.value = typed
        page.read.click()
        assert page.answer is not None
    assert "mine.csv" in page.path.options
    page.path.value = "gone.csv"
    page.read.click()
    assert "gone.csv could not be used." in words(page.status)
    page.path.value = "  "
    page.read.click()
    assert "Type the name of a file" in words(page.status)


def test_a_report_is_saved_in_the_language_of_the_page_and_not_over_an_earlier_one(demo, tmp_path):
    demo.child.value = "C014"
    demo.language.value = "es"
    assert "C014: miedo en el paso de sondeo" in words(demo.shown)
    demo.save.click()
    written = (tmp_path / "reports" / "child_C014.html").read_text(encoding="utf-8")
    assert '<html lang="es">' in written
    assert "La imagen" in written
    assert "reports/child_C014.html" in words(demo.saved)
    demo.save.click()
    assert "Ya hay un informe con este nombre" in words(demo.saved)
    demo.save_page.value = False
    demo.save.click()
    assert "Marque al menos una" in words(demo.saved)


def test_an_error_nobody_foresaw_is_said_on_the_page(demo, monkeypatch):
    demo.child.value = "C014"

    def broken(*_, **__):
        raise KeyError("colour")

    monkeypatch.setattr(module, "child_answer", broken)
    demo.child.value = "C015"
    assert "This did not work, and it should have: KeyError: 'colour'" in words(demo.status)
    assert "C014" not in words(demo.shown)
    assert demo.answer is None


def test_a_workbook_and_a_sheet_are_handed_over(demo):
    demo.sheet.click()
    assert 'download="recording_level_1.xlsx"' in demo.sheet_made.value
    demo.child.value = "C014"
    demo.paper.click()
    assert re.search(r'download="[^"]*C014[^"]*\.html"', demo.sheet_made.value)


def test_every_problem_is_counted_and_none_is_lost(tmp_path):
    file = tmp_path / "ratings.csv"
    file.write_text(
        "date,phase,rating\n" + "".join(f"2026-03-{day:02},baseline,soon\n" for day in range(1, 20))
    )
    report = check(file, today=TODAY)
    shown = problems_html(report, words_in("en"))
    rows = shown.count("<tr>") - 1
    more = sum(int(n) for n in re.findall(r"(\d+) more of the same kind", shown))
    assert rows + more == len(report)
    assert rows < len(report)
    kinds = {(one.source, one.code, one.column) for one in report}
    assert rows <= SHOWN_OF_A_KIND * len(kinds)
    listed = list(csv.reader(io.StringIO(problems_csv(report))))
    assert listed[0] == list(FIELDS)
    assert len(listed) == len(report) + 1


def test_what_stands_in_a_file_cannot_become_markup(page):
    upload(page, ("x.csv", b"date,phase,rating\n2026-03-02,<script>alert(1)</script>,7\n"))
    assert "<script>" not in page.problems.value + page.status.value + page.shown.value
    assert "&lt;script&gt;" in page.problems.value + page.status.value


def test_who_can_reach_the_page_is_promised_only_where_it_was_started_for_this_computer(
    tmp_path, monkeypatch
):
    monkeypatch.delenv(module.UPLOAD_VARIABLE, raising=False)
    assert "behind a key" not in words(start_page(tmp_path).headings["title"])
    monkeypatch.setenv(module.UPLOAD_VARIABLE, "200")
    assert "behind a key made for this session" in words(start_page(tmp_path).headings["title"])


def test_where_the_page_stands_by_itself_the_start_button_is_hidden(tmp_path, monkeypatch):
    hidden = ".jp-MarkdownCell { display: none; }"
    monkeypatch.delenv(module.VOILA_VARIABLE, raising=False)
    assert hidden not in start_page(tmp_path).show.children[0].value
    monkeypatch.setenv(module.VOILA_VARIABLE, "http://127.0.0.1:1/")
    assert hidden in start_page(tmp_path).show.children[0].value


def test_the_problems_are_told_in_the_language_of_the_page(page):
    page.language.value = "es"
    upload(page, ("x.csv", b"date,phase,rating\n2026-03-02,baseline,7\n2026-03-09,baseline,seven\n"))
    assert "Esto no es un n\u00famero." in words(page.problems)
    assert "This is not a number" not in words(page.problems)
    page.language.value = "en"
    assert "This is not a number." in words(page.problems)


def test_why_a_file_cannot_be_used_is_said_once_and_in_the_language_of_the_page(page):
    page.language.value = "es"
    upload(page, ("mine.csv", b"Day,Fear 0-10\n2026-03-02,7\n"))
    told = words(page.status)
    assert told.count("mine.csv") == 1
    assert "Ponga los nombres de columna date, phase y rating en la primera fila" in told
    assert "No row names" not in told
