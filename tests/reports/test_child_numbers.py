"""The numbers of one child stand in their rows, and what cannot be said is a dash."""

from __future__ import annotations

import math
from dataclasses import replace

from child_rows import rows_of
from rungwise.reports import child_numbers as page


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
