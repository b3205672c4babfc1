"""The page of a quarter for sharing: it reads nothing but a `SharedAudit`."""

from __future__ import annotations

import json
from pathlib import Path

from rungwise.audit.audit import Audit
from rungwise.audit.sharing import CELLS, HIDDEN, SharedAudit, share, shared_document
from rungwise.reports.audit_page import NO_RANKING
from rungwise.reports.blocks import Block, Blocks, bullets, heading, lead, note, paragraph, table
from rungwise.reports.provenance import versions
from rungwise.series.caseload import Caseload
from rungwise.single_case.verdict_words import CAUTION

JSON = "shared_audit.json"


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
