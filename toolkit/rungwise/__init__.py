"""Outcome research for graded-exposure programs.

Public names are imported when first used, so that ``import rungwise`` and the command line stay
quick. The map below is the whole public surface.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOMES: dict[str, str] = {
    # results and errors
    "Estimate": "basis.estimate",
    "Estimates": "basis.estimate",
    "RungwiseError": "basis.errors",
    "DataProblems": "basis.errors",
    "NotEnoughData": "basis.errors",
    # files, checks, series
    "Caseload": "series.caseload",
    "read_caseload": "series.caseload",
    "check": "series.caseload",
    "Practice": "tables.practice",
    "ProblemReport": "tables.problems",
    "PhaseSeries": "series.phase_series",
    "SeriesBatch": "series.batch",
    # the answer about one child, and the audit
    "child_answer": "single_case.child_answer",
    "verdict": "single_case.verdict",
    "verdicts": "single_case.verdict",
    "verdict_codes": "single_case.verdict",
    "Rule": "single_case.verdict",
    "audit_quarter": "audit.audit",
    "audit_tables": "audit.caseload_tables",
    "pool_files": "audit.pool",
    "PooledAudit": "audit.pool",
    # single-case statistics
    "effects": "single_case.effects",
    "effect_files": "single_case.effects",
    "caseload_verdicts": "single_case.caseload_verdicts",
    "open_registry": "series.registry",
    "Registry": "series.registry",
    "tau": "single_case.tau",
    "nap": "single_case.nap",
    "tau_u": "single_case.tau_u",
    "baseline_corrected_tau": "single_case.corrected_tau",
    "stratified_tau": "single_case.stratified",
    "pnd": "single_case.overlap",
    "pem": "single_case.overlap",
    "pand": "single_case.overlap",
    "ird": "single_case.overlap",
    "mann_kendall": "single_case.trend",
    "hamed_rao": "single_case.hamed_rao",
    "theil_sen": "single_case.theil_sen",
    "split_middle": "single_case.split_middle",
    "autocorrelation": "single_case.autocorrelation",
    "pooled_autocorrelation": "single_case.pooled_autocorrelation",
    "caseload_autocorrelation": "single_case.pooled_autocorrelation",
    "level_and_slope_change": "single_case.level",
    "level_and_slope_newey_west": "single_case.level_newey_west",
    "mean_difference_ar1": "single_case.level",
    "standardized_mean_difference": "single_case.standardized_difference",
    "log_response_ratio": "single_case.magnitude",
    "percent_of_goal": "single_case.magnitude",
    "mean_baseline_change": "single_case.magnitude",
    "dual_criterion": "single_case.decision_rules",
    "conservative_dual_criterion": "single_case.decision_rules",
    "deviation_band": "single_case.decision_rules",
    "stability_envelope": "single_case.decision_rules",
    "visual_features": "single_case.visual",
    "randomization_test": "single_case.randomization",
    "RandomStart": "single_case.designs",
    "StaggeredStarts": "single_case.staggered_starts",
    "Alternating": "single_case.designs",
    "RandomChanges": "single_case.designs",
    "PermittedAssignments": "single_case.designs",
    # change between two occasions
    "reliable_change": "change.reliable_change",
    "minimal_detectable_change": "change.reliable_change",
    "clinical_cutoffs": "change.cutoffs",
    "classify_changes": "change.classify",
    "change_sensitivity": "change.classify",
    "measure_changes": "change.from_tables",
    "goal_attainment_t": "change.goals",
    "goal_attainment_change": "change.goals",
    # whether the ratings can be trusted
    "percent_agreement": "agreement.percent",
    "kappa": "agreement.kappa",
    "fleiss_kappa": "agreement.several_observers",
    "icc": "agreement.icc",
    "fidelity": "agreement.fidelity",
    "rater_difference": "agreement.raters",
    "agreement_reviews": "agreement.coverage",
    "fidelity_review": "agreement.fidelity",
    "headline_bounds": "agreement.missing",
    "missing_counts": "agreement.missing",
    # outcomes that take the step's difficulty into account
    "approach_scores": "ladders.approach",
    "approach_tau": "ladders.approach",
    "mastery_episodes": "ladders.mastery",
    "mastery_curves": "ladders.mastery",
    "habituation_within": "ladders.habituation",
    "habituation_between": "ladders.habituation",
    "practice_ratings": "ladders.practice_ratings",
    "review_ladders": "ladders.review",
    "step_adjusted_fear": "ladders.step_adjusted",
    "step_adjusted_group": "ladders.step_adjusted_group",
    "ordinal_step_adjusted_fear": "ladders.ordinal_fear",
    "planned_steps_trend": "ladders.probes",
    "probe_contrasts": "ladders.probes",
    "seasonal_mann_kendall": "ladders.seasonal",
    "dose": "ladders.dose",
    "standing": "ladders.standing",
    # studies of several cases
    "plan_study": "study.plan",
    "StudyPlan": "study.plan",
    "StudyCase": "study.plan",
    "staggered_windows": "study.plan",
    "draw_schedule": "study.schedule",
    "ChangingCriterion": "study.changing_criterion",
    "criterion_test": "study.changing_criterion",
    "power": "study.power",
    "Scenario": "study.scenario",
    "study_of": "study.data",
    "analyze_study": "study.analysis",
    "appraise": "study.appraise",
    "mask_study": "study.masked",
    "masked_test": "study.masked",
    "between_case_d": "study.between_case",
    "multilevel_change": "study.multilevel",
    "synthesize": "study.synthesis",
    # simulation and calibration
    "simulate_ratings": "simulate.ratings",
    "simulate_practice": "simulate.practice",
    "calibration_card": "single_case.calibration",
    # figures and outside values
    "single_case_graph": "figures.single_case_graph",
    "caterpillar": "figures.caterpillar",
    "stacked_cases": "figures.stacked_cases",
    "published_checks": "published.listing",
    # pages and documents
    "write_child_report": "reports.child_report",
    "write_family_report": "reports.child_report",
    "write_audit": "reports.audit_report",
    "write_study": "reports.study_report",
    "write_plan": "reports.plan_report",
    "write_sheet": "reports.sheet",
    "write_workbook": "tables.workbook",
    "write_marked_copy": "tables.marked",
    "read_frames": "series.caseload",
    "frame_schema": "tables.frames",
    "Audit": "audit.audit",
}

__all__ = list(_HOMES)


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'rungwise' has no attribute {name!r}")
    value = getattr(import_module(f"rungwise.{home}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return __all__
