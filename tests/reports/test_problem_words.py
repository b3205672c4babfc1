"""Every rule speaks Spanish, with the same facts in it, and an unknown sentence stays as it is."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from rungwise.reports.catalog import placeholders, words_in
from rungwise.reports.problem_words import PHRASES, problem_and_remedy, translations
from rungwise.series.caseload import check
from rungwise.tables.problems import Problem
from rungwise.tables.rules import RULES

MESSY = Path(__file__).resolve().parents[2] / "data_demo" / "messy"
SAY = words_in("es")
# Words of English grammar that a Spanish sentence has no place for.
GRAMMAR = {"was", "verb", "taken"}
LEFT = re.compile(r"\b(the|of|and|is|was|not|this|that|row|rows|must|here|write|which)\b", re.IGNORECASE)


@pytest.fixture(scope="module")
def planted():
    """Every problem planted in the messy folder and in the files beside it."""
    found: dict[str, Problem] = {}
    for path in (MESSY, MESSY / "level_3", MESSY / "second_copy", *sorted((MESSY / "files").iterdir())):
        for problem in check(path, today=date(2026, 11, 13)):
            found.setdefault(problem.code, problem)
    return found


@pytest.mark.parametrize("code", RULES)
def test_every_rule_has_both_sentences_with_its_placeholders(code):
    own, rule = translations("es")[code], RULES[code]
    for name in ("problem", "remedy"):
        expected = set(placeholders(getattr(rule, name))) - GRAMMAR
        assert set(placeholders(own[name])) == expected
        assert own[name].endswith((".", "}"))


def test_no_sentence_is_kept_for_a_rule_that_is_gone():
    assert set(translations("es")) - {PHRASES} == set(RULES)


def test_planted_problems_are_told_in_spanish_with_the_same_numbers(planted):
    assert len(planted) > 80
    for code, problem in planted.items():
        for told, english in zip(
            problem_and_remedy(problem, SAY), (problem.problem, problem.remedy), strict=True
        ):
            assert told != english, code
            # What the record itself holds, and reasons that other programs give, stay as they are.
            assert not LEFT.search(re.sub(r"\(.*?\)|: .*", "", told)), (code, told)
            assert sorted(re.findall(r"\d+", told)) == sorted(re.findall(r"\d+", english)), code


def test_what_is_to_be_typed_stays_as_it_is_typed(planted):
    assert "[scales.fear]" in problem_and_remedy(planted["rating_off_scale"], SAY)[1]
    assert "[scales.fear]" in problem_and_remedy(planted["scale_undeclared"], SAY)[1]


def test_facts_of_the_row_are_filled_in(planted):
    assert problem_and_remedy(planted["two_phases_on_day"], SAY)[0].startswith("El mismo día es ")
    told = problem_and_remedy(planted["key_repeated"], SAY)[0]
    assert re.fullmatch(r"La fila \d+ trata de lo mismo que esta \(.+\), y son distintas\.", told)


def test_english_and_unknown_sentences_stay_as_they_are(planted):
    problem = planted["date_future"]
    assert problem_and_remedy(problem, words_in("en")) == (problem.problem, problem.remedy)
    other = replace(problem, code="not_a_rule")
    assert problem_and_remedy(other, SAY) == (other.problem, other.remedy)
    reworded = replace(problem, problem="Another sentence.")
    assert problem_and_remedy(reworded, SAY)[0] == "Another sentence."
