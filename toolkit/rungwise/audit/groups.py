"""The judged children by site, referral reason and age, described and never ranked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rungwise.audit.outcomes import Outcome
from rungwise.audit.wording import listed
from rungwise.basis.intervals import share_interval_batch
from rungwise.series.caseload import Caseload
from rungwise.single_case.verdict_rule import FELL

if TYPE_CHECKING:
    import pandas as pd

# Judged children each group needs before groups are compared (design choice).
ENOUGH = 30
GROUPINGS = {"site": "Site", "referral_reason": "Referral reason", "age_band": "Age at entry"}
AGE_BANDS = (
    (72, "under 6 years"),
    (120, "6 to 9 years"),
    (156, "10 to 12 years"),
    (math.inf, "13 and older"),
)
NOT_RECORDED = "not recorded"


def groups_table(caseload: Caseload, outcomes: Sequence[Outcome], confidence: float = 0.95) -> pd.DataFrame:
    """Count judged children and falls by site, referral reason and age band.

    Groups stand in the order of their names. They differ in who came to them, so a higher share says
    nothing about the work done there; clinicians are not grouped at all.

    Returns
    -------
    DataFrame
        ``grouping, group, judged, fell, share, ci_low, ci_high``. A grouping in which only one group
        was recorded is left out.
    """
    import pandas as pd

    members = _members(caseload)
    judged = [outcome for outcome in outcomes if outcome.code]
    rows: list[tuple[str, str, int, int]] = []
    for grouping in GROUPINGS:
        groups: dict[str, list[bool]] = {}
        for outcome in judged:
            group = members.get(outcome.course.child_id, {}).get(grouping, NOT_RECORDED)
            groups.setdefault(group, []).append(outcome.code in FELL)
        if len(set(groups) - {NOT_RECORDED}) < 2:
            continue
        order = sorted(groups, key=lambda group: (group == NOT_RECORDED, _place(group), group))
        rows += [(grouping, group, len(groups[group]), sum(groups[group])) for group in order]
    table = pd.DataFrame(rows, columns=["grouping", "group", "judged", "fell"])
    shares = share_interval_batch(table["fell"], table["judged"], confidence=confidence)
    return table.assign(share=shares.value, ci_low=shares.ci_low, ci_high=shares.ci_high)


def about_groups(table: pd.DataFrame) -> str:
    """Say why groups are not compared, or that they may be looked at."""
    if table.empty:
        return "Fewer than two groups were recorded among the children judged, so none are set apart."
    small = table[table["judged"] < ENOUGH]
    if small.empty:
        return (
            "Every group has enough judged children to be looked at side by side; who came to each still "
            "differs, and a difference is a question, not a finding."
        )
    kinds = [words.lower() for name, words in GROUPINGS.items() if name in set(small["grouping"])]
    return (
        f"Groups are described, not compared: by {listed(kinds)} at least one group has fewer than "
        f"{ENOUGH} judged children, and with so few, differences between groups are mostly chance and who "
        "came."
    )


def _members(caseload: Caseload) -> dict[str, dict[str, str]]:
    table = caseload.tables.get("children")
    if table is None:
        return {}
    columns = zip(
        table["child_id"], table["site"], table["referral_reason"], table["age_months"], strict=True
    )
    return {
        child: {
            "site": site or NOT_RECORDED,
            "referral_reason": reason or NOT_RECORDED,
            "age_band": _band(months),
        }
        for child, site, reason, months in columns
    }


def _band(months: float) -> str:
    if math.isnan(months):
        return NOT_RECORDED
    return next(words for limit, words in AGE_BANDS if months < limit)


def _place(group: str) -> int:
    bands = [words for _, words in AGE_BANDS]
    return bands.index(group) if group in bands else 0
