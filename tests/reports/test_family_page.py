"""The family's sheet says what is true in short words, and never more than the answer does."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from rungwise.reports import family_page as page
from rungwise.reports.catalog import words_in
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.verdict import VERDICTS

SAY = words_in("en")
TURNED = ("went_down", "going_down", "went_up", "low")


def syllables(word: str) -> int:
    """Count groups of vowels, a silent final e left out; at least one."""
    word = re.sub(r"[^a-z]", "", word.lower())
    groups = len(re.findall(r"[aeiouy]+", word))
    if word.endswith("e") and not word.endswith("le") and groups > 1:
        groups -= 1
    return max(groups, 1)


def grade(text: str) -> float:
    """School grade after Kincaid, Fishburne, Rogers & Chissom 1975 (formula from memory)."""
    sentences = [part for part in re.split(r"[.!?:]+\s", text + " ") if part.strip()]
    words = re.findall(r"[A-Za-z']+", text)
    spoken = sum(syllables(word) for word in words)
    return 0.39 * len(words) / len(sentences) + 11.8 * spoken / len(words) - 15.59


def with_series(answer, *series):
    ladder = answer.ladders[0]
    ladders = tuple(replace(ladder, ladder_id=f"ladder {i}", series=one) for i, one in enumerate(series))
    return replace(answer, ladders=ladders)


def items(block):
    return [line.strip(" -") for line in re.sub(r"\n    ", " ", block.text).splitlines()]


@pytest.mark.parametrize("code", VERDICTS)
def test_the_sheet_can_be_read_at_twelve(code, answer_of):
    answer = answer_of(code)
    text = " ".join(
        [
            page.family_answer(answer).text.split("\n\n", 1)[1],
            *items(page.went_well(answer)),
            *items(page.find_out_next(answer)),
            *items(page.good_to_know()),
        ]
    )
    assert grade(text) <= 6.5


def every_family_sentence():
    """Every sentence the sheet can hold, with its placeholders filled the usual way."""
    filled = {
        "fear": "fear", "times": "5 times", "no": "twice", "ladder": "rope net", "ladders": "rope net",
        "before": "8", "after": "3", "best": "2", "low": "1", "high": "2", "number": "3", "tenths": "9",
        "compared": "lower", "declines": "", **{name: SAY(f"family.{name}") for name in TURNED[:3]},
    }  # fmt: skip
    for key, text in SAY.texts.items():
        if key.startswith("family.") and len(text.split()) > 5 and not key.startswith("family.file"):
            yield text.format(**filled)


def test_every_sentence_the_sheet_can_hold_is_within_reach_at_twelve():
    told = list(every_family_sentence())
    assert len(told) > 45
    # School grade 6 is about age 11 to 12; a sentence by itself may be a little harder, never much.
    assert grade(" ".join(told)) <= 6
    assert [text for text in told if grade(text) > 8] == []


def test_the_measure_of_reading_tells_easy_from_hard():
    assert grade("The cat sat on the mat. It was warm. We all went home.") < 2
    assert grade(
        "Generalized least squares with autoregressive errors averages over the restricted likelihood of "
        "the autocorrelation parameter conditional upon the observed observations."
    ) > 14  # fmt: skip


@pytest.mark.parametrize("code", VERDICTS)
def test_the_answer_never_says_more_than_the_verdict(code, answer_of):
    said = SAY(f"family.answer.{code}", fear="fear", **{key: SAY(f"family.{key}") for key in TURNED})
    assert ("went down" in said) == code.startswith("fell")
    assert ("went up" in said) == (code == "rose")
    assert not re.search(r"because|thanks to|proved|worked|caused", said)
    phrases = {key: SAY(f"family.{key}.higher") for key in TURNED}
    turned = SAY(f"family.answer.{code}", fear="calm", **phrases)
    assert ("went up" in turned) == code.startswith("fell")


def test_how_sure_it_is_is_said_in_tenths_in_the_direction_it_went(answer_of):
    down = page.family_answer(answer_of()).text
    assert "was lower about 9 times out of 10" in " ".join(down.split())
    answer = answer_of("rose")
    size = replace(answer.verdict.size, value=0.11)
    up = page.family_answer(replace(answer, verdict=replace(answer.verdict, size=size))).text
    assert "was higher about 9 times out of 10" in " ".join(up.split())


@pytest.mark.parametrize(
    ("share", "written"), [(1.0, "10"), (0.97, "more than 9"), (0.94, "9"), (0.5, "5")]
)
def test_tenths_never_promise_too_much(share, written):
    assert page._tenths(share) == written


def test_with_too_few_ratings_no_share_is_given(answer_of):
    assert "out of 10" not in page.family_answer(answer_of("too_few")).text


def test_what_went_well_is_only_what_did(answer_of):
    better = PhaseSeries.from_phases([8, 7, 8], [7, 6, 4, 3, 2], floor=0, ceiling=10)
    assert items(page.went_well(with_series(answer_of(), better))) == [
        "Your child faced the same step 8 times and told us how it felt.",
        "Before we began, most ratings were around 8. The last three were around 3.",
        "The best rating since we began was 2. Before we began, it was 7.",
    ]
    worse = PhaseSeries.from_phases([3, 4, 3], [5, 6, 7, 7, 8], floor=0, ceiling=10)
    assert items(page.went_well(with_series(answer_of("rose"), worse))) == [
        "Your child faced the same step 8 times and told us how it felt."
    ]


def test_the_better_direction_turns_with_the_scale(answer_of):
    calmer = PhaseSeries.from_phases([2, 3, 2], [4, 5, 6, 6, 7], better="higher")
    told = items(page.went_well(with_series(answer_of(), calmer)))
    assert told[2] == "The best rating since we began was 7. Before we began, it was 3."
    calmer_down = PhaseSeries.from_phases([8, 8, 8], [4, 4, 3, 3, 2], better="higher")
    assert len(items(page.went_well(with_series(answer_of(), calmer_down)))) == 1


def test_declines_are_praised_and_fewer_of_them_are_told(answer_of):
    fewer = PhaseSeries([None, None, 8, 8, 8, 8], ["baseline"] * 3 + ["exposure"] * 3, None,
                        [True, True] + [False] * 4)  # fmt: skip
    told = items(page.went_well(with_series(answer_of(), fewer)))
    assert told[-1] == "Your child said no twice before we began and not once since then."
    more = PhaseSeries([8, 8, 8, None, 8, 8], ["baseline"] * 3 + ["exposure"] * 3, None,
                       [False] * 3 + [True] + [False] * 2)  # fmt: skip
    told = items(page.went_well(with_series(answer_of(), more)))
    assert told == [
        "We asked your child about the same step 6 times. Your child said no once and told us how it felt "
        "the other times.",
        "Saying no is a brave and useful answer, too.",
    ]


def test_a_child_who_said_no_each_time_told_nothing_and_is_not_asked_for_more(answer_of):
    never = PhaseSeries([None] * 11, ["baseline"] * 5 + ["exposure"] * 6, None, [True] * 11)
    answer = with_series(answer_of("too_few"), never)
    assert items(page.went_well(answer)) == [
        "We asked your child about the same step 11 times, and each time your child said no.",
        "Saying no is a brave and useful answer, too.",
    ]
    assert "Your child said no each time." in page.family_answer(answer).text
    assert not any("more ratings" in item for item in items(page.find_out_next(answer)))


def test_more_ratings_are_asked_for_only_where_there_are_too_few(answer_of):
    few = with_series(answer_of("too_few"), PhaseSeries.from_phases([8, 7, 8], [7, 6]))
    assert "We need more ratings" in page.find_out_next(few).text.replace("\n    ", " ")
    alike = with_series(answer_of("too_few"), PhaseSeries.from_phases([7] * 6, [7] * 11 + [6]))
    assert "more ratings" not in " ".join(items(page.find_out_next(alike)))
    assert "enough ratings" not in " ".join(page.family_answer(alike).text.split())


def test_what_later_probes_showed_is_told_and_not_put_off(answer_of):
    told = items(page.find_out_next(answer_of()))
    assert told[0] == "Did it last? Later on we asked twice. The ratings were from 1 to 2."
    before = with_series(answer_of(), answer_of().ladders[0].series.only("baseline", "exposure"))
    assert items(page.find_out_next(before))[0].startswith("Will it last? We will ask")
    declined = PhaseSeries([8, 3, None], ["baseline", "exposure", "follow_up"], None, [0, 0, 1])
    told = items(page.find_out_next(with_series(answer_of(), declined)))
    assert told[0] == "Did it last? Later on we asked once, and your child said no."


def test_a_child_on_two_ladders_is_not_promised_a_second_one(answer_of):
    assert "second ladder" in str(page.find_out_next(answer_of()).text)
    assert "second ladder" not in str(page.find_out_next(answer_of("fell_beyond_baseline", 2)).text)


def test_several_ladders_are_told_one_by_one(answer_of):
    better = PhaseSeries.from_phases([8, 7, 8], [7, 6, 4, 3, 2])
    worse = PhaseSeries.from_phases([3, 4, 3], [5, 6, 7, 7, 8])
    told = items(page.went_well(with_series(answer_of(), better, worse)))
    assert told[0] == "Your child faced the planned steps 16 times and told us how it felt."
    assert told[1] == "Ladder 0: mostly around 8 before we began, around 3 the last three times."
    assert len(told) == 2


@pytest.mark.parametrize("lang", ["en", "es"])
def test_every_verdict_has_an_answer_and_something_to_find_out(lang, answer_of):
    say = words_in(lang)
    answers = {page.family_answer(answer_of(code), say).text for code in VERDICTS}
    assert len(answers) == len(VERDICTS)
    for code in VERDICTS:
        assert all(item.count("?") == 1 for item in items(page.find_out_next(answer_of(code), say)))
