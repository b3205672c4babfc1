"""Whether the ratings can be trusted: second observers, procedures, other raters, what is missing."""

from __future__ import annotations

import math
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from rungwise.agreement.coverage import VARIABLES, agreement_reviews
from rungwise.agreement.fidelity import fidelity_review
from rungwise.agreement.missing import headline_bounds, missing_after_worse, missing_as
from rungwise.agreement.raters import paired_ratings, rater_difference, rater_effects
from rungwise.basis.page_numbers import count_of, format_bounded, format_p
from rungwise.figures.rater_comparison import describe_rater_comparison, rater_comparison
from rungwise.reports.blocks import Block, Blocks, Picture, bullets, heading, paragraph, picture, table
from rungwise.single_case.tau import tau
from rungwise.tables.table import TableSet

if TYPE_CHECKING:
    from rungwise.audit.audit import Audit
    from rungwise.basis.estimate import Estimate
    from rungwise.series.caseload import Caseload
    from rungwise.single_case.child_answer import ChildAnswer

_NARROW_INCHES = 3.8
# Fewer occasions rated by both say next to nothing about their difference (design choice).
FEWEST_PAIRS = 10
_PHASES = {
    "baseline": "baseline",
    "exposure": "exposure",
    "maintenance": "maintenance",
    "follow_up": "follow-up",
}
BOUNDS = (
    "Bounds put every missing rating at one end of the scale and then at the other; no result is taken "
    "from them, and nothing is filled in anywhere else."
)


def child_agreement(caseload: Caseload, answer: ChildAnswer) -> Blocks:
    """Say how far the ratings behind one child's answer can be trusted.

    Parameters
    ----------
    caseload : Caseload
    answer : ChildAnswer

    Returns
    -------
    Blocks
        Empty where neither second observers, nor procedures, nor a second kind of rater were recorded.
    """
    blocks: list[Block | Picture] = []
    own = _of_child(caseload, answer.child_id)
    blocks += _observers(own)
    blocks += _procedures(own)
    blocks += _raters(caseload, answer)
    if not blocks:
        return Blocks()
    return Blocks([heading("Whether the ratings can be trusted"), *blocks, *_missing(answer)])


def practice_agreement(caseload: Caseload, audit: Audit) -> Blocks:
    """Bound the audit's headline by those not judged, and hold kinds of rater against each other.

    Parameters
    ----------
    caseload : Caseload
    audit : Audit

    Returns
    -------
    Blocks
        Empty where everybody due was judged and no occasion was rated by two kinds of rater.
    """
    blocks: list[Block | Picture] = []
    fell, judged, due = (int(audit.beside[name].sum()) for name in ("fell", "judged", "due"))
    if due > judged:
        bounds = headline_bounds(fell, judged, due - judged, words="fell")
        blocks.append(paragraph(bounds.sentence))
    series = [
        caseload.series(child, ladder)
        for child in caseload.children
        for ladder in caseload.ladders(child)
        if caseload.outcomes(child)[0] == "fear"
    ]
    if sum(one.n_missing for one in series):
        blocks.append(paragraph(_depends(missing_after_worse(*series))))
    for first, second in combinations(_kinds(caseload), 2):
        a, b, children = paired_ratings(caseload, first, second)
        if np.sum(~np.isnan(a) & ~np.isnan(b)) < FEWEST_PAIRS:
            continue
        difference = rater_difference(a, b, children)
        drawn = [
            rater_comparison(a, b, children, first=first, second=second, width=width)
            for width in (7.0, _NARROW_INCHES)
        ]
        blocks.append(
            picture(
                drawn[0],
                alt=describe_rater_comparison(difference, first=first, second=second),
                caption=f"Ratings by {first} and {second} of the same occasions, compared and never mixed.",
                narrow=drawn[1],
            )
        )
    return (
        Blocks([heading("What missing ratings and other raters could change"), *blocks])
        if blocks
        else (Blocks())
    )


def _of_child(caseload: Caseload, child_id: str) -> TableSet:
    """Give a child's own rows of the tables agreement rests on."""
    kept = {}
    for name, rows in caseload.tables.items():
        kept[name] = rows.where(rows["child_id"] == child_id) if "child_id" in rows.columns else rows
    return TableSet(kept, caseload.practice, caseload.report)


def _observers(own: TableSet) -> list[Block | Picture]:
    if (
        "agreement" not in own.tables
        or "observations" not in own.tables
        or not len(own.tables["agreement"])
    ):
        return []
    rows: list[dict[str, str | int]] = []
    reasons: dict[str, None] = {}
    for variable in VARIABLES:
        for review in agreement_reviews(own, variable=variable, each_child=False):
            if review.verdict == "not applicable":
                reasons[f"{_variable(variable)}: {' '.join(review.reasons)}"] = None
                continue
            for phase in review.phases:
                rows.append(
                    {
                        "What": _variable(variable),
                        "Phase": _PHASES[phase.phase],
                        "Trials": phase.share.n,
                        "Seen twice": int(phase.share.counts["count"]),
                        "Agreement": _share(phase.agreement),
                        "Kappa": _share(phase.kappa),
                    }
                )
            reasons[f"{_variable(variable)}: {review.verdict}; {'; '.join(review.reasons)}."] = None
            reasons |= dict.fromkeys(review.cautions)
    if not rows and not reasons:
        return []
    return [
        table(
            rows,
            caption="Probe trials seen by a second observer",
            numeric=["Trials", "Seen twice", "Agreement", "Kappa"],
            when_empty="none that a second observer could judge.",
        ),
        bullets(reasons),
    ]


def _variable(name: str) -> str:
    return {"outcome": "Outcome of the trial", "fear_peak": "Fear peak"}.get(name, name.replace("_", " "))


def _share(estimate: Estimate) -> str:
    return "–" if math.isnan(estimate.value) else format_bounded(estimate.value)


def _procedures(own: TableSet) -> list[Block | Picture]:
    if "fidelity" not in own.tables or not len(own.tables["fidelity"]):
        return []
    (review,) = [one for one in fidelity_review(own) if not one.child_id]
    return [paragraph(f"Procedures ({review.verdict}):", *review.reasons)]


def _raters(caseload: Caseload, answer: ChildAnswer) -> list[Block | Picture]:
    rows: list[dict[str, str | int]] = []
    cautions: dict[str, None] = {}
    for ladder in answer.ladders:
        effects = rater_effects(caseload, answer.child_id, ladder.ladder_id, answer.outcome)
        if len(effects.effects) < 2:
            continue
        cautions |= dict.fromkeys(effects.cautions)
        rows += [
            {
                "Ladder": ladder.ladder_id or "unnamed ladder",
                "Rated by": kind,
                "Occasions": effect.n,
                "Tau": _share(effect),
                "p": "–" if math.isnan(effect.p_value) else format_p(effect.p_value).removeprefix("= "),
            }
            for kind, effect in effects.effects.items()
        ]
    if not rows:
        return []
    return [
        table(
            rows,
            caption="The same change by each kind of rater, never mixed",
            numeric=["Occasions", "Tau", "p"],
            notes=cautions,
        )
    ]


def _missing(answer: ChildAnswer) -> list[Block | Picture]:
    said = []
    for ladder in answer.ladders:
        series = ladder.series.only("baseline", "exposure")
        if not series.n_missing or np.isnan(series.values).all():
            continue
        worst, best = (tau(missing_as(series, case)).value for case in ("worst", "best"))
        where = f" on the {ladder.ladder_id}" if ladder.ladder_id else ""
        said.append(
            f"{count_of(series.n_missing, 'planned rating')} missing{where}: Tau lies between "
            f"{format_bounded(worst)} and {format_bounded(best)} whatever they would have been."
        )
    return [paragraph(*said, BOUNDS)] if said else []


def _depends(estimate: Estimate) -> str:
    if math.isnan(estimate.value):
        return "Whether ratings go missing after worse ones cannot be said: " + " ".join(estimate.cautions)
    p = "" if math.isnan(estimate.p_value) else f" (p {format_p(estimate.p_value)})"
    said = f"Whether ratings go missing after worse ones: {format_bounded(estimate.value)}{p}, "
    return " ".join([f"{said}{estimate.method}.", *estimate.cautions])


def _kinds(caseload: Caseload) -> list[str]:
    return sorted({kind for kind in caseload.planned["rated_by"].tolist() if kind})
