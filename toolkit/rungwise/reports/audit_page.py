"""The page of the quarterly audit: each function gives the blocks of one part of it."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from rungwise.audit.actions import STATES
from rungwise.audit.audit import Audit
from rungwise.audit.criteria import RESULTS
from rungwise.audit.groups import GROUPINGS, about_groups
from rungwise.audit.quality import LATE_DAYS, LEVELS
from rungwise.audit.safety import CLUSTERS
from rungwise.audit.serialize import audit_csv, audit_json
from rungwise.audit.wording import day_short, day_words, percent
from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import count_of, format_bounded, format_number, format_p
from rungwise.figures.caterpillar import ORDER, Judged, caterpillar, describe_caterpillar
from rungwise.figures.run_chart import describe_run_chart, run_chart
from rungwise.reports.audit_workbook import audit_workbook
from rungwise.reports.blocks import (
    Block,
    Blocks,
    Picture,
    bullets,
    heading,
    lead,
    note,
    paragraph,
    picture,
    table,
)
from rungwise.reports.child_page import NARROW_INCHES, day
from rungwise.reports.provenance import provenance
from rungwise.reports.words import SAFETY, SAFETY_TITLE
from rungwise.series.caseload import Caseload

# Rows of a table of gaps on the page; the file has them all.
LISTED = 20
NO_RANKING = "These figures describe a caseload. They are no measure of any member of staff."


def first_page(audit: Audit) -> Blocks:
    """Give the answer in one sentence, its uncertainty, and what else a manager needs at once."""
    return Blocks(
        (
            heading(f"{audit.label}: quarterly audit {audit.quarter} ({audit.quarter.days})", 1),
            lead(audit.told.answer, uncertainty=audit.told.uncertainty),
            bullets(audit.told.first_page),
        )
    )


def who_was_there(audit: Audit) -> Block:
    """Give the flow from all children of the files to those judged, with a reason at every loss."""
    rows = [
        {
            "Children": row.words if row.kind == "total" else f"less: {_small(row.words)}",
            "Less": "" if row.kind == "total" else row.children,
            "Remaining": row.children if row.kind == "total" else "",
        }
        for row in _rows(audit.flow)
        if row.kind == "total" or row.children
    ]
    return table(
        rows,
        caption="From the files to the verdicts",
        numeric=["Less", "Remaining"],
        notes=[
            "A child counts once, in the quarter in which exposure ended or the horizon was reached, with "
            "records up to that day. Reasons that concerned nobody are left out here; tables/flow.csv has "
            "them."
        ],
        fold=False,
    )


def verdicts(audit: Audit) -> Block:
    """Give the share of each verdict with its interval, and early leavers beside the others."""
    judged = int(audit.shares["n"].iloc[0])
    confidence = f"{audit.headline.confidence:.0%} interval"
    if not judged:
        return paragraph("No child was judged, so there are no shares to give.")
    rows = [
        {
            "Verdict": _large(row.words),
            "Children": row.children,
            "Share": percent(row.share),
            confidence: _range(row.ci_low, row.ci_high),
        }
        for row in _rows(audit.shares)
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
            "Outcome came due because": _large(row.words),
            "Due": row.due,
            "Judged": row.judged,
            "Fell": row.fell,
            "Rose": row.rose,
            "Neither": row.other,
            "Share that fell": _share(row.share_fell, row.ci_low, row.ci_high),
        }
        for row in _rows(audit.beside)
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
        for row in _rows(judged)
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
            "Share that fell": _share(row.share, row.ci_low, row.ci_high),
        }
        for row in _rows(audit.groups)
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
            "Recovered or improved": _share(row.share, row.ci_low, row.ci_high),
        }
        for row in _rows(audit.scores)
    ]
    shown = table(
        rows,
        caption="Change beyond measurement error since intake, children whose outcome was due",
        numeric=list(rows[0])[1:] if rows else [],
        when_empty="no scored instrument was recorded.",
        notes=[
            "Scores up to the day the outcome was due (Jacobson and Truax). Unchanged means that no change "
            "larger than measurement error was seen.",
            *dict.fromkeys(row.cautions for row in _rows(audit.scores) if row.cautions),
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
            "Criterion": _large(row.words) or row.criterion,
            "Standard": f"{'at least' if row.direction == 'at_least' else 'at most'} {percent(row.target)}",
            "This quarter": f"{row.count} of {row.n}" + (f" ({percent(row.share)})" if row.n else ""),
            "Exact 95% interval": _range(row.ci_low, row.ci_high),
            "Result": RESULTS[row.result],
        }
        for row in _rows(audit.standards)
    ]
    allowed = [f"{row.words}: {row.exceptions}" for row in _rows(audit.standards) if row.exceptions]
    sources = dict.fromkeys(row.source for row in _rows(audit.standards))
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
            "Share that fell": _share(row.share, row.ci_low, row.ci_high),
        }
        for row in _rows(audit.history)
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


def incidents(audit: Audit) -> Block:
    """Give every incident rate with its interval, and list every serious incident."""
    found = audit.safety
    parts = paragraph(*found.sentences)
    if not found.recorded:
        return parts + paragraph("Not recorded is not the same as none.")
    hourly = not math.isnan(found.hours)
    rows = [
        {
            "Incidents": _large(str(row.value).replace("_", " "))
            if row.group in ("all", "severity", "kind")
            else f"{_large(row.group)} {row.value}",
            "Number": row.incidents,
            "Per 100 occasions": _rate(row.per_100, row.low_100, row.high_100),
        }
        | ({"Per hour": _rate(row.per_hour, row.low_hour, row.high_hour, digits=2)} if hourly else {})
        for row in _rows(found.rates)
    ]
    with_minutes, of = found.minutes_of
    notes = [
        f"Exact Poisson intervals, over {count_of(found.occasions, 'occasion')} (a child on a day). "
        f"{CLUSTERS}"
    ]
    if hourly:
        gap = f"; minutes are missing for {of - with_minutes} of {of} entries, which makes it too high"
        notes.append(
            f"The rate per hour rests on {format_number(found.hours)} hours of exposure"
            f"{gap if with_minutes < of else ''}."
        )
    parts += table(
        rows, caption="How often", numeric=["Number", "Per 100 occasions", "Per hour"], notes=notes
    )
    return parts + table(
        [
            {
                "Day": _day(row.date),
                "Child": row.child_id,
                "Kind": _large(row.kind.replace("_", " ")),
                "Where": _place(row.setting, row.ladder_id, row.step),
                "What was done": row.action or "not recorded",
            }
            for row in _rows(found.serious)
        ],
        caption="Every serious incident",
        when_empty="none recorded.",
    )  # fmt: skip


def actions(audit: Audit) -> Block:
    """Read back what earlier audits decided."""
    rows = [
        {
            "Raised in": row.raised_in,
            "Action": row.action,
            "Role": row.owner_role or "",
            "Due": _day(row.due_on),
            "Where it stands": _large(STATES[row.state])
            + (f" ({_day(row.done_on)})" if row.done_on else ""),
            "Note": row.note,
        }
        for row in _rows(audit.actions)
    ]
    return table(
        rows,
        caption="Decided by this audit and earlier ones",
        when_empty="none recorded.",
        notes=[
            f"What is decided on this page goes into actions.csv with raised_in {audit.quarter}; the next "
            "audit reads it back."
        ],
    )


def to_discuss(audit: Audit) -> Block:
    """List the children to discuss, each with the fact and the rule that raised it."""
    rows = [
        {"Child": row.child_id, "What was recorded": row.fact, "Listed because": row.rule_words}
        for row in _rows(audit.discuss)
    ]
    return table(
        rows,
        caption="Facts, each with the rule that raised it",
        when_empty="no child met a rule for discussion.",
        notes=[
            "The list says what was recorded, not what to do. Rules are common practice, no source. "
            "A child can be listed more than once."
        ]
        if rows
        else [],
    )


def completeness(audit: Audit) -> Block:
    """Say how complete the records of the quarter are."""
    quality = audit.quality
    parts = paragraph(f"Recording level {quality.level}: {LEVELS[quality.level]}.")
    parts += _weeks(quality.weeks)
    gaps = quality.completeness[quality.completeness["recorded"] < quality.completeness["rows"]]
    whole = len(quality.completeness) - len(gaps)
    parts += table(
        [
            {
                "Field": f"{row.table}: {row.field.replace('_', ' ')}",
                "Rows": row.rows,
                "Filled in": row.recorded,
                "Share": percent(row.share),
            }
            for row in _rows(gaps)
        ],
        caption="Fields with gaps in the quarter's rows",
        numeric=["Rows", "Filled in", "Share"],
        when_empty="none.",
        notes=[f"{count_of(whole, 'other field is', 'other fields are')} complete."] if whole else [],
    )
    if quality.not_recorded:
        names = ", ".join(entry.replace(".", ": ").replace("_", " ") for entry in quality.not_recorded)
        parts += paragraph(f"Never recorded, so nothing can be said about them: {names}.", kind="small")
    if quality.procedure:
        parts += bullets(quality.procedure)
    late, known = quality.late
    if known:
        parts += paragraph(
            f"{late} of {count_of(known, 'trial')} with a day of entry ({percent(late / known)}) were "
            f"entered more than {LATE_DAYS} days late."
        )
    return parts


def put_aside(audit: Audit) -> Block:
    """List what was set aside and what was remarked on, by file and rule."""
    rows = [
        {
            "File": row.source,
            "Rule": row.code,
            "Rows": row.rows,
            "First of them": row.problem,
            "What happened": "set aside" if row.severity == "error" else "used, with a remark",
        }
        for row in _rows(audit.set_aside)
    ]
    return table(
        rows,
        caption="Problems found in the files",
        numeric=["Rows"],
        when_empty="none, and nothing was set aside.",
        notes=["tables/problems.csv lists every row."] if rows else [],
    )


def trust(audit: Audit) -> Block:
    """Say how far all of this can be trusted."""
    return bullets([*audit.told.trust, *audit.cautions])


def children(audit: Audit) -> Block:
    """List every child of the quarter: the judged with their numbers, the others with their stage."""
    every = audit.children
    judged = every[every["stage"] == "judged"]
    counted = every.loc[every["stage"] == "counted_earlier", "child_id"]
    others = every[~every["stage"].isin(["judged", "counted_earlier"])]
    parts = table(
        [
            {
                "Child": row.child_id,
                "Verdict": row.verdict_words,
                "Due": _day(row.due_on),
                "Baseline": row.n_baseline,
                "Exposure": row.n_exposure,
                "NAP": format_bounded(row.nap),
                "p": format_p(row.p_value).removeprefix("= "),
            }
            for row in _rows(judged)
        ],
        caption="Judged, with the occasions the verdict rests on",
        numeric=["Baseline", "Exposure", "NAP", "p"],
        when_empty="no child.",
        notes=["p is each child's own, two-sided and unadjusted."] if len(judged) else [],
    )
    parts += table(
        [
            {
                "Child": row.child_id,
                "Where it stands": row.stage_words,
                "Exposure began": _day(row.exposure_on),
                "Outcome due": _day(row.due_on),
                "Baseline": row.n_baseline,
                "Exposure": row.n_exposure,
            }
            for row in _rows(others)
        ],
        caption="In progress or not judged: only described",
        numeric=["Baseline", "Exposure"],
        when_empty="no child.",
    )
    if len(counted):
        parts += paragraph(
            f"Still open, and already counted in an earlier quarter ({len(counted)}): "
            f"{', '.join(counted)}.",
            kind="small",
        )
    return parts


def method(audit: Audit) -> Block:
    """Say how it was worked out and with what settings."""
    rows = [
        {"Setting": row.words, "Value": f"{row.value:g}", "Comes from": row.origin}
        for row in _rows(audit.settings)
    ]
    return paragraph(
        "The flow covers programs open on any day of the quarter. An outcome is due on the day "
        "exposure ended or the horizon was reached, whichever came first; later ratings do not enter. "
        "Each child gets one verdict from three questions: did the ratings fall from baseline to "
        "exposure (exact Tau, declined occasions ranked worst), were they already falling in baseline "
        "(exact trend), and is the fall more than the baseline's own course explains (level-and-slope "
        "model with autocorrelation). NAP is the share of comparisons of a baseline with an exposure "
        "rating in which the exposure rating is better, ties counting half; the caseload's mean gives "
        "every child the same weight and has a t interval over children. Shares have Wilson intervals. "
        f"Records up to {day_words(audit.as_of)} were used."
    ) + table(rows, caption="Settings", numeric=["Value"])


def safety() -> Block:
    """Give the cautions that stand on every page someone might act on."""
    return note(*SAFETY, NO_RANKING, title=SAFETY_TITLE)


def how_to_check(caseload: Caseload, audit: Audit, today: str | None = None) -> Block:
    """Give versions, the SHA-256 of every file read and the command that makes the page again."""
    stated = f" --today {today}" if today is not None else ""
    return provenance(
        caseload.inputs,
        rerun=f"rungwise audit FOLDER --quarter {audit.quarter}{stated}",
        stated_on=day(today),
    )


def save_tables(audit: Audit, folder: str | None) -> None:
    """Write the tables as CSV, JSON and one workbook into a folder that is there; without one, nothing."""
    if folder is None:
        return
    place = Path(folder)
    (place / "audit.xlsx").write_bytes(audit_workbook(audit))
    (place / "tables").mkdir()
    files = {f"tables/{name}": content for name, content in audit_csv(audit).items()}
    for name, content in {"audit.json": audit_json(audit), **files}.items():
        with open(place / name, "x", encoding="utf-8", newline="") as stream:
            stream.write(content)


def _weeks(weeks: pd.DataFrame) -> Block:
    if weeks.empty:
        return paragraph("No child was in baseline or exposure for a whole week of the quarter.")
    total, rated = int(weeks["weeks"].sum()), int(weeks["rated"].sum())
    gaps = weeks[weeks["missing"] > 0].sort_values("missing", ascending=False, kind="stable")
    said = paragraph(
        f"Of {count_of(total, 'whole week')} that {count_of(len(weeks), 'child', 'children')} spent in "
        f"baseline or exposure, {rated} ({percent(rated / total)}) have a planned rating."
    )
    if gaps.empty:
        return said
    return said + table(
        [
            {"Child": row.child_id, "Weeks": row.weeks, "Without a rating": row.missing}
            for row in _rows(gaps.head(LISTED))
        ],
        caption="Children with weeks without a planned rating",
        numeric=["Weeks", "Without a rating"],
        notes=[f"{len(gaps) - LISTED} more, with fewer such weeks, stand in tables/weeks.csv."]
        if len(gaps) > LISTED
        else [],
        fold=False,
    )


def _rows(frame: pd.DataFrame) -> list[Any]:
    return list(frame.itertuples(index=False))


def _large(words: str) -> str:
    return words[:1].upper() + words[1:]


def _small(words: str) -> str:
    return words[:1].lower() + words[1:]


def _place(setting: str | None, ladder: str | None, step: float) -> str:
    where = (setting, ladder, "" if math.isnan(step) else f"step {step:g}")
    return ", ".join(part for part in where if part)


def _share(share: float, low: float, high: float) -> str:
    return "" if math.isnan(share) else f"{percent(share)} ({_range(low, high)})"


def _rate(value: float, low: float, high: float, digits: int = 1) -> str:
    if math.isnan(value):
        return ""
    least, most = format_number(low, digits), format_number(high, digits)
    return f"{format_number(value, digits)} ({least} to {most})"


def _range(low: float, high: float) -> str:
    return "" if math.isnan(low) else f"{percent(low)} to {percent(high)}"


def _day(day: date | None) -> str:
    return "" if day is None else day_short(day)
