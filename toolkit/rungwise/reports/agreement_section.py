"""Whether the ratings can be trusted: second observers, procedures, other raters."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.agreement import coverage, fidelity
from rungwise.agreement.coverage import AgreementReview, PhaseAgreement, agreement_reviews
from rungwise.agreement.fidelity import fidelity_review
from rungwise.agreement.raters import paired_ratings, rater_difference, rater_effects
from rungwise.basis.page_numbers import count_of, format_bounded, format_p
from rungwise.figures.rater_comparison import describe_rater_comparison, rater_comparison
from rungwise.reports.blocks import Block, Blocks, Picture, bullets, heading, paragraph, picture, table
from rungwise.reports.child_page import named
from rungwise.reports.missing_section import child_missing, practice_missing
from rungwise.reports.words import ENGLISH
from rungwise.tables.table import TableSet

if TYPE_CHECKING:
    from rungwise.audit.audit import Audit
    from rungwise.basis.estimate import Estimate
    from rungwise.reports.catalog import Words
    from rungwise.series.caseload import Caseload
    from rungwise.single_case.child_answer import ChildAnswer

_NARROW_INCHES = 3.8
# Fewer occasions rated by both say next to nothing about their difference (design choice).
FEWEST_PAIRS = 10
# Children listed on the audit's page; the file has them all.
LISTED = 60
NOTHING = "–"
_UNBROKEN = "\N{NO-BREAK SPACE}"


def child_agreement(caseload: Caseload, answer: ChildAnswer, say: Words = ENGLISH) -> Blocks:
    """Say how far the ratings behind one child's answer can be trusted.

    Parameters
    ----------
    caseload : Caseload
    answer : ChildAnswer
    say : Words
        Language.

    Returns
    -------
    Blocks
        Empty where neither second observers, nor procedures, nor who rated were recorded, and no
        planned rating is missing.
    """
    own = _of_child(caseload, answer.child_id)
    blocks = [
        *_observers(own, say),
        *_procedures(own, say),
        *_raters(caseload, answer, say),
        *child_missing(answer, say),
    ]
    return Blocks([heading(say("agreement.heading")), *blocks]) if blocks else Blocks()


def practice_agreement(caseload: Caseload, audit: Audit) -> Blocks:
    """Show second observers child by child, hold kinds of rater against each other, bound the headlines.

    Parameters
    ----------
    caseload : Caseload
    audit : Audit
    """
    return Blocks(
        [
            heading("Whether the ratings can be trusted", 3),
            *_every_review(audit),
            *_who_rated(audit),
            *_pairs_of_raters(caseload),
            *practice_missing(caseload, audit),
        ]
    )


def _of_child(caseload: Caseload, child_id: str) -> TableSet:
    """Give a child's own rows of the tables agreement rests on."""
    kept = {}
    for name, rows in caseload.tables.items():
        kept[name] = rows.where(rows["child_id"] == child_id) if "child_id" in rows.columns else rows
    return TableSet(kept, caseload.practice, caseload.report)


def _observers(own: TableSet, say: Words) -> list[Block | Picture]:
    if (
        "agreement" not in own.tables
        or "observations" not in own.tables
        or not len(own.tables["agreement"])
    ):
        return []
    rows: list[dict[str, str]] = []
    told: dict[str, None] = {}
    forms: dict[str, None] = {}
    for variable in coverage.VARIABLES:
        for review in agreement_reviews(own, variable=variable, each_child=False):
            if review.verdict != "not applicable":
                rows += [_phase(review, one, say) for one in (*review.phases, review.overall)]
                forms |= _forms(review, say)
            told[_verdict(review, say)] = None
            told |= dict.fromkeys(map(say.sentence, review.cautions))
    if not rows and not told:
        return []
    numeric = ("trials", "twice", "share", "exact", "within", "kappa", "weighted", "icc")
    shown = table(
        rows,
        caption=say("agreement.observers"),
        numeric=[say(f"agreement.{name}") for name in numeric],
        notes=[say("agreement.observers_note"), *forms],
        when_empty=say("agreement.observers_none"),
    )
    return [shown, bullets([*told, say.sentence(coverage.STANDARD)])]


def _phase(review: AgreementReview, one: PhaseAgreement, say: Words) -> dict[str, str]:
    return {
        say("agreement.what"): say(f"agreement.variable.{review.variable}"),
        say("agreement.phase"): say(f"agreement.phase.{one.phase.replace(' ', '_')}"),
        say("agreement.trials"): str(one.share.n),
        say("agreement.twice"): str(int(one.share.counts["count"])),
        say("agreement.share"): _with_interval(one.share),
        say("agreement.exact"): _with_interval(one.agreement),
        say("agreement.within"): _value(one.within_one),
        say("agreement.kappa"): _value(one.kappa),
        say("agreement.weighted"): _value(one.weighted_kappa),
        say("agreement.icc"): _value(one.icc),
    }


def _forms(review: AgreementReview, say: Words) -> dict[str, None]:
    """Name the form of the intraclass correlation, where there is one."""
    if review.overall.icc is None:
        return {}
    return {
        say(
            "agreement.form",
            form=review.overall.icc.statistic,
            words=say.sentence(review.overall.icc.method),
        ): None
    }


def _verdict(review: AgreementReview, say: Words) -> str:
    reasons = "; ".join(say.sentence(reason).rstrip(".") for reason in review.reasons)
    return say(
        "agreement.verdict",
        what=say(f"agreement.variable.{review.variable}"),
        verdict=say(f"agreement.verdict.{review.verdict.replace(' ', '_')}"),
        reasons=reasons,
    )


def _procedures(own: TableSet, say: Words) -> list[Block | Picture]:
    if "fidelity" not in own.tables or not len(own.tables["fidelity"]):
        return []
    (review,) = [one for one in fidelity_review(own) if not one.child_id]
    verdict = say(f"agreement.verdict.{review.verdict.replace(' ', '_')}")
    reasons = " ".join(map(say.sentence, review.reasons))
    return [
        paragraph(
            say("agreement.procedures", verdict=verdict, reasons=reasons), say.sentence(fidelity.STANDARD)
        )
    ]


def _raters(caseload: Caseload, answer: ChildAnswer, say: Words) -> list[Block | Picture]:
    rows: list[dict[str, str]] = []
    cautions: dict[str, None] = {}
    pictures: list[Block | Picture] = []
    several = False
    for ladder in answer.ladders:
        effects = rater_effects(caseload, answer.child_id, ladder.ladder_id, answer.outcome)
        cautions |= dict.fromkeys(map(say.sentence, effects.cautions))
        several = several or len(effects.effects) > 1
        rows += [
            {
                say("agreement.ladder"): named(ladder, say),
                say("agreement.rated_by"): rater_words(kind, say),
                say("agreement.occasions"): str(effect.n),
                "Tau": _value(effect),
                "p": NOTHING if math.isnan(effect.p_value) else _p(effect.p_value),
            }
            for kind, effect in effects.effects.items()
        ]
        kinds = [kind for kind in effects.effects if kind != "not recorded"]
        for first, second in combinations(kinds, 2):
            pictures += _compared(caseload, answer, ladder.ladder_id, (first, second), say)
    known = any(row[say("agreement.rated_by")] != rater_words("not recorded", say) for row in rows)
    if not several:
        # One kind of rater needs no table, but what rests on it must be said.
        return [paragraph(*cautions)] if cautions and known else []
    numeric = [say("agreement.occasions"), "Tau", "p"]
    return [table(rows, caption=say("agreement.kinds"), numeric=numeric, notes=cautions), *pictures]


def _compared(
    caseload: Caseload, answer: ChildAnswer, ladder_id: str, kinds: tuple[str, str], say: Words
) -> list[Block | Picture]:
    a, b, children = paired_ratings(
        caseload, *kinds, outcome=answer.outcome, child_id=answer.child_id, ladder_id=ladder_id
    )
    difference = rater_difference(a, b, children)
    if difference.n < 2:
        return []
    first, second = (rater_words(kind, say) for kind in kinds)
    words = _figure_words(say)
    wide, narrow = (
        rater_comparison(a, b, children, first=first, second=second, words=words, width=width)
        for width in (7.0, _NARROW_INCHES)
    )
    said = describe_rater_comparison(difference, first=first, second=second, words=words)
    drawn = picture(
        wide, alt=said, caption=say("agreement.compared", first=first, second=second), narrow=narrow
    )
    return [drawn, paragraph(said, *map(say.sentence, difference.cautions))]


def _every_review(audit: Audit) -> list[Block | Picture]:
    frame = audit.evidence.agreement
    if frame.empty:
        return []
    frame = frame[(frame["seen_twice"] > 0) | (frame["child_id"] == "all children")]
    together = frame[frame["child_id"] == "all children"].to_dict("records")
    single = frame[(frame["child_id"] != "all children") & (frame["phase"] == "all phases")].to_dict(
        "records"
    )
    forms = sorted({row["icc_form"] for row in together if row["icc_form"]})
    notes = [
        ENGLISH("agreement.observers_note"),
        *(f"ICC is {form}, one rater, other raters for each target." for form in forms),
        coverage.STANDARD,
    ]
    blocks: list[Block | Picture] = [
        table(
            [_review_row(row) for row in together],
            caption="Probes seen by a second observer in the quarter, all children",
            numeric=_REVIEWED,
            notes=notes,
        )
    ]
    more = [f"{len(single) - LISTED} more stand in tables/agreement.csv."] if len(single) > LISTED else []
    blocks.append(
        table(
            [
                {"Child": row["child_id"]} | _review_row(row, phase=False) | {"Verdict": row["verdict"]}
                for row in single[:LISTED]
            ],
            caption="The same child by child, over all phases",
            numeric=_REVIEWED,
            notes=["By phase, and every child, in tables/agreement.csv.", *more],
            when_empty="no probe was seen by a second observer.",
        )
    )  # fmt: skip
    if not audit.evidence.fidelity.empty:
        blocks.append(
            paragraph("Checklists child by child stand in tables/fidelity.csv.", fidelity.STANDARD)
        )
    return blocks


_REVIEWED = [
    "Trials", "Seen twice", "Share seen twice", "Exact", "Within 1 point", "Kappa", "Weighted kappa", "ICC",
]  # fmt: skip


def _review_row(row: Mapping[Any, Any], *, phase: bool = True) -> dict[str, object]:
    where = {"Phase": str(row["phase"]).replace("_", "-")} if phase else {}
    return {
        "What": ENGLISH(f"agreement.variable.{row['variable']}"),
        **where,
        "Trials": row["trials"],
        "Seen twice": row["seen_twice"],
        "Share seen twice": _bounded_interval(row["share_twice"], row["share_low"], row["share_high"]),
        "Exact": _bounded_interval(row["agreement"], row["agreement_low"], row["agreement_high"]),
        "Within 1 point": _bounded(row["within_one"]),
        "Kappa": _bounded(row["kappa"]),
        "Weighted kappa": _bounded(row["weighted_kappa"]),
        "ICC": _bounded(row["icc"]),
    }


def _who_rated(audit: Audit) -> list[Block | Picture]:
    """Say how many falls rest on one kind of rater."""
    alone, known, fell = audit.evidence.one_kind_of_rater
    if not fell:
        return []
    said = (
        f"Of the {count_of(fell, 'fall')}, {alone} {'rests' if alone == 1 else 'rest'} on ratings by one "
        "kind of rater alone, so nobody else's view stands beside them."
    )
    unknown = fell - known
    more = f"Who rated is not recorded for {unknown} of them." if unknown else ""
    return [paragraph(said, *([more] if more else []))]


def _pairs_of_raters(caseload: Caseload) -> list[Block | Picture]:
    blocks: list[Block | Picture] = []
    for first, second in combinations(_kinds(caseload), 2):
        a, b, children = paired_ratings(caseload, first, second)
        if np.sum(~np.isnan(a) & ~np.isnan(b)) < FEWEST_PAIRS:
            continue
        difference = rater_difference(a, b, children)
        wide, narrow = (
            rater_comparison(a, b, children, first=first, second=second, width=width)
            for width in (7.0, _NARROW_INCHES)
        )
        said = describe_rater_comparison(difference, first=first, second=second)
        caption = ENGLISH("agreement.compared", first=first, second=second)
        blocks += [
            picture(wide, alt=said, caption=caption, narrow=narrow),
            paragraph(said, *difference.cautions),
        ]
    return blocks


def rater_words(kind: str, say: Words = ENGLISH) -> str:
    """Give a kind of rater in the page's language."""
    return say.texts.get(f"rater.{kind.replace(' ', '_')}", kind)


def _figure_words(say: Words) -> dict[str, str]:
    return {
        key.removeprefix("raters."): text for key, text in say.texts.items() if key.startswith("raters.")
    }


def _kinds(caseload: Caseload) -> list[str]:
    return sorted({kind for kind in caseload.planned["rated_by"].tolist() if kind})


def _value(estimate: Estimate | None) -> str:
    return NOTHING if estimate is None or math.isnan(estimate.value) else format_bounded(estimate.value)


def _with_interval(estimate: Estimate) -> str:
    return _bounded_interval(estimate.value, estimate.ci_low, estimate.ci_high)


def _bounded(value: object) -> str:
    return NOTHING if not isinstance(value, float) or math.isnan(value) else format_bounded(value)


def _bounded_interval(value: object, low: object, high: object) -> str:
    shown = _bounded(value)
    if shown == NOTHING or _bounded(low) == NOTHING:
        return shown
    return f"{shown}{_UNBROKEN}[{_bounded(low)},{_UNBROKEN}{_bounded(high)}]"


def _p(value: float) -> str:
    return format_p(value).removeprefix("= ").replace(" ", _UNBROKEN)
