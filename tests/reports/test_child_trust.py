"""How far to trust an answer: the measured rates where they apply, every caution once."""

from __future__ import annotations

from dataclasses import replace

import pytest
from child_rows import rows_of
from rungwise.reports import child_trust as page
from rungwise.reports.child_numbers import numbers
from rungwise.single_case.answer_text import trust_sentences
from rungwise.single_case.verdict import VERDICTS


def test_a_p_and_its_value_stay_on_one_line(answer_of):
    answer = answer_of()
    caution = "No trend could reach p = .05 or have p ≤ .01."
    told = page.cautions(replace(answer, cautions=(caution,)))
    space = "\N{NO-BREAK SPACE}"
    assert f"No trend could reach p{space}={space}.05 or have p{space}≤{space}.01." in told
    assert f"&lt;{space}.001" in numbers(answer)[0].html


@pytest.mark.parametrize(("code", "ladders"), [(code, n) for code in VERDICTS for n in (1, 2)])
def test_rates_are_shown_where_the_printed_answer_gives_them(code, ladders, answer_of):
    answer = answer_of(code, ladders)
    printed = any("nearest simulated design" in said for said in trust_sentences(answer))
    assert ("Real effect" in str(page.trust(answer))) == printed


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
