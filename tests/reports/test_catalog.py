"""Every language says everything, with the same placeholders, and nothing of a page stays behind."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest
from rungwise.figures.single_case_graph import WORDS as GRAPH
from rungwise.models import ar1_block
from rungwise.reports import child_page, family_page
from rungwise.reports.catalog import LANGUAGES, Words, placeholders, words_in
from rungwise.series.caseload import read_caseload
from rungwise.single_case import (
    level,
    level_model,
    nap,
    rated,
    several_ladders,
    stratified,
    stretch,
    trend,
    verdict,
)
from rungwise.single_case.child_answer import child_answer
from rungwise.single_case.error_rates import error_rates
from rungwise.single_case.verdict_words import ENGLISH

ROOT = Path(__file__).resolve().parents[2]
SPANISH = words_in("es")
OTHERS = [lang for lang in LANGUAGES if lang != "en"]
# English words that no Spanish sentence holds; names of statistics and of commands are none of them.
LEFT_IN_ENGLISH = re.compile(
    r"\b(the|of|and|with|than|is|are|was|were|not|rating|ratings|baseline|exposure|step|child|children|"
    r"fear|declined|day|shown|about|from|that|which|ladder|ladders)\b",
    re.IGNORECASE,
)


@pytest.mark.parametrize("lang", OTHERS)
def test_a_translation_has_the_keys_of_english_and_no_others(lang):
    assert set(words_in(lang).texts) == set(words_in("en").texts)


@pytest.mark.parametrize("lang", OTHERS)
def test_a_translation_has_the_placeholders_of_english(lang):
    english, other = words_in("en").texts, words_in(lang).texts
    assert {key: set(placeholders(text)) for key, text in other.items()} == {
        key: set(placeholders(text)) for key, text in english.items()
    }


@pytest.mark.parametrize("lang", OTHERS)
def test_translated_sentences_keep_their_placeholders(lang):
    technical = words_in(lang).technical
    assert len(technical) > 40
    assert [pair for pair in technical if placeholders(pair[0]) != placeholders(pair[1])] == []


@pytest.mark.parametrize("lang", LANGUAGES)
def test_a_percent_sign_never_stands_alone_at_the_beginning_of_a_line(lang):
    words = words_in(lang)
    written = [*words.texts.values(), *(other for _, other in words.technical)]
    assert [text for text in written if " %" in text] == []
    assert any("\N{NO-BREAK SPACE}%" in text for text in written)


def test_a_written_share_keeps_its_percent_sign_in_another_language():
    told = SPANISH.sentence("On average 92.3 % of the planned steps were done (at least 80 %).")
    assert told == (
        "En promedio se hizo el 92.3\N{NO-BREAK SPACE}% de los pasos planificados (al menos "
        "80\N{NO-BREAK SPACE}%)."
    )
    assert SPANISH("numbers.interval", level="95") == "Intervalo del 95\N{NO-BREAK SPACE}%"


def test_the_words_of_the_verdict_and_of_the_graph_are_part_of_the_english_catalog():
    english = words_in("en").texts
    assert ENGLISH.items() <= english.items()
    assert all(english[f"graph.{key}"] == text for key, text in GRAPH.items())


def test_an_unknown_language_is_refused_with_those_there_are():
    with pytest.raises(ValueError, match=r"lang must be one of 'en', 'es'; got 'fr'"):
        words_in("fr")


def constants():
    """Every sentence of caution that the statistics of the page keep as a constant."""
    for module in (
        ar1_block, level, level_model, nap, rated, several_ladders, stratified, stretch, trend, verdict,
    ):  # fmt: skip
        for name, value in vars(module).items():
            if name.isupper() and isinstance(value, str) and value.endswith("."):
                yield value.replace("{p}", "2")


@pytest.mark.parametrize("sentence", sorted(set(constants())))
def test_every_caution_of_the_statistics_is_translated(sentence):
    told = SPANISH.sentence(sentence)
    assert told != sentence
    assert not LEFT_IN_ENGLISH.search(told.replace("{labels}", ""))


@pytest.mark.parametrize("lengths", [(3, 5), (5, 12), (8, 20)])
@pytest.mark.parametrize("lower", [True, False])
def test_the_measured_rates_are_told_in_spanish_with_the_same_numbers(lengths, lower):
    sentence = error_rates(*lengths).said(lower=lower)
    told = SPANISH.sentence(sentence)
    assert not LEFT_IN_ENGLISH.search(told)
    assert sorted(re.findall(r"[\d.]*\d", told)) == sorted(re.findall(r"[\d.]*\d", sentence))


@pytest.mark.parametrize("code", ["fell_beyond_baseline", "rose"])
@pytest.mark.parametrize("lower", [True, False])
def test_the_rates_of_a_wrong_change_are_told_in_spanish_with_the_same_numbers(code, lower):
    sentence = error_rates(5, 12).said_of_change(code, lower=lower)
    told = SPANISH.sentence(sentence)
    assert sentence
    assert not LEFT_IN_ENGLISH.search(told)
    assert sorted(re.findall(r"[\d.]*\d", told)) == sorted(re.findall(r"[\d.]*\d", sentence))


def test_a_sentence_within_a_sentence_is_translated_too():
    say = Words("xx", {}, (("It rests on {what}.", "Sur {what}."), ("{n} ratings", "{n} notes")))
    assert say.sentence("It rests on 4 ratings.") == "Sur 4 notes."
    assert say.sentence("Unknown sentence.") == "Unknown sentence."


def test_a_number_slot_takes_a_number_only():
    say = Words("xx", {"number.fewer_than": "moins de"}, (("{low} to {high}", "{low} à {high}"),))
    assert say.sentence("fewer than 1 to 3") == "moins de 1 à 3"
    assert say.sentence("how to correct it") == "how to correct it"


def test_the_special_sentence_goes_before_the_general_one():
    say = Words("xx", {}, (("On {what} ({x}).", "general"), ("On {what}, {n} declined ({x}).", "special")))
    assert say.sentence("On 4, 1 declined (x).") == "special"


@pytest.mark.parametrize("source", ["practice", "practice_level_1", "one_child.csv"])
def test_no_english_is_left_on_a_spanish_page(source):
    caseload = read_caseload(ROOT / "data_demo" / source, today=date(2026, 11, 13))
    left = {}
    for child in caseload.children:
        answer = child_answer(caseload, child)
        texts = [
            child_page.opening(caseload, answer, SPANISH).text,
            str(child_page.numbers(answer, SPANISH)),
            str(child_page.trust(answer, SPANISH)),
            child_page.next_to_find_out(answer, SPANISH).text,
            child_page.safety(SPANISH).text,
            str(child_page.left_out(caseload, answer, SPANISH)),
            " ".join(child_page.method_sentences(answer, SPANISH)),
            child_page.used_settings(caseload, SPANISH),
            family_page.family_answer(answer, SPANISH).text,
            family_page.went_well(answer, SPANISH).text,
            family_page.find_out_next(answer, SPANISH).text,
            family_page.good_to_know(SPANISH).text,
        ]
        for text in texts:
            plain = text.replace(caseload.practice.label, "").replace(child, "C001")
            if found := LEFT_IN_ENGLISH.search(plain):
                left.setdefault(found[0], plain[max(0, found.start() - 80) : found.end() + 80])
    assert left == {}
