"""The page about one child: answer first, every number where it belongs, nothing of other children."""

from __future__ import annotations

from datetime import date

import pytest
from rungwise.reports import child_page as page
from rungwise.series.caseload import read_caseload
from rungwise.single_case.child_answer import child_answer
from rungwise.single_case.verdict import VERDICTS


@pytest.mark.parametrize("code", VERDICTS)
def test_the_page_opens_with_the_answer_and_its_uncertainty(code, answer_of, caseload, read_page):
    answer = answer_of(code)
    opened = read_page(page.opening(caseload, answer).html)
    paragraphs = opened.all("p")
    assert opened.all("h1")[0].text == "C014: fear at the probe step"
    assert " ".join(p.text for p in paragraphs[:2]).startswith(answer.headline)
    assert paragraphs[0].attributes["class"] == "answer"
    assert paragraphs[-1].text.endswith("a clinician decides, together with the family.")


def test_the_uncertainty_is_a_paragraph_of_its_own(answer_of, caseload, read_page):
    first, second, _ = read_page(page.opening(caseload, answer_of()).html).all("p")
    assert first.text == "C014's fear came down, and by more than where the baseline was heading."
    assert second.text.startswith("Of 100 comparisons")
    assert "likely between 70 and 98" in second.text


def test_the_practice_is_named_if_it_gave_its_name(answer_of, caseload, tmp_path):
    assert "Unnamed practice" not in page.opening(caseload, answer_of()).text
    (tmp_path / "practice.toml").write_text('label = "Harbor Steps (invented)"\n')
    named = read_caseload(tmp_path, today=date(2026, 12, 31))
    assert "\n\nHarbor Steps (invented). It rests on" in page.opening(named, answer_of()).text


def test_a_picture_has_its_verdict_in_words_and_both_widths(answer_of, caseload):
    [picture] = page.pictures(answer_of())
    assert picture.alt.startswith("Graph of fear by day. Verdict: fell, beyond the baseline's own course.")
    assert "1 declined" in picture.alt
    assert "Crosses above the scale" in picture.caption
    assert "Squares are maintenance" in picture.caption
    assert picture.narrow


def test_several_ladders_are_shown_each_under_its_own_heading(answer_of):
    blocks = page.pictures(answer_of("fell_beyond_baseline", 2))
    assert len(blocks) == 4
    assert blocks[2].text == (
        "rope net: fell, beyond the baseline's own course (shown, not counted by itself)"
    )


def test_method_names_settings_files_and_how_to_rerun(answer_of, caseload):
    told = page.method(caseload, answer_of(), stated_on=date(2026, 11, 13)).text
    assert "0.05 (default: common practice, no source)" in told
    assert caseload.inputs[0].sha256 in told
    assert "rungwise child FOLDER C014 --report" in told or "rungwise child ratings.csv C014" in told
    assert "November 13, 2026" in told


def test_the_axis_bears_dates_where_days_were_recorded_and_else_the_numbers_of_the_occasions(
    caseload, tmp_path
):
    [ladder] = child_answer(caseload, "C014").ladders
    assert ladder.series.starts_on == date(2026, 3, 2)
    lines = [f"C014,gangway,{i},{'baseline' if i < 4 else 'exposure'},{9 - i}" for i in range(1, 9)]
    numbered = tmp_path / "numbered.csv"
    numbered.write_text("child_id,ladder_id,occasion,phase,rating\n" + "\n".join(lines) + "\n")
    [other] = child_answer(read_caseload(numbered), "C014").ladders
    assert other.series.starts_on is None


def test_a_stated_day_is_read_strictly():
    assert page.day(None) is None
    with pytest.raises(ValueError, match=r"a date written YYYY-MM-DD, or None; got '13/11/2026'"):
        page.day("13/11/2026")
