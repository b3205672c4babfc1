"""The report about one child is its notebook, whole, and refuses before the work begins."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import nbformat
import pytest
from rungwise.basis.errors import DataProblems, RungwiseError
from rungwise.reports import child_report
from rungwise.reports.child_report import write_child_pages, write_child_report, write_family_report
from rungwise.reports.pdf import find_browser
from rungwise.reports.write import NotWritten
from rungwise.resources import shipped
from rungwise.series.caseload import read_caseload
from rungwise.single_case.child_answer import child_answer

TODAY = date(2026, 11, 13)
DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "practice"
HEADER = "date,phase,rating,declined,note\n"
ROWS = [f"2026-03-{2 + i:02d},{'baseline' if i < 6 else 'exposure'},{9 - i // 2},,\n" for i in range(18)]


@pytest.fixture
def one_child(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(HEADER + "".join(ROWS))
    return path


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """A file of one child, and the page about it."""
    place = tmp_path_factory.mktemp("first")
    (place / "log.csv").write_text(HEADER + "".join(ROWS))
    (page,) = write_child_report(place / "log.csv", to=place / "page.html", today=TODAY)
    return place / "log.csv", page


@pytest.fixture(scope="module")
def second(first, tmp_path_factory):
    """The page about the same file once more, into a folder, printed where there is a browser."""
    to, steps = tmp_path_factory.mktemp("second") / "reports", []
    written = write_child_report(
        first[0], to=to, pdf=find_browser() is not None, today=TODAY,
        progress=lambda *step: steps.append(step),
    )  # fmt: skip
    return to, written, steps


@pytest.fixture
def no_run(monkeypatch):
    def refuse(*arguments, **keywords):
        raise AssertionError("the notebook was run although the report could not have been written")

    monkeypatch.setattr(child_report, "run_notebook", refuse)


def test_the_page_says_what_the_printed_answer_says(first, read_page):
    file, written = first
    page = read_page(written.read_text(encoding="utf-8"))
    answer = child_answer(read_caseload(file, today=TODAY), "child")
    headline, rest = page.all("p")[:2]
    assert answer.headline == f"{headline.text} {rest.text}".strip()
    cells = [cell.text for cell in page.elements if cell.attributes.get("data-label") == "Answer"]
    assert [cell for cell in cells if cell] == [question.reply for question in answer.verdict.questions]
    assert page.all("title")[0].text == "child: is the fear coming down?"
    assert read_caseload(file, today=TODAY).inputs[0].sha256 in page.all("footer")[0].text
    assert "November 13, 2026" in page.all("footer")[0].text
    assert str(file.parent) not in written.read_text(encoding="utf-8")


def test_the_same_file_gives_the_same_bytes(first, second):
    assert first[1].read_bytes() == second[1][0].read_bytes()


@pytest.mark.skipif(find_browser() is None, reason="no browser that can print is installed")
def test_a_folder_gets_a_file_named_after_the_child(second):
    to, written, steps = second
    assert written == [to / "child_child.html", to / "child_child.pdf"]
    assert written[1].read_bytes().startswith(b"%PDF-")
    assert steps[-1][0] == steps[-1][1] == len(steps)


def test_codes_never_lead_out_of_the_folder():
    target = child_report._target(Path("reports"), "child", "../C0 1/é")
    assert target.parent == Path("reports")
    assert target.name == "child_.._C0_1_.html"


def test_the_sheet_for_the_file_is_named_beside_a_named_page(tmp_path):
    to = tmp_path / "tonight.html"
    assert child_report._beside(to, to, "C014").name == "tonight_file.html"
    assert child_report._beside(tmp_path, tmp_path / "family_C014.html", "C014").name == "file_C014.html"


def sheets_of(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


@pytest.mark.skipif(find_browser() is None, reason="no browser that can print is installed")
@pytest.mark.parametrize("child", ["C042", "C017"])
def test_the_sheet_to_hand_out_is_a_file_of_its_own_and_only_the_other_is_marked(
    child, tmp_path, read_page
):
    html, pdf, file_html, file_pdf = write_family_report(DEMO, child, to=tmp_path, today=TODAY)
    assert (html.name, pdf.name) == (f"family_{child}.html", f"family_{child}.pdf")
    assert (file_html.name, file_pdf.name) == (f"file_{child}.html", f"file_{child}.pdf")
    assert sheets_of(pdf.read_bytes()) == sheets_of(file_pdf.read_bytes()) == 1
    handed_out = html.read_text(encoding="utf-8")
    assert "Confidential" not in handed_out
    family = read_page(handed_out).all("main")[0].text
    page = read_page(file_html.read_text(encoding="utf-8"))
    marks = [e for e in page.elements if e.tag in ("div", "p") and e.text.startswith("Confidential")]
    assert [mark.inside[-1] for mark in marks] == ["section"]
    assert "Good to know" in family
    assert "Good to know" not in page.all("main")[0].text
    assert not re.search(r"\bp [=<]|\bp-value|Tau|NAP|interval|exposure|baseline|autocorrelation", family)
    assert "p" in [heading.text for heading in page.all("th", scope="col")]


def test_an_earlier_report_is_not_replaced_unasked(one_child, tmp_path, no_run):
    (tmp_path / "page.html").write_text("old")
    with pytest.raises(NotWritten, match=r"page\.html exists already"):
        write_child_report(one_child, to=tmp_path / "page.html", today=TODAY)
    assert (tmp_path / "page.html").read_text() == "old"


def test_an_earlier_pdf_is_not_replaced_unasked_either(one_child, tmp_path, no_run):
    (tmp_path / "page.pdf").write_text("old")
    with pytest.raises(NotWritten, match=r"page\.pdf exists already"):
        write_child_report(one_child, to=tmp_path / "page.html", pdf=True, today=TODAY)


@pytest.mark.parametrize("name", ["child_child.html", "family_child.html", "file_child.html"])
def test_all_pages_are_refused_before_anything_runs_where_one_is_in_the_way(
    one_child, tmp_path, no_run, name
):
    (tmp_path / "pages").mkdir()
    (tmp_path / "pages" / name).write_text("old")
    with pytest.raises(NotWritten, match=rf"{name} exists already"):
        write_child_pages(one_child, to=tmp_path / "pages", pdf=False, today=TODAY)
    assert [file.name for file in (tmp_path / "pages").iterdir()] == [name]


def test_all_pages_are_those_of_the_single_reports(first, tmp_path, monkeypatch):
    # The notebooks as they are shipped, executed with the demo: what is asked is where their pages go.
    monkeypatch.setattr(
        child_report, "run_notebook",
        lambda name, *_, **__: nbformat.read(shipped("notebooks") / f"{name}.ipynb", as_version=4),
    )  # fmt: skip
    written = write_child_pages(first[0], to=tmp_path / "all", pdf=False, today=TODAY)
    assert [file.name for file in written] == ["child_child.html", "family_child.html", "file_child.html"]
    write_child_report(first[0], to=tmp_path / "each", today=TODAY)
    write_family_report(first[0], to=tmp_path / "each", pdf=False, today=TODAY)
    for file in written:
        assert file.read_bytes() == (tmp_path / "each" / file.name).read_bytes()
    with pytest.raises(ValueError, match="to must be a folder"):
        write_child_pages(first[0], to=tmp_path / "page.html", today=TODAY)


def test_an_unknown_child_is_refused_before_anything_runs(one_child, tmp_path, no_run):
    with pytest.raises(ValueError, match="no child 'C999'"):
        write_child_report(one_child, "C999", to=tmp_path / "page.html", today=TODAY)
    assert not (tmp_path / "page.html").exists()


def test_unusable_files_are_refused_with_their_problems(tmp_path, no_run):
    path = tmp_path / "log.csv"
    path.write_text(HEADER + "2026-03-02,baseline,eleven,,\n")
    with pytest.raises(DataProblems) as caught:
        write_child_report(path, to=tmp_path / "page.html", today=TODAY)
    assert len(caught.value.report) > 0


def test_a_pdf_without_a_browser_is_refused_before_anything_runs(one_child, tmp_path, no_run, monkeypatch):
    monkeypatch.setenv("RUNGWISE_BROWSER", "no-such-browser")
    with pytest.raises(RungwiseError, match="The PDF cannot be made"):
        write_child_report(one_child, to=tmp_path / "page.html", pdf=True, today=TODAY)


def test_text_from_the_files_cannot_become_markup(tmp_path, read_page):
    path = tmp_path / "log.csv"
    bad = '2026-04-01,exposure,"<script>alert(1)</script>",,"<img src=x onerror=alert(1)>"\n'
    path.write_text(HEADER + "".join(ROWS) + bad)
    [written] = write_child_report(path, to=tmp_path / "page.html", today=TODAY)
    page = read_page(written.read_text(encoding="utf-8"))
    assert page.all("script") == []
    assert all(image.attributes["src"].startswith("data:") for image in page.all("img"))
    assert "<script>alert(1)</script>" in page.all("main")[0].text
