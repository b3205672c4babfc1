"""The answer about one child as a few lines of text."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from rungwise.basis.page_numbers import count_of
from rungwise.single_case.child_answer import ChildAnswer, LadderAnswer
from rungwise.single_case.verdict_words import CAUTION

WIDTH = 96


def answer_lines(answer: ChildAnswer) -> list[str]:
    """Write the answer: the sentence first, then the three questions, then how far to trust them."""
    lines = [*_wrap(answer.headline), ""]
    lines += _question_lines(answer)
    if len(answer.ladders) > 1:
        lines += ["", "Ladder by ladder (shown, not counted one by one)"]
        lines += [_ladder_line(ladder) for ladder in answer.ladders]
    lines += ["", "How far to trust this"]
    for sentence in trust_sentences(answer):
        lines += _wrap(sentence, first="  - ", rest="    ")
    return [*lines, "", CAUTION]


def trust_sentences(answer: ChildAnswer) -> list[str]:
    """Say what the answer rests on, how often it errs, and every caution."""
    sentences = [_basis(answer)]
    if answer.rates is not None and answer.verdict.code != "too_few":
        sentences.append(answer.rates.sentence)
    if answer.set_aside:
        sentences.append(
            f"{count_of(answer.set_aside, 'row')} of the files could not be used, and some may be this "
            "child's; `rungwise check` lists them."
        )
    return sentences + list(answer.cautions)


def _basis(answer: ChildAnswer) -> str:
    baseline = sum(ladder.series.n_baseline for ladder in answer.ladders)
    exposure = sum(ladder.series.n_exposure for ladder in answer.ladders)
    declined = sum(int(ladder.series.declined.sum()) for ladder in answer.ladders)
    on = f" on {len(answer.ladders)} ladders" if len(answer.ladders) > 1 else ""
    return (
        f"It rests on {count_of(baseline, 'baseline rating')} and {count_of(exposure, 'exposure rating')}"
        f"{on}{f', {declined} of them declined' if declined else ''} (recording level {answer.level})."
    )


def _question_lines(answer: ChildAnswer) -> list[str]:
    lines: list[str] = []
    for question in answer.verdict.questions:
        lines += _wrap(
            f"({question.letter}) {question.question} {question.reply.capitalize()}.", rest="    "
        )
        lines += _wrap(question.numbers, first="    ", rest="    ")
    return lines


def _ladder_line(ladder: LadderAnswer) -> str:
    return f"  {ladder.ladder_id or 'unnamed ladder'}: {ladder.verdict.words}"


def _wrap(text: str, first: str = "", rest: str = "") -> Iterable[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False)
