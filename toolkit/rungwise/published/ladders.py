"""Outside values for time until mastery."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from rungwise.ladders.seasonal import seasonal_mann_kendall, seasonal_slope
from rungwise.ladders.survival import Curve, kaplan_meier
from rungwise.published.check import Check, to_digits
from rungwise.series.phase_series import PhaseSeries

_FREIREICH = "Freireich et al. 1963, Blood 21:699-716, remission data; R packages MASS (gehan) and survival"
_DRUG = "6-MP arm, 21 children"
_CONTROL = "control arm, 21 children"
# Weeks in remission; the second list says which ended in relapse.
_SIX_MP = (
    (6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35),
    (1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0),
)
_PLACEBO = (1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23)
# Week, share still in remission, its standard error.
_STEPS = (
    (6, 0.857143, 0.076360), (7, 0.806723, 0.086935), (10, 0.752941, 0.096350), (13, 0.690196, 0.106815),
    (16, 0.627451, 0.114054), (22, 0.537815, 0.128234), (23, 0.448179, 0.134591),
)  # fmt: skip
_LIMITS = ((6, 0.619718, 0.951552), (23, 0.188052, 0.680143))


def _drug() -> Curve:
    return kaplan_meier(_SIX_MP[0], np.array(_SIX_MP[1], dtype=bool))


def _control() -> Curve:
    return kaplan_meier(_PLACEBO, np.ones(len(_PLACEBO), dtype=bool))


def _entry(name: str, week: int) -> float:
    curve = _drug()
    return float(getattr(curve, name)[np.flatnonzero(curve.time == week)[0]])


def _check(statistic: str, example: str, published: float, digits: int, ours: Callable[[], float]) -> Check:
    standing = "recomputed by two independent routes"
    return to_digits(statistic, example, _FREIREICH, standing, published, digits, ours)


# Three steps probed on twelve days (invented), and the same with three ratings missing.
_THREE_STEPS = (
    (6, 7, 6, 5, 6, 4, 5, 3, 4, 3, 2, 3),
    (8, 8, 9, 8, 7, 7, 6, 7, 5, 6, 5, 4),
    (3, 4, 3, 3, 2, 3, 2, 1, 2, 1, 1, 0),
)
_GAPS = (
    (6, 7, None, 5, 6, 4, 5, 3, 4, 3, 2, 3),
    (8, 8, 9, 8, 7, 7, 6, None, None, 6, 5, 4),
    _THREE_STEPS[2],
)
_SEASONAL = (
    "Hirsch, Slack & Smith 1982, Water Resources Research 18:107-121, as computed by the general-purpose "
    "package pymannkendall 1.4.3 (seasonal_test, correlated_seasonal_test, seasonal_sens_slope)"
)


def _steps(ratings: tuple[tuple[int | None, ...], ...]) -> list[PhaseSeries]:
    return [PhaseSeries(step, ["exposure"] * len(step)) for step in ratings]


def _trend(ratings: tuple[tuple[int | None, ...], ...], count: str, dependence: str) -> float:
    return seasonal_mann_kendall(_steps(ratings), "exposure", dependence=dependence).counts[count]


def _slope(ratings: tuple[tuple[int | None, ...], ...]) -> float:
    return seasonal_slope(_steps(ratings), "exposure").value


def _seasonal(
    statistic: str, example: str, published: float, ours: Callable[[], float], note: str = ""
) -> Check:
    standing = "recomputed by two independent routes"
    return Check(statistic, example, _SEASONAL, standing, published, ours, 1e-9, note)


_FLIPPED = "ours is oriented: positive is improvement, here falling ratings"
_COMPLETE, _INCOMPLETE = "three steps on 12 days (invented)", "the same, three ratings missing (invented)"

CHECKS: tuple[Check, ...] = (
    *(
        _check(f"Kaplan-Meier, week {week}", _DRUG, value, 6, partial(_entry, "value", week))
        for week, value, _ in _STEPS
    ),
    *(
        _check(f"Greenwood's error, week {week}", _DRUG, error, 6, partial(_entry, "standard_error", week))
        for week, _, error in _STEPS
    ),
    *(
        _check(f"log-log {words} limit, week {week}", _DRUG, value, 6, partial(_entry, name, week))
        for week, low, high in _LIMITS
        for words, name, value in (("lower", "ci_low", low), ("upper", "ci_high", high))
    ),
    Check(
        "median", _DRUG, _FREIREICH, "from memory of the source", 23, lambda: _drug().median, 0
    ),
    Check(
        "median", _CONTROL, _FREIREICH, "from memory of the source", 8, lambda: _control().median, 0
    ),
    _check("median, lower log-log limit", _DRUG, 13, 6, lambda: _drug().median_limits[0]),
    *(
        check
        for example, ratings, s, variance, z in (
            (_COMPLETE, _THREE_STEPS, 146, 603.3333333333334, 5.903225076036195),
            (_INCOMPLETE, _GAPS, 123, 474.33333333333337, 5.601676287612636),
        )
        for check in (
            _seasonal("seasonal Mann-Kendall S", example, s,
                      partial(_trend, ratings, "S", "none"), _FLIPPED),
            _seasonal("its variance, steps independent", example, variance,
                      partial(_trend, ratings, "variance", "none")),
            _seasonal("its z, steps independent", example, z,
                      partial(_trend, ratings, "z", "none"), _FLIPPED),
            _seasonal("seasonal Kendall slope", example, -0.3333333333333333, partial(_slope, ratings)),
        )
    ),
    _seasonal("variance of S, covariance of steps estimated", _COMPLETE, 1552.0,
              partial(_trend, _THREE_STEPS, "variance", "covariance")),
)  # fmt: skip
