"""The audit's tables about a caseload, of any size: the same numbers from a practice or a registry.

An audit of one practice says more (safety, actions, children to discuss): those are for the people who
know the children. Over many clinics what counts is who was there, what became of them, and for whom it
cannot be said. These tables follow from one row per child, which is worked out part by part.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from rungwise.audit.audit import children_table, day_of
from rungwise.audit.case_mix import baseline_levels
from rungwise.audit.cohort import STAGES, cohort, flow_of
from rungwise.audit.groups import GROUPINGS, NOT_RECORDED, groups_from, groups_of
from rungwise.audit.outcomes import beside_of, judge, mean_nap_of, shares
from rungwise.audit.quarter import Quarter
from rungwise.basis.estimate import Estimate
from rungwise.series.blocks import block_bits
from rungwise.series.caseload import Caseload
from rungwise.series.registry import Registry, of_any_size
from rungwise.series.registry_tables import map_caseloads
from rungwise.single_case.verdict_rule import FELL
from rungwise.tables.problems import ProblemReport

if TYPE_CHECKING:
    import pandas as pd

# What groups and adjustment need of a child, beside the columns of the table of children.
_GROUP, _LEVEL = "group: ", "baseline level"


@dataclass(frozen=True, eq=False)
class AuditTables:
    """The caseload tables of one quarter; see the attributes of the same names of `Audit`.

    Attributes
    ----------
    quarter : Quarter
    as_of : date
    flow, shares, beside, groups, children : DataFrame
    headline : Estimate
    report : ProblemReport
        Everything found in the files.
    """

    quarter: Quarter
    as_of: date
    flow: pd.DataFrame
    shares: pd.DataFrame
    beside: pd.DataFrame
    groups: pd.DataFrame
    children: pd.DataFrame
    headline: Estimate
    report: ProblemReport


def audit_tables(
    source: Caseload | Registry | str | Path, quarter: str, *, today: date | str | None = None
) -> AuditTables:
    """Give the caseload tables of an audit, of a practice or of a registry of any size.

    For many clinics together. The tables are those of `audit_quarter`, to the last bit, however rows are
    spread over files. They mislead as that does where children who could not be judged differ from the
    others, and more so where clinics record differently. Clinics are not to be ranked by them.

    Parameters
    ----------
    source : Caseload, Registry or path
        A registry's folder may hold a folder, or a Parquet file, of every table beside that of the
        ratings: children and phases above all, without which programs have no dates of their own.
    quarter : str
        For example ``"2026Q3"``.
    today : date or str, optional
        As in `audit_quarter`; of a registry, default its own `today`.

    Returns
    -------
    AuditTables
        The tables hold a row per child of the quarter; nothing else grows with the registry.

    Raises
    ------
    ValueError
        As `audit_quarter`.
    DataProblems
        If a file of the registry was written under another schema.

    Examples
    --------
    >>> from rungwise.series.caseload import read_frames
    >>> import pandas as pd
    >>> days = pd.date_range("2026-05-04", periods=16, freq="7D").astype(str)
    >>> phases = ["baseline"] * 6 + ["exposure"] * 10
    >>> rows = {"child_id": "C1", "date": days, "phase": phases, "rating": [8, 9] * 3 + [3, 2] * 5}
    >>> tables = audit_tables(read_frames({"ratings": pd.DataFrame(rows)}), "2026Q3", today="2026-10-01")
    >>> tables.flow.set_index("code")["children"]["known"]
    np.int64(1)
    """
    given: Caseload | Registry = of_any_size(source)
    practice = given.practice
    which = Quarter.parse(quarter, practice.quarter_start_month)
    if isinstance(given, Registry):
        day = given.today if today is None else day_of(today)
        files, report = map_caseloads(given, children_of, (quarter, day.isoformat()), "audit")
        every = _read_in_order(files)
    else:
        day, report = day_of(today), given.report
        every = children_of(given, block_bits(len(given.children)), (quarter, day.isoformat()))
    confidence = 1 - practice.alpha
    due = every[every["stage"].map(_is_due).astype(bool)]
    judged = every[every["stage"] == "judged"]
    codes = judged["verdict"].tolist()
    fell = [code in FELL for code in codes]
    kinds = [name for name in GROUPINGS if _GROUP + name in every]
    members = [
        dict(zip(kinds, row, strict=True))
        for row in judged[[_GROUP + name for name in kinds]].itertuples(index=False, name=None)
    ]
    verdicts = due["verdict"].where(due["stage"] == "judged", "")
    shown = every[every["stage"].map(lambda stage: STAGES[stage][0] != "known").astype(bool)]
    return AuditTables(
        quarter=which,
        as_of=min(which.last, day),
        flow=flow_of(Counter(every["stage"].tolist())),
        shares=shares(codes, confidence),
        beside=beside_of(list(zip(due["due_by"], verdicts, strict=True)), confidence),
        groups=groups_from(members, fell, judged[_LEVEL].tolist(), confidence),
        children=shown[[name for name in every if not _is_beside(str(name))]].reset_index(drop=True),
        headline=mean_nap_of(judged["nap"].tolist(), confidence),
        report=report,
    )


def children_of(caseload: Caseload, bits: int, argument: tuple[str, str]) -> pd.DataFrame:
    """Give a row for every child of the files, with what the tables of a quarter need of it.

    Parameters
    ----------
    caseload : Caseload
    bits : int
        See `rungwise.series.blocks.blocks`.
    argument : (str, str)
        The quarter, and the day to take as today.
    """
    quarter, today = argument
    group = cohort(
        caseload, Quarter.parse(quarter, caseload.practice.quarter_start_month), date.fromisoformat(today)
    )
    outcomes = judge(caseload, group.due, bits=bits)
    stages = dict(group.stages) | {outcome.course.child_id: outcome.stage for outcome in outcomes}
    table = children_table(caseload, group, stages, outcomes, known=True)
    judged = [outcome for outcome in outcomes if outcome.code]
    members = groups_of(caseload, judged)
    levels = dict(zip(members, baseline_levels(judged), strict=True))
    children = table["child_id"].tolist()
    for name in GROUPINGS:
        table[_GROUP + name] = [members.get(child, {}).get(name, NOT_RECORDED) for child in children]
    table[_LEVEL] = np.array([levels.get(child, np.nan) for child in children], dtype=float)
    return table


def _is_due(stage: str) -> bool:
    return STAGES[stage][0] in ("due", "judged")


def _is_beside(name: str) -> bool:
    return name == _LEVEL or name.startswith(_GROUP)


def _read_in_order(files: Sequence[Path]) -> pd.DataFrame:
    """Read the rows of all parts, sorted by child."""
    import pandas as pd

    frames = [pd.read_parquet(file) for file in files]
    together = pd.concat([frame for frame in frames if len(frame)] or frames[:1], ignore_index=True)
    order = np.argsort(together["child_id"].to_numpy(str), kind="stable")
    return together.iloc[order].reset_index(drop=True)
