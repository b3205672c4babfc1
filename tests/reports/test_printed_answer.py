"""The printed answer says in Spanish what it says in English, with the same numbers."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest
from rungwise.reports.printed_answer import answer_lines_in
from rungwise.series.caseload import read_caseload
from rungwise.single_case.answer_text import answer_lines
from rungwise.single_case.child_answer import child_answer
from test_catalog import LEFT_IN_ENGLISH

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def answers():
    caseload = read_caseload(ROOT / "data_demo" / "practice", today=date(2026, 11, 13))
    return {child: child_answer(caseload, child) for child in caseload.children}


def test_no_english_is_left_and_every_number_stays(answers):
    for child, answer in answers.items():
        told, english = (" ".join(answer_lines_in(answer, lang)) for lang in ("es", "en"))
        plain = re.sub(r"`.*?`", "", told)
        for ladder in answer.ladders:
            plain = plain.replace(ladder.ladder_id, "")
        assert not LEFT_IN_ENGLISH.search(plain), (child, LEFT_IN_ENGLISH.search(plain))
        assert sorted(re.findall(r"\d*\.?\d+", told)) == sorted(re.findall(r"\d*\.?\d+", english)), child


def test_in_english_it_is_the_printed_answer(answers):
    answer = answers["C014"]
    assert answer_lines_in(answer, "en") == answer_lines(answer)
    assert answer_lines_in(answer, "en", ["beside"])[-3] == "beside"
    assert answer_lines_in(answer, "es", ["beside"])[-3] == "beside"


def test_the_headline_is_that_of_the_page(answers):
    told = " ".join(answer_lines_in(answers["C014"], "es"))
    assert told.startswith("Miedo de C014: bajó")
    assert "¿Bajó de la línea base a la exposición? Sí." in told
    assert "Cuánto confiar en esto" in told


def test_an_unknown_language_is_refused(answers):
    with pytest.raises(ValueError, match="lang must be one of"):
        answer_lines_in(answers["C014"], "fr")
