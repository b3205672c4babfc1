"""The parts of the audit's page about outcomes: verdicts, what stands beside them, groups, scores."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from rungwise.audit.audit import Audit
from rungwise.audit.groups import GROUPINGS, SEVERAL, TOLD_APART, about_groups
from rungwise.audit.signs import A_STEP
from rungwise.audit.wording import listed, percent, small
from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import count_of, format_bounded, format_number
from rungwise.figures.caterpillar import ORDER, Judged, caterpillar, describe_caterpillar
from rungwise.figures.funnel import describe_funnel, funnel
from rungwise.ladders.practice_ratings import NEVER_TESTED
from rungwise.reports.audit_cells import (
    large,
    range_words,
    rate_words,
    rows_of,
    share_words,
)
from rungwise.reports.blocks import (
    Block,
    Blocks,
    Picture,
    bullets,
    paragraph,
    picture,
    table,
)
from rungwise.reports.child_page import NARROW_INCHES
from rungwise.single_case.nap import FEWEST_FOR_INTERVAL
from rungwise.single_case.verdict import VERDICTS

CONTEXT = (
    "For context, and no standard to be held against: therapists asked in a published survey put about a "
    "third of their children at little change, a third at some and a third at great improvement (Potegal, "
    "Pfaff and Kroker 2018; as quoted, not checked against the paper). A survey gathers opinions; the "
    "verdicts here rest on planned ratings."
)
# Rows of a table of signs on the page; the file has them all.
LISTED = 20


def verdicts(audit: Audit) -> Block:
    """Give the share of each verdict with its interval, and early leavers beside the others."""
    judged = int(audit.shares["n"].iloc[0])
    confidence = f"{audit.headline.confidence:.0%} interval"
    if not judged:
        return paragraph("No child was judged, so there are no shares to give.")
    rows = [
        {
            "Verdict": large(row.words),
            "Children": row.children,
            "Share": percent(row.share),
            confidence: range_words(row.ci_low, row.ci_high),
        }
        for row in rows_of(audit.shares)
    ]
    shares = table(
        rows,
        caption=f"Verdicts of the {count_of(judged, 'child', 'children')} judged",
        numeric=["Children", "Share", confidence],
        notes=[
            f"Every share is of the {judged} judged, each child once however many ladders. The first row "
            "adds up the three rows under it. Wilson intervals. Verdicts rest on records up to the day "
            "each outcome was due; where later ratings change one, the table of every child says so."
        ],
    )
    ways = [
        {
            "Outcome came due because": large(row.words),
            "Due": row.due,
            "Judged": row.judged,
            "Fell": row.fell,
            "Rose": row.rose,
            "Neither": row.other,
            "Share that fell": share_words(row.share_fell, row.ci_low, row.ci_high),
        }
        for row in rows_of(audit.beside)
    ]
    beside = table(
        ways,
        caption="Those who left early beside those who finished",
        numeric=["Due", "Judged", "Fell", "Rose", "Neither", "Share that fell"],
    )
    return shares + beside + _how_large(audit)


def _how_large(audit: Audit) -> Block:
    """Give the size of the change over the caseload: the plain mean first, the weighted one second."""
    mean, found = audit.headline, audit.synthesis
    limits = f"{mean.confidence:.0%} interval"
    rows = [
        {
            "NAP": f"Mean over {count_of(mean.n, 'child', 'children')}, each with the same weight",
            "Value": format_bounded(mean.value),
            limits: _limits(mean.ci_low, mean.ci_high)
            or ("one child has no spread" if mean.n == 1 else "all alike: no spread to go by"),
        }
    ]
    notes = [
        "NAP: the share of comparisons of a baseline with an exposure rating in which the exposure rating "
        "is better; .50 means no difference. Each child once, however many ladders. The first row is the "
        "one to quote; t interval over children."
    ]
    if found is not None:
        rows.append(
            {
                "NAP": "Weighted by numbers of ratings (random effects)",
                "Value": format_bounded(found.average.value),
                limits: _limits(max(found.average.ci_low, 0.0), min(found.average.ci_high, 1.0)),
            }
        )
        if not math.isnan(found.prediction_low + found.average.ci_low):
            reach = _limits(max(found.prediction_low, 0.0), min(found.prediction_high, 1.0))
            rows.append({"NAP": "A further child like these (prediction)", "Value": "", limits: reach})
        rows.append(
            {
                "NAP": "Standard deviation between children, beyond chance within a child",
                "Value": format_bounded(math.sqrt(found.tau2)),
                limits: "",
            }
        )
        notes.append(
            "Weights from the numbers of ratings alone; interval by Knapp and Hartung; limits beyond 0 and "
            "1 are cut there."
        )
    caption = "How large, over all children judged"
    return table(rows, caption=caption, numeric=["Value", limits], notes=notes)


def _limits(low: float, high: float) -> str:
    return "" if math.isnan(low) else f"{format_bounded(low)} to {format_bounded(high)}"


def every_child(audit: Audit) -> Blocks:
    """Draw every judged child's NAP with its interval, grouped by verdict."""
    judged = audit.children[audit.children["stage"] == "judged"]
    if judged.empty:
        return Blocks()
    lines = [
        Judged(row.child_id, Estimate("nap", row.nap, row.nap_low, row.nap_high), row.verdict)
        for row in rows_of(judged)
    ]
    pages: list[Picture] = []
    figures, slim = caterpillar(lines), caterpillar(lines, width=NARROW_INCHES)
    for number, (axes, narrow) in enumerate(zip(figures, slim, strict=True), start=1):
        part = f" Part {number} of {len(figures)}." if len(figures) > 1 else ""
        caption = (
            f"Every judged child: how often an exposure rating was better than a baseline rating.{part} "
            f"{ORDER}{_without_interval(judged)}"
        )
        pages.append(picture(axes, alt=describe_caterpillar(lines) + part, caption=caption, narrow=narrow))
    return Blocks(pages)


def _without_interval(judged: pd.DataFrame) -> str:
    """Say which marks of the figure have no line, and why."""
    bare = judged[judged["nap"].notna() & judged["nap_low"].isna()]
    several = bare["n_ladders"] > 1
    whys = {
        "several ladders enter together, and no interval has been shown to hold for that": several,
        f"one of the phases has fewer than {FEWEST_FOR_INTERVAL} occasions": ~several,
    }
    return "".join(
        f" {listed(list(bare.loc[mask, 'child_id']))} without an interval: {why}."
        for why, mask in whys.items()
        if mask.any()
    )


def beside_verdicts(audit: Audit) -> Block:
    """Set approach, mastery and practice beside the verdicts, and say where they differ."""
    found = audit.signs
    if not audit.shares["n"].iloc[0]:
        return paragraph("No child was judged, so nothing can stand beside a verdict.")
    parts = paragraph(CONTEXT)
    parts += paragraph(
        *(audit.lasting or ("Whether falls lasted cannot be said: no child has enough later ratings.",))
    )
    if not found.recorded:
        return parts + paragraph(
            "Approach occasions and practice trials were not recorded for the children judged, so nothing "
            "stands beside the verdicts."
        )
    if found.sentences:
        parts += bullets(found.sentences)
    told = [row for row in rows_of(found.table) if row.beside not in ("agree", "unknown")]
    return parts + table(
        [
            {"Child": row.child_id, "Verdict": VERDICTS[row.verdict], **_signs(row),
             "Approach": large(row.beside_words)}
            for row in told[:LISTED]
        ],
        caption="Children in whom approach and verdict do not say the same",
        numeric=["Highest step, baseline", "Highest step, exposure", "Steps mastered"],
        when_empty="none.",
        notes=[
            "Described, not tested: medians of the highest step on approach occasions, up to the day the "
            f"outcome was due, at least {A_STEP:g} step apart. A verdict is never changed by them. Every "
            "child stands in the table at the end.",
            *([f"{len(told) - LISTED} more stand in tables/signs.csv."] if len(told) > LISTED else []),
        ]
        if told
        else [],
    )  # fmt: skip


def signs_of_every_child(audit: Audit) -> Block:
    """List what stands beside the verdict of every judged child."""
    found = audit.signs
    if not found.recorded:
        return Block("", "")
    margin = next(row.value for row in rows_of(audit.settings) if row.setting == "margin")
    return table(
        [
            {"Child": row.child_id, "Verdict": VERDICTS[row.verdict], **_signs(row),
             "Practice ratings": _practice(row), "Beside the verdict": large(row.together)}
            for row in rows_of(found.table)
        ],
        caption="Beside each verdict: approach, mastery and practice",
        numeric=["Highest step, baseline", "Highest step, exposure", "Steps mastered", "Practice ratings"],
        notes=[
            "Beside the verdict: which of approach, mastery and practice ratings go the way of the "
            f"verdict, and how the others go. Approach: at least {A_STEP:g} step further or less far. "
            "Mastery: better where a step was mastered since exposure began. Practice ratings: mean change "
            f"within steps without the run that led upward, at least {margin:g} "
            f"{'point' if margin == 1 else 'points'}. They answer other questions, none of them is tested, "
            f"and a verdict is never changed by them. {NEVER_TESTED.split('. ')[0]}."
        ],
        closed=True,
    )  # fmt: skip


def _signs(row: Any) -> dict[str, str]:
    return {
        "Highest step, baseline": _step(row.approach_before),
        "Highest step, exposure": _step(row.approach_after),
        "Steps mastered": f"{row.steps_mastered} of {row.steps_offered}" if row.steps_offered else "",
    }


def _step(score: float) -> str:
    return "" if math.isnan(score) else format_number(score).removesuffix(".0")


def _practice(row: Any) -> str:
    if math.isnan(row.practice_change):
        return ""
    return f"{'+' if row.practice_change > 0 else ''}{format_number(row.practice_change)}"


def groups(audit: Audit) -> Blocks:
    """Describe the judged by site, setting, reason, age, ladder and rater, without ranking."""
    parts: list[Block | Picture] = [paragraph(about_groups(audit.groups))]
    shown: dict[str, pd.DataFrame] = {}
    for kind, words in GROUPINGS.items():
        some = audit.groups[audit.groups["grouping"] == kind]
        if some.empty:
            continue
        if same := next((one for one, other in shown.items() if _alike(some, other)), None):
            parts.append(
                paragraph(
                    f"{words}: the same groups with the same numbers as by {small(GROUPINGS[same])}, so "
                    "they are not printed again."
                )
            )
            continue
        shown[kind] = some
        limited = some["inner_low"].notna().all()
        if limited:
            parts.append(
                picture(
                    funnel(some),
                    alt=describe_funnel(some),
                    caption=f"{words}: share that fell, within the exact limits of chance around all (95% "
                    "dashed, 99.8% solid). Not adjusted for who came; no ranking.",
                    narrow=funnel(some, width=NARROW_INCHES, height=2.7),
                )
            )
        parts.append(_group_table(some, words, bool(limited)))
    return Blocks(parts)


def _alike(some: pd.DataFrame, other: pd.DataFrame) -> bool:
    """Whether two breakdowns say the same: equal names but for capitals, and equal numbers."""
    plain = [
        one.assign(grouping="", group=one["group"].str.casefold()).sort_values("group", ignore_index=True)
        for one in (some, other)
    ]
    return plain[0].equals(plain[1])


def _group_table(some: pd.DataFrame, words: str, limited: bool) -> Block:
    expected = bool(some["expected"].notna().all())
    rows = []
    for row in rows_of(some):
        cells = {
            words: row.group,
            "Judged": row.judged,
            "Fell": row.fell,
            "Share that fell": share_words(row.share, row.ci_low, row.ci_high),
        }
        if limited:
            cells["Limits of chance (99.8%)"] = range_words(row.outer_low, row.outer_high)
            cells["Drawn toward the mean"] = percent(row.shrunken)
        if expected:
            cells["Falls expected from who came"] = (
                f"{format_number(row.expected)} (no limits)"
                if math.isnan(row.expected_low)
                else rate_words(row.expected, row.expected_low, row.expected_high)
            )
        rows.append(cells)
    notes = []
    if SEVERAL in set(some["group"]):
        notes.append(f"A child that belongs to more than one of these stands under “{SEVERAL}”.")
    if limited:
        notes.append(
            "Drawn toward the mean: the best guess of a group's share for one who knows the other groups "
            "too. Neither it nor the limits of chance are adjusted for who came."
        )
        notes.append(_about_expected(some, expected))
    return table(
        rows,
        caption=f"{words}, in the order of names",
        numeric=list(rows[0])[1:] if rows else [],
        notes=notes,
    )


def _about_expected(some: pd.DataFrame, expected: bool) -> str:
    if not expected:
        return f"No adjustment for who came: {small(some['why_no_limits'].iloc[0])}"
    adjusted_for = listed(some["adjusted_for"].iloc[0].split("; "))
    beyond = some[(some["fell"] < some["expected_low"]) | (some["fell"] > some["expected_high"])]
    apart = list(some.loc[some["expected_low"].isna(), "group"])
    told_apart = f"Without limits: {listed(apart)}. {TOLD_APART} " if apart else ""
    found = "Every group with limits lies within." if apart else "Every group lies within."
    if len(beyond):
        found = f"Outside, and so a question to ask: {listed(list(beyond['group']))}."
    return (
        f"Falls expected from who came: by a logistic model of all children judged on {adjusted_for}, with "
        f"99.8% limits of chance that allow for each group's own children being in the model. {found} "
        f"{told_apart}What was not recorded is not adjusted for."
    )


def scores(audit: Audit) -> Block:
    """Give reliable change on scored instruments and the change on goals, where recorded."""
    rows = [
        {
            "Instrument": row.title + ("" if row.rated_by == "not recorded" else f", by {row.rated_by}"),
            "Recovered": row.recovered,
            "Improved": row.improved,
            "Unchanged": row.unchanged,
            "Deteriorated": row.deteriorated,
            "Cannot be said": row.cannot_be_said,
            "Recovered or improved": share_words(row.share, row.ci_low, row.ci_high),
        }
        for row in rows_of(audit.scores)
    ]
    shown = table(
        rows,
        caption="Change beyond measurement error since intake, children whose outcome was due",
        numeric=list(rows[0])[1:] if rows else [],
        when_empty="no scored instrument was recorded.",
        notes=[
            "Scores up to the day the outcome was due (Jacobson and Truax). Unchanged means that no change "
            "larger than measurement error was seen.",
            *dict.fromkeys(row.cautions for row in rows_of(audit.scores) if row.cautions),
        ]
        if rows
        else [],
    )  # fmt: skip
    return shown + paragraph(_goals(audit.goals))


def _goals(change: Estimate | None) -> str:
    if change is None:
        return "Goals: not recorded."
    if math.isnan(change.value):
        return "Goals: no child has a level both at the start and later."
    interval = ""
    if not math.isnan(change.ci_low):
        limits = f"{format_number(change.ci_low)} to {format_number(change.ci_high)}"
        interval = f" ({change.confidence:.0%} interval {limits})"
    return (
        f"Goals: goal attainment T changed by {format_number(change.value)} points on average over "
        f"{count_of(change.n, 'child', 'children')}{interval}. T depends on how goals were set."
    )
