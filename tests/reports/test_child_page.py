"""The page about one child: answer first, every number where it belongs, nothing of other children."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import pytest
from rungwise.reports import child_page as page
from rungwise.series.caseload import read_caseload
from rungwise.single_case.answer_text import trust_sentences
from rungwise.single_case.verdict import VERDICTS

HEADER = "child_id,ladder_id,date,phase,rating,declined,outcome,rated_by\n"


@pytest.fixture
def caseload_of(tmp_path):
    """Read a caseload from the lines of one ratings file."""

    def read(*lines: str):
        (tmp_path / "ratings.csv").write_text(HEADER + "\n".join(lines) + "\n")
        return read_caseload(tmp_path, today=date(2026, 12, 31))

    return read


def ratings(child, start=date(2026, 3, 2), n=8, by="therapist", ladder="gangway", outcome="fear"):
    return [
        f"{child},{ladder},{date.fromordinal(start.toordinal() + 7 * i)},"
        f"{'baseline' if i < 3 else 'exposure'},{max(9 - i, 0)},,{outcome},{by}"
        for i in range(n)
    ]


@pytest.fixture
def caseload(caseload_of):
    return caseload_of(*ratings("C014"), *ratings("C020"))


def rows_of(block, read_page):
    """Give a block's table rows as dictionaries of heading to text."""
    cells = [e for e in read_page(block.html).elements if "data-label" in e.attributes]
    rows = []
    for cell in cells:
        if cell.tag == "th":
            rows.append({})
        rows[-1][cell.attributes["data-label"]] = cell.text.replace("\N{NO-BREAK SPACE}", " ")
    return rows


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
    [picture] = page.pictures(caseload, answer_of())
    assert picture.alt.startswith("Graph of fear by day. Verdict: fell, beyond the baseline's own course.")
    assert "1 declined" in picture.alt
    assert "Crosses above the scale" in picture.caption
    assert "Squares are maintenance" in picture.caption
    assert picture.narrow


def test_several_ladders_are_shown_each_under_its_own_heading(answer_of, caseload_of):
    caseload = caseload_of(*ratings("C014"), *ratings("C014", ladder="rope net"))
    blocks = page.pictures(caseload, answer_of("fell_beyond_baseline", 2))
    assert len(blocks) == 4
    assert blocks[2].text == (
        "rope net: fell, beyond the baseline's own course (shown, not counted by itself)"
    )


def test_the_numbers_stand_in_their_rows(answer_of, read_page):
    rows = rows_of(page.numbers(answer_of())[0], read_page)
    assert [row["Question"] for row in rows] == [
        "(a) Did it fall from baseline to exposure?",
        "The same without declined occasions",
        "(b) Was it already falling in baseline?",
        "(c) Is the fall more than the baseline's own course explains?",
        "The same, declines at the worst end",
        "How consistent was it?",
        "How large was it on average, without declines?",
    ]
    assert rows[0] == {
        "Question": "(a) Did it fall from baseline to exposure?",
        "Answer": "yes",
        "Estimate": "Tau .82",
        "95% interval": "[.40, .95]",
        "p": "< .001",
        "Smallest p possible": "< .001",
    }
    assert (rows[2]["Answer"], rows[2]["p"], rows[2]["Smallest p possible"]) == (
        "no clear sign of it", ".36", ".001",
    )  # fmt: skip
    assert (rows[3]["Estimate"], rows[3]["95% interval"]) == ("−4.2 points", "[−7.9, −0.5]")
    assert rows[4]["Estimate"] == "−4.4 points"
    assert rows[5]["Estimate"] == "NAP .91"
    # Baseline 8, 7, 8, 9, 7 (mean 7.8); exposure 6, 7, 5, 4, 3, 2, 3 with one missing (mean 30 / 7).
    assert (rows[6]["Estimate"], rows[6]["95% interval"]) == ("−3.5 points", "")


def test_only_about_the_same_shows_the_difference_held_against_the_margin(answer_of, read_page):
    last = rows_of(page.numbers(answer_of("about_the_same"))[0], read_page)[-1]
    assert (
        last["Question"] == "Difference allowing for autocorrelation, held against the margin of ±1 points"
    )
    assert (last["Estimate"], last["95% interval"]) == ("−3.6 points", "[−5.1, −2.1]")


def test_the_ladder_of_the_baseline_trend_is_named(answer_of, read_page):
    answer = answer_of("fell_beyond_baseline", 2)
    answer = replace(answer, verdict=replace(answer.verdict, trend_ladder="rope net"))
    asked = rows_of(page.numbers(answer)[0], read_page)[2]["Question"]
    assert asked == "(b) Was it already falling in baseline? (rope net, where it is clearest)"


def test_a_p_and_its_value_stay_on_one_line(answer_of):
    answer = answer_of()
    caution = "No trend could reach p = .05 or have p ≤ .01."
    told = page.cautions(replace(answer, cautions=(caution,)))
    space = "\N{NO-BREAK SPACE}"
    assert f"No trend could reach p{space}={space}.05 or have p{space}≤{space}.01." in told
    assert f"&lt;{space}.001" in page.numbers(answer)[0].html


@pytest.mark.parametrize(("code", "ladders"), [(code, n) for code in VERDICTS for n in (1, 2)])
def test_rates_are_shown_where_the_printed_answer_gives_them(code, ladders, answer_of):
    answer = answer_of(code, ladders)
    printed = any("nearest shorter simulated design" in said for said in trust_sentences(answer))
    assert ("Real effect" in str(page.trust(answer))) == printed


def test_what_could_not_be_estimated_is_a_dash_and_never_a_number(answer_of, read_page):
    answer = answer_of()
    missing = replace(
        answer.verdict.beyond_baseline, value=math.nan, ci_low=math.nan, ci_high=math.nan, p_value=math.nan
    )
    answer = replace(
        answer,
        verdict=replace(
            answer.verdict, beyond_baseline=missing, without_declines=None, beyond_with_declines=None
        ),
    )
    rows = rows_of(page.numbers(answer)[0], read_page)
    assert [rows[2][name] for name in ("Estimate", "95% interval", "p", "Smallest p possible")] == [
        "–", "", "", "",
    ]  # fmt: skip
    assert len(rows) == 5


def test_which_direction_is_better_is_said(answer_of):
    assert "Lower ratings are better" in str(page.numbers(answer_of()))


def test_ladders_are_listed_only_when_there_are_several(answer_of, read_page):
    assert "Ladder by ladder" not in str(page.numbers(answer_of()))
    blocks = page.numbers(answer_of("rose", 3))
    rows = rows_of(blocks[1], read_page)
    assert [(row["Ladder"], row["Baseline"], row["Declined"]) for row in rows] == [
        ("gangway", "6", "1"), ("rope net", "6", "1"), ("tire swing", "6", "1"),
    ]  # fmt: skip


def test_trust_gives_the_rates_for_every_autocorrelation(answer_of, read_page):
    blocks = page.trust(answer_of())
    rows = rows_of(blocks[0], read_page)
    assert [tuple(row.values()) for row in rows] == [
        ("0.0", "1 of 100", "80 of 100", "96 of 100"),
        ("0.2", "2 of 100", "74 of 100", "95 of 100"),
        ("0.4", "3 of 100", "61 of 100", "93 of 100"),
        ("0.6", "6 of 100", "50 of 100", "90 of 100"),
    ]


def test_each_caution_stands_once_with_the_numbers_it_concerns(answer_of):
    answer = answer_of()
    verdict = replace(
        answer.verdict,
        fell=replace(answer.verdict.fell, cautions=("Declines rank worst.", "Orders are exchangeable.")),
        size=replace(answer.verdict.size, cautions=("Declines rank worst.",)),
    )
    cautions = ("Declines rank worst.", "Orders are exchangeable.", "1 planned rating missing.")
    series = answer.ladders[0].series
    ladder = replace(answer.ladders[0], series=series.where(~series.declined))
    answer = replace(answer, ladders=(ladder,), verdict=verdict, cautions=cautions, rates=None)
    told = page.trust(answer)[0].text
    assert told.splitlines() == [
        "  - 1 planned rating missing.",
        "  - About (a) and NAP: Declines rank worst.",
        "  - About (a): Orders are exchangeable.",
    ]


def test_outside_the_simulated_lengths_no_rates_are_shown(answer_of):
    blocks = page.trust(replace(answer_of(), rates=None))
    assert "Autocorrelation" not in str(blocks)


def test_nothing_left_out_is_said(answer_of, caseload):
    answer = answer_of()
    series = answer.ladders[0].series.only("baseline", "exposure")
    whole = series.where(series.usable)
    answer = replace(answer, ladders=(replace(answer.ladders[0], series=whole),))
    assert (
        str(page.left_out(caseload, answer)) == "Nothing was left out: every row about this child was used."
    )


def test_missing_maintenance_other_raters_and_other_outcomes_are_said(answer_of, caseload_of):
    caseload = caseload_of(
        *ratings("C014", n=8), *ratings("C014", n=3, by="parent"), *ratings("C014", n=4, outcome="calm")
    )
    told = str(page.left_out(caseload, answer_of()))
    assert "2 maintenance ratings shown in the picture and not counted as exposure." in told
    assert "1 planned rating not recorded" in told
    assert "Ratings by parent: only those by therapist were used" in told
    assert "Ratings of calm: this page is about fear." in told


def test_rows_set_aside_are_listed_if_they_may_be_this_childs_and_only_counted_otherwise(
    answer_of, caseload_of, read_page
):
    caseload = caseload_of(
        *ratings("C014"),
        *ratings("C020"),
        "C014,gangway,2026-06-01,exposure,77,,fear,therapist",
        "C020,gangway,2026-06-01,exposure,88,,fear,therapist",
    )
    blocks = page.left_out(caseload, answer_of())
    told = str(blocks)
    assert "77" in told
    assert "88" not in told
    assert "C020" not in told
    assert "1 row of other children set aside" in told
    [row] = rows_of(blocks[-1], read_page)
    assert (row["File"], row["Row"], row["What stands there"]) == ("ratings.csv", "18", "77")


def test_method_names_settings_files_and_how_to_rerun(answer_of, caseload):
    told = page.method(caseload, answer_of(), stated_on=date(2026, 11, 13)).text
    assert "0.05 (default: common practice, no source)" in told
    assert caseload.inputs[0].sha256 in told
    assert "rungwise child FOLDER C014 --report" in told or "rungwise child ratings.csv C014" in told
    assert "November 13, 2026" in told


def test_the_axis_bears_dates_where_days_were_recorded(answer_of, caseload):
    answer = answer_of()
    assert page.first_day(caseload, answer, answer.ladders[0]) == date(2026, 3, 2)


def test_occasion_numbers_have_no_date(answer_of, tmp_path):
    lines = [f"C014,gangway,{i},{'baseline' if i < 4 else 'exposure'},{9 - i}" for i in range(1, 9)]
    (tmp_path / "ratings.csv").write_text(
        "child_id,ladder_id,occasion,phase,rating\n" + "\n".join(lines) + "\n"
    )
    answer = answer_of()
    assert page.first_day(read_caseload(tmp_path), answer, answer.ladders[0]) is None


def test_a_stated_day_is_read_strictly():
    assert page.day(None) is None
    with pytest.raises(ValueError, match=r"a date written YYYY-MM-DD, or None; got '13/11/2026'"):
        page.day("13/11/2026")
