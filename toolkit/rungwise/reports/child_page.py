"""The page about one child, block by block: what `notebooks/one_child.ipynb` shows.

The answer stands first, then the picture, the numbers, how far to trust them, what would settle it,
what was left out, and how to check the page. Every sentence that judges comes from
`rungwise.single_case`, so the page and the printed answer cannot disagree.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from rungwise.basis.page_numbers import format_bounded, format_interval, format_number, format_p
from rungwise.figures.single_case_graph import describe_graph, single_case_graph
from rungwise.reports.blocks import (
    Block,
    Blocks,
    Picture,
    bullets,
    heading,
    lead,
    note,
    paragraph,
    picture,
    table,
)
from rungwise.reports.calibration_section import about_caseload, marked
from rungwise.reports.catalog import Words
from rungwise.reports.catalog import words_in as words_in
from rungwise.reports.provenance import provenance, settings
from rungwise.reports.words import (
    ENGLISH,
    NUMBERS,
    effect_words,
    safety_sentences,
    to_find_out,
    turned,
)
from rungwise.single_case.answer_text import RATED, trust_sentences
from rungwise.single_case.child_answer import which_child as which_child
from rungwise.single_case.mean_change import mean_change
from rungwise.single_case.pooled_autocorrelation import FEWEST_CHILDREN, caseload_autocorrelation
from rungwise.single_case.verdict import SCALES_DIFFER
from rungwise.single_case.verdict_words import comparison, headline, questions
from rungwise.tables.level_1 import ONE_CHILD

if TYPE_CHECKING:
    from rungwise.basis.estimate import Estimate
    from rungwise.series.caseload import Caseload
    from rungwise.single_case.child_answer import ChildAnswer, LadderAnswer
    from rungwise.single_case.verdict_words import Question

NARROW_INCHES = 3.8
_NO_NUMBER = "–"
_UNBROKEN = "\N{NO-BREAK SPACE}"
_SETTINGS = ("alpha", "margin", "minimum_baseline", "minimum_exposure")


def opening(caseload: Caseload, answer: ChildAnswer, say: Words = ENGLISH) -> Block:
    """Give the page's title and its answer: one plain sentence, then its uncertainty."""
    lower, verdict = _lower(answer), answer.verdict
    compared = (
        ""
        if verdict.code == "too_few"
        else say.number(comparison(verdict.size, lower=lower, words=say.texts))
    )
    who = whose_outcome(answer, say)
    sentence = say.number(headline(verdict, who, lower=lower, words=say.texts))
    sentence = sentence.removesuffix(compared).strip()
    basis, *_ = trust_sentences(answer)
    practice = caseload.practice
    label = f"{practice.label}. " if "label" in practice.given else ""
    title = say("page.heading", child=answer.child_id, outcome=outcome_words(answer.outcome, say))
    return (
        heading(title, 1)
        + lead(sentence, uncertainty=compared)
        + paragraph(f"{label}{say.sentence(basis)} {say('caution')}", kind="stated")
    )


def under(key: str, shown: Block | Blocks, say: Words = ENGLISH) -> Blocks:
    """Put a heading of the catalog over what a section shows."""
    return Blocks([heading(say(key)), *([shown] if isinstance(shown, Block) else shown)])


def pictures(
    caseload: Caseload,
    answer: ChildAnswer,
    say: Words = ENGLISH,
    *,
    narrow: bool = True,
    lines: str | None = None,
) -> Blocks:
    """Give one graph for each ladder, with a version for narrow screens.

    `lines` draws a line through each phase, as in `rungwise.figures.single_case_graph`.
    """
    several = len(answer.ladders) > 1
    blocks: list[Block | Picture] = []
    for ladder in answer.ladders:
        if several:
            verdict = verdict_words(ladder.verdict.code, answer, say)
            blocks.append(
                heading(say("page.ladder_heading", ladder=named(ladder, say), verdict=verdict), 3)
            )
        blocks.append(_picture(caseload, answer, ladder, say, narrow=narrow, lines=lines))
    return Blocks(blocks)


def numbers(answer: ChildAnswer, say: Words = ENGLISH) -> Blocks:
    """Give the three questions with their numbers, the size, and what each number says."""
    blocks: list[Block | Picture] = [numbers_table(answer, say)]
    if len(answer.ladders) > 1:
        blocks.append(_by_ladder(answer, say))
    return Blocks([*blocks, meanings_table(say)])


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
    verdict = answer.verdict
    first, second, third = questions(verdict, answer.rule.alpha, lower=_lower(answer), words=say.texts)
    if verdict.trend_ladder and not math.isnan(verdict.baseline_trend.value):
        asked = say("numbers.trend_ladder", question=second.question, ladder=verdict.trend_ladder)
        second = replace(second, question=asked)
    average = _average(answer)
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
        _row(say(f"numbers.average{without}"), "", average, say, bounded=False),
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
        notes=[turned(say, "numbers.direction", lower=_lower(answer)), *over_ladders],
    )


def trust(answer: ChildAnswer, say: Words = ENGLISH, caseload: Caseload | None = None) -> Blocks:
    """Give how often the verdict errs, the recording level and every caution.

    Where a caseload of several children is given, its own autocorrelation is marked in the table.
    """
    blocks: list[Block | Picture] = []
    # Where the printed answer leaves the rates out, they say nothing about this verdict.
    rated = len(answer.ladders) == 1 and answer.verdict.code in RATED
    rates, lower = answer.rates if rated else None, _lower(answer)
    in_table = say.sentence(rates.said(lower=lower)) if rates is not None else ""
    if rates is not None:
        names = (say("trust.wrong"), say("trust.power"), turned(say, "trust.found", lower=lower))
        several = caseload is not None and len(caseload.children) >= FEWEST_CHILDREN
        pooled = caseload_autocorrelation(caseload) if caseload is not None and several else None
        rows = [
            {
                say("trust.autocorrelation"): marked(phi, pooled, say),
                **{
                    name: say("trust.share", share=say.of_hundred(shares[phi]))
                    for name, shares in zip(names, (rates.wrong, rates.power, rates.found), strict=True)
                },
            }
            for phi in sorted(rates.wrong)
        ]
        simulated = say(
            "trust.note",
            baseline=rates.n_baseline,
            exposure=rates.n_exposure,
            effect=effect_words(rates, say, lower=lower),
        )
        caption = turned(say, "trust.caption", lower=lower)
        notes = [simulated, *about_caseload(pooled, say)]
        blocks.append(table(rows, caption=caption, numeric=names, notes=notes))
    if sentences := [sentence for sentence in cautions(answer, say) if sentence != in_table]:
        blocks.append(bullets(sentences))
    return Blocks(blocks)


def cautions(answer: ChildAnswer, say: Words = ENGLISH) -> list[str]:
    """Give every sentence that qualifies the answer: as a whole first, then number by number."""
    told = [*map(say.sentence, _general(answer)), *_by_number(answer, say)]
    return [_p_unbroken(sentence) for sentence in told]


def next_to_find_out(answer: ChildAnswer, say: Words = ENGLISH) -> Block:
    """Give what would settle the open question."""
    return bullets(to_find_out(answer, say))


def safety(say: Words = ENGLISH) -> Block:
    """Give the cautions that stand on every page someone might act on."""
    return note(*safety_sentences(say), title=say("safety.title"))


def left_out(caseload: Caseload, answer: ChildAnswer, say: Words = ENGLISH) -> Blocks:
    """Give every rating of this child that did not enter the answer, and why."""
    sentences = [
        *_outside_phases(answer, say),
        *_other_raters(caseload, answer, say),
        *_other_outcomes(caseload, answer, say),
        *_other_ladders(caseload, answer, say),
    ]
    missing = sum(ladder.series.n_missing for ladder in answer.ladders)
    if missing:
        sentences.append(say("left.missing", count=say.count("planned_rating", missing)))
    own, others = _set_aside(caseload, answer.child_id, say)
    if others:
        sentences.append(say("left.others", count=say.count("row", others)))
    if not sentences and not own:
        return Blocks([paragraph(say("left.nothing"))])
    blocks: list[Block | Picture] = [bullets(sentences)] if sentences else []
    if own:
        blocks.append(table(own, caption=say("left.caption"), numeric=[say("left.row")]))
    return Blocks(blocks)


def method(
    caseload: Caseload, answer: ChildAnswer, say: Words = ENGLISH, *, stated_on: date | None = None
) -> Block:
    """Give method, settings, versions and hashes: how to check the page."""
    return (
        heading(say("method.heading"))
        + bullets([*method_sentences(answer, say), used_settings(caseload, say)])
        + provenance(caseload.inputs, rerun=rerun(caseload, answer, say), stated_on=stated_on, say=say)
    )


def method_sentences(answer: ChildAnswer, say: Words = ENGLISH) -> list[str]:
    """Say how each number was computed, numbers computed alike together."""
    alike: dict[str, list[str]] = {}
    for name, estimate in _estimates(answer, say).items():
        alike.setdefault(_sentence(say.sentence(estimate.method)), []).append(name)
    sentences = [f"{_sentence(say.listed(names)).rstrip('.')}: {way}" for way, names in alike.items()]
    return [*sentences, say("method.maintenance"), say("method.p")]


def used_settings(caseload: Caseload, say: Words = ENGLISH) -> str:
    """Give the settings the verdict was made with, named in words, with where each comes from."""
    used = settings(caseload.practice, {name: say(f"setting.{name}") for name in _SETTINGS})
    told = "; ".join(f"{name} {say.sentence(value)}" for name, value in used.items())
    return say("method.settings", settings=told)


def day(text: str | None) -> date | None:
    """Read a date stated as ``YYYY-MM-DD``.

    Examples
    --------
    >>> day("2026-11-25"), day(None)
    (datetime.date(2026, 11, 25), None)
    """
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"today must be a date written YYYY-MM-DD, or None; got {text!r}.") from None


def outcome_words(outcome: str, say: Words = ENGLISH) -> str:
    """Give what was rated in the page's language, as recorded where the catalog does not know it."""
    return say.texts.get(f"outcome.{outcome}", outcome)


def whose_outcome(answer: ChildAnswer, say: Words = ENGLISH) -> str:
    """Name the child and what was rated, as the subject of the headline."""
    key = "who.unnamed" if answer.child_id == ONE_CHILD else "who"
    return say(key, child=answer.child_id, outcome=outcome_words(answer.outcome, say))


def verdict_words(code: str, answer: ChildAnswer, say: Words = ENGLISH) -> str:
    """Give a verdict in words, turned round where higher ratings are better."""
    return turned(say, f"verdict.{code}", lower=_lower(answer))


def graph_words(say: Words, prefix: str = "graph.") -> dict[str, str]:
    """Give the words of the graph."""
    return {key.removeprefix(prefix): text for key, text in say.texts.items() if key.startswith(prefix)}


def _picture(
    caseload: Caseload,
    answer: ChildAnswer,
    ladder: LadderAnswer,
    say: Words,
    *,
    narrow: bool,
    lines: str | None,
) -> Picture:
    starts_on = first_day(caseload, answer, ladder)
    outcome = outcome_words(answer.outcome, say)
    rating = say("page.rating", outcome=f"{outcome[0].upper()}{outcome[1:]}")
    words = graph_words(say)
    sizes = ((7.0, 3.0), (NARROW_INCHES, 3.9)) if narrow else ((7.0, 3.0),)
    wide, *small = (
        single_case_graph(
            ladder.series, lines=lines, projection=True, starts_on=starts_on, title="", rating=rating,
            words=words, width=width, height=height,
        )
        for width, height in sizes
    )  # fmt: skip
    alt = describe_graph(
        ladder.series, rating=outcome, answer=ladder.verdict,
        verdict=verdict_words(ladder.verdict.code, answer, say), words=words,
    )  # fmt: skip
    projected = any(line.get_gid() == "projection" for line in wide.lines)
    return picture(
        wide,
        alt=alt,
        caption=_caption(ladder, answer, say, projected=projected),
        narrow=small[0] if small else None,
        dpi=200 if narrow else 144,
    )


def _caption(ladder: LadderAnswer, answer: ChildAnswer, say: Words, *, projected: bool) -> str:
    series = ladder.series
    where = say("picture.where", ladder=named(ladder, say)) if ladder.ladder_id else ""
    parts = [say("picture.caption", outcome=outcome_words(answer.outcome, say), where=where)]
    if np.isin(series.phases, ["maintenance", "follow_up"]).any():
        parts.append(say("picture.later"))
    if series.declined.any():
        parts.append(turned(say, "picture.declined", lower=series.better == "lower"))
    if projected:
        parts.append(say("picture.projected"))
    return " ".join(parts)


def first_day(caseload: Caseload, answer: ChildAnswer, ladder: LadderAnswer) -> date | None:
    """Give the date of time 0 of a ladder's series, where days were recorded."""
    about = answer.child_id, ladder.ladder_id, answer.outcome
    steps = caseload.probe_steps(*about)
    rater = caseload.raters(*about, steps[0] if steps else None)[0]
    planned = caseload.planned
    chosen = (
        (planned["child_id"] == answer.child_id)
        & _texts(planned["ladder_id"], ladder.ladder_id)
        & (planned["outcome"] == answer.outcome)
        & _texts(planned["rated_by"], rater)
    )
    if len(steps) > 1:
        chosen &= planned["probe_step"] == steps[0]
    dates = planned["date"][chosen]
    if not len(dates) or np.isnat(dates).any():
        return None
    return date(1970, 1, 1) + timedelta(days=int(dates.min().astype("datetime64[D]").astype(int)))


def _texts(column: np.ndarray, text: str) -> np.ndarray:
    """Where a column holds a text; the empty text stands for nothing recorded."""
    return (column == text) if text else np.array([not cell for cell in column.tolist()], dtype=bool)


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


def _p_unbroken(sentence: str) -> str:
    """Keep a p, its sign of relation and its value on one line."""
    return re.sub(r"\bp ([=<≤]) (?=[.\d])", rf"p{_UNBROKEN}\1{_UNBROKEN}", sentence)


def _average(answer: ChildAnswer) -> Estimate:
    """Give the plain difference of means; the model's says why there is none over unlike scales."""
    difference = answer.verdict.difference
    if SCALES_DIFFER in difference.cautions:
        return difference
    return mean_change(*(ladder.series for ladder in answer.ladders))


def _held_against_margin(answer: ChildAnswer, say: Words) -> str:
    return say("numbers.held_against_margin", margin=f"{answer.rule.margin:g}")


def _estimates(answer: ChildAnswer, say: Words = ENGLISH) -> dict[str, Estimate]:
    """Give the estimates of the verdict under the names the page gives them."""
    verdict = answer.verdict
    held = {say("trust.held"): verdict.difference} if verdict.code == "about_the_same" else {}
    return {
        "(a)": verdict.fell,
        "(b)": verdict.baseline_trend,
        "(c)": verdict.beyond_baseline,
        "NAP": verdict.size,
        say("trust.average"): _average(answer),
        **held,
    }


def _general(answer: ChildAnswer) -> list[str]:
    """Give what qualifies the answer as a whole; what it rests on stands under the headline already."""
    _, *sentences = trust_sentences(answer)
    of_numbers = {caution for estimate in _estimates(answer).values() for caution in estimate.cautions}
    return [sentence for sentence in sentences if sentence not in of_numbers]


def _by_number(answer: ChildAnswer, say: Words) -> list[str]:
    """Give each caution once, with the numbers it concerns."""
    concerns: dict[str, list[str]] = {}
    for name, estimate in _estimates(answer, say).items():
        for caution in estimate.cautions:
            concerns.setdefault(caution, []).append(name)
    return [
        say("trust.about", numbers=say.listed(names), caution=say.sentence(caution))
        for caution, names in concerns.items()
    ]


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


def _outside_phases(answer: ChildAnswer, say: Words) -> list[str]:
    sentences = []
    for phase in ("maintenance", "follow_up"):
        count = sum(int(np.sum(ladder.series.phases == phase)) for ladder in answer.ladders)
        if count:
            sentences.append(say("left.phase", count=say.count(f"{phase}_rating", count)))
    return sentences


def _other_raters(caseload: Caseload, answer: ChildAnswer, say: Words) -> list[str]:
    sentences = []
    for ladder in answer.ladders:
        used, *others = caseload.raters(answer.child_id, ladder.ladder_id, answer.outcome)
        if others:
            who = ", ".join(other or say("left.unnamed") for other in others)
            several = len(answer.ladders) > 1
            where = say("left.on_ladder", ladder=named(ladder, say)) if several else ""
            used = used or say("left.unnamed_rater")
            sentences.append(say("left.raters", others=who, where=where, used=used))
    return sentences


def _other_outcomes(caseload: Caseload, answer: ChildAnswer, say: Words) -> list[str]:
    others = [
        outcome_words(other, say) for other in caseload.outcomes(answer.child_id) if other != answer.outcome
    ]
    outcome = outcome_words(answer.outcome, say)
    return [say("left.outcomes", others=", ".join(others), outcome=outcome)] if others else []


def _other_ladders(caseload: Caseload, answer: ChildAnswer, say: Words) -> list[str]:
    """Name the ladders that are rated and not practiced: the answer does not rest on them."""
    counted = {ladder.ladder_id for ladder in answer.ladders}
    rated = caseload.ladders(answer.child_id, answer.outcome)
    others = [ladder for ladder in rated if ladder not in counted]
    return [say("left.untrained", ladders=say.listed(others))] if others else []


def _set_aside(caseload: Caseload, child_id: str, say: Words) -> tuple[list[dict[str, str]], int]:
    """Give the rows set aside that are, or may be, this child's, and how many are other children's."""
    report = caseload.report
    may_be_own = {
        (row.source, row.row)
        for row in report.set_aside
        if row.cells.get("child_id", child_id) in ("", child_id)
    }
    others = len({(row.source, row.row) for row in report.set_aside} - may_be_own)
    rows = [
        {
            say("left.file"): problem.source,
            say("left.row"): str(problem.row),
            say("left.column"): problem.column,
            say("left.value"): problem.value,
            say("left.why"): f"{problem.problem} {problem.remedy}",
        }
        for problem in report.errors
        if (problem.source, problem.row) in may_be_own
    ]
    return rows, others


def rerun(caseload: Caseload, answer: ChildAnswer, say: Words = ENGLISH) -> str:
    """Give the command that makes the page again."""
    files = [file.name for file in caseload.inputs]
    source = files[0] if len(files) == 1 else "FOLDER"
    child = f" {answer.child_id}" if len(caseload.children) > 1 else ""
    lang = "" if say.lang == "en" else f" --lang {say.lang}"
    return f"rungwise child {source}{child} --report{lang}"


def _lower(answer: ChildAnswer) -> bool:
    return answer.ladders[0].series.better == "lower"


def named(ladder: LadderAnswer, say: Words = ENGLISH) -> str:
    """Give a ladder's name, or what stands for it."""
    return ladder.ladder_id or say("unnamed_ladder")


def _sentence(text: str) -> str:
    text = text.strip()
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith(".") else ".")
