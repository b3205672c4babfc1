"""Everything a study's report says in numbers, computed once."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from rungwise.basis.errors import NotEnoughData, check_between, check_choice
from rungwise.basis.estimate import Estimate, Estimates
from rungwise.single_case.child_answer import rule_of
from rungwise.single_case.randomization import randomization_test
from rungwise.single_case.standardized_difference import standardized_mean_difference_batch
from rungwise.single_case.verdict import Verdicts, verdicts
from rungwise.study.between_case import between_case_d
from rungwise.study.changing_criterion import combined_criterion_test, criterion_test
from rungwise.study.data import Study
from rungwise.study.multilevel import MultilevelChange, multilevel_change
from rungwise.study.synthesis import Synthesis, synthesize

NOT_INDEPENDENT = (
    "The sampling errors of these effects ignore autocorrelation, so their intervals are too narrow where "
    "ratings resemble their neighbors."
)
ONE_CHILD = "All cases are ladders of one child, so nothing here speaks of other children."


@dataclass(frozen=True, eq=False)
class StudyResult:
    """The results of a study.

    Attributes
    ----------
    study : Study
    statistic, alternative : str
    alpha : float
    seed : int
        Of the draws, where assignments were too many to count.
    test : Estimate
        The randomization test of the whole study; NaN with the reason in `cautions` where there is none.
        In a changing-criterion study, whether all cases' ratings followed the criteria.
    declines_ranked : Estimate or None
        The same test with Tau, which ranks declines worst; None where no probe was declined or Tau is
        the statistic anyway.
    criterion_tests : tuple of Estimate
        One per case in a changing-criterion study, otherwise empty.
    verdicts : Verdicts
        Case by case: Tau, NAP, baseline trend, and change beyond the baseline.
    multilevel : MultilevelChange
    between_case, between_case_moment : Estimate
    between_case_trend : Estimate
        With slopes in the model, at the occasion its method states.
    standardized : Estimates
        Standardized mean difference of every case.
    synthesis : Synthesis
        Their average.
    """

    study: Study
    statistic: str
    alternative: str
    alpha: float
    seed: int
    test: Estimate
    declines_ranked: Estimate | None
    criterion_tests: tuple[Estimate, ...]
    verdicts: Verdicts
    multilevel: MultilevelChange
    between_case: Estimate
    between_case_moment: Estimate
    between_case_trend: Estimate
    standardized: Estimates
    synthesis: Synthesis

    def numbers(self) -> dict[str, Any]:
        """Give every number of the report at full precision, as plain values."""
        cases = {}
        for i, one in enumerate(self.study.cases):
            verdict = self.verdicts[i]
            cases[one.case.label] = {
                "start": one.start,
                "verdict": verdict.code,
                "tau": plain(verdict.fell),
                "nap": plain(verdict.size),
                "baseline_trend": plain(verdict.baseline_trend),
                "beyond_baseline": plain(verdict.beyond_baseline),
                "difference": plain(verdict.difference),
                "standardized_mean_difference": plain(self.standardized[i]),
            }
        synthesis = self.synthesis
        return {
            "design_id": self.study.design_id,
            "statistic": self.statistic,
            "alternative": self.alternative,
            "alpha": self.alpha,
            "seed": self.seed,
            "randomization_test": plain(self.test),
            "declines_ranked": None if self.declines_ranked is None else plain(self.declines_ranked),
            "criterion_tests": [plain(one) for one in self.criterion_tests],
            "cases": cases,
            "multilevel_change": plain(self.multilevel.change)
            | {"sd_between": _finite(self.multilevel.sd_between), "phi": _finite(self.multilevel.phi)},
            "between_case_d": plain(self.between_case),
            "between_case_d_moment": plain(self.between_case_moment),
            "between_case_d_trend": plain(self.between_case_trend),
            "synthesis": plain(synthesis.average)
            | {
                name: _finite(getattr(synthesis, name))
                for name in ("prediction_low", "prediction_high", "tau2", "i2", "q", "q_p")
            },
        }


def analyze_study(
    study: Study,
    *,
    statistic: str | None = None,
    alternative: str | None = None,
    alpha: float | None = None,
    seed: int = 1,
) -> StudyResult:
    """Analyze a study as it was planned.

    Parameters
    ----------
    study : Study
    statistic, alternative, alpha : optional
        Default as planned (mean difference, improvement and .05 without a plan). What differs from the
        plan is listed among the departures (`rungwise.study.preanalysis.departures`).
    seed : int
        For the draws, where the permitted assignments are too many to count.

    Returns
    -------
    StudyResult

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Examples
    --------
    >>> from rungwise.study.rehearsal import invented_study
    >>> study = invented_study()
    >>> result = analyze_study(study)
    >>> result.test.counts["assignments"], round(result.test.p_value, 3)
    (48, 0.021)
    """
    plan = study.plan
    statistic = statistic or (plan.statistic if plan else "mean_difference")
    alternative = alternative or (plan.alternative if plan else "improvement")
    alpha = alpha if alpha is not None else (plan.alpha if plan else 0.05)
    check_between("alpha", alpha, 0, 1)
    check_choice("alternative", alternative, ("improvement", "worsening", "two-sided"))
    batch = study.batch
    standardized = standardized_mean_difference_batch(batch)
    declined = study.design is not None and any(one.series.declined.any() for one in study.cases)
    return StudyResult(
        study,
        statistic,
        alternative,
        alpha,
        seed,
        _test(study, statistic, alternative, seed),
        _test(study, "tau", alternative, seed) if declined and statistic != "tau" else None,
        _criterion_tests(study),
        verdicts(batch, rule_of(study.caseload.practice)),
        multilevel_change(batch),
        between_case_d(batch),
        between_case_d(batch, form="moment"),
        between_case_d(batch, trend=True),
        standardized,
        _average(standardized),
    )


def plain(estimate: Estimate) -> dict[str, Any]:
    """Give an estimate as plain values that JSON can hold; what is not a number becomes None."""
    row = {name: _finite(getattr(estimate, name)) for name in ("value", "ci_low", "ci_high", "p_value")}
    return {
        "statistic": estimate.statistic,
        **row,
        "n": estimate.n,
        "method": estimate.method,
        "counts": {name: _finite(number) for name, number in estimate.counts.items()},
        "cautions": list(estimate.cautions),
    }


def _finite(value: Any) -> Any:
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    return value.item() if isinstance(value, np.generic) else value


def _test(study: Study, statistic: str, alternative: str, seed: int) -> Estimate:
    if study.kind == "changing_criterion":
        return _combined_criterion_test(study, seed)
    reason = study.no_design
    if study.design is not None:
        try:
            return randomization_test(
                [one.series for one in study.cases],
                design=study.design,
                statistic=statistic,
                alternative=alternative,
                rng=np.random.default_rng(seed),
            )
        except (ValueError, NotEnoughData) as problem:
            reason = str(problem)
    return Estimate(
        "randomization_test", math.nan, alternative=alternative, null="design", cautions=(reason,)
    )


def _criterion_tests(study: Study) -> tuple[Estimate, ...]:
    if study.plan is None or study.plan.kind != "changing_criterion":
        return ()
    results = []
    for one in study.cases:
        try:
            schedule = schedule_made(study, one.case.child_id, one.case.ladder_id)
            results.append(criterion_test(one.series.values, schedule, design=study.plan.criteria_design))
        except (ValueError, NotEnoughData) as problem:
            results.append(Estimate("criterion_test", math.nan, null="design", cautions=(str(problem),)))
    return tuple(results)


def _combined_criterion_test(study: Study, seed: int) -> Estimate:
    plan = study.plan
    try:
        if plan is None:
            raise NotEnoughData("No plan was given, so the criteria are not known.")
        return combined_criterion_test(
            [one.series.values for one in study.cases],
            [schedule_made(study, one.case.child_id, one.case.ladder_id) for one in study.cases],
            design=plan.criteria_design,
            rng=np.random.default_rng(seed),
        )
    except (ValueError, NotEnoughData) as problem:
        return Estimate("combined_criterion_test", math.nan, null="design", cautions=(str(problem),))


def schedule_made(study: Study, child: str, ladder: str) -> np.ndarray:
    """Give the phase number of every planned occasion, from the table of phases.

    Raises
    ------
    NotEnoughData
        If the phases were not recorded.
    """
    plan = study.plan
    phases = study.caseload.tables.get("phases")
    if plan is None or phases is None:
        raise NotEnoughData(
            "The table of phases was not recorded, so the changes of criterion are not known."
        )
    mine = (phases["child_id"] == child) & (phases["ladder_id"] == ladder) & (phases["phase"] == "exposure")
    starts = np.sort(phases["starts_on"][mine])
    days = np.array(plan.days, dtype="datetime64[D]")
    return np.searchsorted(starts, days, side="right")


def _average(standardized: Estimates) -> Synthesis:
    errors = np.array([one.counts.get("standard_error", math.nan) for one in standardized], dtype=float)
    variances = np.where(errors > 0, errors, np.nan) ** 2
    return synthesize(standardized, variances)


def one_child(study: Study) -> bool:
    """Say whether all cases are ladders of one child."""
    return len({one.case.child_id for one in study.cases}) == 1 and len(study.cases) > 1
