"""The page of a quarter for sharing: it reads nothing but a `SharedAudit`."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING

from rungwise.audit.audit import Audit
from rungwise.audit.criteria import RESULTS
from rungwise.audit.quarter import Quarter
from rungwise.audit.sharing import (
    CELLS,
    HIDDEN,
    OUTCOMES,
    SETTINGS,
    SharedAudit,
    share,
    shared_document,
)
from rungwise.audit.wording import day_words, percent
from rungwise.basis.intervals import share_interval
from rungwise.figures.outcome_shares import OutcomeShare, describe_outcome_shares, outcome_shares
from rungwise.figures.run_chart import describe_run_chart, run_chart
from rungwise.reports.audit_cells import large
from rungwise.reports.audit_page import NO_RANKING
from rungwise.reports.audit_workbook import shared_workbook
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
from rungwise.reports.child_page import NARROW_INCHES
from rungwise.reports.provenance import versions
from rungwise.series.caseload import Caseload
from rungwise.single_case.verdict_words import CAUTION

if TYPE_CHECKING:
    import pandas as pd

JSON, WORKBOOK = "shared_audit.json", "shared_audit.xlsx"
AT = {"at_least": "at least", "at_most": "at most"}
EARLIER = {
    "due": "Due",
    "judged": "Judged",
    "fell": "Fell",
    "fell_beyond": "Beyond baseline",
    "rose": "Rose",
}


def to_share(caseload: Caseload, audit: Audit, last_shared: str | None = None) -> SharedAudit:
    """Give the edition for sharing, held against the report shared last where its JSON is named."""
    last = None
    if last_shared is not None:
        last = json.loads(Path(last_shared).read_text(encoding="utf-8"))
    return share(audit, caseload.practice, last)


def first_page(shared: SharedAudit) -> Blocks:
    """Give the answer from numbers that may be shared."""
    quarter = shared.quarter
    return Blocks(
        (
            heading(f"{shared.label}: audit {quarter} ({quarter.days})", 1),
            lead(shared.answer, uncertainty=shared.uncertainty),
            bullets(shared.sentences),
        )
    )


def numbers(shared: SharedAudit) -> Block:
    """Give every number that may be shared, and the rule by which others are not."""
    rows = [
        {"Children": words, "Number": HIDDEN if shared.cells[name] is None else shared.cells[name]}
        for name, words in CELLS.items()
    ]
    return table(
        rows, caption="Children, each counted once", numeric=["Number"], notes=[shared.rule], fold=False
    )


def outcomes(shared: SharedAudit) -> Blocks:
    """Draw how the children judged came out, as far as the numbers may be shown."""
    judged = shared.cells["judged"]
    drawn = [_share(CELLS[name], shared.cells[name], judged) for name in OUTCOMES] if judged else []
    if not any(one.count is not None for one in drawn):
        return Blocks()
    hidden = any(one.count is None for one in drawn)
    return Blocks(
        (
            picture(
                outcome_shares(drawn),
                alt=describe_outcome_shares(drawn),
                caption="How the children judged came out, each with its 95% interval."
                + (" Numbers too small to share have no bar." if hidden else ""),
                narrow=outcome_shares(drawn, width=NARROW_INCHES),
            ),
        )
    )


def _share(words: str, count: int | None, n: int | None) -> OutcomeShare:
    if count is None or not n:
        return OutcomeShare(words, None, n or 0)
    found = share_interval(count, n)
    return OutcomeShare(words, count, n, found.value, found.ci_low, found.ci_high)


def standards(shared: SharedAudit) -> Block:
    """Hold the practice's standards against numbers that may be shared."""
    rows = [
        {
            "Criterion": large(standard.words) or standard.criterion,
            "Standard": f"{AT[standard.direction]} {percent(standard.target)}",
            "This quarter": HIDDEN if standard.n is None else f"{standard.count} of {standard.n}",
            "Result": HIDDEN if standard.result is None else RESULTS[standard.result],
        }
        for standard in shared.standards
    ]
    return table(
        rows,
        caption="Standards set before the quarter",
        numeric=["This quarter"],
        when_empty="the practice set none.",
        notes=[
            "Met, or not met, only where the whole 95% interval (Wilson) lies on one side of the standard. "
            f"{HIDDEN} where a number it rests on is not shown."
        ]
        if rows
        else [],
    )


def earlier(shared: SharedAudit) -> Blocks:
    """Set earlier quarters, as they were shared, beside this one."""
    if not shared.earlier:
        return Blocks((paragraph("No earlier report for sharing was given to set beside this one."),))
    every = {**shared.earlier, shared.quarter.label: shared.cells}
    rows = [
        {"Quarter": label} | {words: _shown(cells[name]) for name, words in EARLIER.items()}
        for label, cells in every.items()
    ]
    parts: list[Block | Picture] = [
        table(
            rows,
            caption="Quarter by quarter, each as it was shared",
            numeric=list(EARLIER.values()),
            notes=["Earlier quarters are not counted again: records added since do not enter."],
        )
    ]
    run = _run(shared)
    if run["share"].notna().sum() > 1:
        parts.insert(
            0,
            picture(
                run_chart(run),
                alt=describe_run_chart(run),
                caption="Share of the children judged in whom ratings fell, with its 95% interval; "
                "the figure at each mark is the number judged. A rise or fall between two quarters says "
                "little.",
                narrow=run_chart(run, width=NARROW_INCHES, height=2.7),
            ),
        )
    return Blocks(parts)


def _run(shared: SharedAudit) -> pd.DataFrame:
    """Every quarter from the first one shared to this one; what was not shown or not shared is missing."""
    import pandas as pd

    every = {**shared.earlier, shared.quarter.label: shared.cells}
    start = shared.quarter.start_month
    step, rows = min(Quarter.parse(label, start) for label in every), []
    while step <= shared.quarter:
        cells = every.get(step.label, {})
        judged, one = cells.get("judged"), _share("", cells.get("fell"), cells.get("judged"))
        rows.append((step.label, math.nan if judged is None else judged, one.share, one.low, one.high))
        step = step.next
    table = pd.DataFrame(rows, columns=["quarter", "judged", "share", "ci_low", "ci_high"])
    return table.assign(center=math.nan, limit_low=math.nan, limit_high=math.nan)


def rules(shared: SharedAudit) -> Block:
    """State the rules the edition was made by, so that others know what it can be set beside."""
    return table(
        [{"Rule": words, "Value": rule_value(shared.settings[name])} for name, words in SETTINGS.items()],
        caption="The practice's settings: editions made by other ones cannot be added up with this one",
        numeric=["Value"],
        fold=False,
        notes=[f"Recording level {shared.level}; records up to {day_words(shared.as_of)} were used."],
    )


def rule_value(value: float | str) -> str:
    """Write a setting.

    Examples
    --------
    >>> rule_value(0.05), rule_value(84), rule_value("peak")
    ('0.05', '84', 'peak')
    """
    return value if isinstance(value, str) else f"{value:g}"


def _shown(count: int | None) -> str:
    return HIDDEN if count is None else str(count)


def trust() -> Block:
    """Say how the numbers are to be read."""
    return (
        paragraph(
            "Each child is judged once, in the quarter in which exposure ended or the practice's horizon "
            "was reached, with records up to that day: did planned ratings at one fixed step fall from "
            "baseline to exposure, and by more than the baseline's own course explains? Children who could "
            "not be judged may differ from the others. A fall after exposure began does not show what "
            "caused it."
        )
        + note(CAUTION, NO_RANKING)
        + paragraph(
            "Made with " + ", ".join(f"{name} {number}" for name, number in versions().items()) + ".",
            kind="small",
        )
    )


def save(shared: SharedAudit, folder: str | None) -> None:
    """Write the same numbers as JSON and workbook into a folder that is there; without one, nothing."""
    if folder is None:
        return
    (Path(folder) / WORKBOOK).write_bytes(shared_workbook(shared))
    text = json.dumps(shared_document(shared), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    with open(Path(folder) / JSON, "x", encoding="utf-8", newline="") as stream:
        stream.write(text)
