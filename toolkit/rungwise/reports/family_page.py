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

from rungwise.basis.page_numbers import format_number
from rungwise.figures.single_case_graph import describe_graph, single_case_graph
from rungwise.reports import family_words as say
from rungwise.reports.blocks import (
    Block,
    Blocks,
    Picture,
    bullets,
    facts,
    heading,
    lead,
    paragraph,
    picture,
)
from rungwise.reports.child_page import (
    NARROW_INCHES,
    cautions,
    first_day,
    left_out,
    method_sentences,
    named,
    numbers_table,
    rerun,
    used_settings,
)
from rungwise.reports.html import EDITIONS
from rungwise.reports.provenance import hashes, made_with
from rungwise.reports.words import SAFETY_SHORT

if TYPE_CHECKING:
    from rungwise.series.caseload import Caseload
    from rungwise.series.phase_series import PhaseSeries
    from rungwise.single_case.child_answer import ChildAnswer

# Height of each picture in inches, so that the family's sheet stays one page.
_HEIGHTS = {1: 3.3, 2: 1.85, 3: 1.5}
_LATEST = 3


def family_answer(answer: ChildAnswer) -> Block:
    """Give the answer in plain words, with how sure it is in natural frequencies."""
    turn = _turn(answer)
    code = answer.verdict.code
    sentence = say.ANSWERS[code].format(fear=answer.outcome, **turn)
    size = answer.verdict.size.value
    sure = []
    if code not in ("too_few", "no_room") and not math.isnan(size):
        better = size >= 0.5
        sure.append(
            say.SURE.format(
                compared=turn["lower" if better else "higher"], tenths=_tenths(size if better else 1 - size)
            )
        )
    if len(answer.ladders) > 1:
        sure.append(say.LADDERS.format(number=len(answer.ladders)))
    return heading(answer.child_id, 1) + lead(sentence, uncertainty=" ".join(sure))


def family_pictures(caseload: Caseload, answer: ChildAnswer) -> Blocks:
    """Give one picture for each ladder, in everyday words."""
    height = _HEIGHTS.get(len(answer.ladders), min(_HEIGHTS.values()))
    rating = f"{answer.outcome[0].upper()}{answer.outcome[1:]}"
    blocks: list[Block | Picture] = []
    for ladder in answer.ladders:
        if len(answer.ladders) > 1:
            blocks.append(heading(named(ladder), 3))
        wide, narrow = (
            single_case_graph(
                ladder.series, starts_on=first_day(caseload, answer, ladder), title="", rating=rating,
                words=say.GRAPH, width=width, height=tall,
            )
            for width, tall in ((7.0, height), (NARROW_INCHES, 3.4))
        )  # fmt: skip
        caption = _caption(answer) if ladder is answer.ladders[-1] else ""
        alt = describe_graph(ladder.series, rating=answer.outcome, words=say.GRAPH)
        blocks.append(picture(wide, alt=alt, caption=caption, narrow=narrow))
    return Blocks(blocks)


def went_well(answer: ChildAnswer) -> Block:
    """Give what can truly be said to have gone well, beginning with the child's own work."""
    faced = _times(sum(int(ladder.series.usable.sum()) for ladder in answer.ladders))
    if len(answer.ladders) == 1:
        return bullets([say.FACED.format(times=faced), *_better(answer.ladders[0].series)])
    told = [say.FACED_SEVERAL.format(times=faced)]
    for ladder in answer.ladders:
        if better := _better(ladder.series):
            told.append(f"{named(ladder)[0].upper()}{named(ladder)[1:]}: {better[0]}")
    return bullets(told)


def find_out_next(answer: ChildAnswer) -> Block:
    """Give the questions that are still open, in plain words."""
    return bullets(say.NEXT[answer.verdict.code])


def good_to_know() -> Block:
    """Give what a family should know whatever the answer is."""
    return bullets(say.GOOD_TO_KNOW)


def file_sheet(caseload: Caseload, answer: ChildAnswer, *, stated_on: date | None = None) -> Block:
    """Give the second sheet: numbers, how far to trust them, cautions, method, on one marked page."""
    title = f"{say.HEADINGS['file']}: {answer.child_id}, {answer.outcome} at the probe step"
    left = left_out(caseload, answer)
    inside = (
        heading(title, 2)
        + paragraph(answer.headline)
        + numbers_table(answer)
        + heading("How far to trust this", 3)
        + bullets(cautions(answer))
        + heading("What was left out", 3)
        + sum_blocks(left)
        + heading("Before anyone acts on this", 3)
        + paragraph(SAFETY_SHORT)
        + heading("Method", 3)
        + paragraph(*method_sentences(answer))
        + paragraph(used_settings(caseload))
        + facts(made_with(rerun(caseload, answer), stated_on))
        + facts(hashes(caseload.inputs), kind="hashes")
    )
    mark = html.escape(EDITIONS["practice"])
    return Block(
        f'<section class="file-sheet"><div class="file-mark" role="note">{mark}</div>\n'
        f"{inside.html}\n</section>",
        f"{EDITIONS['practice']}\n\n{inside.text}",
    )


def sum_blocks(blocks: Blocks) -> Block:
    """Join blocks of text and tables into one."""
    first, *rest = (block for block in blocks if isinstance(block, Block))
    for block in rest:
        first = first + block
    return first


def _caption(answer: ChildAnswer) -> str:
    declined = any(ladder.series.declined.any() for ladder in answer.ladders)
    return say.CAPTION.format(
        better="Lower" if answer.ladders[0].series.better == "lower" else "Higher",
        declines=say.CAPTION_DECLINES if declined else "",
    )


def _better(series: PhaseSeries) -> list[str]:
    """Facts about one series that favor the child, and the declines whatever they show."""
    facts = []
    sign = -1 if series.better == "lower" else 1
    before, since = _rated(series, "baseline"), _rated(series, "exposure")
    if len(before) and len(since) >= _LATEST:
        usual, latest = float(np.median(before)), float(np.median(since[-_LATEST:]))
        if sign * latest > sign * usual:
            facts.append(say.FROM_TO.format(before=_plain(usual), after=_plain(latest)))
        best_before, best = float((sign * before).max() * sign), float((sign * since).max() * sign)
        if sign * best > sign * best_before:
            facts.append(say.BEST.format(best=_plain(best), before=_plain(best_before)))
    declined_before, declined_since = (
        int(series.declined[series.phases == phase].sum()) for phase in ("baseline", "exposure")
    )
    share_before = declined_before / max(int(np.sum(series.phases == "baseline")), 1)
    share_since = declined_since / max(int(np.sum(series.phases == "exposure")), 1)
    if share_since < share_before:
        facts.append(
            say.FEWER_DECLINES.format(before=_times(declined_before), after=_times(declined_since))
        )
    elif declined_before + declined_since:
        facts.append(say.DECLINES_COUNT.format(times=_times(declined_before + declined_since)))
    return facts


def _rated(series: PhaseSeries, phase: str) -> np.ndarray:
    values = series.of(phase)
    return values[~np.isnan(values)]


def _turn(answer: ChildAnswer) -> dict[str, str]:
    return say.LOWER if answer.ladders[0].series.better == "lower" else say.HIGHER


def _tenths(share: float) -> str:
    """Write a share in tenths that never rounds to a false 0 or 10."""
    tenths = round(10 * share)
    if tenths == 10 and share < 1:
        return "more than 9"
    if tenths == 0 and share > 0:
        return "less than 1"
    return str(tenths)


def _times(number: int) -> str:
    return {0: "not once", 1: "once", 2: "twice"}.get(number, f"{number} times")


def _plain(value: float) -> str:
    return format_number(value, 0 if value.is_integer() else 1)
