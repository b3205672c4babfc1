"""Whether the ratings can be trusted: second observers, procedures, other raters."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.agreement import coverage, fidelity
from rungwise.agreement.coverage import AgreementReview, agreement_frame, agreement_reviews
from rungwise.agreement.fidelity import fidelity_review
from rungwise.agreement.raters import paired_ratings, rater_difference, rater_effects
from rungwise.basis.page_numbers import count_of, format_bounded, format_p
from rungwise.figures.rater_comparison import describe_rater_comparison, rater_comparison
from rungwise.reports.blocks import Block, Blocks, Picture, bullets, heading, paragraph, picture, table
from rungwise.reports.missing_section import child_missing, practice_missing
from rungwise.reports.words import ENGLISH, named
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
    blocks: list[Block | Picture] = []
    told: dict[str, None] = {}
    for variable in coverage.VARIABLES:
        for review in agreement_reviews(own, variable=variable, each_child=False):
            told[_verdict(review, say)] = None
            told |= dict.fromkeys(map(say.sentence, review.cautions))
            if review.verdict == "not applicable" or not review.phases:
                continue
            rows = agreement_frame([review]).to_dict("records")
            blocks.append(
                table(
                    [
                        {say("agreement.phase"): _phase_words(row["phase"], say)}
                        | _cells(row, variable, say)
                        for row in rows
                    ],
                    caption=say(f"agreement.observers.{variable}"),
                    numeric=_numeric(variable, say),
                    notes=[say(f"agreement.note.{variable}"), *_forms(review, say)],
                )
            )
    return [*blocks, bullets([*told, say.sentence(coverage.STANDARD)])] if told else []


def _phase_words(phase: str, say: Words) -> str:
    return say(f"agreement.phase.{phase.replace(' ', '_')}")


def _cells(row: Mapping[Any, Any], variable: str, say: Words = ENGLISH) -> dict[str, str]:
    """Write one row of `agreement_frame`; outcomes have no distance, so some columns are ratings' only."""
    cells = {
        "twice": say("agreement.of", n=row["seen_twice"], all=row["trials"]),
        "share": _bounded_interval(row["share_twice"], row["share_low"], row["share_high"]),
        "exact": _bounded_interval(row["agreement"], row["agreement_low"], row["agreement_high"]),
        "within": _bounded(row["within_one"]),
        "kappa": _bounded(row["kappa"]),
        "weighted": _bounded(row["weighted_kappa"]),
        "icc": _bounded(row["icc"]),
    }
    return {say(f"agreement.{name}"): cells[name] for name in _COLUMNS[variable]}


_COLUMNS = {
    "outcome": ("twice", "share", "exact", "kappa"),
    "fear_peak": ("twice", "share", "exact", "within", "kappa", "weighted", "icc"),
}


def _numeric(variable: str, say: Words = ENGLISH) -> list[str]:
    return [say(f"agreement.{name}") for name in _COLUMNS[variable]]


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
    blocks: list[Block | Picture] = []
    for variable in coverage.VARIABLES:
        mine = frame[frame["variable"] == variable]
        together = mine[mine["child_id"] == ALL].to_dict("records")
        single = mine[
            (mine["child_id"] != ALL) & (mine["phase"] == coverage.ALL_PHASES) & (mine["seen_twice"] > 0)
        ].to_dict("records")
        if not together and not single:
            continue
        form = next((row["icc_form"] for row in together if row["icc_form"]), "")
        blocks += _reviewed(variable, together, single, form)
    if not audit.evidence.fidelity.empty:
        blocks.append(
            paragraph("Checklists child by child stand in tables/fidelity.csv.", fidelity.STANDARD)
        )
    return blocks


ALL = "all children"


def _reviewed(
    variable: str, together: list[dict[Any, Any]], single: list[dict[Any, Any]], form: str
) -> list[Block | Picture]:
    what = ENGLISH(f"agreement.variable.{variable}")
    notes = [ENGLISH(f"agreement.note.{variable}")]
    if form:
        notes.append(f"{form}: one rater, other raters for each target.")
    more = [f"{len(single) - LISTED} more stand in tables/agreement.csv."] if len(single) > LISTED else []
    return [
        table(
            [{"Phase": _phase_words(row["phase"], ENGLISH)} | _cells(row, variable) for row in together],
            caption=f"Probes of the quarter seen by a second observer: {what[0].lower()}{what[1:]}",
            numeric=_numeric(variable),
            notes=[*notes, coverage.STANDARD],
        ),
        table(
            [
                {"Child": row["child_id"]} | _cells(row, variable) | {"Verdict": row["verdict"]}
                for row in single[:LISTED]
            ],
            caption=f"The same child by child, over all phases: {what[0].lower()}{what[1:]}",
            numeric=_numeric(variable),
            notes=[
                "The verdict asks it of every phase. By phase, and every child, in tables/agreement.csv.",
                *more,
            ],
            when_empty="no probe was seen by a second observer.",
            closed=True,
        ),
    ]


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


def _bounded(value: object) -> str:
    return NOTHING if not isinstance(value, float) or math.isnan(value) else format_bounded(value)


def _bounded_interval(value: object, low: object, high: object) -> str:
    shown = _bounded(value)
    if shown == NOTHING or _bounded(low) == NOTHING:
        return shown
    return f"{shown}{_UNBROKEN}[{_bounded(low)},{_UNBROKEN}{_bounded(high)}]"


def _p(value: float) -> str:
    return format_p(value).removeprefix("= ").replace(" ", _UNBROKEN)
