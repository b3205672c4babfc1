"""Fear with the step's difficulty taken into account, child by child."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rungwise.basis.errors import check_between
from rungwise.basis.estimate import Estimate, orientation
from rungwise.ladders.exposure_trials import (
    WEEK,
    Program,
    Used,
    programs_in_exposure,
    why_refused,
    why_together,
)
from rungwise.models.gls import Ar1Fit, fit_ar1
from rungwise.models.mixture import Mixture
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
# Programs are fitted together when their padded lengths agree, so that a child's numbers do not depend on
# who else is there (the grid of φ follows from the length).
_LENGTHS, _AT_ONCE = 32, 256
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
    programs = list(programs_in_exposure(tables, child_id, kinds))
    made = [_blank(program) for program in programs]
    told = [i for i, one in enumerate(made) if not one.refused]
    for places in _alike([_lengths(programs[i]) for i in told]):
        chosen = [told[place] for place in places]
        fitted = _fitted([programs[i] for i in chosen], [made[i] for i in chosen], confidence)
        for i, one in zip(chosen, fitted, strict=True):
            made[i] = one
    return tuple(made)


def _blank(program: Program) -> StepAdjusted:
    used = program.rated
    made = StepAdjusted(
        child_id=program.child,
        ladder_id=program.ladder,
        probe_step=program.probe_step,
        refused="",
        correlation=used.together,
        days=used.days,
        trials=len(used),
        declined=int(program.declined.sum()),
        per_week=unknown("step-adjusted fear a week", "points a week"),
        per_difficulty=unknown("fear a point of difficulty", "points a point of difficulty"),
        with_declines=None,
        expected=None,
    )
    return _refused(made, why_refused(program))


def _refused(made: StepAdjusted, reason: str) -> StepAdjusted:
    if not reason:
        return made
    return replace(
        made,
        refused=reason,
        per_week=replace(made.per_week, cautions=(reason,)),
        per_difficulty=replace(made.per_difficulty, cautions=(reason,)),
    )


def _fitted(programs: list[Program], made: list[StepAdjusted], confidence: float) -> list[StepAdjusted]:
    """Fill in what the models say, all programs in one go."""
    courses = _Courses.of([program.rated for program in programs])
    shown = [np.unique(program.week) for program in programs]
    lines = courses.lines(shown)
    slope = courses.line(np.tile([0.0, 1.0], (len(programs), 1)))
    worth_limits = courses.worth.limits(confidence)
    slope_limits, *bands = _limits([slope, *lines], confidence)
    expected, worth, change = np.stack([line.value for line in lines]), courses.worth.value, slope.value
    for i, program in enumerate(programs):
        if courses.reason[i]:
            made[i] = _refused(made[i], courses.reason[i])
            continue
        value = expected[: len(shown[i]), i]
        low, high = (np.array([band[end][i] for band in bands[: len(value)]]) for end in (0, 1))
        cautions = [STRAIGHT, FOLLOWS_RATINGS]
        if made[i].declined:
            cautions.append(DECLINES.format(n=made[i].declined))
        if value.min() < program.floor or value.max() > program.ceiling:
            cautions.append(OFF_SCALE)
        counts = {name: getattr(made[i], name) for name in ("days", "trials", "declined", "correlation")}
        per_week, per_difficulty = (
            replace(
                blank, value=float(value_of[i]), ci_low=float(ends[0][i]), ci_high=float(ends[1][i]),
                confidence=confidence, n=made[i].trials, cautions=tuple(cautions), counts=counts,
                method=METHOD,
            )
            for blank, value_of, ends in (
                (made[i].per_week, change, slope_limits),
                (made[i].per_difficulty, worth, worth_limits),
            )
        )  # fmt: skip
        made[i] = replace(
            made[i],
            per_week=replace(per_week, favors=favored(program.sign * per_week.value)),
            per_difficulty=per_difficulty,
            expected=ExpectedFear(
                day=program.day[0] + np.rint(shown[i] * WEEK).astype("timedelta64[D]"),
                value=value,
                ci_low=low,
                ci_high=high,
            ),
        )
    return _with_declines(programs, made, confidence)


def _with_declines(
    programs: list[Program], made: list[StepAdjusted], confidence: float
) -> list[StepAdjusted]:
    """Set the change a week with declines at the worst end beside the one without."""
    asked = [i for i, one in enumerate(made) if one.declined and not one.refused]
    used = {i: programs[i].with_declines for i in asked}
    told = []
    for i in asked:
        if words := why_together(used[i]):
            made[i] = replace(made[i], with_declines=_lost(made[i].per_week, len(used[i]), words))
        else:
            told.append(i)
    if not told:
        return made
    courses = _Courses.of([used[i] for i in told])
    slope = courses.line(np.tile([0.0, 1.0], (len(told), 1)))
    low, high = slope.limits(confidence)
    change = slope.value
    for place, i in enumerate(told):
        without, n = made[i].per_week, len(used[i])
        if courses.reason[place]:
            made[i] = replace(made[i], with_declines=_lost(without, n, courses.reason[place]))
            continue
        value = float(change[place])
        estimate = replace(
            without, value=value, ci_low=float(low[place]), ci_high=float(high[place]), n=n,
            favors=favored(programs[i].sign * value),
            method=f"{without.method}; declines at the worst end of the scale",
            cautions=(STRAIGHT, FOLLOWS_RATINGS),
        )  # fmt: skip
        made[i] = replace(made[i], with_declines=estimate)
    return made


def _lost(without: Estimate, n: int, reason: str) -> Estimate:
    nan = float("nan")
    return replace(without, value=nan, ci_low=nan, ci_high=nan, n=n, favors="", cautions=(reason,))


def _limits(mixtures: list[Mixture], confidence: float) -> list[tuple[np.ndarray, np.ndarray]]:
    """Give the limits of several mixtures, found in one go."""
    low, high = Mixture.stack(*mixtures).limits(confidence)
    ends = np.cumsum([len(one.df) for one in mixtures])[:-1]
    return list(zip(np.split(low, ends), np.split(high, ends), strict=True))


@dataclass(frozen=True, eq=False)
class _Courses:
    """What a point of difficulty is worth, and the course of the days' ratings once it is taken off.

    One entry per program. Trials of a day tell what difficulty is worth; weeks tell the course. One
    correlation for both would have weeks resemble each other as little as they do across all the trials
    in between.
    """

    reason: list[str]
    worth: Mixture
    days: Ar1Fit
    on_difficulty: np.ndarray

    @classmethod
    def of(cls, used: Sequence[Used]) -> _Courses:
        """Fit both: all trials for the worth of difficulty, then daily averages for the course."""
        week, difficulty, rating = (
            _padded([getattr(one, name) for one in used]) for name in ("week", "difficulty", "rating")
        )
        rows = np.arange(week.shape[1]) < np.array([len(one) for one in used])[:, None]
        design = np.stack([np.ones_like(week), difficulty, week], axis=2)
        trials = fit_ar1(np.where(rows, rating, np.nan), design, week * WEEK, unit_gap=1.0)
        worth = trials.contrast([0.0, 1.0, 0.0])
        times, average, ratings = (
            _padded(list(column)) for column in zip(*(one.daily() for one in used), strict=True)
        )
        rows = np.arange(times.shape[1]) < np.array([one.days for one in used])[:, None]
        adjusted = np.where(rows, ratings - worth.value[:, None] * average, np.nan)
        design = np.stack([np.ones_like(times), times / WEEK], axis=2)
        days = fit_ar1(adjusted, design, times)
        reasons = [str(a or b) for a, b in zip(trials.reason, days.reason, strict=True)]
        return cls(reasons, worth, days, _lines(average, times / WEEK, rows))

    def line(self, weights: np.ndarray) -> Mixture:
        """Give weighted sums of level and course, the uncertainty of the worth of difficulty included.

        `weights` has one row per program.
        """
        made = self.days.contrast(weights)
        from_worth = np.sum(weights * self.on_difficulty, axis=1) * self.worth.standard_error
        return replace(made, spread=np.hypot(made.spread, from_worth[:, None]))

    def lines(self, weeks: Sequence[np.ndarray]) -> list[Mixture]:
        """Give what is expected at each program's first week of these, at each second, and so on."""
        at = _padded(list(weeks))[:, : max(map(len, weeks))]
        return [self.line(np.column_stack([np.ones(len(at)), column])) for column in at.T]


def _lengths(program: Program) -> tuple[int, ...]:
    """Give how long the program's padded columns are: trials and days, without declines and with them."""
    used = program.rated, program.with_declines
    return tuple(_rounded(length) for one in used for length in (len(one), one.days))


def _rounded(length: int) -> int:
    return -(-length // _LENGTHS) * _LENGTHS


def _alike(lengths: list[tuple[int, ...]]) -> Iterator[list[int]]:
    """Give the places of programs of like lengths, so many at a time that padded designs stay small."""
    found: dict[tuple[int, ...], list[int]] = {}
    for place, own in enumerate(lengths):
        found.setdefault(own, []).append(place)
    for places in found.values():
        yield from (places[begin : begin + _AT_ONCE] for begin in range(0, len(places), _AT_ONCE))


def _padded(columns: list[np.ndarray]) -> np.ndarray:
    """Put columns of unlike length below each other, the last entry repeated."""
    made = np.empty((len(columns), _rounded(max(map(len, columns)))))
    for row, column in zip(made, columns, strict=True):
        row[: len(column)] = column
        row[len(column) :] = column[-1]
    return made


def _lines(values: np.ndarray, at: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Give level and slope of the least-squares line through each row of values, (series, 2)."""
    n = rows.sum(axis=1)
    mean_value, mean_at = ((rows * column).sum(axis=1) / n for column in (values, at))
    off = rows * (at - mean_at[:, None])
    slope = np.sum(off * values, axis=1) / np.sum(off * off, axis=1)
    return np.column_stack([mean_value - slope * mean_at, slope])


def unknown(statistic: str, unit: str) -> Estimate:
    """Give an estimate without a number, to be filled in where there is one."""
    return Estimate(statistic, float("nan"), unit=unit)


def favored(oriented: float) -> str:
    """Say whom a change favors that is positive where the child gains."""
    return str(orientation(np.array([oriented]))[0])
