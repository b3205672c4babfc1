"""What the cells of the notebook ``single_case_study`` show."""

from __future__ import annotations

from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import format_p
from rungwise.reports import study_method, study_results, study_safety
from rungwise.reports.blocks import Block, Blocks, heading, lead, note, paragraph
from rungwise.reports.child_page import day
from rungwise.reports.manuscript import to_blocks
from rungwise.reports.study_inputs import StudyInputs, read_study
from rungwise.reports.study_report import departure_parts, reproducibility
from rungwise.reports.words import SAFETY, SAFETY_TITLE
from rungwise.study.appraise import appraise

__all__ = ["day", "read_study"]


_CHANGED = {"improvement": "Fear came down", "worsening": "Fear rose", "two-sided": "Fear changed"}


def opening(inputs: StudyInputs) -> Blocks:
    """Give the title, and the answer of the planned test in one sentence with its uncertainty."""
    study = inputs.result.study
    names = ", ".join(study.caseload.practice.label.splitlines())
    return Blocks(
        (
            heading(f"Single-case study {study.design_id}", 1),
            _answer(inputs),
            paragraph(f"{names}. Recording level {study.caseload.level}.", kind="small"),
        )
    )


def _answer(inputs: StudyInputs) -> Block:
    result = inputs.result
    test = result.test
    if test.p_value != test.p_value:
        return lead("There is no randomization test for this study.", uncertainty=" ".join(test.cautions))
    reached = test.p_value <= result.alpha
    if result.criterion_tests:
        answer = (
            "Ratings followed the criteria when these changed, beyond what the draw explains."
            if reached
            else "The study does not show that ratings followed the criteria; nor the opposite."
        )
        return lead(answer, uncertainty=_uncertainty(test, "combinations of schedules"))
    answer = (
        f"{_CHANGED[result.alternative]} when exposure started, beyond what the draw explains."
        if reached
        else ("The study does not show that fear changed when exposure started; nor the opposite.")
    )
    return lead(answer, uncertainty=_uncertainty(test, "assignments"))


def _uncertainty(test: Estimate, what: str) -> str:
    return (
        f"Randomization test over {int(test.counts['assignments']):,} permitted {what}: "
        f"p {format_p(test.p_value)}; the smallest attainable was p {format_p(test.counts['smallest_p'])}."
    )


def method(inputs: StudyInputs) -> Blocks:
    """Give the method."""
    return to_blocks(study_method.method(inputs.result, inputs.planned, inputs.fingerprint)[1:])


def results(inputs: StudyInputs) -> Blocks:
    """Give the results."""
    return to_blocks(study_results.results(inputs.result, inputs.masked)[1:])


def safety_and_fidelity(inputs: StudyInputs) -> Blocks:
    """Give adverse events, fidelity and agreement."""
    return to_blocks(study_safety.safety_parts(inputs.result.study))


def departures(inputs: StudyInputs) -> Blocks:
    """Give where the study departed from its plan."""
    return to_blocks(departure_parts(inputs))


def appraisal(inputs: StudyInputs) -> Blocks:
    """Give the published criteria, item by item."""
    return to_blocks(study_results.appraisal_parts(appraise(inputs.result.study))[1:])


def raw_data(inputs: StudyInputs) -> Blocks:
    """Give every rating."""
    return to_blocks(study_results.raw_data(inputs.result.study)[1:])


def how_to_check(inputs: StudyInputs) -> Blocks:
    """Give versions, fingerprints and how to rerun."""
    return to_blocks(reproducibility(inputs))


def safety() -> Block:
    """Give the cautions that stand on every page someone might act on."""
    return note(*SAFETY, title=SAFETY_TITLE)
