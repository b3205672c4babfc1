"""The page of the quarterly audit: each function gives the blocks of one part of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from rungwise.audit.actions import plan_to_fill_in, to_decide
from rungwise.audit.audit import Audit
from rungwise.audit.serialize import audit_csv, audit_json, table_csv
from rungwise.audit.since_due import about_since_due
from rungwise.audit.wording import day_words, small
from rungwise.basis.page_numbers import format_bounded, format_p
from rungwise.reports.audit_cells import (
    day_cell,
    large,
    rows_of,
)
from rungwise.reports.audit_outcomes_page import (
    beside_verdicts,
    every_child,
    groups,
    scores,
    signs_of_every_child,
    verdicts,
)
from rungwise.reports.audit_quarters_page import quarters, standards
from rungwise.reports.audit_records_page import actions, completeness, incidents, put_aside, to_discuss
from rungwise.reports.audit_workbook import audit_workbook
from rungwise.reports.blocks import (
    Block,
    Blocks,
    bullets,
    heading,
    lead,
    note,
    paragraph,
    table,
)
from rungwise.reports.child_page import day
from rungwise.reports.earlier_audits import read_earlier
from rungwise.reports.provenance import provenance
from rungwise.reports.words import SAFETY, SAFETY_TITLE
from rungwise.tables.table import InputFile

__all__ = [
    "actions", "beside_verdicts", "children", "completeness", "day", "every_child", "first_page", "groups",
    "how_to_check", "incidents", "method", "put_aside", "quarters", "read_earlier", "safety",
    "save_tables", "scores", "standards", "to_discuss", "trust", "verdicts", "who_was_there",
]  # fmt: skip

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
            "Children": row.words if row.kind == "total" else f"less: {small(row.words)}",
            "Less": "" if row.kind == "total" else row.children,
            "Remaining": row.children if row.kind == "total" else "",
        }
        for row in rows_of(audit.flow)
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
    ) + _ends(audit)


def _ends(audit: Audit) -> Block:
    """Say why programs ended in the quarter, and at which point."""
    every = audit.children
    ended = [day is not None and day in audit.quarter for day in every["ended_on"]]
    there = every[pd.Series(ended, index=every.index, dtype=bool)]
    points = {
        "Before exposure": there["exposure_on"].isna(),
        "Before the outcome was due": there["due_by"] == "left_early",
    }
    early = points["Before exposure"] | points["Before the outcome was due"]
    points["After it was due, or goals met"] = ~early
    rows = [
        {"Reason recorded": large(str(reason or "not recorded").replace("_", " "))}
        | {words: int((mask & (there["end_reason"] == reason)).sum()) for words, mask in points.items()}
        for reason in sorted(set(there["end_reason"]), key=lambda reason: (not reason, reason))
    ]
    return table(
        rows,
        caption="Programs that ended in the quarter, and why",
        numeric=list(points),
        when_empty="none, as far as it was recorded.",
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
                "Due": day_cell(row.due_on),
                "Baseline": row.n_baseline,
                "Exposure": row.n_exposure,
                "NAP": format_bounded(row.nap),
                "p": _p(row),
            }
            for row in rows_of(judged)
        ],
        caption="Judged, with the occasions the verdict rests on",
        numeric=["Baseline", "Exposure", "NAP", "p"],
        when_empty="no child.",
        notes=["p is each child's own and unadjusted: two-sided, but one-sided for a rise."]
        if len(judged)
        else [],
        closed=True,
    )
    if since := about_since_due(audit.since_due):
        parts += paragraph(*since)
    parts += signs_of_every_child(audit)
    parts += table(
        [
            {
                "Child": row.child_id,
                "Where it stands": row.stage_words,
                "Exposure began": day_cell(row.exposure_on),
                "Outcome due": day_cell(row.due_on),
                "Baseline": row.n_baseline,
                "Exposure": row.n_exposure,
            }
            for row in rows_of(others)
        ],
        caption="In progress or not judged: only described",
        numeric=["Baseline", "Exposure"],
        when_empty="no child.",
        closed=True,
    )
    if len(counted):
        parts += paragraph(
            f"Still open, and already counted in an earlier quarter ({len(counted)}): "
            f"{', '.join(counted)}.",
            kind="small",
        )
    return parts


def _p(row: Any) -> str:
    # A rise is called by its own one-sided p, as the note under the table says.
    return format_p(row.p_worse if row.verdict == "rose" else row.p_value).removeprefix("= ")


def method(audit: Audit) -> Block:
    """Say how it was worked out and with what settings."""
    rows = [
        {"Setting": row.words, "Value": f"{row.value:g}", "Comes from": row.origin}
        for row in rows_of(audit.settings)
    ]
    return paragraph(
        "The flow covers programs open on any day of the quarter. An outcome is due on the day "
        "exposure ended or the horizon was reached, whichever came first; later ratings do not enter. "
        "Each child gets one verdict from three questions: did the ratings fall from baseline to "
        "exposure (exact Tau, declined occasions ranked worst), were they already falling in baseline "
        "(exact trend), and is the fall more than the baseline's own course explains (mean distance of "
        "the exposure ratings from where the baseline was heading; level-and-slope model with "
        "autocorrelation). A rise is called one-sided. NAP is the share of comparisons of a baseline with "
        "an exposure rating in which the exposure rating is better, ties counting half; the caseload's "
        "mean gives every child the same weight and has a t interval over children. Shares have "
        f"Wilson intervals. Records up to {day_words(audit.as_of)} were used."
    ) + table(rows, caption="Settings", numeric=["Value"])


def safety() -> Block:
    """Give the cautions that stand on every page someone might act on."""
    return note(*SAFETY, NO_RANKING, title=SAFETY_TITLE)


def how_to_check(audit: Audit, today: str | None = None) -> Block:
    """Give versions, the SHA-256 of every file read and the command that makes the page again."""
    stated = " --earlier FILE" if len(audit.reaudit.quarters) else ""
    stated += f" --today {today}" if today is not None else ""
    return provenance(
        [InputFile(row.name, row.sha256, row.size) for row in rows_of(audit.inputs)],
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
    answers = to_decide(audit.standards, audit.discuss, audit.actions)
    files["tables/action_plan.csv"] = table_csv(plan_to_fill_in(answers, audit.quarter))
    for name, content in {"audit.json": audit_json(audit), **files}.items():
        with open(place / name, "x", encoding="utf-8", newline="") as stream:
            stream.write(content)
