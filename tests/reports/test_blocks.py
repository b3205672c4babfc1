"""Blocks escape what they are given and say the same with and without markup."""

from __future__ import annotations

import re

import pandas as pd
import pytest
from rungwise.figures.style import blank_axes
from rungwise.reports import blocks

NASTY = '<script>alert("x")</script> & <b>'
ESCAPED = "&lt;script&gt;alert(&quot;x&quot;)&lt;/script&gt; &amp; &lt;b&gt;"


@pytest.mark.parametrize(
    "block",
    [
        blocks.paragraph(NASTY),
        blocks.heading(NASTY),
        blocks.lead(NASTY),
        blocks.lead("x", uncertainty=NASTY),
        blocks.note(NASTY),
        blocks.note("x", title=NASTY),
        blocks.bullets([NASTY]),
        blocks.facts({NASTY: "x"}),
        blocks.facts({"x": NASTY}),
        blocks.table([{"a": NASTY}], caption="x"),
        blocks.table([{"a": "x", "b": NASTY}], caption="x"),
        blocks.table([{NASTY: "x"}], caption="x"),
        blocks.table([{"a": "x"}], caption=NASTY),
        blocks.table([{"a": "x"}], caption="x", notes=[NASTY]),
        blocks.table([], caption=NASTY),
        blocks.table([], caption="x", when_empty=NASTY),
    ],
)
def test_every_text_is_escaped(block):
    assert ESCAPED in block.html
    assert "<script" not in block.html
    assert "<script>" in block.text


def test_a_table_names_its_rows_and_columns(read_page):
    frame = pd.DataFrame({"Verdict": ["rose", "fell"], "Children": [2, 31]}, index=[7, 8])
    page = read_page(blocks.table(frame, caption="Verdicts", numeric=["Children"]).html)
    assert [cell.text for cell in page.all("th", scope="col")] == ["Verdict", "Children"]
    assert [cell.text for cell in page.all("th", scope="row")] == ["rose", "fell"]
    assert [(cell.text, cell.attributes["data-label"]) for cell in page.all("td", class_="number")] == [
        ("2", "Children"), ("31", "Children"),
    ]  # fmt: skip
    assert page.all("caption")[0].text == page.all("div")[0].attributes["aria-label"] == "Verdicts"
    assert "thead" in page.all("th", scope="col")[0].inside


def test_a_table_as_text_is_aligned():
    text = blocks.table(
        [{"Verdict": "rose", "n": "2"}, {"Verdict": "too few to say", "n": None}],
        caption="Verdicts",
        numeric=["n"],
        notes=["Counted once."],
    ).text
    assert text.splitlines() == ["Verdicts", "Verdict         n", "rose            2", "too few to say",
                                 "Counted once."]  # fmt: skip


def test_a_table_without_rows_says_so():
    assert blocks.table([], caption="Set aside", when_empty="Nothing.").text == "Set aside: Nothing."


def test_a_table_that_must_not_fold_scrolls():
    assert 'class="table folds"' in blocks.table([{"a": 1}], caption="x").html
    assert 'class="table"' in blocks.table([{"a": 1}], caption="x", fold=False).html


def test_only_long_tables_may_break_across_printed_pages():
    for rows, kind in ((20, "table folds"), (21, "table folds long")):
        assert f'class="{kind}"' in blocks.table([{"a": i} for i in range(rows)], caption="x").html


def test_blocks_can_be_joined():
    joined = blocks.heading("Numbers") + blocks.paragraph("One.", "Two.")
    assert joined.html == "<h2>Numbers</h2>\n<p>One. Two.</p>"
    assert joined.text == "Numbers\n\nOne. Two."


def test_several_blocks_are_shown_one_by_one(monkeypatch):
    shown = []
    monkeypatch.setattr("IPython.display.display", shown.append)
    several = blocks.Blocks([blocks.paragraph("a"), blocks.paragraph("b")])
    several._ipython_display_()
    assert [block.text for block in shown] == ["a", "b"]


def test_a_heading_beyond_the_levels_is_refused():
    with pytest.raises(ValueError, match=r"level must be one of 1, 2, 3, 4; got 5\."):
        blocks.heading("x", level=5)


def test_a_picture_carries_its_texts_and_both_widths():
    wide, narrow = blank_axes(7, 3), blank_axes(3.8, 3)
    picture = blocks.picture(wide, alt="Fear falls.", caption="Fear by day.", narrow=narrow, dpi=50)
    data, metadata = picture._repr_mimebundle_()
    seen = metadata["image/png"]
    assert (seen["alt"], seen["caption"], seen["width"]) == ("Fear falls.", "Fear by day.", 672)
    assert data["text/plain"] == "[Figure] Fear by day. Fear falls."
    assert picture.png[:8] == picture.narrow[:8] == b"\x89PNG\r\n\x1a\n"
    assert picture.png != picture.narrow


def test_a_picture_without_alternative_text_is_refused():
    with pytest.raises(ValueError, match="alt must say what the figure shows"):
        blocks.picture(blank_axes(3, 2), alt=" ")


def test_a_table_too_wide_for_half_a_page_is_marked():
    narrow = [{"Site": "Harbor", "Judged": 5, "Share that fell": "40% (12% to 77%)"}]
    wide = [{f"Column {n}": "a text of some length" for n in range(4)}]
    long_words = [{"x" * 40: 1, "y" * 40: 2}]
    for rows, marked in ((narrow, False), (wide, True), (long_words, True)):
        kinds = re.search(r'<div class="([^"]*)"', blocks.table(rows, caption="x").html)[1]
        assert ("wide" in kinds.split()) is marked


@pytest.mark.parametrize(("numeric", "marked"), [(False, False), (True, True)])
def test_figures_that_cannot_be_broken_make_a_table_wide_sooner_than_texts(numeric, marked):
    names = ["A", "B", "C", "D"]
    rows = [dict.fromkeys(names, "64% (39 to 84%)")]
    shown = blocks.table(rows, caption="x", numeric=names if numeric else []).html
    assert ("wide" in re.search(r'<div class="([^"]*)"', shown)[1].split()) is marked


def test_headings_over_columns_stand_in_a_row_of_their_own():
    rows = [{"Child": "C1", "a: First": 4, "a: Later": 2, "b: First": "", "Place": "here"}]
    over = {"Scale A": {"a: First": "First", "a: Later": "Later"}, "B & C": {"b: First": "First"}}
    shown = blocks.table(rows, caption="Scores", over=over, numeric=["a: First"])
    assert shown.text == (
        "Scores\n       Scale A       B & C\nChild  First  Later  First  Place\n"
        "C1         4  2             here"
    )
    above, heads = re.findall(r"<tr.*?</tr>", shown.html)[:2]
    assert above == (
        '<tr class="over"><td></td><th scope="colgroup" colspan="2">Scale A</th>'
        '<th scope="colgroup" colspan="1">B &amp; C</th><td></td></tr>'
    )
    assert re.findall(r">([^<]+)</th>", heads) == ["Child", "First", "Later", "First", "Place"]
    # On a phone, where rows are cards, the heading stands at the first of its numbers.
    assert re.findall(r'data-label="(\w+)" data-over="([^"]+)"', shown.html) == [
        ("First", "Scale A"), ("First", "B &amp; C")
    ]  # fmt: skip


def test_a_closed_table_is_named_by_what_opens_it_and_is_whole_as_text():
    rows = [{"Child": "C1"}]
    closed, opened = (
        blocks.table(rows, caption="All <of> them", closed=True),
        blocks.table(rows, caption="All <of> them"),
    )
    assert closed.text == opened.text
    assert closed.html == (
        f'<details class="section"><summary>All &lt;of&gt; them</summary>{opened.html}</details>'
    )
    assert "<details" not in blocks.table([], caption="None", closed=True).html
