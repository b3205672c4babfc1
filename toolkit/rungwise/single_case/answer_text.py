"""The answer about one child as a few lines of text."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence

from rungwise.basis.page_numbers import count_of
from rungwise.single_case.child_answer import ChildAnswer, LadderAnswer
from rungwise.single_case.verdict_rule import FELL
from rungwise.single_case.verdict_words import ENGLISH, headline, questions

WIDTH = 96
# The words of the printed answer beside those of the verdict.
PRINTED: Mapping[str, str] = {
    "ladders.caption": "Ladder by ladder (shown, not counted one by one)",
    "page.trust": "How far to trust this",
    "unnamed_ladder": "unnamed ladder",
}
# Verdicts beside which the rates of "fell, beyond the baseline's own course" say something.
RATED = (*FELL, "no_clear_change")


def answer_lines(
    answer: ChildAnswer,
    beside: Sequence[str] = (),
    *,
    who: str = "",
    words: Mapping[str, str] = {**ENGLISH, **PRINTED},
    translated: Callable[[str], str] = str,
) -> list[str]:
    """Write the answer: the sentence first, then the three questions, then how far to trust them.

    Parameters
    ----------
    answer : ChildAnswer
    beside : sequence of str
        Lines on other outcomes, which come before the closing caution.
    who : str
        The subject of the headline in the language of `words`; not needed in English.
    words : mapping
        Catalog with the keys of `rungwise.single_case.verdict_words.ENGLISH` and of `PRINTED`.
    translated : callable
        Puts a sentence that a statistic wrote, and the words a written number can hold, into the
        language of `words`.
    """
    lower = answer.ladders[0].series.better == "lower"
    said = headline(answer.verdict, who, lower=lower, words=words) if who else answer.headline
    lines = [*_wrap(translated(said)), ""]
    lines += _question_lines(answer, words, translated)
    if len(answer.ladders) > 1:
        lines += ["", words["ladders.caption"]]
        lines += [_ladder_line(ladder, words, lower=lower) for ladder in answer.ladders]
    lines += ["", words["page.trust"]]
    for sentence in trust_sentences(answer):
        lines += _wrap(translated(sentence), first="  - ", rest="    ")
    return [*lines, *beside, "", words["caution"]]


def trust_sentences(answer: ChildAnswer) -> list[str]:
    """Say what the answer rests on, how often it errs, and every caution."""
    sentences = [_basis(answer)]
    if answer.rates is not None:
        lower = answer.ladders[0].series.better == "lower"
        if shows_rates(answer):
            sentences.append(answer.rates.said(lower=lower))
        if said := answer.rates.said_of_change(answer.verdict.code, lower=lower):
            sentences.append(said)
    if answer.set_aside:
        whose = "" if answer.only_child else ", and some may be this child's"
        sentences.append(
            f"{count_of(answer.set_aside, 'row')} of the files could not be used{whose}; "
            "`rungwise check` lists them."
        )
    if answer.remarks:
        sentences.append(
            f"`rungwise check` has {count_of(answer.remarks, 'remark')} on how the files were read."
        )
    return sentences + list(answer.cautions)


def shows_rates(answer: ChildAnswer) -> bool:
    """Whether the rates of "beyond the baseline's own course" say something about this verdict.

    They do not where question (c) could not be asked of this child at all.
    """
    asked = not math.isnan(answer.verdict.beyond_baseline.value)
    return answer.rates is not None and asked and answer.verdict.code in RATED


def _basis(answer: ChildAnswer) -> str:
    baseline = sum(ladder.series.n_baseline for ladder in answer.ladders)
    exposure = sum(ladder.series.n_exposure for ladder in answer.ladders)
    declined = sum(int(ladder.series.declined.sum()) for ladder in answer.ladders)
    on = f" on {len(answer.ladders)} ladders" if len(answer.ladders) > 1 else ""
    out = f", {declined} of them declined" if declined else ""
    return (
        f"It rests on {count_of(baseline, 'baseline occasion')} and "
        f"{count_of(exposure, 'exposure occasion')}{on}{out} (recording level {answer.level})."
    )


def _question_lines(
    answer: ChildAnswer, words: Mapping[str, str], translated: Callable[[str], str]
) -> list[str]:
    lines: list[str] = []
    lower = answer.ladders[0].series.better == "lower"
    for question in questions(answer.verdict, answer.rule.alpha, lower=lower, words=words):
        lines += _wrap(
            f"({question.letter}) {question.question} {question.reply.capitalize()}.", rest="    "
        )
        lines += _wrap(translated(question.numbers), first="    ", rest="    ")
    return lines


def _ladder_line(ladder: LadderAnswer, words: Mapping[str, str], *, lower: bool) -> str:
    key = f"verdict.{ladder.verdict.code}" + ("" if lower else ".higher")
    name = ladder.ladder_id or words["unnamed_ladder"]
    return f"  {name}: {words.get(key, ladder.verdict.words)}"


def _wrap(text: str, first: str = "", rest: str = "") -> Iterable[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False)
