"""How far to trust one child's answer: how often such a verdict errs, and every caution."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from rungwise.reports.blocks import Block, Blocks, Picture, bullets, table
from rungwise.reports.calibration_section import about_caseload, marked
from rungwise.reports.catalog import Words
from rungwise.reports.child_numbers import estimates
from rungwise.reports.words import ENGLISH, effect_words, lower_is_better, turned
from rungwise.single_case.answer_text import shows_rates, trust_sentences
from rungwise.single_case.pooled_autocorrelation import FEWEST_CHILDREN, caseload_autocorrelation

if TYPE_CHECKING:
    from rungwise.series.caseload import Caseload
    from rungwise.single_case.child_answer import ChildAnswer

_UNBROKEN = "\N{NO-BREAK SPACE}"


def trust(answer: ChildAnswer, say: Words = ENGLISH, caseload: Caseload | None = None) -> Blocks:
    """Give how often the verdict errs, the recording level and every caution.

    Where a caseload of several children is given, its own autocorrelation is marked in the table.
    """
    blocks: list[Block | Picture] = []
    # Where the printed answer leaves the rates out, they say nothing about this verdict.
    rates, lower = answer.rates if shows_rates(answer) else None, lower_is_better(answer)
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


def _general(answer: ChildAnswer) -> list[str]:
    """Give what qualifies the answer as a whole; what it rests on stands under the headline already."""
    _, *sentences = trust_sentences(answer)
    of_numbers = {caution for estimate in estimates(answer).values() for caution in estimate.cautions}
    return [sentence for sentence in sentences if sentence not in of_numbers]


def _by_number(answer: ChildAnswer, say: Words) -> list[str]:
    """Give each caution once, with the numbers it concerns."""
    concerns: dict[str, list[str]] = {}
    for name, estimate in estimates(answer, say).items():
        for caution in estimate.cautions:
            concerns.setdefault(caution, []).append(name)
    return [
        say("trust.about", numbers=say.listed(names), caution=say.sentence(caution))
        for caution, names in concerns.items()
    ]


def _p_unbroken(sentence: str) -> str:
    """Keep a p, its sign of relation and its value on one line."""
    return re.sub(r"\bp ([=<≤]) (?=[.\d])", rf"p{_UNBROKEN}\1{_UNBROKEN}", sentence)
