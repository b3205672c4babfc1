"""The closing block names what the page was made from and nothing of where it was made."""

from __future__ import annotations

from datetime import date

import rungwise
from rungwise.reports.provenance import provenance, settings, versions
from rungwise.tables.practice import Practice
from rungwise.tables.table import InputFile

INPUTS = [InputFile("ratings.csv", "ab" * 32, 120), InputFile("practice.toml", "cd" * 32, 40)]


def test_every_input_stands_there_with_its_hash(read_page):
    page = read_page(provenance(INPUTS, rerun="rungwise child FOLDER C014 --report").html)
    named = dict(zip([e.text for e in page.all("dt")], [e.text for e in page.all("dd")], strict=True))
    assert named["ratings.csv"] == "ab" * 32
    assert named["practice.toml"] == "cd" * 32
    assert named["To make it again"] == "rungwise child FOLDER C014 --report"
    assert f"rungwise {rungwise.__version__}" in named["Made with"]


def test_a_date_stands_there_only_if_it_was_stated():
    assert "Date stated" not in provenance(INPUTS, rerun="x").text
    assert "November 5, 2026" in provenance(INPUTS, rerun="x", stated_on=date(2026, 11, 5)).text


def test_versions_are_those_that_run():
    import matplotlib
    import numpy

    assert versions()["numpy"] == numpy.__version__
    assert versions()["matplotlib"] == matplotlib.__version__


def test_settings_say_whether_the_practice_set_them():
    practice = Practice(alpha=0.01, given=frozenset({"alpha"}))
    written = settings(practice, {"alpha": "level", "margin": "margin"})
    assert written["level"] == "0.01 (practice.toml)"
    assert written["margin"].startswith("1 (default: ")
