"""The method sections of a study's report, as far as the files and the plan know them."""

from __future__ import annotations

import math

from rungwise.basis.page_numbers import format_bounded, format_number
from rungwise.reports.manuscript import Heading, Part, Points, rows, text
from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.study.analysis import StudyResult
from rungwise.study.data import CaseData, Study
from rungwise.study.plan import KINDS
from rungwise.study.preanalysis import (
    DECLINE_RULE,
    MISSING_RULE,
    SECONDARY,
    STATISTIC_WORDS,
    TO_WRITE,
    PreAnalysis,
)

ALTERNATIVE_WORDS = {
    "improvement": "one-sided for improvement, as stated beforehand",
    "worsening": "one-sided for worsening, as stated beforehand",
    "two-sided": "two-sided",
}


def method(result: StudyResult, planned: PreAnalysis | None, fingerprint: str = "") -> list[Part]:
    """Give the method, from question to analysis, with the fingerprint of the plan as registered."""
    study = result.study
    return [
        Heading("Method"),
        Heading("Question", 2),
        text(planned.question if planned is not None else TO_WRITE),
        Heading("Design", 2),
        *_design(study),
        Heading("Participants and probes", 2),
        rows(
            [_participant(study, one) for one in study.cases],
            "Cases and what was probed",
            numeric=["Age in years", "Probe step"],
        ),
        *([Points(tuple(f"Not analyzed: {case}, {why}." for case, why in study.left_out.items()))]
          if study.left_out else []),
        text(f"Recruitment, selection criteria, setting, consent and assent: {TO_WRITE}"),
        Heading("Measures", 2),
        text(
            "The outcome is probe fear: fear at one fixed step of the child's ladder, asked on occasions "
            "planned in advance, whatever was practiced. Fear ratings are ordinal and comparable within a "
            "child only. Practice ratings were not tested, because a step is left when fear of it is low."
        ),
        Heading("Randomization", 2),
        *_randomization(study, planned),
        Heading("Masking", 2),
        text(planned.masking if planned is not None else TO_WRITE),
        Heading("Exposure and procedure", 2),
        text(f"Materials, sessions, what was done in baseline and in exposure, stop rules: {TO_WRITE}"),
        Heading("Analysis", 2),
        *_analysis(result, planned, fingerprint),
    ]  # fmt: skip


def age_years(study: Study, child: str) -> str:
    """Give a child's age in years at entry, or that it was not recorded."""
    children = study.caseload.tables["children"]
    months = children["age_months"][children["child_id"] == child]
    if not len(months) or math.isnan(months[0]):
        return "not recorded"
    return format_number(months[0] / 12)


def _participant(study: Study, one: CaseData) -> dict[str, str]:
    case = one.case
    ladders = study.caseload.tables.get("ladders")
    activity = "not recorded"
    if ladders is not None:
        found = ladders["activity"][
            (ladders["ladder_id"] == case.ladder_id) & (ladders["step"] == case.probe_step)
        ]
        activity = found[0] if len(found) else activity
    return {
        "Case": case.label,
        "Age in years": age_years(study, case.child_id),
        "Probe step": str(case.probe_step),
        "Activity": activity,
        "Scale": f"{case.fear_minimum:g} to {case.fear_maximum:g}",
        "Rated by": case.usual_rater or "not recorded",
    }


def _design(study: Study) -> list[Part]:
    plan = study.plan
    if plan is not None:
        return [
            text(f"The design was a {KINDS[plan.kind]}."),
            Points(tuple(plan.announcement(dates=False)[:3])),
        ]
    shape = "multiple baseline" if len(study.cases) > 1 else "baseline and exposure"
    return [
        text(
            f"The design was {shape}, code {study.design_id}. No plan was given with the data; the table "
            "of plans says which windows were open, and the recorded days are taken for the planned ones."
        )
    ]


def _randomization(study: Study, planned: PreAnalysis | None) -> list[Part]:
    if study.kind == "changing_criterion" and study.plan is not None:
        design = study.plan.criteria_design
        listed = ", ".join(f"{criterion:g}" for criterion in study.plan.criteria)
        return [
            text(
                f"For each case on its own it was drawn when each criterion ({listed}) came into force, "
                f"with at least {design.minimum} occasions in baseline and under each: "
                f"{design.n_assignments:,} equally likely schedules a case."
            ),
            *_sealed(planned),
        ]
    if study.design is None:
        return [text(study.no_design)]
    if isinstance(study.design, StaggeredStarts):
        windows = study.design.windows
        how = "shuffled over the cases, and one start drawn in each" if study.design.shuffled else (
            "one start drawn in each"
        )  # fmt: skip
        listed = "; ".join(f"occasions {window[0]} to {window[-1]}" for window in windows)
    else:
        designs = study.design if isinstance(study.design, list) else [study.design]
        how = "one start drawn in each, independently"
        listed = "; ".join(f"occasions {one.earliest} to {one.latest}" for one in designs)  # type: ignore[attr-defined]
    return [text(f"Exposure could start in these windows: {listed} ({how})."), *_sealed(planned)]


def _sealed(planned: PreAnalysis | None) -> list[Part]:
    if planned is None or not planned.commitment:
        return []
    return [
        text(
            f"The draw was sealed before anyone began; its SHA-256, {planned.commitment}, stands in the "
            "pre-analysis plan."
        )
    ]


def _analysis(result: StudyResult, planned: PreAnalysis | None, fingerprint: str) -> list[Part]:
    if result.criterion_tests:
        primary = (
            "The primary test is a randomization test over all combinations of the cases' permitted "
            "schedules; its statistic is the mean distance of the ratings from the criterion in force, "
            f"averaged over cases; level {format_bounded(result.alpha)}."
        )
    else:
        primary = (
            f"The primary test is a randomization test over all permitted assignments; its statistic is "
            f"the {STATISTIC_WORDS[result.statistic]}; {ALTERNATIVE_WORDS[result.alternative]}; level "
            f"{format_bounded(result.alpha)}."
        )
    secondary = planned.secondary if planned is not None else SECONDARY
    parts: list[Part] = [text(primary), Points(tuple(secondary)), text(DECLINE_RULE, " ", MISSING_RULE)]
    if fingerprint:
        parts.append(text(f"The pre-analysis plan has the SHA-256 {fingerprint}."))
    else:
        parts.append(text("No pre-analysis plan was given with the data."))
    return parts
