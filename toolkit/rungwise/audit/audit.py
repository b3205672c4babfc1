"""The quarterly audit: one quarter of one caseload, worked out once for page, tables and files."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from rungwise.audit.actions import actions_table, read_back
from rungwise.audit.cohort import STAGES, Cohort, cohort, flow
from rungwise.audit.courses import DUE_BY
from rungwise.audit.criteria import criteria_table, standards_sentence
from rungwise.audit.discuss import children_to_discuss, points_table
from rungwise.audit.evidence import Evidence, evidence
from rungwise.audit.groups import groups_table
from rungwise.audit.history import compared, earlier_due, history
from rungwise.audit.lasting import lasting
from rungwise.audit.outcomes import (
    Outcome,
    Progress,
    beside,
    false_discovery,
    judge,
    mean_nap,
    shares,
    spread_sentence,
    synthesized_nap,
)  # fmt: skip
from rungwise.audit.quality import Quality, quality, set_aside
from rungwise.audit.quarter import Quarter
from rungwise.audit.reaudit import Earlier, Reaudit, reaudit
from rungwise.audit.safety import Safety, safety
from rungwise.audit.scores import goal_change, scores_table
from rungwise.audit.sentences import Told, tell, words_for
from rungwise.audit.signs import Signs, signs
from rungwise.audit.since_due import since_due
from rungwise.audit.wording import small
from rungwise.basis.estimate import Estimate
from rungwise.series.caseload import Caseload
from rungwise.study.synthesis import Synthesis
from rungwise.tables.practice import Practice
from rungwise.tables.table import InputFile

if TYPE_CHECKING:
    import pandas as pd

SETTINGS = {
    "alpha": "Two-sided level of significance",
    "margin": "“About the same” means surely less than, in rating points",
    "horizon_days": "Days from the start of exposure until the outcome is due",
    "minimum_baseline": "Baseline occasions needed for a verdict, at least",
    "minimum_exposure": "Exposure occasions needed for a verdict, at least",
    "quarter_start_month": "First month of quarter 1",
}


@dataclass(frozen=True, eq=False)
class Audit:
    """One quarter of one caseload.

    Attributes
    ----------
    label : str
        Name the practice goes by.
    quarter : Quarter
    as_of : date
        Last day whose records were used.
    told : Told
        The audit in sentences: answer, uncertainty, what follows, how far to trust it.
    flow : DataFrame
        From all children of the files to those judged, with a reason at every loss; see
        `rungwise.audit.cohort.flow`.
    children : DataFrame
        One row per child with an open program or an outcome due, by code.
    shares : DataFrame
        Share of each verdict among the children judged; see `rungwise.audit.outcomes.shares`.
    beside : DataFrame
        Those who left early beside those who finished.
    groups : DataFrame
        The judged by site, setting, referral reason, age, ladder and rater, never ranked; see
        `rungwise.audit.groups`.
    scores : DataFrame
        Reliable change on scored instruments; see `rungwise.audit.scores`.
    goals : Estimate or None
        Mean change of goal attainment T; None where goals were not recorded.
    evidence : Evidence
        What scores, goals and ratings rest on, child by child, and how far every headline could move
        with what is missing; see `rungwise.audit.evidence`.
    signs : Signs
        Approach, mastery and practice beside the verdicts; see `rungwise.audit.signs`.
    lasting : tuple of str
        Whether falls lasted; see `rungwise.audit.lasting`.
    headline : Estimate
        Unweighted mean of the children's NAP.
    synthesis : Synthesis or None
        The weighted average beside it, with heterogeneity and a prediction interval; None with fewer
        than two children judged.
    standards : DataFrame
        The practice's criteria against their standards; see `rungwise.audit.criteria`.
    history : DataFrame
        This quarter beside the earlier ones; see `rungwise.audit.history`.
    reaudit : Reaudit
        Earlier audits as they were reported, held against today's count.
    safety : Safety
        Incidents, with rates and every serious one.
    since_due : DataFrame
        Children rated on after the outcome was due, with the verdict of the whole record; see
        `rungwise.audit.since_due`.
    actions : DataFrame
        What earlier audits decided and where it stands.
    discuss : DataFrame
        Children to discuss, with the fact and the rule that raised it.
    quality : Quality
        Completeness, weeks without a rating, late entry, recording level.
    set_aside : DataFrame
        Rows set aside, and warnings, by file and rule.
    problems : DataFrame
        The same row by row, with what stood there and how to put it right.
    settings : DataFrame
        ``setting, words, value, origin``: each setting, and whether the practice set it.
    inputs : DataFrame
        ``name, size, sha256`` of every file read.
    cautions : tuple of str
        What must stand beside the numbers.
    """

    label: str
    quarter: Quarter
    as_of: date
    told: Told
    flow: pd.DataFrame
    children: pd.DataFrame
    shares: pd.DataFrame
    beside: pd.DataFrame
    groups: pd.DataFrame
    scores: pd.DataFrame
    goals: Estimate | None
    evidence: Evidence
    signs: Signs
    lasting: tuple[str, ...]
    headline: Estimate
    synthesis: Synthesis | None
    standards: pd.DataFrame
    history: pd.DataFrame
    reaudit: Reaudit
    safety: Safety
    since_due: pd.DataFrame
    actions: pd.DataFrame
    discuss: pd.DataFrame
    quality: Quality
    set_aside: pd.DataFrame
    problems: pd.DataFrame
    settings: pd.DataFrame
    inputs: pd.DataFrame
    cautions: tuple[str, ...]

    def __repr__(self) -> str:
        return f"Audit({self.label}, {self.quarter}: {self.told.answer})"


def audit_quarter(
    caseload: Caseload,
    quarter: str,
    *,
    today: date | str | None = None,
    earlier: Sequence[Earlier] = (),
    progress: Progress | None = None,
) -> Audit:
    """Audit one quarter of a caseload.

    It answers how many of the children whose outcome was due improved, who could not be judged and
    why, and which children to discuss. It says nothing about single clinicians, and with few children
    it says little about the practice: read the intervals. It misleads when outcomes of the children
    who could not be judged differ from those of the others.

    Parameters
    ----------
    caseload : Caseload
        From `read_caseload`.
    quarter : str
        For example ``"2026Q3"``; quarter 1 begins in the practice's own first month.
    today : date or str, optional
        Default: the computer's date. Matters only while the quarter runs: later records are not
        used, and outcomes due later are not counted yet.
    earlier : sequence of Earlier
        Earlier audits as they were written, to be held against today's count.
    progress : callable, optional
        Called with children judged so far and children to judge, first of this quarter, then of earlier
        ones.

    Returns
    -------
    Audit

    Raises
    ------
    ValueError
        If `caseload`, `quarter`, `today` or `earlier` cannot be used; the message says what is allowed and
        what came.

    Notes
    -----
    A child counts in the outcome rates once, in the quarter in which exposure ended or the preset
    horizon was reached, with data up to that day. Verdicts are the ones of `child_answer`, unadjusted.
    """
    if not isinstance(caseload, Caseload):
        raise ValueError(
            f"caseload must be a Caseload, from read_caseload; got {caseload!r}. Of a registry, "
            "audit_tables gives the caseload tables."
        )
    which = Quarter.parse(quarter, caseload.practice.quarter_start_month)
    group = cohort(caseload, which, day_of(today))
    # Apart, so that no last digit of this quarter depends on how many earlier ones there are.
    outcomes = judge(caseload, group.due, progress)
    every = (*outcomes, *judge(caseload, earlier_due(group.courses, which), progress))
    confidence = 1 - caseload.practice.alpha
    stages = dict(group.stages) | {outcome.course.child_id: outcome.stage for outcome in outcomes}
    codes = [outcome.code for outcome in outcomes if outcome.code]
    quality_of = quality(caseload, group)
    points = children_to_discuss(caseload, group, outcomes)
    flow_table, share_table = flow(stages), shares(codes, confidence)
    beside_table = beside(outcomes, confidence)
    headline, synthesis = mean_nap(outcomes, confidence), synthesized_nap(outcomes, confidence)
    standards = criteria_table(caseload.practice, outcomes, quality_of.weeks)
    quarters = history(every, which, confidence)
    held = reaudit(earlier, which, every, quarters, standards)
    incidents = safety(caseload, group)
    actions = actions_table(caseload, which, group.as_of)
    words = words_for(outcomes)
    return Audit(
        label=caseload.practice.label,
        quarter=which,
        as_of=group.as_of,
        told=tell(
            group,
            outcomes,
            flow=flow_table,
            shares=share_table,
            beside=beside_table,
            headline=headline,
            to_discuss=len({point.child_id for point in points}),
            rows_set_aside=caseload.report.rows_set_aside,
            level=caseload.level,
            false_discovery=false_discovery(outcomes, caseload.practice.alpha),
            before=compared(quarters, f"{words.subject} {words.better}"),
            standards=(*standards_sentence(standards), *held.first_page),
            safety=incidents.sentences,
            actions=read_back(actions, which, recorded="actions" in caseload.tables),
            charts=(*spread_sentence(synthesis), *held.sentences),
            confidence=confidence,
        ),
        flow=flow_table,
        children=children_table(caseload, group, stages, outcomes),
        shares=share_table,
        beside=beside_table,
        groups=groups_table(caseload, outcomes, confidence),
        scores=scores_table(caseload, group.due, confidence),
        goals=goal_change(caseload, group.due, confidence),
        evidence=evidence(caseload, group, outcomes, share_table, headline),
        signs=signs(caseload, outcomes),
        lasting=lasting(caseload, every, group.as_of),
        headline=headline,
        synthesis=synthesis,
        standards=standards,
        history=quarters,
        reaudit=held,
        safety=incidents,
        since_due=since_due(caseload, outcomes),
        actions=actions,
        discuss=points_table(points),
        quality=quality_of,
        set_aside=set_aside(caseload),
        problems=caseload.report.table,
        settings=settings_table(caseload.practice),
        inputs=_inputs((*caseload.inputs, *(one.file for one in earlier))),
        cautions=_cautions(outcomes, headline),
    )


def settings_table(practice: Practice) -> pd.DataFrame:
    """List the settings the audit rests on, saying which are defaults."""
    import pandas as pd

    rows = [
        (name, words, getattr(practice, name), practice.source_of(name)) for name, words in SETTINGS.items()
    ]
    return pd.DataFrame(rows, columns=["setting", "words", "value", "origin"], dtype=object)


def day_of(today: date | str | None) -> date:
    """Read `today` as `audit_quarter` takes it."""
    if today is None:
        return date.today()
    if isinstance(today, date):
        return today
    try:
        return date.fromisoformat(today)
    except (TypeError, ValueError):
        raise ValueError(f"today must be a date such as 2026-10-05; got {today!r}.") from None


def children_table(
    caseload: Caseload,
    group: Cohort,
    stages: Mapping[str, str],
    outcomes: Iterable[Outcome],
    *,
    known: bool = False,
) -> pd.DataFrame:
    """List the children with an open program or an outcome due; with `known`, all children of the files."""
    import pandas as pd

    judged = {outcome.course.child_id: outcome for outcome in outcomes}
    sites = _sites(caseload)
    rows: list[dict[str, Any]] = []
    for course in group.courses:
        stage = stages[course.child_id]
        if STAGES[stage][0] == "known" and not known:
            continue
        row = {
            "child_id": course.child_id,
            "site": sites.get(course.child_id),
            "stage": stage,
            "stage_words": STAGES[stage][1],
            "began_on": course.began_on,
            "exposure_on": course.exposure_on,
            "due_on": course.due_on,
            "due_by": course.due_by,
            "due_by_words": DUE_BY.get(course.due_by, ""),
            "ended_on": course.ended_on,
            "end_reason": course.end_reason,
            "last_rating": course.last_rating,
            "n_baseline": course.n_baseline,
            "n_exposure": course.n_exposure,
        }
        rows.append(row | _verdict_columns(judged.get(course.child_id)))
    columns = [
        "child_id", "site", "stage", "stage_words", "began_on", "exposure_on", "due_on", "due_by",
        "due_by_words", "ended_on", "end_reason", "last_rating", "n_baseline", "n_exposure",
        *_verdict_columns(None),
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _verdict_columns(outcome: Outcome | None) -> dict[str, Any]:
    nan = float("nan")
    if outcome is None or outcome.answer is None:
        return {
            "outcome": "", "verdict": "", "verdict_words": "", "n_ladders": 0, "nap": nan, "nap_low": nan,
            "nap_high": nan, "tau": nan, "p_value": nan, "p_worse": nan, "trend_p": nan, "beyond": nan,
            "beyond_low": nan, "beyond_high": nan,
        }  # fmt: skip
    verdict = outcome.answer.verdict
    return {
        "outcome": outcome.answer.outcome,
        "verdict": verdict.code,
        "verdict_words": verdict.words,
        "n_ladders": len(outcome.answer.ladders),
        "nap": verdict.size.value,
        "nap_low": verdict.size.ci_low,
        "nap_high": verdict.size.ci_high,
        "tau": verdict.fell.value,
        "p_value": verdict.fell.p_value,
        "p_worse": verdict.worse.p_value,
        "trend_p": verdict.baseline_trend.p_value,
        "beyond": verdict.beyond_baseline.value,
        "beyond_low": verdict.beyond_baseline.ci_low,
        "beyond_high": verdict.beyond_baseline.ci_high,
    }


def _sites(caseload: Caseload) -> dict[str, str]:
    table = caseload.tables.get("children")
    if table is None:
        return {}
    return dict(zip(table["child_id"], table["site"], strict=True))


def _inputs(files: Iterable[InputFile]) -> pd.DataFrame:
    import pandas as pd

    rows = [(file.name, file.size, file.sha256) for file in files]
    return pd.DataFrame(rows, columns=["name", "size", "sha256"])


def _cautions(outcomes: Iterable[Outcome], headline: Estimate) -> tuple[str, ...]:
    """Gather the cautions of the single verdicts, each with the number of children it concerns."""
    judged = [outcome.answer for outcome in outcomes if outcome.answer is not None and outcome.code]
    counts: dict[str, int] = {}
    for answer in judged:
        for sentence in dict.fromkeys(answer.cautions):
            counts[sentence] = counts.get(sentence, 0) + 1
    cautions = [] if not judged else [f"About the mean NAP: {small(entry)}" for entry in headline.cautions]
    for sentence, count in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
        share = f" ({'All' if count == len(judged) else f'{count} of'} {len(judged)} children judged.)"
        cautions.append(sentence + (share if len(judged) > 1 else ""))
    return tuple(cautions)
