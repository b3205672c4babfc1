"""The printed answer says in Spanish what it says in English, with the same numbers."""

from __future__ import annotations

import re
from datetime import date, timedelta
from pathlib import Path

import pytest
from rungwise.ladders.child_lines import NOT_LASTING, printed_lines
from rungwise.reports.catalog import words_in
from rungwise.reports.printed_answer import answer_lines_in
from rungwise.series.caseload import read_caseload
from rungwise.single_case.answer_text import WIDTH, answer_lines
from rungwise.single_case.child_answer import child_answer
from test_catalog import LEFT_IN_ENGLISH

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def caseload():
    return read_caseload(ROOT / "data_demo" / "practice", today=date(2026, 11, 13))


@pytest.fixture(scope="module")
def answers(caseload):
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


def test_what_the_trials_say_of_ladders_is_told_in_the_same_language(answers, caseload):
    for child, answer in answers.items():
        told, english = (answer_lines_in(answer, lang, caseload=caseload) for lang in ("es", "en"))
        assert english == answer_lines(answer, printed_lines(caseload, child))
        assert max(map(len, told)) <= WIDTH
        ladders = " ".join(told[told.index("En la escalera") :]) if "On the ladder" in english else ""
        plain = " ".join(english[english.index("On the ladder") :]) if ladders else ""
        for ladder in caseload.ladders(child):
            ladders = ladders.replace(f" {ladder}", "")
        assert not LEFT_IN_ENGLISH.search(ladders), (child, LEFT_IN_ENGLISH.search(ladders))
        assert re.findall(r"\d*\.?\d+", ladders) == re.findall(r"\d*\.?\d+", plain), child
    assert (
        sum("En la escalera" in answer_lines_in(one, "es", caseload=caseload) for one in answers.values())
        > 40
    )


@pytest.mark.parametrize(
    "said",
    [
        "Approach on the net: highest step done 3, 2 in baseline, 4 in exposure (too few to test).",
        "Steps of the net mastered by the practice's own criterion: 1, 2. Last practiced: step 3, "
        f"criterion met there. {NOT_LASTING}",
        "Steps of the net mastered by the practice's own criterion: none; mastered and lost again: 2. Last "
        f"practiced: step 3, criterion not met there. {NOT_LASTING}",
    ],
)
def test_sentences_the_demo_practice_does_not_have_are_translated_too(said):
    told = words_in("es").sentence(said)
    assert told != said
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
