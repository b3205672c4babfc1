"""Fear with the step's difficulty taken into account, for one child and for several."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from rungwise.basis.distributions import t_quantile
from rungwise.basis.errors import NotEnoughData, check_between
from rungwise.basis.estimate import Estimate, orientation
from rungwise.basis.page_numbers import count_of, format_bounded
from rungwise.ladders.exposure_trials import (
    FEWEST_DAYS,
    GO_TOGETHER,
    NO_PROBE,
    TOGETHER,
    TOO_FEW,
    WEEK,
    Program,
    correlation,
    how_close,
    programs_in_exposure,
    why_refused,
)
from rungwise.models.gls import Ar1Fit, fit_ar1
from rungwise.models.mixture import Mixture
from rungwise.models.two_level import fit_two_level
from rungwise.tables.table import TableSet

FOLLOWS_RATINGS = (
    "The child climbs because ratings were low, so the steps are not independent of the ratings; this is a "
    "description beside probe fear, without a p-value."
)
NOT_CERTIFIED = "The model's best fit could not be certified; take its numbers as rough."
STRAIGHT = (
    "Fear is taken to change by the same amount each week, and by the same amount a point of difficulty."
)
DECLINES = (
    "Trials left out because the child declined, so that fear is hidden where it was highest: {n}. The "
    "result with them at the worst end of the scale stands beside it."
)
METHOD = (
    "what a point of difficulty is worth by generalized least squares on all rated trials, AR(1) over real "
    "gaps; the course by the same on daily averages at the probe step's difficulty, AR(1) averaged over "
    "its likelihood, the uncertainty of the first carried into the second"
)
OFF_SCALE = "The line leaves the ends of the scale; ratings cannot follow it there."


@dataclass(frozen=True, eq=False)
class ExpectedFear:
    """Fear expected at the probe step, day by day, with its band.

    Attributes
    ----------
    day : ndarray of datetime64[D]
    value, ci_low, ci_high : ndarray of float
        In points of the scale; limits hold for each day by itself.
    """

    day: np.ndarray
    value: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray


@dataclass(frozen=True, eq=False)
class StepAdjusted:
    """Step-adjusted fear of one child on one ladder.

    Attributes
    ----------
    child_id, ladder_id : str
    probe_step : float
        NaN where none is planned.
    refused : str
        Why nothing is estimated, in one sentence; empty where something is.
    correlation : float
        Between difficulty and time, over the trials.
    days, trials, declined : int
        Days and rated trials that entered, and declined trials.
    per_week : Estimate
        Change of fear a week at one and the same difficulty, in points.
    per_difficulty : Estimate
        Change of fear a point of difficulty, at one and the same time.
    with_declines : Estimate or None
        `per_week` with declined trials at the worst end of the scale; None where nothing was declined.
    expected : ExpectedFear or None
        None where refused.
    """

    child_id: str
    ladder_id: str
    probe_step: float
    refused: str
    correlation: float
    days: int
    trials: int
    declined: int
    per_week: Estimate
    per_difficulty: Estimate
    with_declines: Estimate | None
    expected: ExpectedFear | None


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


def step_adjusted_fear(
    tables: TableSet,
    *,
    child_id: str | None = None,
    kinds: Iterable[str] = ("probe", "approach", "practice"),
    confidence: float = 0.95,
) -> tuple[StepAdjusted, ...]:
    """Fit fear on difficulty and time within each child's ladder, and expect it at the probe step.

    Every rated trial of exposure enters: the trials of a day tell what difficulty is worth, the days tell
    the course. Errors are AR(1) over the real gaps, the trials of a day spread evenly over it. It shows
    the course of fear that raw ratings hide while the child climbs.

    Parameters
    ----------
    tables : TableSet
        With ``observations``, ``phases`` and ``plans``; ``ladders`` for difficulty, which is the step's
        number where it is not recorded.
    child_id : str, optional
        Only this child.
    kinds : iterable of str
        Kinds of trial that enter.
    confidence : float

    Returns
    -------
    tuple of StepAdjusted
        One per child and ladder with a trial in exposure. Refused, with the reason, where step and time
        correlate above `TOGETHER`, where difficulty never varied, or with fewer than `FEWEST_DAYS` days.

    Notes
    -----
    It misleads where one step is not one fear more than the step before it for this child, and is
    never tested: the child leaves a step because ratings there were low. Probe fear is the primary
    outcome; this stands beside it.

    Source: generalized least squares, as in `rungwise.models.gls.fit_ar1`.

    Examples
    --------
    >>> from rungwise.tables.practice import Practice
    >>> from rungwise.tables.problems import ProblemReport
    >>> step_adjusted_fear(TableSet({}, Practice(), ProblemReport(())))
    ()
    """
    check_between("confidence", confidence, 0, 1)
    return tuple(
        _one_child(program, confidence) for program in programs_in_exposure(tables, child_id, kinds)
    )


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
    """
    check_between("confidence", confidence, 0, 1)
    programs, left_out = [], []
    for program in programs_in_exposure(tables, None, kinds):
        reason = NO_PROBE if np.isnan(program.probe_step) else ""
        if not reason and program.n_days < FEWEST_DAYS:
            reason = TOO_FEW.format(days=count_of(program.n_days, "day"))
        if reason:
            left_out.append((program.child, program.ladder, reason))
        else:
            programs.append(program)
    made = StepAdjustedGroup(
        refused="",
        correlation=float("nan"),
        programs=tuple((one.child, one.ladder) for one in programs),
        too_close=sum(how_close(*one.used()[:2]) > TOGETHER for one in programs),
        left_out=tuple(left_out),
        per_week=_unknown("step-adjusted fear a week", "points a week"),
        per_difficulty=_unknown("fear a point of difficulty", "points a point of difficulty"),
        spread=float("nan"),
    )
    if len(programs) < 2:
        return replace(
            made, refused=f"At least two programs are needed; {count_of(len(programs), 'program')} entered."
        )
    columns = [program.used() for program in programs]
    week, difficulty, rating = (np.concatenate(column) for column in zip(*columns, strict=True))
    group = np.repeat(np.arange(len(programs)), [len(weeks) for weeks, *_ in columns])
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
            confidence=confidence, n=len(week), favors=_favors(programs[0].sign * value),
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


def _one_child(program: Program, confidence: float) -> StepAdjusted:
    week, difficulty, rating = program.used()
    declined = int(program.declined.sum())
    r = correlation(week, difficulty)
    made = StepAdjusted(
        child_id=program.child,
        ladder_id=program.ladder,
        probe_step=program.probe_step,
        refused=why_refused(program),
        correlation=r,
        days=program.n_days,
        trials=len(week),
        declined=declined,
        per_week=_unknown("step-adjusted fear a week", "points a week"),
        per_difficulty=_unknown("fear a point of difficulty", "points a point of difficulty"),
        with_declines=None,
        expected=None,
    )
    if made.refused:
        return _refused(made, made.refused)
    course = _Course.of(week, difficulty, rating)
    if course.reason:
        return _refused(made, course.reason)
    cautions = [STRAIGHT, FOLLOWS_RATINGS]
    if declined:
        cautions.append(DECLINES.format(n=declined))
    shown = np.unique(program.week)
    line = course.line(np.column_stack([np.ones(len(shown)), shown]))
    band_low, band_high = line.limits(confidence)
    if line.value.min() < program.floor or line.value.max() > program.ceiling:
        cautions.append(OFF_SCALE)

    def estimate(blank: Estimate, change: Mixture) -> Estimate:
        low, high = change.limits(confidence)
        return replace(
            blank, value=float(change.value[0]), ci_low=float(low[0]), ci_high=float(high[0]),
            confidence=confidence, n=len(week), cautions=tuple(cautions),
            counts={"days": made.days, "trials": made.trials, "declined": declined, "correlation": r},
            method=METHOD,
        )  # fmt: skip

    per_week = estimate(made.per_week, course.line(np.array([[0.0, 1.0]])))
    return replace(
        made,
        per_week=replace(per_week, favors=_favors(program.sign * per_week.value)),
        per_difficulty=estimate(made.per_difficulty, course.worth),
        with_declines=_with_declines(program, per_week) if declined else None,
        expected=ExpectedFear(
            day=program.day[0] + np.rint(shown * WEEK).astype("timedelta64[D]"),
            value=line.value,
            ci_low=band_low,
            ci_high=band_high,
        ),
    )


def _refused(made: StepAdjusted, reason: str) -> StepAdjusted:
    return replace(
        made,
        refused=reason,
        per_week=replace(made.per_week, cautions=(reason,)),
        per_difficulty=replace(made.per_difficulty, cautions=(reason,)),
    )


def _with_declines(program: Program, without: Estimate) -> Estimate:
    week, difficulty, rating = program.used(declines=True)
    if how_close(week, difficulty) > TOGETHER:
        words = GO_TOGETHER.format(
            r=format_bounded(correlation(week, difficulty)), trials=count_of(len(week), "trial")
        )
        return replace(
            without, value=np.nan, ci_low=np.nan, ci_high=np.nan, n=len(week), favors="", cautions=(words,)
        )
    course = _Course.of(week, difficulty, rating)
    if course.reason:
        return replace(
            without, value=np.nan, ci_low=np.nan, ci_high=np.nan, favors="", cautions=(course.reason,)
        )
    change = course.line(np.array([[0.0, 1.0]]))
    low, high = change.limits(without.confidence)
    value = float(change.value[0])
    return replace(
        without, value=value, ci_low=float(low[0]), ci_high=float(high[0]), n=len(week),
        favors=_favors(program.sign * value),
        method=f"{without.method}; declines at the worst end of the scale",
        cautions=(STRAIGHT, FOLLOWS_RATINGS),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Course:
    """What a point of difficulty is worth, and the course of the days' ratings once it is taken off.

    Trials of a day tell what difficulty is worth; weeks tell the course. One correlation for both would
    have weeks resemble each other as little as they do across all the trials in between.
    """

    reason: str
    worth: Mixture
    days: Ar1Fit
    on_difficulty: np.ndarray

    @classmethod
    def of(cls, week: np.ndarray, difficulty: np.ndarray, rating: np.ndarray) -> _Course:
        """Fit both: all trials for the worth of difficulty, then daily averages for the course."""
        trials = fit_ar1(
            rating, np.column_stack([np.ones(len(week)), difficulty, week]), week * WEEK, unit_gap=1.0
        )
        worth = trials.contrast([0.0, 1.0, 0.0])
        day = np.floor(week * WEEK + 1e-6)
        times, which = np.unique(day, return_inverse=True)
        n = np.bincount(which)
        average = np.bincount(which, difficulty) / n
        adjusted = np.bincount(which, rating) / n - worth.value[0] * average
        design = np.column_stack([np.ones(len(times)), times / WEEK])
        days = fit_ar1(adjusted, design, times)
        on_difficulty = np.linalg.lstsq(design, average, rcond=None)[0]
        return cls(str(trials.reason[0] or days.reason[0]), worth, days, on_difficulty)

    def line(self, weights: np.ndarray) -> Mixture:
        """Give weighted sums of level and course, the uncertainty of the worth of difficulty included."""
        made = self.days.contrast(weights)
        from_worth = (weights @ self.on_difficulty)[:, None] * self.worth.standard_error[0]
        return replace(made, spread=np.hypot(made.spread, from_worth))


def _within(values: np.ndarray, group: np.ndarray) -> np.ndarray:
    return values - (np.bincount(group, values) / np.bincount(group))[group]


def _unknown(statistic: str, unit: str) -> Estimate:
    return Estimate(statistic, float("nan"), unit=unit)


def _favors(oriented: float) -> str:
    return str(orientation(np.array([oriented]))[0])
