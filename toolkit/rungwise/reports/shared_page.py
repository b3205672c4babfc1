"""The page of a quarter for sharing: it reads nothing but a `SharedAudit`."""

from __future__ import annotations

import json
from pathlib import Path

from rungwise.audit.audit import Audit
from rungwise.audit.criteria import RESULTS
from rungwise.audit.sharing import CELLS, HIDDEN, SharedAudit, share, shared_document
from rungwise.audit.wording import percent
from rungwise.reports.audit_cells import large
from rungwise.reports.audit_page import NO_RANKING
from rungwise.reports.blocks import Block, Blocks, bullets, heading, lead, note, paragraph, table
from rungwise.reports.provenance import versions
from rungwise.series.caseload import Caseload
from rungwise.single_case.verdict_words import CAUTION

JSON = "shared_audit.json"
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
    return share(audit, caseload.practice.sharing_threshold, last)


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
            "Met, or not met, only where the whole exact 95% interval lies on one side of the standard. "
            f"{HIDDEN} where a number it rests on is not shown."
        ]
        if rows
        else [],
    )


def earlier(shared: SharedAudit) -> Block:
    """Set earlier quarters, as they were shared, beside this one."""
    if not shared.earlier:
        return paragraph("No earlier report for sharing was given to set beside this one.")
    every = {**shared.earlier, shared.quarter.label: shared.cells}
    rows = [
        {"Quarter": label} | {words: _shown(cells[name]) for name, words in EARLIER.items()}
        for label, cells in every.items()
    ]
    return table(
        rows,
        caption="Quarter by quarter, each as it was shared",
        numeric=list(EARLIER.values()),
        notes=["Earlier quarters are not counted again: records added since do not enter."],
    )


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
    """Write the same numbers as JSON into a folder that is there; without one, nothing."""
    if folder is None:
        return
    text = json.dumps(shared_document(shared), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    with open(Path(folder) / JSON, "x", encoding="utf-8", newline="") as stream:
        stream.write(text)
