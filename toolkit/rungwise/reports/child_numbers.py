"""The numbers of one child's page: the three questions with their estimates, and what each number says."""

from __future__ import annotations

import html
import math
from dataclasses import replace
from typing import TYPE_CHECKING

from rungwise.basis.page_numbers import format_bounded, format_interval, format_number, format_p
from rungwise.reports.blocks import Block, Blocks, Picture, table
from rungwise.reports.catalog import Words
from rungwise.reports.words import ENGLISH, NUMBERS, lower_is_better, named, turned, verdict_words
from rungwise.single_case.mean_change import mean_change
from rungwise.single_case.several_ladders import SCALES_DIFFER
from rungwise.single_case.verdict_words import questions

if TYPE_CHECKING:
    from rungwise.basis.estimate import Estimate
    from rungwise.single_case.child_answer import ChildAnswer
    from rungwise.single_case.verdict_words import Question

_NO_NUMBER = "–"
_UNBROKEN = "\N{NO-BREAK SPACE}"


def numbers(answer: ChildAnswer, say: Words = ENGLISH) -> Blocks:
    """Give the three questions with their numbers, the size, and what each number says."""
    blocks: list[Block | Picture] = [numbers_table(answer, say)]
    if len(answer.ladders) > 1:
        blocks.append(_by_ladder(answer, say))
    meanings = meanings_table(say)
    summary = html.escape(say("meanings.caption"))
    folded = f'<details class="section"><summary>{summary}</summary>{meanings.html}</details>'
    return Blocks([*blocks, Block(folded, meanings.text)])


def meanings_table(say: Words = ENGLISH) -> Block:
    """Give what each number says and what it does not say."""
    rows = [
        {
            say("meanings.number"): say(f"meaning.{number}.name"),
            say("meanings.says"): say(f"meaning.{number}.says"),
            say("meanings.not"): say(f"meaning.{number}.not"),
        }
        for number in NUMBERS
    ]
    return table(rows, caption=say("meanings.caption"))


def numbers_table(answer: ChildAnswer, say: Words = ENGLISH) -> Block:
    """Give the table of the three questions and the size of the change."""
    verdict, lower = answer.verdict, lower_is_better(answer)
    first, second, third = questions(verdict, answer.rule.alpha, lower=lower, words=say.texts)
    if verdict.trend_ladder and not math.isnan(verdict.baseline_trend.value):
        asked = say("numbers.trend_ladder", question=second.question, ladder=verdict.trend_ladder)
        second = replace(second, question=asked)
    without = ".without_declines" if any(one.series.declined.any() for one in answer.ladders) else ""
    rows = [
        _row(first, "Tau", verdict.fell, say, smallest_p=verdict.smallest_p),
        *(
            [_row(say("numbers.without_declines"), "Tau", verdict.without_declines, say)]
            if verdict.without_declines is not None
            else []
        ),
        _row(second, "tau", verdict.baseline_trend, say),
        _row(third, "", verdict.beyond_baseline, say, bounded=False),
        *(
            [_row(say("numbers.with_declines"), "", verdict.beyond_with_declines, say, bounded=False)]
            if verdict.beyond_with_declines is not None
            else []
        ),
        _row(say("numbers.consistent"), "NAP", verdict.size, say),
        _row(say(f"numbers.average{without}"), "", average(answer), say, bounded=False),
        *(
            [_row(_held_against_margin(answer, say), "", verdict.difference, say, bounded=False)]
            if verdict.code == "about_the_same"
            else []
        ),
    ]
    over_ladders = [say("numbers.over_ladders")] if len(answer.ladders) > 1 else []
    return table(
        rows,
        caption=say("numbers.caption"),
        numeric=[_interval_of(verdict.fell, say), "p", say("numbers.smallest_p")],
        notes=[turned(say, "numbers.direction", lower=lower), *over_ladders],
    )


def estimates(answer: ChildAnswer, say: Words = ENGLISH) -> dict[str, Estimate]:
    """Give the estimates of the verdict under the names the page gives them."""
    verdict = answer.verdict
    held = {say("trust.held"): verdict.difference} if verdict.code == "about_the_same" else {}
    return {
        "(a)": verdict.fell,
        "(b)": verdict.baseline_trend,
        "(c)": verdict.beyond_baseline,
        "NAP": verdict.size,
        say("trust.average"): average(answer),
        **held,
    }


def average(answer: ChildAnswer) -> Estimate:
    """Give the plain difference of means; the model's says why there is none over unlike scales."""
    difference = answer.verdict.difference
    if SCALES_DIFFER in difference.cautions:
        return difference
    return mean_change(*(ladder.series for ladder in answer.ladders))


def _row(
    question: Question | str,
    name: str,
    estimate: Estimate,
    say: Words,
    *,
    bounded: bool = True,
    smallest_p: float | None = None,
) -> dict[str, str]:
    if smallest_p is None:
        smallest_p = float(estimate.counts.get("smallest_p", math.nan))
    asked, reply = (
        (question, "")
        if isinstance(question, str)
        else (f"({question.letter}) {question.question}", question.reply)
    )
    digits, write = (2, format_bounded) if bounded else (1, format_number)
    value, interval = _NO_NUMBER, ""
    if not math.isnan(estimate.value):
        unit = say("numbers.points") if estimate.unit == "points" else estimate.unit
        value = f"{name} {write(estimate.value, digits)} {unit}".strip().replace(" ", _UNBROKEN)
    if not math.isnan(estimate.ci_low):
        interval = format_interval(estimate, digits, bounded=bounded)
    return {
        say("numbers.question"): asked,
        say("numbers.answer"): reply,
        say("numbers.estimate"): value,
        _interval_of(estimate, say): interval,
        "p": "" if math.isnan(estimate.p_value) or not bounded else _p(estimate.p_value),
        say("numbers.smallest_p"): "" if math.isnan(smallest_p) else _p(smallest_p),
    }


def _interval_of(estimate: Estimate, say: Words) -> str:
    return say("numbers.interval", level=f"{100 * estimate.confidence:g}")


def _p(value: float) -> str:
    return format_p(value).removeprefix("= ").replace(" ", _UNBROKEN)


def _held_against_margin(answer: ChildAnswer, say: Words) -> str:
    return say("numbers.held_against_margin", margin=f"{answer.rule.margin:g}")


def _by_ladder(answer: ChildAnswer, say: Words) -> Block:
    numeric = [say(f"ladders.{key}") for key in ("baseline", "exposure", "declined")]
    rows = []
    for ladder in answer.ladders:
        series = ladder.series
        counts = (series.n_baseline, series.n_exposure, int(series.declined.sum()))
        rows.append(
            {
                say("ladders.ladder"): named(ladder, say),
                **dict(zip(numeric, map(str, counts), strict=True)),
                "NAP": say.number(format_bounded(ladder.verdict.size.value)),
                say("ladders.by_itself"): verdict_words(ladder.verdict.code, answer, say),
            }
        )
    return table(rows, caption=say("ladders.caption"), numeric=[*numeric, "NAP"])
