"""The parts of the audit's page that look at standards and at earlier quarters."""

from __future__ import annotations

import math
from typing import Any

from rungwise.audit.audit import Audit
from rungwise.audit.criteria import MEASURES, RESULTS, allowed
from rungwise.audit.history import about_charts, rules_in_words
from rungwise.audit.wording import percent
from rungwise.basis.page_numbers import count_of, format_bounded
from rungwise.figures.individuals_chart import describe_individuals_chart, individuals_chart
from rungwise.figures.run_chart import ROOMY, describe_run_chart, run_chart
from rungwise.reports.audit_cells import large, range_words, rows_of, share_words
from rungwise.reports.blocks import Block, Blocks, Picture, paragraph, picture, table
from rungwise.reports.child_page import NARROW_INCHES


def standards(audit: Audit) -> Block:
    """Hold the practice's criteria against their standards."""
    rows = [
        {
            "Criterion": large(row.words) or row.criterion,
            "Standard": f"{'at least' if row.direction == 'at_least' else 'at most'} {percent(row.target)}",
            "This quarter": f"{row.count} of {row.n}" + (f" ({percent(row.share)})" if row.n else ""),
            "95% interval": range_words(row.ci_low, row.ci_high),
            "Result": RESULTS[row.result],
        }
        for row in rows_of(audit.standards)
    ]
    excepted = [_exceptions(row) for row in rows_of(audit.standards) if row.exceptions]
    sources = dict.fromkeys(row.source for row in rows_of(audit.standards))
    return table(
        rows,
        caption="Set before the quarter, in practice.toml",
        numeric=["This quarter", "95% interval"],
        when_empty="the practice set none. A standard is set before the quarter, in practice.toml: for "
        "example [criteria.fell] with target = 0.6. What can be measured: "
        f"{'; '.join(f'{name} ({words})' for name, words in MEASURES.items())}.",
        notes=[
            "Met, or not met, only where the whole Wilson interval lies on one side of the standard; where "
            "it holds the standard, there are too few children to say.",
            *excepted,
            f"Standards come from: {', '.join(sources)}.",
        ]
        if rows
        else [],
    )


def _exceptions(row: Any) -> str:
    """Say which exceptions were allowed, and which of them left children out."""
    applied, stated = allowed(row.exceptions.split("; "))
    told = f"Allowed exceptions, {row.words or row.criterion}: {row.exceptions}."
    if applied:
        left_out = count_of(row.excepted, "child is", "children are") if row.excepted else "No child is"
        told += f" {left_out} left out of the count for it."
    if stated:
        told += " What is not recorded as a reason for the end of a program is stated, and not counted out."
    return told


def quarters(audit: Audit) -> Blocks:
    """Set this quarter beside the earlier ones."""
    if len(audit.history) < 2:
        none = paragraph("There is no earlier quarter in the files to set beside this one.")
        return Blocks([none, *_as_reported(audit)])
    signals = bool((audit.history["signal"] != "").any())
    rows = [
        {
            "Quarter": row.quarter,
            "Due": row.due,
            "Judged": row.judged,
            "Fell": row.fell,
            "Beyond baseline": row.beyond,
            "Rose": row.rose,
            "Share that fell": share_words(row.share, row.ci_low, row.ci_high),
            "Mean NAP": format_bounded(row.mean_nap) if row.judged else "",
        }
        | ({"Signal": large(row.signal)} if signals else {})
        for row in rows_of(audit.history)
    ]
    drawn, narrow = run_chart(audit.history), run_chart(audit.history, width=NARROW_INCHES, height=2.7)
    return Blocks(
        (
            picture(
                drawn,
                alt=describe_run_chart(audit.history),
                caption="Share of the children judged in whom fear fell, with its interval"
                f"{_numbers(audit)}.{_lines(audit)}",
                narrow=narrow,
            ),
            table(
                rows,
                caption="Every quarter counted by today's rules",
                numeric=["Due", "Judged", "Fell", "Beyond baseline", "Rose", "Share that fell", "Mean NAP"],
                notes=[rules_in_words()],
            ),
            *_single_values(audit),
            paragraph(*about_charts(audit.history)),
            *_as_reported(audit),
        )
    )


def _numbers(audit: Audit) -> str:
    """Say what the figures at the marks are, where there are any."""
    return "; the figure at each mark is the number judged" if len(audit.history) <= ROOMY else ""


def _lines(audit: Audit) -> str:
    """Name the lines a chart has, where it has them."""
    if audit.history["center"].isna().all():
        return ""
    median = "" if audit.history["median"].isna().all() else ", median dotted"
    return f" Center solid, three-sigma limits dashed{median}."


def _single_values(audit: Audit) -> list[Picture]:
    """Draw the chart of the mean NAP where it has limits."""
    if audit.history["nap_center"].isna().all():
        return []
    return [
        picture(
            individuals_chart(audit.history),
            alt=describe_individuals_chart(audit.history),
            caption="Mean NAP of the children judged, as single values: center solid, limits from the "
            "moving range of neighboring quarters dashed"
            f"{_numbers(audit)}.",
            narrow=individuals_chart(audit.history, width=NARROW_INCHES, height=2.7),
        )
    ]


def _as_reported(audit: Audit) -> list[Block]:
    """Set earlier audits as they were reported beside today's count."""
    found = audit.reaudit
    if found.quarters.empty:
        return []
    reports = table(
        [
            {
                "Quarter": row.quarter,
                "Reported: fell": f"{row.fell_then} of {row.judged_then}",
                "Counted today": f"{row.fell_now} of {row.judged_now}",
                "Verdicts that changed": row.verdicts_changed or "none",
            }
            for row in rows_of(found.quarters)
        ],
        caption="Earlier audits as they were reported, and the same quarters counted today",
        numeric=["Reported: fell", "Counted today"],
    )
    if found.standards.empty:
        return [reports]
    standards = table(
        [
            {
                "Criterion": large(MEASURES.get(row.criterion, row.criterion)),
                "Then": _result(row.result_then, row.share_then, row.target_then),
                "Now": _result(row.result_now, row.share_now, row.target_now),
            }
            for row in rows_of(found.standards)
        ],
        caption=f"Standards in the audit of {found.standards['quarter'].iloc[0]} and now",
    )
    return [reports, standards]


def _result(result: str, share: float, target: float) -> str:
    if not result:
        return "not set"
    found = "" if math.isnan(share) else f": {percent(share)}, standard {percent(target)}"
    return f"{large(RESULTS[result])}{found}"
