"""Outside values for change between two occasions, cutoffs and goal attainment."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np

from rungwise.basis.distributions import normal_sf
from rungwise.basis.estimate import Estimate
from rungwise.change.cutoffs import clinical_cutoffs
from rungwise.change.goals import goal_attainment_t
from rungwise.change.reference import Reference
from rungwise.change.reliable_change import minimal_detectable_change, reliable_change
from rungwise.published.check import Check, to_digits

_JACOBSON_TRUAX = "Jacobson & Truax 1991, J Consult Clin Psychol 59:12-19, marital therapy example"
_EDWARDS = "Edwards & Nunnally's method, after Speer 1992, J Consult Clin Psychol 60:402-408"
_GULLIKSEN = "Gulliksen, Lord & Novick's method, after Hsu 1989, Behav Assess 11:459-467"
_CHELUNE = "Chelune et al. 1993, Neuropsychology 7:41-52"
_IVERSON = "Iverson 2001, Arch Clin Neuropsychol 16:183-191"
_CHRISTENSEN = "Christensen & Mendoza 1986, Behav Ther 17:305-308"
_CRAWFORD = "Crawford & Garthwaite 2007, Neuropsychology 21:611-620 (formulas), and R predict.lm"
_KIRESUK = (
    "Kiresuk & Sherman 1968, Community Ment Health J 4:443-453 (formula); conversion table of "
    "Kiresuk, Smith & Cardillo 1994, Goal Attainment Scaling (table not re-read)"
)
_MEMORY = "from memory of the source"
_RECOMPUTED = "recomputed by two independent routes"
_COUPLE = "pre 32.5, post 47.5; clinical mean 40, SD 7.5; reliability .80"
_RETESTED = Reference(n=40, mean=50, sd=10, post_mean=53, post_sd=11, retest_correlation=0.75)
_RETESTED_WORDS = "n 40, mean 50, SD 10; again 53, SD 11; r .75; scores 42 and 38"

# Step of T per point of the sum of levels, equal weights, by number of goals.
_GOAL_STEPS = {
    1: 10.0, 2: 6.201737, 3: 4.564355, 4: 3.627381, 5: 3.015113, 6: 2.581989,
    7: 2.258770, 8: 2.008048, 9: 1.807754, 10: 1.643990,
}  # fmt: skip
_EQUAL_WEIGHTS = {
    (-2, -2, -2): 22.61, (-2, -2, -1): 27.18, (-2, -1, -1): 31.74, (-1, -1, -1): 36.31,
    (-1, -1, 0): 40.87, (-1, 0, 0): 45.44, (0, 0, 0): 50.0, (1, 0, 0): 54.56, (1, 1, 0): 59.13,
    (1, 1, 1): 63.69, (2, 1, 1): 68.26, (2, 2, 1): 72.82, (2, 2, 2): 77.39,
    (2, 2): 74.81, (-2, -2): 25.19, (2, 2, 2, 2, 2): 80.15, (-2, -2, -2, -2, -2): 19.85,
}  # fmt: skip
_WEIGHTED = (
    ((1, 0, -1, 2), (1, 2, 3, 4), 58.401681),
    ((0, 1), (20, 10), 54.016097),
    ((-2, -2, -2), (3, 2, 1), 23.560841),
    ((1, 1, 0), (2, 1, 1), 60.0),
)


def _couple(method: str = "jacobson_truax", **known: Any) -> Estimate:
    return reliable_change(32.5, 47.5, 7.5, 0.80, better="higher", method=method, **known)


def _index(method: str = "jacobson_truax", **known: Any) -> float:
    return _couple(method, **known).value


def _count(name: str, method: str = "jacobson_truax", **known: Any) -> float:
    return _couple(method, **known).counts[name]


def _band_edge(side: int) -> float:
    counts = _couple("regression_to_mean", mean=40).counts
    return counts["expected"] + side * 2 * counts["standard_error"]


def _cutoff(name: str) -> float:
    return clinical_cutoffs(
        clinical_mean=40, clinical_sd=7.5, functional_mean=60, functional_sd=7.5, better="higher"
    )[name].value


def _beyond(name: str) -> float:
    cutoffs = clinical_cutoffs(
        clinical_mean=40, clinical_sd=7.5, functional_mean=60, functional_sd=7.5, better="higher"
    )
    return float(cutoffs.functional(np.array([47.5]), name)[0])


def _residual_sd() -> float:
    """Take the spread of a prediction at the first mean apart: residual SD times sqrt(1 + 1/n)."""
    n = _number(_RETESTED.n)
    at_mean = reliable_change(50, 53, better="higher", method="regression_based", reference=_RETESTED)
    return at_mean.counts["standard_error"] / math.sqrt(1 + 1 / n)


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _retested() -> Estimate:
    return reliable_change(42, 38, better="higher", method="regression_based", reference=_RETESTED)


def _smallest_change() -> float:
    return minimal_detectable_change(7.5, 0.80, confidence=1 - 2 * float(normal_sf(1.96))).value


def _goal_t(levels: Sequence[float], weights: Sequence[float] | None = None) -> float:
    return goal_attainment_t(levels, weights).value


def _goal_step(n: int) -> float:
    return _goal_t([1] + [0] * (n - 1)) - 50


_INDEX = "reliable change index"
_ERROR = "standard error of a difference"
_JT = _JACOBSON_TRUAX
_CUTOFF_GROUPS = "clinical mean 40, functional mean 60, SD 7.5 each"
_BAND = "The band is two standard errors of measurement wide on each side."

CHECKS: tuple[Check, ...] = (
    to_digits(
        "standard error of measurement", _COUPLE, _JT, _MEMORY, 3.35, 2,
        lambda: Reference(sd=7.5, reliability=0.80).standard_error,
    ),
    to_digits(
        "standard error of measurement", _COUPLE, _JT, _RECOMPUTED, 3.354102, 6,
        lambda: Reference(sd=7.5, reliability=0.80).standard_error,
    ),
    to_digits(_ERROR, _COUPLE, _JT, _MEMORY, 4.74, 2, partial(_count, "standard_error")),
    to_digits(_ERROR, _COUPLE, _JT, _RECOMPUTED, 4.743416, 6, partial(_count, "standard_error")),
    to_digits(_INDEX, _COUPLE, _JT, _MEMORY, 3.16, 2, _index),
    to_digits(_INDEX, _COUPLE, _JT, _RECOMPUTED, 3.162278, 6, _index),
    to_digits("clinical cutoff a", _CUTOFF_GROUPS, _JT, _MEMORY, 55, 6, partial(_cutoff, "a")),
    to_digits("clinical cutoff b", _CUTOFF_GROUPS, _JT, _MEMORY, 45, 6, partial(_cutoff, "b")),
    to_digits("clinical cutoff c", _CUTOFF_GROUPS, _JT, _MEMORY, 50, 6, partial(_cutoff, "c")),
    *(
        to_digits(
            f"a score of 47.5 beyond cutoff {name} (1 yes, 0 no)", _CUTOFF_GROUPS, _JT, _RECOMPUTED, beyond,
            6, partial(_beyond, name),
        )
        for name, beyond in (("a", 0), ("b", 1), ("c", 0))
    ),
    to_digits(
        "regression to the mean, expected score", _COUPLE, _EDWARDS, _RECOMPUTED, 34.0, 6,
        partial(_count, "expected", "regression_to_mean", mean=40),
    ),
    to_digits(
        "regression to the mean, lower edge of the band", _COUPLE, _EDWARDS, _RECOMPUTED, 27.2918, 4,
        partial(_band_edge, -1), _BAND,
    ),
    to_digits(
        "regression to the mean, upper edge of the band", _COUPLE, _EDWARDS, _RECOMPUTED, 40.7082, 4,
        partial(_band_edge, 1), _BAND,
    ),
    to_digits(
        _INDEX + ", predicted score", _COUPLE, _GULLIKSEN, _RECOMPUTED, 3.0, 6,
        partial(_index, "predicted_score", mean=40),
    ),
    to_digits(
        _INDEX + ", adjusted for retesting", _COUPLE + "; change on retesting 2", _CHELUNE, _RECOMPUTED,
        2.740641, 6, partial(_index, "practice_adjusted", practice_effect=2),
    ),
    to_digits(
        _ERROR + ", unequal variances", _COUPLE + "; second SD 10", _IVERSON, _RECOMPUTED, 5.590170, 6,
        partial(_count, "standard_error", "unequal_variances", post_sd=10),
    ),
    to_digits(
        "standard deviation of differences", _COUPLE + "; second SD 10, retest correlation .60",
        _CHRISTENSEN, _RECOMPUTED, 8.139410, 6,
        partial(_count, "standard_error", "christensen_mendoza", post_sd=10, retest_correlation=0.60),
    ),
    to_digits(
        "minimal detectable change", _COUPLE, _JT, _RECOMPUTED, 9.297096, 6, _smallest_change,
        "The critical value is taken as 1.96 here, as printed; by default it is not rounded.",
    ),
    to_digits(
        "regression-based change, expected score", _RETESTED_WORDS, _CRAWFORD, _RECOMPUTED, 46.4, 6,
        lambda: _retested().counts["expected"],
    ),
    to_digits(
        "regression-based change, residual standard deviation", _RETESTED_WORDS, _CRAWFORD, _RECOMPUTED,
        7.370929, 6, _residual_sd,
    ),
    to_digits(
        "regression-based change, standard error", _RETESTED_WORDS, _CRAWFORD, _RECOMPUTED, 7.521997, 6,
        lambda: _retested().counts["standard_error"],
    ),
    to_digits(
        "regression-based change, t", _RETESTED_WORDS, _CRAWFORD, _RECOMPUTED, -1.116725, 6,
        lambda: _retested().value,
    ),
    to_digits(
        "regression-based change, one-sided p", _RETESTED_WORDS, _CRAWFORD, _RECOMPUTED, 0.135562, 6,
        lambda: _retested().p_value / 2,
    ),
    *(
        to_digits(
            "goal attainment T, step per level", f"{n} equally weighted goals", _KIRESUK, _RECOMPUTED,
            step, 6, partial(_goal_step, n),
        )
        for n, step in _GOAL_STEPS.items()
    ),
    *(
        to_digits(
            "goal attainment T", f"equally weighted goals at {levels}", _KIRESUK, _RECOMPUTED,
            score, 2, partial(_goal_t, levels),
        )
        for levels, score in _EQUAL_WEIGHTS.items()
    ),
    *(
        to_digits(
            "goal attainment T, weighted", f"levels {levels}, weights {weights}", _KIRESUK, _RECOMPUTED,
            score, 6, partial(_goal_t, levels, weights),
        )
        for levels, weights, score in _WEIGHTED
    ),
)  # fmt: skip
