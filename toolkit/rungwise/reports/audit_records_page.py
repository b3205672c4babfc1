"""The parts of the audit's page about records: incidents, what to discuss and do, completeness."""

from __future__ import annotations

import math

import pandas as pd

from rungwise.audit.actions import STATES, to_decide
from rungwise.audit.audit import Audit
from rungwise.audit.digits import about_digits
from rungwise.audit.quality import LATE_DAYS, LEVELS
from rungwise.audit.safety import CLUSTERS, KNOWN, PER_OCCASIONS, PLACES, per_100
from rungwise.audit.wording import percent
from rungwise.basis.page_numbers import count_of, format_number
from rungwise.reports.audit_cells import (
    day_cell,
    large,
    rate_words,
    rows_of,
)
from rungwise.reports.blocks import (
    Block,
    bullets,
    paragraph,
    table,
)

# Blank lines of the action plan.
LINES = 5
FORM = {"Action": 70, "Role": 20, "Due": 12, "Done": 12}
# Rows of a table of gaps on the page; the file has them all.
LISTED = 20


def incidents(audit: Audit) -> Block:
    """Give every incident rate with its interval, and list every serious incident."""
    found = audit.safety
    parts = paragraph(*found.sentences)
    if not found.recorded:
        return parts + paragraph("Not recorded is not the same as none.")
    hourly = not math.isnan(found.hours)
    places = found.rates["group"].isin(PLACES)
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
    else:
        notes.append("Minutes of exposure were not recorded, so there is no rate per hour.")
    if found.occasions:
        most = format_number(per_100(0, found.occasions).ci_high)
        notes.append(
            f"Kinds of which none was recorded are left out: their rate is 0, and up to {most} per "
            f"{PER_OCCASIONS} occasions would still fit."
        )
    parts += _rates(found.rates[~places], "How often", hourly, notes)
    if places.any():
        parts += _rates(found.rates[places], "By setting and step", hourly, _about_places(audit))
    return parts + table(
        [
            {
                "Day": day_cell(row.date),
                "Child": row.child_id,
                "Kind": large(row.kind.replace("_", " ")),
                "Where": _place(row.setting, row.ladder_id, row.step),
                "What was done": row.action or "not recorded",
            }
            for row in rows_of(found.serious)
        ],
        caption="Every serious incident",
        when_empty="none recorded.",
    )  # fmt: skip


def _rates(rates: pd.DataFrame, caption: str, hourly: bool, notes: list[str]) -> Block:
    rows = [
        {
            "Incidents": f"{large(row.group)} {row.value}"
            if row.group in PLACES
            else large(str(row.value).replace("_", " ")),
            "Number": row.incidents,
            "Per 100 occasions": rate_words(row.per_100, row.low_100, row.high_100),
        }
        | ({"Per hour": rate_words(row.per_hour, row.low_hour, row.high_hour, digits=2)} if hourly else {})
        for row in rows_of(rates)
    ]
    numeric = ["Number", "Per 100 occasions", "Per hour"]
    return table(rows, caption=caption, numeric=numeric, notes=notes)


def _about_places(audit: Audit) -> list[str]:
    found = audit.safety
    notes = [
        "By setting: per 100 occasions there. By step: per 100 occasions on which that step was tried; the "
        "same step of two ladders need not be equally hard."
    ]
    for group in PLACES:
        known = found.known[group]
        if not known:
            notes.append(f"The {group} of occasions was not recorded, so there is no rate by {group}.")
        elif known < KNOWN * found.occasions:
            notes.append(
                f"The {group} is known for {known} of {found.occasions} occasions, too few for rates by "
                f"{group}."
            )
        elif known < found.occasions:
            notes.append(
                f"The {group} is known for {known} of {found.occasions} occasions, which makes rates by "
                f"{group} a little too high."
            )
    return notes


def _place(setting: str | None, ladder: str | None, step: float) -> str:
    where = (setting, ladder, "" if math.isnan(step) else f"step {step:g}")
    return ", ".join(part for part in where if part)


def to_discuss(audit: Audit) -> Block:
    """List the children to discuss, each with the fact and the rule that raised it."""
    rows = [
        {"Child": row.child_id, "What was recorded": row.fact, "Listed because": row.rule_words}
        for row in rows_of(audit.discuss)
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


def actions(audit: Audit) -> Block:
    """Read back what earlier audits decided, and give the form for what this one does."""
    rows = [
        {
            "Raised in": row.raised_in,
            "Action": row.action,
            "Role": row.owner_role or "",
            "Due": day_cell(row.due_on),
            "Where it stands": large(STATES[row.state])
            + (f" ({day_cell(row.done_on)})" if row.done_on else ""),
            "Note": row.note,
        }
        for row in rows_of(audit.actions)
    ]
    decided = table(
        rows,
        caption="Decided by this audit and earlier ones",
        when_empty="none recorded.",
    )
    return decided + action_form(audit)


def action_form(audit: Audit) -> Block:
    """Give the empty action plan: what it could answer, and lines to fill in."""
    answers = to_decide(audit.standards, audit.discuss, audit.actions)
    parts = paragraph(
        "To fill in. What is decided goes into actions.csv, one line an action, with the quarter as "
        f"raised_in ({audit.quarter}); the next audit reads it back. tables/action_plan.csv has the same "
        "lines to begin with."
    )
    if answers:
        parts += paragraph("What it could answer; which of these need an action is yours to say:")
        parts += bullets(answers)
    # Spaces that hold a cell open, so that there is room to write by hand.
    blank = {words: "\u00a0" * width for words, width in FORM.items()}
    rows = [{"Raised in": str(audit.quarter), **blank} for _ in range(LINES)]
    return parts + table(rows, caption=f"Action plan {audit.quarter}", fold=False)


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
                "Table": large(str(name).replace("_", " ")),
                "Rows": int(part["rows"].max()),
                "Fields": len(part),
                "Filled in": percent(part["recorded"].sum() / part["rows"].sum()),
            }
            for name, part in quality.completeness.groupby("table", sort=False)
        ],
        caption="How complete each table is in the quarter",
        numeric=["Rows", "Fields", "Filled in"],
        when_empty="no row of the quarter to count.",
        notes=["Of all cells asked for, in the fields that were ever recorded."]
        if len(quality.completeness)
        else [],
    )
    parts += table(
        [
            {
                "Field": f"{row.table}: {row.field.replace('_', ' ')}",
                "Rows": row.rows,
                "Filled in": row.recorded,
                "Share": percent(row.share),
            }
            for row in rows_of(gaps)
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
    if digits := about_digits(quality.digits):
        parts += paragraph(*digits)
    late, known = quality.late
    if known:
        parts += paragraph(
            f"{late} of {count_of(known, 'trial')} with a day of entry ({percent(late / known)}) were "
            f"entered more than {LATE_DAYS} days late."
        )
    return parts


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
            for row in rows_of(gaps.head(LISTED))
        ],
        caption="Children with weeks without a planned rating",
        numeric=["Weeks", "Without a rating"],
        notes=[f"{len(gaps) - LISTED} more, with fewer such weeks, stand in tables/weeks.csv."]
        if len(gaps) > LISTED
        else [],
        fold=False,
    )


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
        for row in rows_of(audit.set_aside)
    ]
    return table(
        rows,
        caption="Problems found in the files",
        numeric=["Rows"],
        when_empty="none, and nothing was set aside.",
        notes=["tables/problems.csv lists every row."] if rows else [],
    )
