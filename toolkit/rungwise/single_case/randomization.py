"""Randomization tests: the p-value of what was really drawn at random."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.estimate import Estimate, orientation
from rungwise.basis.null_two_phase import ALTERNATIVES
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.assignments import (
    Case,
    Plan,
    counting,
    n_assignments_of,
    oriented_case,
    permitted,
    phases_in_words,
)
from rungwise.single_case.designs import Alternating, Design, SingleDesign, first_exposure
from rungwise.single_case.nap import AT_ONCE_CAUTION, DECLINED_CAUTION, MISSING_CAUTION
from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.single_case.tau_shift import tau_shift

STATISTICS = ("mean_difference", "tau", "immediate_change")
OUT_OF_REACH = "With so few permitted assignments no result, however clear, could reach p = .05."
TAU_SHIFT = (
    "The interval is one of rating points, not of Tau: the shifts under exposure that the test does not "
    "reject (shift_low to shift_high)."
)
TOO_MANY = "No interval: so many different ratings and permitted assignments would take too long."
UNBOUNDED = (
    "No interval: with these permitted assignments and ratings it would have no end on at least one side."
)
DECLINES_LEFT_OUT = (
    "Declined occasions have no rating and are left out of the means; statistic='tau' ranks them worst."
)
SHIFT = "The interval supposes that exposure shifts every rating by the same amount."


def randomization_test(
    series: PhaseSeries | Sequence[PhaseSeries],
    *,
    design: Design | Sequence[SingleDesign],
    statistic: str = "mean_difference",
    alternative: str = "improvement",
    confidence: float = 0.95,
    interval: bool = True,
    draws: int = 9_999,
    rng: np.random.Generator | None = None,
) -> Estimate:
    """Test whether exposure changed the ratings, by the assignments that were really permitted.

    Parameters
    ----------
    series : PhaseSeries or sequence of PhaseSeries
        Baseline and exposure occasions are used, in time order, missing ones keeping their place.
    design : Design or sequence of SingleDesign
        What was drawn at random: one design for one series; `StaggeredStarts` for several; or one
        design per series, drawn independently.
    statistic : {"mean_difference", "tau", "immediate_change"}
        Exposure minus baseline mean; Tau of exposure against baseline (declines rank worst); mean of
        the first three occasions after a change minus the last three before it, averaged over changes
        with the sign that exposure comes after. Over several series, the mean of theirs.
    alternative : {"improvement", "worsening", "two-sided"}
        Stated before the data were seen. Two-sided is twice the smaller tail.
    confidence : float
    interval : bool
        Find the interval by inverting the test. That of tau is one of rating points, not of Tau, and
        stands in the counts.
    draws : int
        Monte Carlo draws where the assignments cannot be counted.
    rng : numpy.random.Generator, optional
        Needed only there.

    Returns
    -------
    Estimate
        ``null`` is ``"design"``. ``value`` of the mean statistics is in rating points with the sign of
        the data, of tau oriented. ``counts["assignments"]``, ``counts["as_good"]`` and
        ``counts["as_bad"]`` are the permitted assignments in all, and those at least as good and at
        least as bad as the observed one, itself included; ``counts["smallest_p"]`` is the design's.
        With tau and `interval`, ``counts["shift_low"]`` and ``counts["shift_high"]`` are the least and the
        greatest shift of all exposure ratings that the test does not reject, and ``counts["shift"]`` the
        one that brings Tau to 0, in rating points with the sign of the data; NaN with a caution where
        there is none. A declined occasion ranks worst under every shift.
        With Monte Carlo the counts are of draws, p is (b + 1)/(m + 1), and
        ``counts["monte_carlo_error"]`` its standard error.

    Raises
    ------
    ValueError
        If the assignment was not random, the observed one was not permitted, or an argument is wrong.
    NotEnoughData
        If a permitted assignment would leave a phase without a rating.

    Notes
    -----
    The p-value is valid whatever trend or autocorrelation the ratings have, because it rests on the draw
    alone; trend and autocorrelation cost power. It answers whether there was an effect, by a statistic
    that may be blind to the kind of effect there was.

    Where millions of assignments are met in the middle the p-value takes milliseconds, the interval some
    twenty times as long; ``interval=False`` leaves it out.

    Source: Edgington 1975; Wampold & Worsham 1986; Marascuilo & Busk 1988; Koehler & Levin 1998; Monte
    Carlo p after Phipson & Smyth 2010; from memory.

    Examples
    --------
    >>> from rungwise.single_case.designs import RandomStart
    >>> series = PhaseSeries.from_phases([8, 7, 8, 8, 7, 8], [4, 4, 3, 3, 2, 2])
    >>> start = RandomStart(4, 10, assignment="random")
    >>> test = randomization_test(series, design=start)
    >>> round(test.p_value, 4), test.counts["assignments"], test.favors
    (0.1429, 7, 'improvement')
    """
    check_choice("statistic", statistic, STATISTICS)
    check_choice("alternative", alternative, ALTERNATIVES)
    check_between("confidence", confidence, 0, 1)
    if draws < 99:
        raise ValueError(f"draws must be 99 or more; got {draws!r}.")
    several = [series] if isinstance(series, PhaseSeries) else list(series)
    plan = _plan(design, len(several), statistic)
    sign = _common_sign(several)
    cases = [oriented_case(one, i) for i, one in enumerate(several, start=1)]
    _check_permitted(plan, cases)
    chosen = permitted(plan, cases, draws, rng)
    counted = counting(chosen, cases, statistic)
    as_good, as_bad = counted.tails(0.0)
    # A drawn sample leaves the observed assignment out; it is one of those permitted.
    extra = int(counted.drawn)
    upper, lower = ((count + extra) / (counted.total + extra) for count in (as_good, as_bad))
    two_sided = min(1.0, 2 * min(upper, lower))
    p_value = {"improvement": upper, "worsening": lower}.get(alternative, two_sided)
    low = high = math.nan
    shift: dict[str, float] = {}
    about_interval: tuple[str, ...] = ()
    if interval and statistic == "tau":
        found = tau_shift(chosen, cases, (1 - confidence) / 2)
        ends = (found.low, found.high) if sign > 0 else (-found.high, -found.low)
        shift = {"shift": sign * found.value, "shift_low": ends[0], "shift_high": ends[1]}
        no_limits = TOO_MANY if found.refused else UNBOUNDED
        about_interval = (no_limits,) if math.isnan(found.low) else (TAU_SHIFT, SHIFT)
    elif interval:
        low, high = counted.interval((1 - confidence) / 2)
        about_interval = (UNBOUNDED,) if math.isnan(low) else (SHIFT,)
        if sign < 0:
            low, high = -high, -low
    smallest = min(1.0, (2 if alternative == "two-sided" else 1) * _smallest_p(plan))
    watched = [one.only("baseline", "exposure") for one in several]
    declined = any(one.declined.any() for one in watched)
    sentences = {
        OUT_OF_REACH: smallest > 0.05,
        **dict.fromkeys(about_interval, True),
        DECLINES_LEFT_OUT: declined and statistic != "tau",
        DECLINED_CAUTION: declined and statistic == "tau",
        MISSING_CAUTION: any(one.n_missing for one in watched),
        AT_ONCE_CAUTION: any(SeriesBatch.of(one).several_at_once[0] for one in watched),
    }
    error = math.sqrt(p_value * (1 - p_value) / counted.total) if counted.drawn else 0.0
    return Estimate(
        "randomization_test",
        value=counted.observed * (1.0 if statistic == "tau" else sign),
        ci_low=low,
        ci_high=high,
        confidence=confidence,
        p_value=p_value,
        alternative=alternative,
        null="design",
        n=sum(int(case.usable.sum()) for case in cases),
        counts={
            "series": len(cases),
            "assignments": n_assignments_of(plan),
            "as_good": as_good,
            "as_bad": as_bad,
            "draws": counted.total if counted.drawn else 0,
            "monte_carlo_error": error,
            "smallest_p": smallest,
            **shift,
        },
        method=f"{statistic.replace('_', ' ')}; {counted.method}",
        unit="" if statistic == "tau" else several[0].unit,
        favors=str(orientation(np.array([counted.observed]))[0]),
        cautions=tuple(sentence for sentence, holds in sentences.items() if holds),
    )


def _plan(design: Design | Sequence[SingleDesign], n_series: int, statistic: str) -> Plan:
    designs = [design] if isinstance(design, Design) else list(design or ())
    if not designs or not all(isinstance(one, Design) for one in designs):
        raise ValueError(
            "design must say what was drawn at random, as RandomStart, StaggeredStarts, Alternating, "
            f"RandomChanges or PermittedAssignments, or one such design per series; got {design!r}."
        )
    for one in designs:
        if one.assignment != "random":
            raise ValueError(
                "A randomization test needs an assignment that was drawn at random; this design says "
                f"assignment={one.assignment!r}. For a start chosen on clinical grounds there is no such "
                "test; Tau with its exchangeable null makes a weaker statement under a stronger assumption."
            )
    if isinstance(designs[0], StaggeredStarts) and len(designs) == 1:
        if len(designs[0].windows) != n_series:
            raise ValueError(f"windows must be one per series ({n_series}); got {len(designs[0].windows)}.")
        return designs[0]
    single = [one for one in designs if isinstance(one, SingleDesign)]
    if len(single) < len(designs) or len(single) != n_series:
        raise ValueError(
            f"design must be one single-series design per series ({n_series}), or one StaggeredStarts; "
            f"got {len(designs)}."
        )
    if statistic == "immediate_change" and any(isinstance(one, Alternating) for one in single):
        raise ValueError(
            "statistic must be 'mean_difference' or 'tau' where single occasions alternate; "
            "got 'immediate_change', which needs phases of several occasions."
        )
    return single


def _common_sign(several: list[PhaseSeries]) -> float:
    directions = {one.better for one in several}
    if len(directions) != 1:
        raise ValueError("series must be one or more, all with the same direction of improvement.")
    return 1.0 if directions == {"higher"} else -1.0


def _check_permitted(plan: Plan, cases: list[Case]) -> None:
    if isinstance(plan, StaggeredStarts):
        starts = tuple(first_exposure(case.exposed) for case in cases)
        if not plan.permits_starts(starts):
            raise ValueError(
                "design must permit what was done; exposure started at occasions "
                f"{', '.join(map(str, starts))} (0: not in one run at the end), which it does not."
            )
        return
    for design, case in zip(plan, cases, strict=True):
        if not design.permits(case.exposed):
            raise ValueError(
                f"design must permit what was done; the phases of series {case.label} "
                f"({phases_in_words(case.exposed)}) are not among its assignments."
            )


def _smallest_p(plan: Plan) -> float:
    if isinstance(plan, StaggeredStarts):
        return plan.smallest_p
    return math.prod(design.smallest_p for design in plan)
