"""A page becomes a PDF through a browser on the machine, or a sentence says why not."""

from __future__ import annotations

import re
import shutil
import subprocess

import pytest
from rungwise.basis.errors import RungwiseError
from rungwise.reports import pdf

PAGE = "<!DOCTYPE html><html><head><title>x</title></head><body><p>Fear came down.</p></body></html>"


@pytest.mark.skipif(pdf.find_browser() is None, reason="no browser that can print is installed")
@pytest.mark.parametrize(("paper", "points"), [("A4", (595, 842)), ("letter", (612, 792))])
def test_a_page_is_printed_on_the_paper_asked_for(paper, points):
    made = pdf.page_to_pdf(PAGE, paper=paper)
    assert made.startswith(b"%PDF-")
    box = re.search(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", made)
    assert tuple(round(float(side)) for side in box.groups()) == points


@pytest.mark.skipif(
    pdf.find_browser() is None or shutil.which("pdftotext") is None, reason="no browser or no pdftotext"
)
def test_the_running_header_stands_on_every_page_and_cannot_break_out(tmp_path):
    page = PAGE.replace("<p>", '<p style="break-after: page">').replace("</p>", "</p><p>Second.</p>")
    header = 'Audit "2026Q3" }</style><script>alert(1)</script>'
    file = tmp_path / "page.pdf"
    file.write_bytes(pdf.page_to_pdf(page, header=header))
    text = subprocess.run(
        ["pdftotext", "-layout", file, "-"], capture_output=True, check=True
    ).stdout.decode()
    pages = text.split("\f")[:2]
    assert [one.count(header) for one in pages] == [1, 1]
    assert "Fear came down." in pages[0]
    assert "Second." in pages[1]


def test_without_a_browser_a_sentence_says_what_to_do(monkeypatch):
    monkeypatch.delenv(pdf.BROWSER_VARIABLE, raising=False)
    monkeypatch.setattr(pdf.shutil, "which", lambda command: None)
    monkeypatch.setattr(pdf.os, "access", lambda place, mode: False)
    with pytest.raises(RungwiseError, match=r"no Chromium, Chrome or Edge was found .* or install"):
        pdf.page_to_pdf(PAGE)


def test_a_named_browser_that_is_not_there_is_named(monkeypatch):
    monkeypatch.setenv(pdf.BROWSER_VARIABLE, "no-such-browser")
    with pytest.raises(RungwiseError, match="names 'no-such-browser', which cannot be run"):
        pdf.page_to_pdf(PAGE)


def test_a_browser_that_prints_nothing_is_reported(monkeypatch):
    monkeypatch.setenv(pdf.BROWSER_VARIABLE, "true")
    with pytest.raises(RungwiseError, match="did not print the page; open the HTML page"):
        pdf.page_to_pdf(PAGE)


def test_another_paper_is_refused():
    with pytest.raises(ValueError, match="paper must be one of 'A4', 'letter'; got 'A5'"):
        pdf.page_to_pdf(PAGE, paper="A5")


def test_headings_have_the_same_names_whenever_they_were_read():
    page = "/ID (node{}) /Headers [(node{}) (node{})] (node12)"
    early = page.format("00000037", "00000037", "00000112").encode()
    late = page.format("00000038", "00000038", "00000113").encode()
    assert early != late
    assert pdf.steady_ids(early) == pdf.steady_ids(late)
    assert len(pdf.steady_ids(early)) == len(early)
    assert b"(node00000001) /Headers [(node00000001) (node00000002)] (node12)" in pdf.steady_ids(late)
