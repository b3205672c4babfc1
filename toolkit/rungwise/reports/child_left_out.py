"""What one child's answer left out, and why: nothing disappears without a sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rungwise.reports.blocks import Block, Blocks, Picture, bullets, paragraph, table
from rungwise.reports.catalog import Words
from rungwise.reports.problem_words import problem_and_remedy
from rungwise.reports.words import ENGLISH, named, outcome_words

if TYPE_CHECKING:
    from rungwise.series.caseload import Caseload
    from rungwise.single_case.child_answer import ChildAnswer


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


def _outside_phases(answer: ChildAnswer, say: Words) -> list[str]:
    sentences = []
    for phase in ("maintenance", "follow_up"):
        count = sum(int(np.sum(ladder.series.phases == phase)) for ladder in answer.ladders)
        if count:
            sentences.append(say("left.phase", count=say.count(f"{phase}_rating", count)))
    return sentences


def _other_raters(caseload: Caseload, answer: ChildAnswer, say: Words) -> list[str]:
    """Name the raters left out, ladders with the same ones together."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for ladder in answer.ladders:
        raters = caseload.raters(answer.child_id, ladder.ladder_id, answer.outcome)
        if len(raters) > 1:
            alike.setdefault(tuple(raters), []).append(named(ladder, say))
    sentences = []
    for (used, *others), ladders in alike.items():
        who = ", ".join(_rater(other, say) or say("left.unnamed") for other in others)
        where = say("left.on_ladder", ladder=say.listed(ladders)) if len(answer.ladders) > 1 else ""
        by = _rater(used, say) or say("left.unnamed_rater")
        sentences.append(say("left.raters", others=who, where=where, used=by))
    return sentences


def _rater(kind: str, say: Words) -> str:
    return say.texts.get(f"rater.{kind}", kind)


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
            say("left.why"): " ".join(problem_and_remedy(problem, say)),
        }
        for problem in report.errors
        if (problem.source, problem.row) in may_be_own
    ]
    return rows, others
