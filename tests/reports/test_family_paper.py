"""The family's sheet and the one for the file are one printed page each, whatever the child's record."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import nbformat
import pytest
from child_rows import HEADER
from rungwise.reports import family_page as page
from rungwise.reports.catalog import words_in
from rungwise.reports.child_page import under
from rungwise.reports.html import render_page
from rungwise.reports.pdf import PAPERS, find_browser, page_to_pdf
from rungwise.series.caseload import read_caseload
from rungwise.single_case.child_answer import child_answer

DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "practice"
TODAY = date(2026, 11, 13)
LADDERS = ("gangway over the harbor pool", "rope net", "tire swing", "stairs down to the boat", "swing",
           "tall climbing wall")  # fmt: skip
BEFORE = (8, 9, "declined", 8, 7, 8)
SINCE = (7, 8, "declined", 6, 5, 5, 4, "", 3, 3, 2, 3)
LATER = (2, 2, 3)


def ratings(ladders: int) -> str:
    """Write the ratings of a child on so many ladders, declined and missing ones and a parent's too."""
    course = [
        (phase, value)
        for phase, values in (("baseline", BEFORE), ("exposure", SINCE), ("follow_up", LATER))
        for value in values
    ]
    return HEADER + "".join(
        f"C001,{ladder},{date(2026, 2, 2 + shift) + timedelta(days=7 * week)},{phase},"
        f"{'' if value == 'declined' else value},{'yes' if value == 'declined' else ''},fear,{rater}\n"
        for shift, ladder in enumerate(LADDERS[:ladders])
        for rater, every in (("child", 1), ("parent", 3))
        for week, (phase, value) in enumerate(course)
        if week % every == 0
    )


def sheets(path: Path, child: str, lang: str) -> str:
    """Make both sheets as one page of HTML."""
    caseload = read_caseload(path, today=TODAY)
    answer, say = child_answer(caseload, child), words_in(lang)
    shown = [
        page.family_answer(answer, say),
        page.family_pictures(answer, say),
        under("family.well", page.went_well(answer, say), say),
        under("family.next", page.find_out_next(answer, say), say),
        under("family.know", page.good_to_know(say), say),
        page.file_sheet(caseload, answer, say, stated_on=TODAY),
    ]
    notebook = nbformat.v4.new_notebook(cells=[_cell(one) for one in shown])
    return render_page(notebook, title=child, edition="family", lang=lang)


def _cell(shown):
    bundles = [one._repr_mimebundle_() for one in (shown if hasattr(shown, "__iter__") else [shown])]
    outputs = [
        nbformat.v4.new_output(
            "display_data",
            data=one[0] if isinstance(one, tuple) else one,
            metadata=one[1] if isinstance(one, tuple) else {},
        )
        for one in bundles
    ]
    return nbformat.v4.new_code_cell("", execution_count=1, outputs=outputs)


def printed_pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


needs_a_browser = pytest.mark.skipif(
    find_browser() is None, reason="no browser that can print is installed"
)


@needs_a_browser
@pytest.mark.parametrize(("ladders", "lang"), [(1, "es"), (3, "en"), (4, "es"), (6, "es")])
def test_each_sheet_is_one_printed_page(ladders, lang, tmp_path):
    (tmp_path / "ratings.csv").write_text(ratings(ladders))
    page = sheets(tmp_path, "C001", lang)
    printed = {paper: printed_pages(page_to_pdf(page, paper=paper)) for paper in PAPERS}
    assert printed == dict.fromkeys(PAPERS, 2)


@needs_a_browser
@pytest.mark.parametrize("child", ["C014", "C017"])
def test_a_practice_that_records_everything_gets_one_page_each_too(child):
    assert printed_pages(page_to_pdf(sheets(DEMO, child, "es"), paper="letter")) == 2


def test_a_ladder_without_room_for_its_picture_is_named(tmp_path):
    (tmp_path / "ratings.csv").write_text(ratings(6))
    answer = child_answer(read_caseload(tmp_path, today=TODAY), "C001")
    *pictures, named = page.family_pictures(answer)
    assert str(pictures[0]).count("Graph of fear") == 4
    shown = [ladder.ladder_id for ladder in answer.ladders[:4]]
    left = [ladder.ladder_id for ladder in answer.ladders[4:]]
    assert all(ladder in pictures[0].text for ladder in shown)
    assert len(left) == 2
    assert " and ".join(left) in named.text
    assert len(page.family_pictures(replace(answer, ladders=answer.ladders[:4]))) == 2
