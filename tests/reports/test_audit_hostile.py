"""Whatever the files hold is only ever text, and the same files give the same bytes."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import openpyxl
import pytest
from jsonschema import Draft202012Validator
from rungwise.reports.pdf import find_browser
from rungwise.resources import shipped
from small_practice import HOSTILE, LADDER, small_practice

EDITIONS = ("practice", "sharing")
WRITE = """
import sys
from rungwise.reports.audit_report import write_audit

folder, out, pdf = sys.argv[1], sys.argv[2], sys.argv[3] == "yes"
for edition in ("practice", "sharing"):
    write_audit(folder, "2026Q3", to=f"{out}/{edition}", today="2026-11-13", edition=edition, pdf=pdf,
                progress=None)
"""
# The notebook's own process has steady hashes, so the parts are also made in processes that have not.
PARTS = """
import hashlib, json, sys
import rungwise as rw
from rungwise.audit.serialize import audit_csv, audit_json
from rungwise.audit.sharing import share, shared_document
from rungwise.reports import audit_page, shared_page
from rungwise.reports.audit_workbook import audit_workbook, shared_workbook

caseload = rw.read_caseload(sys.argv[1])
audit = rw.audit_quarter(caseload, "2026Q3", today="2026-11-13")
shared = share(audit, caseload.practice)
made = {"json": audit_json(audit), "workbook": audit_workbook(audit), **audit_csv(audit)}
made |= {"shared": json.dumps(shared_document(shared)), "shared workbook": shared_workbook(shared)}
parts = ("first_page", "who_was_there", "verdicts", "beside_verdicts", "groups", "scores", "standards",
         "quarters", "incidents", "to_discuss", "actions", "completeness", "put_aside", "trust", "children",
         "method")
made |= {name: str(getattr(audit_page, name)(audit)) for name in parts}
made |= {f"shared {name}": str(getattr(shared_page, name)(shared)) for name in
         ("first_page", "outcomes", "numbers", "standards", "earlier", "rules")}
for name, content in made.items():
    data = content if isinstance(content, bytes) else content.encode()
    print(hashlib.sha256(data).hexdigest(), name)
"""
PLAIN_TAGS = {
    "html", "head", "meta", "title", "style", "body", "a", "div", "main", "footer", "h1", "h2", "h3", "h4",
    "p", "ul", "li", "figure", "figcaption", "picture", "source", "img", "table", "caption", "thead",
    "tbody", "tr", "th", "td", "aside", "dl", "dt", "dd", "details", "summary", "section", "strong", "em",
}  # fmt: skip
PLAIN_ATTRIBUTES = {
    "lang", "class", "charset", "name", "content", "href", "id", "role", "aria-label", "aria-hidden",
    "tabindex", "scope", "data-label", "src", "srcset", "media", "alt", "width", "open", "colspan",
    "data-over", "data-short",
}  # fmt: skip


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Both editions of a practice with hostile texts, by two processes that hash differently."""
    place = tmp_path_factory.mktemp("hostile")
    folder = small_practice(place / "files", hostile=True)
    pdf = "no" if find_browser() is None else "yes"
    runs = [
        subprocess.Popen(
            [sys.executable, "-c", WRITE, str(folder), str(place / seed), pdf],
            env={**os.environ, "PYTHONHASHSEED": seed},
        )
        for seed in ("1", "2")
    ]
    assert [run.wait() for run in runs] == [0, 0]
    return place / "1", place / "2"


def files(folder):
    return {file.relative_to(folder).as_posix(): file for file in folder.rglob("*") if file.is_file()}


def test_two_processes_write_the_same_bytes_dates_aside(written):
    one, two = (files(folder) for folder in written)
    assert sorted(one) == sorted(two)
    assert {Path(name).suffix for name in one} >= {".html", ".json", ".xlsx", ".csv"}
    for name in one:
        contents = [undated(one[name]), undated(two[name])]
        assert contents[0] == contents[1], name


def test_every_part_is_the_same_whatever_the_order_of_sets(written, monkeypatch):
    folder = written[0].parent / "files"
    said = [
        subprocess.run(
            [sys.executable, "-c", PARTS, str(folder)], env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True, text=True, check=True,
        ).stdout.splitlines()
        for seed in ("1", "2")
    ]  # fmt: skip
    # And once here, where hashes are seeded by chance.
    here = io.StringIO()
    monkeypatch.setattr(sys, "argv", ["-c", str(folder)])
    with contextlib.redirect_stdout(here):
        exec(PARTS, {})
    said.append(here.getvalue().splitlines())
    assert len(said[0]) > 40
    assert said[0] == said[1] == said[2]


def undated(file):
    content = file.read_bytes()
    if file.suffix == ".pdf":
        content = re.sub(rb"/(CreationDate|ModDate) ?\(D:[^)]*\)", b"", content)
    if file.name == "contents.json":
        content = re.sub(rb'"[a-z_]+\.pdf": "[0-9a-f]{64}"', b"", content)
    return content


@pytest.mark.parametrize("edition", EDITIONS)
def test_no_text_becomes_markup(written, edition, read_page):
    page_file = next((written[0] / edition).glob("*.html"))
    html = page_file.read_text(encoding="utf-8")
    page = read_page(html)
    assert {element.tag for element in page.elements} <= PLAIN_TAGS
    for element in page.elements:
        assert set(element.attributes) <= PLAIN_ATTRIBUTES, element
        for name in ("src", "srcset"):
            assert element.attributes.get(name, "data:image/png;base64,").startswith(
                "data:image/png;base64,"
            )
        assert element.attributes.get("href", "#").startswith("#")
    assert len(page.all("main")) == len(page.all("h1")) == len(page.all("style")) == 1
    label = HOSTILE[7].replace('"', "'")
    assert label in page.all("h1")[0].text
    if edition == "practice":
        body = " ".join(page.all("body")[0].text.split())
        seen = [text for text in HOSTILE if " ".join(text.split()) in body]
        assert len(seen) >= 8, seen
        assert LADDER in body


@pytest.mark.skipif(find_browser() is None, reason="no browser is installed")
@pytest.mark.parametrize("edition", EDITIONS)
def test_nothing_runs_when_the_page_is_opened(written, edition):
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=find_browser(), args=["--no-sandbox"])
        page = browser.new_page()
        called, asked = [], []
        page.expose_function("pwned", lambda: called.append(1))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(next((written[0] / edition).glob("*.html")).as_uri())
        page.keyboard.press("Tab")
        page.wait_for_timeout(200)
        browser.close()
    assert called == []
    assert [url for url in asked if not url.startswith(("file:", "data:image/png"))] == []


@pytest.mark.parametrize("edition", EDITIONS)
def test_no_cell_becomes_a_formula_or_a_link(written, edition):
    file = next((written[0] / edition).glob("*.xlsx"))
    with zipfile.ZipFile(file) as parts:
        for name in parts.namelist():
            text = parts.read(name).decode("utf-8")
            assert "<f>" not in text, name
            assert "<hyperlink" not in text, name
            assert 'TargetMode="External"' not in text, name
    book = openpyxl.load_workbook(file)
    texts = [str(cell.value) for sheet in book for row in sheet for cell in row if cell.data_type == "s"]
    if edition == "practice":
        assert any(text == "+1+1" for text in texts), "the hostile text is there, as a text"
    assert HOSTILE[7].replace('"', "'") in book.properties.title


def test_every_cell_of_the_tables_is_disarmed(written):
    tables = sorted((written[0] / "practice" / "tables").glob("*.csv"))
    assert len(tables) > 20
    hostile = 0
    for file in tables:
        rows = list(csv.reader(io.StringIO(file.read_text(encoding="utf-8-sig"), newline="")))
        assert len({len(row) for row in rows}) == 1, file.name
        for cell in (cell for row in rows for cell in row):
            if cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d")):
                float(cell)
            hostile += cell.startswith(("'=", "'+", "'@"))
    assert hostile > 5


@pytest.mark.parametrize("edition", EDITIONS)
def test_the_json_fits_its_published_schema_and_keeps_texts_as_they_are(written, edition):
    file = next(
        file for file in sorted((written[0] / edition).glob("*.json")) if file.name != "contents.json"
    )
    document = json.loads(file.read_text(encoding="utf-8"))
    name = "audit" if edition == "practice" else "shared_audit"
    schema = json.loads((shipped("schemas") / f"{name}.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(document)
    assert document["practice"] == HOSTILE[7].replace('"', "'")


@pytest.mark.skipif(
    find_browser() is None or shutil.which("pdfinfo") is None, reason="no browser or no pdfinfo"
)
@pytest.mark.parametrize("edition", EDITIONS)
def test_the_pdf_holds_no_script_and_marks_every_page(written, edition):
    file = next((written[0] / edition).glob("*.pdf"))

    def read(*command):
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    facts = dict(re.findall(r"^([^:\n]+):\s*(.*)$", read("pdfinfo", file), re.MULTILINE))
    assert facts["JavaScript"] == "no"
    assert facts["Tagged"] == "yes"
    pages = read("pdftotext", "-layout", file, "-").split("\f")[:-1]
    assert len(pages) == int(facts["Pages"])
    header = {
        "practice": "Quarterly audit 2026Q3: confidential, for use within the practice only",
        "sharing": "Quarterly audit 2026Q3: for sharing",
    }[edition]
    for number, text in enumerate(pages, start=1):
        assert header in text
        assert re.search(rf"\b{number} ?/ ?{len(pages)}\b", text)
        assert ("onfidential" in text) is (edition == "practice")
