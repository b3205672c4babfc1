"""The parts of the audit's page about outcomes: verdicts, groups, scores, standards, quarters."""

from __future__ import annotations

import math

from rungwise.audit.audit import Audit
from rungwise.audit.criteria import RESULTS
from rungwise.audit.groups import GROUPINGS, about_groups
from rungwise.audit.wording import percent
from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import count_of, format_number
from rungwise.figures.caterpillar import ORDER, Judged, caterpillar, describe_caterpillar
from rungwise.figures.run_chart import describe_run_chart, run_chart
from rungwise.reports.audit_cells import (
    large,
    range_words,
    rows_of,
    share_words,
)
from rungwise.reports.blocks import (
    Block,
    Blocks,
    Picture,
    paragraph,
    picture,
    table,
)
from rungwise.reports.child_page import NARROW_INCHES


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
            "adds up the three rows under it. Wilson intervals."
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
    return shares + beside


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
            f"{ORDER}"
        )
        pages.append(picture(axes, alt=describe_caterpillar(lines) + part, caption=caption, narrow=narrow))
    return Blocks(pages)


def groups(audit: Audit) -> Block:
    """Describe the judged by site, referral reason and age, without ranking."""
    rows = [
        {
            "Group": f"{GROUPINGS[row.grouping]}: {row.group}",
            "Judged": row.judged,
            "Fell": row.fell,
            "Share that fell": share_words(row.share, row.ci_low, row.ci_high),
        }
        for row in rows_of(audit.groups)
    ]
    said = paragraph(about_groups(audit.groups))
    if not rows:
        return said
    return said + table(
        rows, caption="In the order of names", numeric=["Judged", "Fell", "Share that fell"]
    )


def scores(audit: Audit) -> Block:
    """Give reliable change on scored instruments and the change on goals, where recorded."""
    rows = [
        {
            "Instrument": row.title + ("" if row.rated_by == "not recorded" else f", by {row.rated_by}"),
            "Recovered": row.recovered,
            "Improved": row.improved,
            "Unchanged": row.unchanged,
            "Got worse": row.deteriorated,
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


def standards(audit: Audit) -> Block:
    """Hold the practice's criteria against their standards."""
    rows = [
        {
            "Criterion": large(row.words) or row.criterion,
            "Standard": f"{'at least' if row.direction == 'at_least' else 'at most'} {percent(row.target)}",
            "This quarter": f"{row.count} of {row.n}" + (f" ({percent(row.share)})" if row.n else ""),
            "Exact 95% interval": range_words(row.ci_low, row.ci_high),
            "Result": RESULTS[row.result],
        }
        for row in rows_of(audit.standards)
    ]
    allowed = [f"{row.words}: {row.exceptions}" for row in rows_of(audit.standards) if row.exceptions]
    sources = dict.fromkeys(row.source for row in rows_of(audit.standards))
    return table(
        rows,
        caption="Set before the quarter, in practice.toml",
        numeric=["This quarter", "Exact 95% interval"],
        when_empty="the practice set none.",
        notes=[
            "Met, or not met, only where the whole exact interval lies on one side of the standard; where "
            "it holds the standard, there are too few children to say.",
            *(f"Allowed exceptions, {entry}." for entry in allowed),
            f"Standards come from: {', '.join(sources)}.",
        ]
        if rows
        else [],
    )


def quarters(audit: Audit) -> Blocks:
    """Set this quarter beside the earlier ones."""
    if len(audit.history) < 2:
        return Blocks([paragraph("There is no earlier quarter in the files to set beside this one.")])
    rows = [
        {
            "Quarter": row.quarter,
            "Due": row.due,
            "Judged": row.judged,
            "Fell": row.fell,
            "Beyond baseline": row.beyond,
            "Rose": row.rose,
            "Share that fell": share_words(row.share, row.ci_low, row.ci_high),
        }
        for row in rows_of(audit.history)
    ]  # fmt: skip
    drawn, narrow = run_chart(audit.history), run_chart(audit.history, width=NARROW_INCHES, height=2.7)
    return Blocks(
        (
            picture(
                drawn,
                alt=describe_run_chart(audit.history),
                caption="Share of the children judged in whom fear fell, with its interval; the figure at "
                "each mark is the number judged.",
                narrow=narrow,
            ),
            table(
                rows,
                caption="Every quarter counted by today's rules",
                numeric=["Due", "Judged", "Fell", "Beyond baseline", "Rose", "Share that fell"],
            ),
        )
    )
