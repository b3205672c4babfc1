"""A sheet is written whole, or a sentence says why not; it never needs a browser."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from rungwise.reports import pdf, sheet
from rungwise.reports.sheet import printing_words, write_sheet
from rungwise.reports.write import NotWritten

DEMO = Path(__file__).parents[2] / "data_demo"
needs_browser = pytest.mark.skipif(
    pdf.find_browser() is None, reason="no browser that can print is installed"
)


@pytest.fixture
def no_browser(monkeypatch):
    monkeypatch.setattr(sheet, "find_browser", lambda: None)


@needs_browser
@pytest.mark.parametrize(("paper", "points"), [("A4", (595, 842)), ("letter", (612, 792))])
def test_page_and_pdf_of_one_page_on_the_paper_asked_for(tmp_path, paper, points):
    page, printed = write_sheet(DEMO / "practice", "C001", to=tmp_path, paper=paper)
    assert (page.name, printed.name) == ("sheet_probe_C001.html", "sheet_probe_C001.pdf")
    content = printed.read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b", content)) == 1
    box = re.search(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", content)
    assert tuple(round(float(side)) for side in box.groups()) == points
    assert printing_words([page, printed]) == ""


def test_without_a_browser_the_page_is_written_and_a_sentence_says_how_to_print_it(tmp_path, no_browser):
    written = write_sheet(to=tmp_path / "week.pdf", blank=True, paper="letter")
    assert written == [tmp_path / "week.html"]
    said = printing_words(written, "letter")
    assert said.startswith("No PDF was made, because no browser")
    assert str(tmp_path / "week.html") in said
    assert "paper Letter" in said
    assert "paper Letter" in written[0].read_text()


def test_a_browser_that_fails_does_not_cost_the_page(tmp_path, monkeypatch):
    monkeypatch.setenv(pdf.BROWSER_VARIABLE, "true")
    written = write_sheet(to=tmp_path, blank=True)
    assert [file.name for file in written] == ["sheet_probe_blank.html"]
    assert printing_words(written)


def test_the_same_files_give_the_same_bytes(tmp_path, no_browser):
    one, other = (
        write_sheet(DEMO / "practice", "C001", to=tmp_path / name, kind="practice")[0].read_bytes()
        for name in ("one.html", "other.html")
    )
    assert one == other


def test_nothing_about_the_child_but_the_code_is_on_any_sheet(tmp_path, no_browser):
    (tmp_path / "children.csv").write_text(
        "child_id,age_months,sex,referral_reason,referred_on,entered_on,site,clinician_id,co_occurring\n"
        "C014,87,female,zipwires,2026-01-02,2026-01-09,Headland,T77,hayfever\n"
    )
    (tmp_path / "plans.csv").write_text("child_id,ladder_id,probe_step,usual_rater\nC014,net,2,child\n")
    for kind in ("probe", "approach", "practice", "home", "observer"):
        page = write_sheet(tmp_path, to=tmp_path / "out" / f"{kind}.html", kind=kind)[0].read_text()
        assert "C014" in page
        for private in ("87", "female", "zipwires", "2026-01", "Headland", "T77", "hayfever"):
            assert private not in re.sub(
                r"<style>.*?</style>|[\d.]+mm|\d+\.\d+|<svg.*?</svg>", "", page, flags=re.S
            )


@pytest.mark.parametrize(
    ("path", "kind", "level", "title"),
    [
        ("practice_level_1", "probe", None, "Weekly probe sheet"),
        ("practice_level_1", "home", None, "Weekly rating at home"),
        ("practice_level_1", "practice", None, "Practice sheet"),
        ("practice", "probe", None, "Probe sheet"),
        ("practice", "probe", 1, "Weekly probe sheet"),
        ("practice", "home", None, "Home practice sheet"),
        (None, "probe", None, "Weekly probe sheet"),
        (None, "probe", 2, "Probe sheet"),
        (None, "observer", None, "Second observer’s sheet"),
    ],
)
def test_the_level_is_that_of_the_files_or_the_lowest(tmp_path, no_browser, path, kind, level, title):
    source = (DEMO / path, "C001") if path else ()
    page = write_sheet(*source, to=tmp_path, kind=kind, level=level, blank=not path)[0].read_text()
    assert f"<h1>{title}</h1>" in page


def test_a_plan_alone_makes_level_2(tmp_path, no_browser):
    (tmp_path / "plans.csv").write_text("child_id,ladder_id,probe_step\nC014,net,2\n")
    page = write_sheet(tmp_path, to=tmp_path / "out")[0].read_text()
    assert "<h1>Probe sheet</h1>" in page
    assert 'data-field="observations.step">2<' in page


def test_a_blank_sheet_of_a_practice_bears_its_ladder_and_scale(tmp_path, no_browser):
    (written,) = write_sheet(
        DEMO / "practice", to=tmp_path, blank=True, ladder_id="gangway", kind="approach"
    )
    page = written.read_text()
    assert "Stand at the top of the gangway" in page
    assert 'data-field="observations.child_id"><' in page


def test_nothing_is_replaced_unless_asked(tmp_path, no_browser):
    write_sheet(to=tmp_path, blank=True)
    with pytest.raises(NotWritten, match="exists already"):
        write_sheet(to=tmp_path, blank=True)
    assert write_sheet(to=tmp_path, blank=True, overwrite=True)


def test_a_pdf_in_the_way_stops_it_before_anything_is_written(tmp_path, no_browser):
    (tmp_path / "week.pdf").write_bytes(b"mine")
    with pytest.raises(NotWritten, match=r"week\.pdf exists already"):
        write_sheet(to=tmp_path / "week.html", blank=True)
    assert not (tmp_path / "week.html").exists()


def test_wrong_calls(tmp_path):
    with pytest.raises(ValueError, match="path must be given, unless the sheet is blank"):
        write_sheet(to=tmp_path)
    with pytest.raises(ValueError, match="child_id must be left out for a blank sheet; got 'C001'"):
        write_sheet(DEMO / "practice_level_1", "C001", to=tmp_path, blank=True)
    with pytest.raises(ValueError, match=r"ladder_id needs the path .*; got 'net'"):
        write_sheet(to=tmp_path, blank=True, ladder_id="net")
    with pytest.raises(ValueError, match="paper must be one of 'A4', 'letter'; got 'A5'"):
        write_sheet(to=tmp_path, blank=True, paper="A5")
    with pytest.raises(ValueError, match="lang must be 'en' for a sheet of kind 'probe'; only home sheets"):
        write_sheet(to=tmp_path, blank=True, lang="es")
    with pytest.raises(ValueError, match="lang must be one of 'en', 'es'; got 'fr'"):
        write_sheet(to=tmp_path, blank=True, kind="home", lang="fr")
    with pytest.raises(ValueError, match="kind must be one of"):
        write_sheet(to=tmp_path, blank=True, kind="weekly")
    assert not list(tmp_path.iterdir())


@pytest.fixture
def also_joy(tmp_path):
    """A practice that rates joy too, from 1 to 5 and higher is better."""
    (tmp_path / "children.csv").write_text("child_id\nC014\n")
    (tmp_path / "practice.toml").write_text(
        '[scales.joy]\nminimum = 1\nmaximum = 5\nbetter = "higher"\n[scales.fear]\nmaximum = 8\n'
    )
    (tmp_path / "plans.csv").write_text(
        "child_id,ladder_id,probe_step,fear_minimum,fear_maximum\nC014,net,2,0,4\n"
    )
    return tmp_path


@pytest.mark.parametrize("kind", ["probe", "home"])
def test_another_outcome_has_a_weekly_sheet_on_its_own_scale(also_joy, no_browser, kind):
    (written,) = write_sheet(also_joy, "C014", to=also_joy / "out", kind=kind, outcome="joy")
    assert written.name == f"sheet_{kind}_C014_joy.html"
    page = written.read_text()
    assert 'data-field="ratings.outcome">joy<' in page
    assert "Scale of joy from 1, none, to 5, most ever" in page
    assert "1 to 5" in page
    assert "joy" in re.search(r'<div class="how.*?</ul>', page, re.DOTALL)[0]
    assert "how much fear" not in page
    assert "highest fear" not in page
    assert 'data-field="plans.probe_step">2<' in page


def test_fear_keeps_the_childs_own_scale_and_the_other_sheets(also_joy, no_browser):
    (written,) = write_sheet(also_joy, "C014", to=also_joy / "fear", kind="practice")
    assert "Fear thermometer from 0, no fear, to 4, most fear ever" in written.read_text()
    assert "ratings.outcome" not in written.read_text()
    with pytest.raises(ValueError, match="outcome must be 'fear' on this sheet, because observations"):
        write_sheet(also_joy, "C014", to=also_joy / "no", kind="practice", outcome="joy")
    with pytest.raises(ValueError, match=r"outcome must have a scale: 'fear', 'joy', or another .*'calm'"):
        write_sheet(also_joy, "C014", to=also_joy / "no", outcome="calm")
    assert not (also_joy / "no").exists()


@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_all_eight_steps_of_the_demo_ladder_stand_on_every_sheet(tmp_path, no_browser, paper):
    for kind in ("probe", "approach", "practice", "home", "observer"):
        (written,) = write_sheet(
            DEMO / "practice", "C001", to=tmp_path / f"{kind}.html", kind=kind, paper=paper
        )
        page = written.read_text()
        assert "Sit in the dinghy on its trailer" in page
        assert "Rock the moored dinghy standing" in page
        assert "are shown here" not in page
