"""Two sheets about one child: one for the family, one for the file.

The first sheet has no number that needs explaining and no mark of confidence; the second has all
numbers on one page and is marked. What `notebooks/family_and_file.ipynb` shows.
"""

from __future__ import annotations

import html
import math
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from rungwise.figures.single_case_graph import describe_graph, single_case_graph
from rungwise.reports.blocks import (
    Block,
    Blocks,
    bullets,
    facts,
    heading,
    lead,
    paragraph,
    picture,
)
from rungwise.reports.catalog import Words
from rungwise.reports.child_left_out import left_out
from rungwise.reports.child_numbers import numbers_table
from rungwise.reports.child_page import (
    NARROW_INCHES,
    graph_words,
    method_sentences,
    rerun,
    used_settings,
)
from rungwise.reports.child_trust import cautions
from rungwise.reports.provenance import hashes, made_with
from rungwise.reports.words import (
    ENGLISH,
    all_declined,
    enough_occasions,
    later,
    lower_is_better,
    named,
    outcome_words,
    rating_words,
    turned,
    whose_outcome,
)
from rungwise.single_case.verdict_words import headline

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from rungwise.series.caseload import Caseload
    from rungwise.series.phase_series import PhaseSeries
    from rungwise.single_case.child_answer import ChildAnswer, LadderAnswer

# Heights of the pictures in inches, so that the family's sheet stays one page: of one alone, of each of
# two side by side, of each of three or four, and of each of four where others are named.
_ALONE, _BESIDE, _ROOM = 3.0, (2.5, 1.8, 1.6), 4
_LATEST = 3
_NEXT = {
    "fell_beyond_baseline": ("last", "helped"),
    "fell_baseline_may_explain": ("helped", "last"),
    "fell_short_baseline": ("longer_start", "last"),
    "no_clear_change": ("more_time", "same_step"),
    "about_the_same": ("right_step", "same_step"),
    "rose": ("what_else", "too_hard"),
    "too_few": ("more_ratings",),
    "no_room": ("matters",),
}
_KNOW = 4


def family_answer(answer: ChildAnswer, say: Words = ENGLISH) -> Block:
    """Give the answer in plain words, with how sure it is in natural frequencies."""
    lower = lower_is_better(answer)
    code = answer.verdict.code
    phrases = {
        name: turned(say, f"family.{name}", lower=lower)
        for name in ("went_down", "going_down", "went_up", "low")
    }
    key = code
    if all_declined(answer):
        key = "all_declined"
    elif code == "too_few" and enough_occasions(answer):
        key = "too_alike"
    sentence = say(f"family.answer.{key}", fear=outcome_words(answer.outcome, say), **phrases)
    size = answer.verdict.size.value
    sure = []
    if code not in ("too_few", "no_room") and not math.isnan(size):
        better = size >= 0.5
        sure.append(
            say(
                "family.sure",
                compared=turned(say, "family.lower", lower=lower == better),
                tenths=_tenths(size if better else 1 - size, say),
            )
        )
    if len(answer.ladders) > 1:
        sure.append(say("family.ladders", number=len(answer.ladders)))
    return heading(answer.child_id, 1) + lead(sentence, uncertainty=" ".join(sure))


def family_pictures(answer: ChildAnswer, say: Words = ENGLISH) -> Blocks:
    """Give a picture of each ladder, in everyday words; several stand side by side.

    A sheet has room for four; further ladders are named in a sentence.
    """
    outcome = outcome_words(answer.outcome, say)
    rating = f"{outcome[0].upper()}{outcome[1:]}"
    # What the family has no word of its own for keeps the graph's.
    words = {**graph_words(say), **graph_words(say, "family.graph.")}

    def drawn(series: PhaseSeries, width: float, height: float) -> Axes:
        return single_case_graph(
            series, starts_on=series.starts_on, title="", rating=rating, words=words,
            width=width, height=height,
        )  # fmt: skip

    if len(answer.ladders) == 1:
        series = answer.ladders[0].series
        wide, narrow = drawn(series, 7.0, _ALONE), drawn(series, NARROW_INCHES, 3.4)
        alt = describe_graph(series, rating=outcome, words=words)
        return Blocks([picture(wide, alt=alt, caption=_caption(answer, say), narrow=narrow)])
    shown, others = _pictured(answer)
    height = _BESIDE[2 if others else int(len(shown) > 2)]
    parts = []
    for ladder in shown:
        alt = describe_graph(ladder.series, rating=outcome, words=words)
        seen = picture(drawn(ladder.series, NARROW_INCHES, height), alt=alt)
        parts.append(heading(named(ladder, say), 3) + Block(seen.html, str(seen)))
    inside = "\n".join(f"<div>{part.html}</div>" for part in parts)
    text = "\n\n".join(part.text for part in parts)
    blocks = [
        Block(f'<div class="side-by-side">{inside}</div>', text),
        paragraph(_caption(answer, say), kind="small"),
    ]
    if others:
        names = say.listed([named(ladder, say) for ladder in others])
        blocks.append(paragraph(say("family.not_pictured", ladders=names)))
    return Blocks(blocks)


def went_well(answer: ChildAnswer, say: Words = ENGLISH) -> Block:
    """Give what can truly be said to have gone well, beginning with the child's own work."""
    told = [_faced(answer, say)]
    if len(answer.ladders) == 1:
        return bullets([*told, *_better(answer.ladders[0].series, say)])
    for ladder in _pictured(answer)[0]:
        name = named(ladder, say)
        name = f"{name[0].upper()}{name[1:]}"
        if medians := _calmer(ladder.series):
            told.append(say("family.ladder_from_to", ladder=name, **medians))
        elif better := _better(ladder.series, say):
            told.append(f"{name}: {better[0]}")
    return bullets(told)


def _pictured(answer: ChildAnswer) -> tuple[tuple[LadderAnswer, ...], tuple[LadderAnswer, ...]]:
    """Give the ladders the sheet has room for, and the others."""
    return answer.ladders[:_ROOM], answer.ladders[_ROOM:]


def _faced(answer: ChildAnswer, say: Words) -> str:
    """Say how often the child was asked, and how many of these times the child said no."""
    several = ".several" if len(answer.ladders) > 1 else ""
    asked = sum(int(ladder.series.usable.sum()) for ladder in answer.ladders)
    declined = sum(int(ladder.series.declined.sum()) for ladder in answer.ladders)
    if asked and declined == asked:
        return say(f"family.faced_no{several}", times=_times(asked, say))
    some = ".some" if declined else ""
    return say(f"family.faced{some}{several}", times=_times(asked, say), no=_times(declined, say))


def find_out_next(answer: ChildAnswer, say: Words = ENGLISH) -> Block:
    """Give the questions that are still open, in plain words."""
    keys = _NEXT[answer.verdict.code]
    if all_declined(answer):
        keys = ("too_hard",)
    elif answer.verdict.code == "too_few" and enough_occasions(answer):
        keys = ("right_step", "same_step")
    return bullets(_question(key, answer, say) for key in keys)


def _question(key: str, answer: ChildAnswer, say: Words) -> str:
    if key == "helped" and len(answer.ladders) > 1:
        return say("family.next.helped.several")
    asked, declined, ratings = later(answer, "maintenance", "follow_up")
    if key != "last" or not asked:
        return say(f"family.next.{key}")
    said_no = say("family.next.lasted_no", times=_times(declined, say)) if declined else ""
    if not len(ratings):
        return say("family.next.lasted_declined", times=_times(asked, say))
    low, high = rating_words(ratings.min()), rating_words(ratings.max())
    shown = "same" if low == high else "range"
    return say(f"family.next.lasted_{shown}", times=_times(asked, say), low=low, high=high) + said_no


def good_to_know(say: Words = ENGLISH) -> Block:
    """Give what a family should know whatever the answer is."""
    return bullets(say(f"family.know.{number}") for number in range(1, _KNOW + 1))


def file_sheet(
    caseload: Caseload, answer: ChildAnswer, say: Words = ENGLISH, *, stated_on: date | None = None
) -> Block:
    """Give the second sheet: numbers, how far to trust them, cautions, method, on one marked page."""
    outcome = outcome_words(answer.outcome, say)
    lower = lower_is_better(answer)
    who = whose_outcome(answer, say)
    inside = (
        heading(say("family.file", child=answer.child_id, outcome=outcome), 2)
        + paragraph(say.number(headline(answer.verdict, who, lower=lower, words=say.texts)))
        + numbers_table(answer, say)
        + heading(say("page.trust"), 3)
        + bullets(cautions(answer, say))
        + heading(say("page.left_out"), 3)
        + sum_blocks(left_out(caseload, answer, say))
        + heading(say("safety.title"), 3)
        + paragraph(say("safety.short"))
        + heading(say("method.heading"), 3)
        + paragraph(*method_sentences(answer, say))
        + paragraph(used_settings(caseload, say))
        + facts(made_with(rerun(caseload, answer, say), stated_on, say))
        + facts(hashes(caseload.inputs), kind="hashes")
    )
    mark = say("edition.practice")
    return Block(
        f'<section class="file-sheet"><div class="file-mark" role="note">{html.escape(mark)}</div>\n'
        f"{inside.html}\n</section>",
        f"{mark}\n\n{inside.text}",
    )


def sum_blocks(blocks: Blocks) -> Block:
    """Join blocks of text and tables into one."""
    first, *rest = (block for block in blocks if isinstance(block, Block))
    for block in rest:
        first = first + block
    return first


def _caption(answer: ChildAnswer, say: Words) -> str:
    declined = any(ladder.series.declined.any() for ladder in answer.ladders)
    caption = turned(say, "family.caption", lower=lower_is_better(answer))
    return caption.format(declines=say("family.caption_declines") if declined else "")


def _better(series: PhaseSeries, say: Words) -> list[str]:
    """Facts about one series that favor the child, and the declines whatever they show."""
    told = []
    sign = -1 if series.better == "lower" else 1
    before, since = _rated(series, "baseline"), _rated(series, "exposure")
    if medians := _calmer(series):
        told.append(say("family.from_to", **medians))
    if len(before) and len(since) >= _LATEST:
        best_before, best = float((sign * before).max() * sign), float((sign * since).max() * sign)
        if sign * best > sign * best_before:
            told.append(say("family.best", best=rating_words(best), before=rating_words(best_before)))
    declined_before, declined_since = (
        int(series.declined[series.phases == phase].sum()) for phase in ("baseline", "exposure")
    )
    share_before = declined_before / max(int(np.sum(series.phases == "baseline")), 1)
    share_since = declined_since / max(int(np.sum(series.phases == "exposure")), 1)
    if share_since < share_before:
        before_words, after_words = _times(declined_before, say), _times(declined_since, say)
        told.append(say("family.fewer_declines", before=before_words, after=after_words))
    elif declined_before + declined_since:
        told.append(say("family.brave"))
    return told


def _calmer(series: PhaseSeries) -> dict[str, str]:
    """Give the usual rating before and the latest ones, where these are better; else nothing."""
    before, since = _rated(series, "baseline"), _rated(series, "exposure")
    if not len(before) or len(since) < _LATEST:
        return {}
    usual, latest = float(np.median(before)), float(np.median(since[-_LATEST:]))
    better = latest < usual if series.better == "lower" else latest > usual
    return {"before": rating_words(usual), "after": rating_words(latest)} if better else {}


def _rated(series: PhaseSeries, phase: str) -> np.ndarray:
    values = series.of(phase)
    return values[~np.isnan(values)]


def _tenths(share: float, say: Words = ENGLISH) -> str:
    """Write a share in tenths that never rounds to a false 0 or 10."""
    tenths = round(10 * share)
    if tenths == 10 and share < 1:
        return say("family.more_than_9")
    if tenths == 0 and share > 0:
        return say("family.less_than_1")
    return str(tenths)


def _times(number: int, say: Words) -> str:
    return say(f"family.times.{number if number < 3 else 'many'}", n=number)
