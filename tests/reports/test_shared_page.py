"""The page for sharing reads nothing but what may be shared."""

import json
from dataclasses import replace
from datetime import date

import pytest
from rungwise.audit.quarter import Quarter
from rungwise.audit.sharing import SETTINGS, SharedAudit, SharedStandard, shared_settings
from rungwise.audit.suppression import CELLS
from rungwise.reports import shared_page as page
from rungwise.reports.blocks import Picture
from rungwise.tables.practice import Practice

SHOWN = dict.fromkeys(CELLS, 20) | {"fell": None, "rose": None, "left_early": 0}


@pytest.fixture
def shared():
    return SharedAudit(
        label="Tern <b>Rock</b>",
        quarter=Quarter.parse("2026Q3"),
        threshold=5,
        settings=shared_settings(Practice()),
        as_of=date(2026, 9, 30),
        level=3,
        cells=SHOWN,
        mean_nap=None,
        incidents=None,
        serious="one or more",
        occasions=None,
        standards=(
            SharedStandard("judged", "children judged, of those due", "at_least", 0.8, 20, 20, "met"),
            SharedStandard("rose", "children whose ratings rose", "at_most", 0.1, None, None, None),
        ),
        earlier={"2026Q2": dict.fromkeys(("due", "judged", "fell", "fell_beyond", "rose"), 8)},
    )


def test_the_first_page_says_what_may_be_said_and_escapes_the_label(shared):
    first = page.first_page(shared)
    html = "".join(block.html for block in first)
    assert "&lt;b&gt;Rock&lt;/b&gt;" in html
    assert "the numbers by outcome are too small to share" in str(first)
    assert "serious incidents: one or more" in str(first)


def test_hidden_numbers_are_stars_and_zero_is_shown(shared):
    lines = str(page.numbers(shared)).splitlines()
    of = {words: line.split()[-1] for words in CELLS.values() for line in lines if line.startswith(words)}
    assert of[CELLS["left_early"]] == "0"
    assert of[CELLS["judged"]] == "20"
    assert str(page.numbers(shared)).count("*") == 3  # two numbers, and the rule under the table
    assert shared.rule.split(",")[0] in " ".join(" ".join(lines).split())


def test_a_standard_on_hidden_numbers_has_stars_for_number_and_result(shared):
    lines = str(page.standards(shared)).splitlines()
    (judged,) = [line for line in lines if line.startswith("Children judged")]
    (rose,) = [line for line in lines if line.startswith("Children whose ratings rose")]
    assert " ".join(judged.split()) == "Children judged, of those due at least 80% 20 of 20 met"
    assert rose.split()[-2:] == ["*", "*"]


def test_earlier_quarters_stand_above_this_one(shared):
    lines = [line for line in str(page.earlier(shared)).splitlines() if line.startswith("2026")]
    assert [line.split() for line in lines] == [
        ["2026Q2", "8", "8", "8", "8", "8"],
        ["2026Q3", "20", "20", "*", "20", "*"],
    ]


def test_the_same_numbers_are_written_and_nothing_without_a_folder(shared, tmp_path):
    page.save(shared, None)
    page.save(shared, str(tmp_path))
    assert sorted(file.name for file in tmp_path.iterdir()) == ["shared_audit.json", "shared_audit.xlsx"]
    file = tmp_path / "shared_audit.json"
    document = json.loads(file.read_text(encoding="utf-8"))
    assert document["children"] == SHOWN
    assert document["standards"][1]["result"] is None
    with pytest.raises(FileExistsError):
        page.save(shared, str(tmp_path))


def test_figures_hide_what_tables_hide(shared):
    assert page.outcomes(replace(shared, cells=SHOWN | {"unchanged": None})) == ()
    some = replace(shared, cells=SHOWN | {"fell": 14, "unchanged": 6, "rose": 0})
    (drawn,) = page.outcomes(some)
    assert isinstance(drawn, Picture)
    assert "70% (14 of 20)" in drawn.alt
    one = replace(shared, cells=SHOWN | {"fell": 14, "unchanged": None, "rose": None})
    (drawn,) = page.outcomes(one)
    assert drawn.alt.count("not shown") == 2
    assert "no bar" in drawn.caption


def test_a_quarter_that_was_not_shared_is_a_gap_in_the_picture(shared):
    shown = {"due": 10, "judged": 10, "fell": 6, "fell_beyond": 6, "rose": 0}
    cells = SHOWN | {"fell": 14, "unchanged": 6, "rose": 0}
    drawn, table = page.earlier(replace(shared, cells=cells, earlier={"2026Q1": shown}))
    assert drawn.alt == (
        "Share that fell, quarter by quarter: 2026Q1 60% of 10, 2026Q2 not shown, 2026Q3 70% of 20."
    )
    assert str(table).count("2026Q") == 2
    # Nothing is drawn of one quarter alone, and nothing of a share that is hidden.
    assert len(page.earlier(replace(shared, earlier={"2026Q1": shown}))) == 1


def test_the_rules_stand_on_the_page(shared):
    said = str(page.rules(shared))
    assert all(words in said for words in SETTINGS.values())
    assert "Recording level 3; records up to September 30, 2026 were used." in said


def test_how_to_read_it_says_no_cause_and_no_ranking():
    said = " ".join(str(page.trust()).split())
    assert "does not show what caused it" in said
    assert "no measure of any member of staff" in said
