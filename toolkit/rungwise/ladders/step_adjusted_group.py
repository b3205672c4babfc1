"""Fear with the step's difficulty taken into account, of several children together."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from rungwise.basis.distributions import t_quantile
from rungwise.basis.errors import NotEnoughData, check_between
from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import count_of, format_bounded
from rungwise.ladders.exposure_trials import (
    FEWEST_DAYS,
    GO_TOGETHER,
    NO_PROBE,
    TOGETHER,
    TOO_FEW,
    WEEK,
    correlation,
    programs_in_exposure,
    why_together,
)
from rungwise.ladders.step_adjusted import FOLLOWS_RATINGS, NOT_CERTIFIED, STRAIGHT, favored, unknown
from rungwise.models.two_level import fit_two_level
from rungwise.tables.table import TableSet


@dataclass(frozen=True, eq=False)
class StepAdjustedGroup:
    """Step-adjusted fear of several children together.

    Attributes
    ----------
    refused : str
    correlation : float
        Of difficulty and time within programs, pooled.
    programs : tuple of (str, str)
        Child and ladder of each program that entered.
    too_close : int
        Programs of these whose own correlation would be refused.
    left_out : tuple of (str, str, str)
        Child, ladder and reason of those that did not enter.
    per_week, per_difficulty : Estimate
        Averages over the programs.
    spread : float
        Standard deviation of the change a week between programs; NaN where refused.
    """

    refused: str
    correlation: float
    programs: tuple[tuple[str, str], ...]
    too_close: int
    left_out: tuple[tuple[str, str, str], ...]
    per_week: Estimate
    per_difficulty: Estimate
    spread: float


def step_adjusted_group(
    tables: TableSet,
    *,
    kinds: Iterable[str] = ("probe", "approach", "practice"),
    confidence: float = 0.95,
) -> StepAdjustedGroup:
    """Fit step-adjusted fear of several children by a two-level model.

    Each program (a child on a ladder) has its own level and its own course; what a point of difficulty
    is worth is one number for all, which is why programs in which step and time go together still
    enter: leaving out the children who climbed most steadily would bend the average.

    Parameters
    ----------
    tables, kinds, confidence
        As in `step_adjusted_fear`.

    Returns
    -------
    StepAdjustedGroup
        Refused where difficulty and time correlate above `TOGETHER` within programs, pooled, or with
        fewer than two programs. Degrees of freedom are Satterthwaite's. Two programs of one child
        count as two, which is too hopeful where they resemble each other.

    Notes
    -----
    Source: the model of `rungwise.models.two_level.fit_two_level`.

    Examples
    --------
    >>> from rungwise.tables.practice import Practice
    >>> from rungwise.tables.problems import ProblemReport
    >>> step_adjusted_group(TableSet({}, Practice(), ProblemReport(()))).refused
    'At least two programs are needed; 0 programs entered.'
    """
    check_between("confidence", confidence, 0, 1)
    programs, left_out = [], []
    for program in programs_in_exposure(tables, None, kinds):
        reason = NO_PROBE if np.isnan(program.probe_step) else ""
        if not reason and program.rated.days < FEWEST_DAYS:
            reason = TOO_FEW.format(days=count_of(program.rated.days, "day"))
        if reason:
            left_out.append((program.child, program.ladder, reason))
        else:
            programs.append(program)
    made = StepAdjustedGroup(
        refused="",
        correlation=float("nan"),
        programs=tuple((one.child, one.ladder) for one in programs),
        too_close=sum(bool(why_together(one.rated)) for one in programs),
        left_out=tuple(left_out),
        per_week=unknown("step-adjusted fear a week", "points a week"),
        per_difficulty=unknown("fear a point of difficulty", "points a point of difficulty"),
        spread=float("nan"),
    )
    if len(programs) < 2:
        return replace(
            made, refused=f"At least two programs are needed; {count_of(len(programs), 'program')} entered."
        )
    used = [program.rated for program in programs]
    week, difficulty, rating = (
        np.concatenate([getattr(one, name) for one in used]) for name in ("week", "difficulty", "rating")
    )
    group = np.repeat(np.arange(len(programs)), [len(one) for one in used])
    r = correlation(_within(week, group), _within(difficulty, group))
    made = replace(made, correlation=r)
    if abs(r) > TOGETHER:
        words = GO_TOGETHER.format(r=format_bounded(r), trials=count_of(len(week), "trial"))
        return replace(made, refused=words)
    design = np.column_stack([np.ones(len(week)), difficulty, week])
    try:
        fit = fit_two_level(
            rating, design, group, random=design[:, [0, 2]], times=week * WEEK, autocorrelation=True,
            unit_gap=1.0,
        )  # fmt: skip
    except (NotEnoughData, np.linalg.LinAlgError) as problem:
        return replace(made, refused=str(problem))
    cautions = (STRAIGHT, FOLLOWS_RATINGS, *([] if fit.converged else [NOT_CERTIFIED]))

    def estimate(blank: Estimate, weights: list[float]) -> Estimate:
        value, error, df = fit.contrast(weights)
        reach = -t_quantile(0.5 * (1 - confidence), df) * error if df > 0 else float("nan")
        return replace(
            blank, value=value, ci_low=float(value - reach), ci_high=float(value + reach),
            confidence=confidence, n=len(week), favors=favored(programs[0].sign * value),
            counts={"programs": len(programs), "degrees_of_freedom": df, "phi": fit.phi},
            method="two-level model of all rated trials, own level and course for each program; REML, "
            "AR(1) over real gaps, Satterthwaite's degrees of freedom",
            cautions=cautions,
        )  # fmt: skip

    return replace(
        made,
        per_week=estimate(made.per_week, [0.0, 0.0, 1.0]),
        per_difficulty=replace(estimate(made.per_difficulty, [0.0, 1.0, 0.0]), favors=""),
        spread=float(np.sqrt(fit.random_covariance[1, 1])),
    )


def _within(values: np.ndarray, group: np.ndarray) -> np.ndarray:
    return values - (np.bincount(group, values) / np.bincount(group))[group]
