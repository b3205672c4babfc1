"""The ladders of a whole practice on a page: how soon steps are mastered, and where children stall."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from rungwise.basis.page_numbers import format_bounded, format_interval, format_number, of_hundred
from rungwise.figures.mastery_curve import describe_mastery_curve, mastery_curve
from rungwise.ladders.approach import declines_by_step
from rungwise.ladders.dose import MEASURES, NOT_CAUSAL, dose_and_progress
from rungwise.ladders.mastery import (
    CLUSTERED,
    mastery_curves,
    mastery_episodes,
    steps_where_children_stall,
)
from rungwise.ladders.review import remark_sentence, review_ladders
from rungwise.ladders.step_adjusted_group import step_adjusted_group
from rungwise.reports.blocks import (
    Block,
    Blocks,
    Picture,
    bullets,
    heading,
    note,
    paragraph,
    picture,
    table,
)
from rungwise.reports.words import ENGLISH

if TYPE_CHECKING:
    from rungwise.ladders.mastery import Episodes
    from rungwise.reports.catalog import Words
    from rungwise.series.caseload import Caseload

_NARROW_INCHES = 3.8
# Steps practiced by fewer children say next to nothing about the step (design choice).
_FEWEST_CHILDREN = 5
_STALL_ROWS = 12
Shown = list[Block | Picture]


def practice_ladders(caseload: Caseload, say: Words = ENGLISH) -> Blocks:
    """Give the ladder section of the audit: how soon steps are mastered and where children stall.

    It covers everything recorded so far, as a quarter alone holds too few steps.

    Parameters
    ----------
    caseload : Caseload
    say : Words
        Language.

    Returns
    -------
    Blocks
        Empty where no trials were recorded.
    """
    episodes = mastery_episodes(caseload)
    if episodes is None or not episodes.practiced.any():
        return Blocks()
    episodes = episodes.where(episodes.practiced)
    curves, words = mastery_curves(episodes), ladder_figure_words(say)

    def drawn(width: float, height: float) -> Any:
        return mastery_curve(curves, episodes.occasions, words=words, width=width, height=height)

    blocks: Shown = [
        heading(say("climb.practice_heading")),
        paragraph(
            say(
                "climb.so_far",
                steps=say.count("climb.step", len(episodes)),
                criterion=_criterion(caseload, say),
            )
        ),
        picture(
            drawn(7.0, 3.2),
            alt=describe_mastery_curve(curves, words=words),
            caption=f"{say('climb.mastery.caption')} {say.sentence(CLUSTERED)}",
            narrow=drawn(_NARROW_INCHES, 3.4),
        ),
    ]
    for part in (
        _stalls(caseload, episodes, say),
        _together(caseload, say),
        _doses(caseload, say),
        remarks_on(caseload, None, say),
    ):
        blocks += part
    return Blocks(blocks)


def ladder_figure_words(say: Words) -> dict[str, str]:
    """Give the words of the figures about ladders."""
    prefix = "ladder_figure."
    return {key.removeprefix(prefix): text for key, text in say.texts.items() if key.startswith(prefix)}


def cell(value: float, say: Words, write: Callable[[float], str] = format_number) -> str:
    """Write a number in a table, and a dash where there is none."""
    return "–" if math.isnan(value) else say.number(write(value))


def remarks_on(caseload: Caseload, ladders: set[str] | None, say: Words) -> Shown:
    """Give the remarks on some ladders, or on all, under a heading for each ladder."""
    remarks = [one for one in review_ladders(caseload) if ladders is None or one.ladder_id in ladders]
    if not remarks:
        return []
    prefix = "remark."
    words = {key.removeprefix(prefix): text for key, text in say.texts.items() if key.startswith(prefix)}
    sentences = [remark_sentence(one, words, say.sentence) for one in remarks]
    blocks: Shown = [heading(say("climb.review"), 3), paragraph(say("climb.review.what"))]
    for ladder in dict.fromkeys(one.ladder_id for one in remarks):
        blocks.append(heading(ladder, 4))
        blocks.append(
            bullets(
                say("climb.review.one", step=one.step, remark=told) if one.before else told
                for one, told in zip(remarks, sentences, strict=True)
                if one.ladder_id == ladder
            )
        )
    return blocks


def _criterion(caseload: Caseload, say: Words) -> str:
    mastery = caseload.practice.mastery
    key = "climb.criterion.in_a_row" if mastery.occasions_in_a_row > 1 else "climb.criterion"
    times = say.count("climb.occasion", mastery.occasions_in_a_row)
    return say(key, rating=f"{mastery.rating_at_most:g}", occasions=times)


def _stalls(caseload: Caseload, episodes: Episodes, say: Words) -> Shown:
    frame = steps_where_children_stall(episodes)
    counted = declines_by_step(caseload)
    declined = {
        (row["ladder_id"], row["step"]): say("climb.of", n=int(row["declined"]), all=int(row["trials"]))
        for row in counted.to_dict("records")
        if row["kind"] == "practice"
    }
    few = frame["children"] < _FEWEST_CHILDREN
    # A step nobody had to work at tells nothing: the hardest come first.
    frame = frame[~few].sort_values(
        ["share_mastered", "longest_without"], ascending=[True, False], kind="stable"
    )
    shown = frame.head(_STALL_ROWS)
    rows = [
        {
            say("climb.ladder_step"): f"{row['ladder_id']} {row['step']}",
            say("climb.mastered"): say("climb.of", n=row["mastered"], all=row["children"]),
            say("numbers.interval", level="95"): say(
                "climb.percent_range", low=of_hundred(row["ci_low"]), high=of_hundred(row["ci_high"])
            ),
            say("climb.not_yet"): row["not_there_yet"],
            say("climb.longest"): row["longest_without"],
            say("climb.left"): row["left_because_of_fear"],
            say("climb.passed_over"): row["passed_over"],
            say("climb.lost"): row["lost_again"],
            say("climb.declined_trials"): declined[row["ladder_id"], row["step"]],
        }
        for row in shown.to_dict("records")
    ]
    more = len(frame) - len(shown)
    notes = [say("climb.stall.note")]
    if few.any():
        notes.append(
            say("climb.stall.few", steps=say.count("climb.step", int(few.sum())), n=_FEWEST_CHILDREN)
        )
    if more > 0:
        notes.append(say("climb.stall.more", steps=say.count("climb.step", more)))
    return [
        table(
            rows,
            caption=say("climb.stall.caption"),
            numeric=list(rows[0])[1:] if rows else [],
            notes=notes,
            when_empty=say("climb.stall.none", n=_FEWEST_CHILDREN),
        )
    ]


def _together(caseload: Caseload, say: Words) -> Shown:
    group = step_adjusted_group(caseload)
    blocks: Shown = [heading(say("climb.adjusted"), 3)]
    if group.refused:
        return [*blocks, paragraph(say.sentence(group.refused))]
    change = group.per_week
    return [
        *blocks,
        paragraph(
            say(
                "climb.together", programs=say.count("climb.program", len(group.programs)),
                change=format_number(change.value, 2),
                interval=say.number(format_interval(change, 2, bounded=False)),
                spread=format_number(group.spread, 2), worth=format_number(group.per_difficulty.value, 2),
            ),
            *map(say.sentence, change.cautions),
            say(
                "climb.together.left_out", programs=say.count("climb.program", len(group.left_out)),
            ),
        ),
    ]  # fmt: skip


def _doses(caseload: Caseload, say: Words) -> Shown:
    frame, estimates = dose_and_progress(caseload)
    if frame.empty:
        return []
    sentences = []
    planned = frame[frame["probes_planned"].notna() & frame["probes_done"].notna()]
    if len(planned):
        done, asked = planned["probes_done"].sum(), planned["probes_planned"].sum()
        children = say.count("child", len(planned))
        sentences.append(say("climb.doses.probes", done=int(done), all=f"{asked:.0f}", children=children))
    met = frame[frame["contacts"].notna()]
    if len(met) and met["contacts"].sum():
        sentences.append(
            say("climb.doses.contacts", done=int(met["attended"].sum()), all=int(met["contacts"].sum()))
        )
    known = [
        (name, one) for name, one in zip(MEASURES, estimates, strict=True) if not math.isnan(one.value)
    ]
    sentences += [
        say(
            f"climb.doses.{name}", rho=format_bounded(one.value), children=say.count("child", one.n)
        )
        for name, one in known
    ]  # fmt: skip
    if not sentences:
        return []
    return [
        heading(say("climb.dose"), 3),
        bullets(sentences),
        *([note(say.sentence(NOT_CAUSAL), title=say("climb.not_a_cause"))] if known else []),
    ]
