"""The page about one child, block by block: what `notebooks/one_child.ipynb` shows.

The answer stands first, then the picture, the numbers, how far to trust them, what would settle it,
what was left out, and how to check the page. Every sentence that judges comes from
`rungwise.single_case`, so the page and the printed answer cannot disagree.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np

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
)
from rungwise.reports.catalog import Words
from rungwise.reports.catalog import words_in as words_in
from rungwise.reports.child_left_out import left_out as left_out
from rungwise.reports.child_numbers import estimates
from rungwise.reports.child_numbers import numbers as numbers
from rungwise.reports.child_trust import trust as trust
from rungwise.reports.provenance import provenance, settings
from rungwise.reports.words import (
    ENGLISH,
    lower_is_better,
    named,
    outcome_words,
    safety_sentences,
    to_find_out,
    turned,
    verdict_words,
    whose_outcome,
)
from rungwise.single_case.answer_text import trust_sentences
from rungwise.single_case.child_answer import which_child as which_child
from rungwise.single_case.verdict_words import comparison, headline

if TYPE_CHECKING:
    from rungwise.series.caseload import Caseload
    from rungwise.single_case.child_answer import ChildAnswer, LadderAnswer

NARROW_INCHES = 3.8
_SETTINGS = ("alpha", "margin", "minimum_baseline", "minimum_exposure")


def opening(caseload: Caseload, answer: ChildAnswer, say: Words = ENGLISH) -> Block:
    """Give the page's title and its answer: one plain sentence, then its uncertainty."""
    lower, verdict = lower_is_better(answer), answer.verdict
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
        blocks.append(_picture(answer, ladder, say, narrow=narrow, lines=lines))
    return Blocks(blocks)


def next_to_find_out(answer: ChildAnswer, say: Words = ENGLISH) -> Block:
    """Give what would settle the open question."""
    return bullets(to_find_out(answer, say))


def safety(say: Words = ENGLISH) -> Block:
    """Give the cautions that stand on every page someone might act on."""
    return note(*safety_sentences(say), title=say("safety.title"))


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
    for name, estimate in estimates(answer, say).items():
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


def graph_words(say: Words, prefix: str = "graph.") -> dict[str, str]:
    """Give the words of the graph."""
    return {key.removeprefix(prefix): text for key, text in say.texts.items() if key.startswith(prefix)}


def _picture(
    answer: ChildAnswer,
    ladder: LadderAnswer,
    say: Words,
    *,
    narrow: bool,
    lines: str | None,
) -> Picture:
    outcome = outcome_words(answer.outcome, say)
    rating = say("page.rating", outcome=f"{outcome[0].upper()}{outcome[1:]}")
    words = graph_words(say)
    sizes = ((7.0, 3.0), (NARROW_INCHES, 3.9)) if narrow else ((7.0, 3.0),)
    wide, *small = (
        single_case_graph(
            ladder.series, lines=lines, projection=True, starts_on=ladder.series.starts_on, title="",
            rating=rating, words=words, width=width, height=height,
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


def rerun(caseload: Caseload, answer: ChildAnswer, say: Words = ENGLISH) -> str:
    """Give the command that makes the page again."""
    files = [file.name for file in caseload.inputs]
    source = files[0] if len(files) == 1 else "FOLDER"
    child = f" {answer.child_id}" if len(caseload.children) > 1 else ""
    lang = "" if say.lang == "en" else f" --lang {say.lang}"
    return f"rungwise child {source}{child} --report{lang}"


def _sentence(text: str) -> str:
    text = text.strip()
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith(".") else ".")
