"""The edition for sharing as files, attacked the way a curious reader would."""

import io
import json
import re
import shutil
import subprocess
import zipfile
from pathlib import Path

import openpyxl
import pytest
from rungwise.audit.audit import audit_quarter
from rungwise.audit.sharing import EARLIER_CELLS, SETTINGS, _counts
from rungwise.audit.suppression import CELLS, possible
from rungwise.audit.wording import percent
from rungwise.basis.intervals import rate_interval, share_interval
from rungwise.basis.page_numbers import format_number
from rungwise.reports.audit_report import NotShared, write_audit
from rungwise.series.caseload import read_caseload

DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "practice"
QUARTERS, TODAY = ("2026Q2", "2026Q3"), "2026-11-13"
FILES = ["contents.json", "shared_audit.html", "shared_audit.json", "shared_audit.xlsx"]


@pytest.fixture(scope="module")
def caseload():
    return read_caseload(DEMO)


@pytest.fixture(scope="module")
def editions(demo_audits):
    """The editions of two quarters in a row, the second held against the first."""
    return [demo_audits / quarter for quarter in QUARTERS]


def texts(folder, read_page):
    """Everything a reader of the files can read, by where it stands."""
    html = (folder / "shared_audit.html").read_text(encoding="utf-8")
    page = read_page(html)
    leaves = ("title", "h1", "h2", "h3", "p", "li", "caption", "figcaption", "th", "td", "dt", "dd")
    found = {"page": " ".join(part.text for part in page.elements if part.tag in leaves)}
    body = "".join(part.text for part in page.all("body")).split()
    assert set("".join(body)) <= set(found["page"]), "no text stands outside these"
    attributes = ("alt", "aria-label", "title", "data-label")
    found["attributes"] = " ".join(
        part.attributes[name] for part in page.elements for name in attributes if name in part.attributes
    )
    found["json"] = (folder / "shared_audit.json").read_text(encoding="utf-8")
    content = (folder / "shared_audit.xlsx").read_bytes()
    book = openpyxl.load_workbook(io.BytesIO(content))
    assert all(sheet.sheet_state == "visible" for sheet in book)
    cells = [cell for sheet in book for row in sheet for cell in row]
    assert not any(cell.comment for cell in cells)
    found["workbook"] = " ".join(str(cell.value) for cell in cells if cell.value is not None)
    with zipfile.ZipFile(io.BytesIO(content)) as parts:
        found["workbook properties"] = parts.read("docProps/core.xml").decode("utf-8")
    pdf = folder / "shared_audit.pdf"
    if pdf.exists() and shutil.which("pdftotext"):
        read = subprocess.run(["pdftotext", str(pdf), "-"], capture_output=True, text=True, check=True)
        found["pdf"] = read.stdout
    return found


def documents(editions):
    return [json.loads((folder / "shared_audit.json").read_text(encoding="utf-8")) for folder in editions]


def test_nothing_but_the_page_its_numbers_and_their_list_is_written(editions):
    for folder in editions:
        written = sorted(file.name for file in folder.iterdir() if file.suffix != ".pdf")
        assert written == FILES


def test_no_child_site_clinician_or_ladder_can_be_found(editions, caseload, read_page):
    names = set()
    for table, columns in (
        ("children", ("child_id", "site", "clinician_id", "referral_reason")),
        ("observations", ("ladder_id", "rater_id", "setting")),
    ):
        for column in columns:
            names |= set(caseload.tables[table][column].tolist())
    names -= {None, ""}
    assert len(names) > 60
    for folder in editions:
        for where, text in texts(folder, read_page).items():
            for name in names:
                assert not re.search(rf"\b{re.escape(name)}\b", text), (where, name)


def test_no_file_holds_a_number_that_is_not_shown(editions, read_page):
    """Every number in every file is one that is shown, a share of two of them, or no number of children."""
    documented = documents(editions)
    for folder, document in zip(editions, documented, strict=True):
        shown = {n for n in document["children"].values() if n is not None}
        shown |= {
            row[name] for row in document["earlier"] for name in EARLIER_CELLS if row[name] is not None
        }
        shown |= {document[name] for name in ("incidents", "occasions") if document[name] is not None}
        shares = {percent(standard["target"]) for standard in document["standards"]} | {"50%", "95%"}
        every = [document["children"], *document["earlier"]]
        pairs = [
            (cells[name], cells["judged"])
            for cells in every
            for name in ("fell", "unchanged", "rose")
            if cells.get(name) is not None and cells["judged"]
        ]
        for count, n in pairs:
            found = share_interval(count, n)
            shares |= {percent(found.value), percent(found.ci_low), percent(found.ci_high)}
        if document["mean_nap"] is not None:
            shares |= {percent(value) for value in document["mean_nap"]}
        read = texts(folder, read_page)
        for where, text in read.items():
            if where in ("json", "workbook properties"):
                continue
            if where == "pdf":
                # Columns of a printed page run into each other as text; it may hold what the page holds.
                counted = {str(number) for number in range(1, text.count("\f") + 1)}
                assert set(re.findall(r"\d+", text)) <= set(re.findall(r"\d+", read["page"])) | counted
                continue
            left = without_words_of_the_rule(text, document)
            said = set(re.findall(r"\d+%", left))
            assert said <= shares, (where, said - shares)
            left = re.sub(r"(<)?\d+%", " ", left)
            numbers = {int(number) for number in re.findall(r"(?<![\d.])\d+(?![\d.]*\d)", left)}
            assert numbers <= shown, (where, numbers - shown)


def without_words_of_the_rule(text, document):
    """Take out what holds numbers that are none of children: rule, settings, days, versions, quarters."""
    text = " ".join(text.split())
    text = re.sub(r"(?s)Made with .*?(?=\s[A-Z][a-z]+ [a-z]|$)", " ", text)
    # The calibration card counts simulated children, and rests on no number of this quarter.
    text = re.sub(r"Calibration card.*?(row for one child|too few children to be shown)\.", " ", text)
    text = text.replace("in 100 simulated children", " ")
    text = re.sub(r"Numbers from 1 to \d+ are not shown.*?one rule\.", " ", text)
    for words in (document["practice"], document["rule"], "2026Q2", "2026Q3", "0 is shown"):
        text = text.replace(words, " ")
    text = re.sub(r"(January|April|June|July|September|March|December) \d+(, \d{4})?", " ", text)
    if document["incidents"] is not None:
        rate = rate_interval(document["incidents"], document["occasions"] / 100)
        written = [format_number(number) for number in (rate.value, rate.ci_low, rate.ci_high)]
        text = text.replace("{} per 100 (95% interval {} to {})".format(*written), " ")
    for setting, words in SETTINGS.items():
        value = document["settings"][setting]
        written = value if isinstance(value, str) else f"{value:g}"
        for shape in (f"{words} {written}", f"{setting} {written} {words}", words):
            text = text.replace(shape, " ")
    text = re.sub(r"Recording level \d", " ", text)
    text = re.sub(r"\b(at least \d+ of \d+ weeks|at least 5 baseline occasions|\d+ ?/ ?\d+)", " ", text)
    # The standards' own targets, as the workbook has them, and lines of the settings.
    return re.sub(r"\b0\.\d+\b", " ", text)


def test_what_is_hidden_cannot_be_worked_out_from_any_file(editions, caseload):
    """Adding and subtracting over both quarters leaves at least three values to every small number."""
    first, second = documents(editions)
    for quarter, document in zip(QUARTERS, (first, second), strict=True):
        counts = _counts(audit_quarter(caseload, quarter, today=TODAY))
        small = [name for name, count in counts.items() if 0 < count < document["threshold"]]
        assert small or quarter == QUARTERS[0]
        for name in small:
            assert document["children"][name] is None
            low, high = possible(name, document["children"])
            assert high - low >= 2, (quarter, name)


def test_page_workbook_and_json_hold_the_same_numbers(editions, read_page):
    for folder, document in zip(editions, documents(editions), strict=True):
        page = read_page((folder / "shared_audit.html").read_text(encoding="utf-8"))
        cells = [cell.text.strip() for cell in page.all("td")][: len(CELLS)]
        assert cells == ["*" if n is None else str(n) for n in document["children"].values()]
        assert document["answer"] in page.all("p", class_="answer")[0].text
        book = openpyxl.load_workbook(folder / "shared_audit.xlsx")
        rows = list(book["children"].iter_rows(min_row=2, values_only=True))
        assert {row[0]: row[1] for row in rows} == {
            name: "*" if count is None else count for name, count in document["children"].items()
        }
        assert book["answer"]["A2"].value == document["answer"]


def test_it_is_not_marked_confidential_and_every_picture_is_described(editions, read_page):
    page = read_page((editions[1] / "shared_audit.html").read_text(encoding="utf-8"))
    assert "Confidential" not in "".join(element.text for element in page.all("body"))
    pictures = page.all("img")
    assert len(pictures) == 2
    assert pictures[0].attributes["alt"].startswith("Share of the children judged, by outcome")
    assert pictures[1].attributes["alt"].startswith("Share that fell, quarter by quarter: 2026Q2")


def test_a_second_report_that_would_give_a_number_away_is_not_written(editions, tmp_path):
    last = documents(editions)[1]
    name = next(name for name, count in last["children"].items() if count)
    last["children"][name] += 1
    file = tmp_path / "last.json"
    file.write_text(json.dumps(last), encoding="utf-8")
    with pytest.raises(NotShared, match="would give a small number away"):
        write_audit(
            DEMO, "2026Q3", to=tmp_path / "again", today=TODAY, edition="sharing", last_shared=file,
            progress=None,
        )  # fmt: skip
    assert [entry.name for entry in tmp_path.iterdir()] == ["last.json"]


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"edition": "public"}, "edition must be one of 'practice', 'sharing'; got 'public'."),
        ({"last_shared": "x.json"}, "last_shared must be left out unless edition is 'sharing'."),
    ],
)
def test_a_wrong_edition_is_refused(tmp_path, more, message):
    with pytest.raises(ValueError, match=re.escape(message)):
        write_audit(DEMO, "2026Q3", to=tmp_path / "audit", progress=None, **more)
