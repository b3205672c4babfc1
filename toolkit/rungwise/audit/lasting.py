"""Whether falls lasted: maintenance and follow-up of children whose ratings had fallen."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from rungwise.audit.cohort import censored
from rungwise.audit.outcomes import Outcome
from rungwise.audit.wording import percent
from rungwise.basis.intervals import share_interval
from rungwise.basis.page_numbers import count_of, format_number
from rungwise.ladders.probes import probe_contrasts
from rungwise.series.caseload import Caseload
from rungwise.single_case.verdict_rule import FELL

# Ratings a later phase needs before it is counted (common practice, no source).
FEWEST = 3
PHASES = {"maintenance": "In maintenance", "follow_up": "At follow-up"}


def lasting(caseload: Caseload, outcomes: Sequence[Outcome], as_of: date) -> tuple[str, ...]:
    """Say of how many children the fall lasted, by phase; nothing where no later rating was recorded.

    Of the children judged in this quarter or an earlier one whose ratings fell, those with at least
    `FEWEST` later ratings at the primary probe step are counted, each once a phase: the fall lasted where
    on every ladder the later median is better than baseline's by at least the practice's margin. It
    misleads when those who stay in touch are those who are well.
    """
    planned = caseload.planned
    later = {
        child
        for child, phase in zip(planned["child_id"].tolist(), planned["phase"].tolist(), strict=True)
        if phase in PHASES
    }
    fell = [one.course.child_id for one in outcomes if one.code in FELL and one.course.child_id in later]
    if not fell:
        return ()
    known = censored(caseload, dict.fromkeys(fell, as_of))
    held: dict[str, dict[str, bool]] = {phase: {} for phase in PHASES}
    for one in probe_contrasts(known):
        if one.role != "primary" or one.contrast not in PHASES or one.n_later < FEWEST:
            continue
        better = one.median_baseline - one.median_later
        if one.series.better == "higher":
            better = -better
        lasted = better >= caseload.practice.margin
        held[one.contrast][one.child_id] = held[one.contrast].get(one.child_id, True) and lasted
    return tuple(
        _told(PHASES[phase], held[phase], caseload.practice.margin) for phase in PHASES if held[phase]
    )


def _told(where: str, held: dict[str, bool], margin: float) -> str:
    lasted, n = sum(held.values()), len(held)
    share = share_interval(lasted, n)
    points = format_number(margin).removesuffix(".0")
    return (
        f"{where}: of {count_of(n, 'child', 'children')} whose ratings had fallen and who have at least "
        f"{FEWEST} later ratings, {lasted} stayed at least {points} "
        f"{'point' if margin == 1 else 'points'} better than baseline ({percent(share.value)}, 95% "
        f"interval {percent(share.ci_low)} to {percent(share.ci_high)}). Those without later ratings are "
        "not counted."
    )
