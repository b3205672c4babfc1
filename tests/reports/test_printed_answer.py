"""The printed answer says in Spanish what it says in English, with the same numbers."""

from __future__ import annotations

import re
from datetime import date, timedelta
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


@pytest.mark.parametrize(
    ("before", "since"),
    [
        ("7 7 7 7 7 7", "7 7 7 7 7 7 7 7"),
        ("7 8", ""),
        ("declined declined declined", "declined declined declined declined declined"),
        ("9 8 7 6 5 4", "3 2 2 1 1 missed 0"),
        ("7/7 8 6 7", "5 4/5 4 3 2 declined 2"),
    ],
)
def test_no_english_is_left_where_numbers_cannot_be_given(tmp_path, before, since):
    lines = ["date,phase,rating,trial"]
    occasions = [("baseline", one) for one in before.split()] + [("exposure", one) for one in since.split()]
    for week, (phase, ratings) in enumerate(occasions):
        day = date(2026, 1, 5) + timedelta(days=7 * week)
        lines += [f"{day},{phase},{one},{trial}" for trial, one in enumerate(ratings.split("/"), start=1)]
    (tmp_path / "one.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    told = " ".join(answer_lines_in(child_answer(read_caseload(tmp_path / "one.csv")), "es"))
    assert not LEFT_IN_ENGLISH.search(told), told


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
