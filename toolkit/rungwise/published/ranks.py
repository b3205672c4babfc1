"""Outside values for the rank statistics: Tau, NAP, Tau-U, baseline-corrected Tau, exact nulls."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np

from rungwise.basis.estimate import Estimate
from rungwise.basis.null_days import day_p
from rungwise.basis.null_tau_u import regressor_blocks
from rungwise.basis.null_trend import trend_variance
from rungwise.basis.null_two_phase import two_phase_p
from rungwise.published.check import Check
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.corrected_tau import baseline_corrected_tau
from rungwise.single_case.nap import nap
from rungwise.single_case.pairs import Pairs, pair_counts
from rungwise.single_case.tau import tau
from rungwise.single_case.tau_u import tau_u

READ = "read in print, or as quoted in print"
RECOMPUTED = "recomputed by two independent routes"

_PARKER_SOURCE = "Parker, Vannest, Davis & Sauber 2011, Behav Ther 42:284-299"
_PARKER_NOTE = (
    "Data from memory of the paper; values recomputed in R 4.2.2 and in Python, the paper's own table not "
    "re-read."
)
_PARKER = PhaseSeries.from_phases([2, 3, 5, 3], [4, 5, 5, 7, 6], better="higher")
_PARKER_TIES = np.array([1, 2, 1, 3, 1, 1])

_STEEP_SOURCE = "made-up series with a steep baseline trend and one tie; R 4.2.2 and exact fractions"
_STEEP = PhaseSeries.from_phases([3, 4, 4, 5, 6, 6, 7], [8, 7, 9, 9, 10, 12, 11, 12], better="higher")

_ROTAROD = (
    [300] * 12,
    [22, 300, 75, 271, 300, 18, 300, 300, 163, 300, 300, 300],
)
_ROTAROD_SOURCE = (
    "Bergmann, Ludbrook & Spooren 2000, Am Stat 54:72-77 (data and values in R package exactRankTests)"
)
_PRESSURE = ([94, 108, 110, 90], [80, 94, 85, 90, 90, 90, 108, 94, 78, 105, 88])
_PRESSURE_SOURCE = "Mehta & Patel 2001 (data and values in R package exactRankTests, bloodp)"
_PERMEABILITY = (
    [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46],
    [1.15, 0.88, 0.90, 0.74, 1.21],
)

# Largest U with a two-sided p of at most .05.
_CRITICAL_U = {
    (3, 5): 0, (3, 6): 1, (3, 7): 1, (3, 8): 2, (4, 4): 0, (4, 5): 1, (4, 6): 2, (4, 7): 3, (4, 8): 4,
    (5, 5): 2, (5, 6): 3, (5, 7): 5, (5, 8): 6, (6, 6): 5, (6, 7): 6, (6, 8): 8, (7, 7): 8, (7, 8): 10,
    (8, 8): 13, (9, 9): 17, (10, 10): 23, (20, 20): 127,
}  # fmt: skip
_LOWER_U = {
    (4, 5): [0.007937, 0.015873, 0.031746, 0.055556],
    (5, 5): [0.003968, 0.007937, 0.015873, 0.027778, 0.047619],
}


def _pairs(series: PhaseSeries, kind: str) -> Pairs:
    pairs: Pairs = getattr(pair_counts(SeriesBatch.of(series)), kind)
    return pairs


def _count(series: PhaseSeries, kind: str, what: str) -> Callable[[], float]:
    return lambda: float(getattr(_pairs(series, kind), what)[0])


def _two_samples(
    samples: tuple[Sequence[float], Sequence[float]],
    alternative: str = "two-sided",
    p_value: str = "exact",
) -> Estimate:
    """Compare two independent samples; improvement is a larger second one."""
    return nap(PhaseSeries.from_phases(*samples, better="higher"), alternative, p_value=p_value)


def _mean_difference_p(alternative: str) -> float:
    """Permutation test of the mean: every rating is a day of its own with its value as score."""
    first, second = _PRESSURE
    values = np.array([*first, *second])
    centered = len(values) * values - values.sum()
    scores = np.stack([centered, np.zeros_like(centered)], axis=1)
    observed = int(centered[: len(first)].sum())
    return day_p(scores, np.array([len(first), len(second)]), observed, alternative)[0]


def _lower_tail(n_a: int, n_b: int, u: int) -> float:
    ties = np.ones((1, n_a + n_b), dtype=int)
    return float(two_phase_p(ties, np.array([n_a]), np.array([2 * u - n_a * n_b]), "worsening")[0][0])


def _critical(n_a: int, n_b: int) -> float:
    u = -1
    while 2 * _lower_tail(n_a, n_b, u + 1) <= 0.05:
        u += 1
    return float(u)


def _variance(trend: str, ties: bool) -> float:
    sizes = _PARKER_TIES if ties else np.ones(9, dtype=int)
    return float(trend_variance(sizes[None], np.array([regressor_blocks(4, 5, trend)]))[0])


def _tau_u(trend: str, denominator: str) -> float:
    return tau_u(_PARKER, trend, denominator).value


def _tau_u_p(trend: str, alternative: str) -> float:
    return tau_u(_PARKER, trend, alternative=alternative).p_value


def _parker_checks() -> list[Check]:
    example = "2, 3, 5, 3 | 4, 5, 5, 7, 6"
    found: list[tuple[str, float, Callable[[], float], float]] = [
        ("better pairs between phases", 17, _count(_PARKER, "ab", "concordant"), 0),
        ("worse pairs between phases", 1, _count(_PARKER, "ab", "discordant"), 0),
        ("tied pairs between phases", 2, _count(_PARKER, "ab", "ties"), 0),
        ("S within baseline", 3, _count(_PARKER, "aa", "s"), 0),
        ("S within exposure", 7, _count(_PARKER, "bb", "s"), 0),
        ("S of the whole series", 26, _count(_PARKER, "whole", "s"), 0),
        ("Tau", 0.80, lambda: tau(_PARKER).value, 1e-12),
        ("NAP", 0.90, lambda: nap(_PARKER).value, 1e-12),
        ("tau-b with the phase code", 0.632456, lambda: baseline_corrected_tau(_PARKER).value, 5e-7),
        ("Tau, exact two-sided p (7 of 126)", 0.05556, lambda: tau(_PARKER).p_value, 5e-6),
        ("Tau, exact one-sided p (4 of 126)", 0.03175, lambda: tau(_PARKER, "improvement").p_value, 5e-6),
    ]
    coefficients = {
        "baseline": (0.50, 0.65, 0.15476, 0.07870, 5e-6),
        "exposure": (0.7667, 1.15, 0.008069, 0.003968, 5e-7),
        "both": (0.5556, 1.00, 0.038426, 0.019213, 5e-7),
    }
    for trend, (own, cross, two, one, half) in coefficients.items():
        name = f"Tau-U, {trend} trend"
        found += [
            (f"{name}, over its own pairs", own, partial(_tau_u, trend, "own_pairs"), 5e-5),
            (f"{name}, over the cross pairs", cross, partial(_tau_u, trend, "cross_pairs"), 5e-5),
            (f"{name}, exact two-sided p", two, partial(_tau_u_p, trend, "two-sided"), half),
            (f"{name}, exact one-sided p", one, partial(_tau_u_p, trend, "improvement"), half),
        ]
    variances = {
        "none": (66.6667, 63.8889),
        "baseline": (75.3333, 71.8571),
        "exposure": (83.3333, 79.3651),
        "both": (92.0, 87.3333),
    }
    for trend, (untied, tied) in variances.items():
        for printed, ties in ((untied, False), (tied, True)):
            found.append(
                (
                    f"variance of the Tau-U numerator, {trend} trend, {'with' if ties else 'without'} ties",
                    printed,
                    partial(_variance, trend, ties),
                    5e-5,
                )
            )
    return [
        Check(statistic, example, _PARKER_SOURCE, RECOMPUTED, printed, ours, half, _PARKER_NOTE)
        for statistic, printed, ours, half in found
    ]


def _steep_checks() -> list[Check]:
    example = "3, 4, 4, 5, 6, 6, 7 | 8, 7, 9, 9, 10, 12, 11, 12"
    corrected = baseline_corrected_tau
    found: list[tuple[str, float, Callable[[], float], float]] = [
        ("S between phases", 55, _count(_STEEP, "ab", "s"), 0),
        ("worse pairs between phases", 0, _count(_STEEP, "ab", "discordant"), 0),
        ("S within baseline", 19, _count(_STEEP, "aa", "s"), 0),
        ("S within exposure", 22, _count(_STEEP, "bb", "s"), 0),
        ("Tau", 0.982143, lambda: tau(_STEEP).value, 5e-7),
        ("NAP", 0.991071, lambda: nap(_STEEP).value, 5e-7),
        ("Tau-U, baseline trend, own pairs", 0.467532, lambda: tau_u(_STEEP).value, 5e-7),
        ("Tau-U, baseline trend, cross pairs", 0.642857,
         lambda: tau_u(_STEEP, denominator="cross_pairs").value, 5e-7),
        ("Tau-U, exposure trend, own pairs", 0.916667, lambda: tau_u(_STEEP, "exposure").value, 5e-7),
        ("Tau-U, exposure trend, cross pairs", 1.375,
         lambda: tau_u(_STEEP, "exposure", "cross_pairs").value, 5e-7),
        ("Tau-U, both trends, own pairs", 0.552381, lambda: tau_u(_STEEP, "both").value, 5e-7),
        ("Tau-U, both trends, cross pairs", 1.035714,
         lambda: tau_u(_STEEP, "both", "cross_pairs").value, 5e-7),
        ("S after baseline correction", -19, lambda: corrected(_STEEP).counts["s"], 0),
        ("baseline-corrected Tau (tau-b)", -0.269132, lambda: corrected(_STEEP).value, 5e-7),
        ("baseline-corrected S over the cross pairs", -0.339286,
         lambda: corrected(_STEEP).counts["tau_of_pairs"], 5e-7),
        ("slope taken off", 2 / 3, lambda: corrected(_STEEP).counts["baseline_slope"], 1e-12),
        ("tau-b without correction", 0.734968, lambda: corrected(_STEEP, level=1e-9).value, 5e-7),
    ]  # fmt: skip
    checks = [
        Check(name, example, _STEEP_SOURCE, RECOMPUTED, printed, ours, half)
        for name, printed, ours, half in found
    ]
    ceiling = PhaseSeries.from_phases([1, 2, 3, 4, 5], [6, 7, 8, 9, 10], better="higher")
    checks.append(
        Check(
            "ceiling of tau-b with a phase code",
            "5 and 5 occasions, complete separation, no ties",
            "Tarlow 2017, Behav Modif 41:427-467, for the statistic; value by algebra",
            RECOMPUTED,
            0.745,
            lambda: baseline_corrected_tau(ceiling, level=1e-9).value,
            5e-4,
        )
    )
    return checks


def _two_sample_checks() -> list[Check]:
    checks = []
    for (n_a, n_b), printed in _LOWER_U.items():
        for u, p in enumerate(printed):
            checks.append(
                Check(
                    f"Mann-Whitney P(U <= {u})",
                    f"{n_a} and {n_b} without ties",
                    "Mann & Whitney 1947, Ann Math Stat 18:50-60; digits recomputed",
                    RECOMPUTED,
                    p,
                    partial(_lower_tail, n_a, n_b, u),
                    5e-7,
                )
            )
    for (n_a, n_b), critical in _CRITICAL_U.items():
        checks.append(
            Check(
                "Mann-Whitney critical U, two-sided .05",
                f"{n_a} and {n_b} without ties",
                "the usual tables of the Mann-Whitney test; recomputed",
                RECOMPUTED,
                critical,
                partial(_critical, n_a, n_b),
                0,
            )
        )
    hollander = "Hollander & Wolfe 1973, Nonparametric statistical methods (data in R help, wilcox.test)"
    found: list[tuple[str, str, str, str, float, Callable[[], float], float, str]] = [
        ("rank-sum statistic W", "permeability, 10 and 5", hollander, RECOMPUTED, 35,
         lambda: _two_samples(_PERMEABILITY[::-1]).value * 50, 1e-9, ""),
        ("rank-sum test, exact one-sided p", "permeability, 10 and 5", hollander, RECOMPUTED, 0.1272,
         lambda: _two_samples(_PERMEABILITY[::-1], "improvement").p_value, 5e-5, ""),
        ("rank-sum test, exact two-sided p", "rotarod, constant control group", _ROTAROD_SOURCE, READ,
         0.0373, lambda: _two_samples(_ROTAROD).p_value, 5e-5, ""),
        ("rank-sum test, exact one-sided p", "rotarod, constant control group", _ROTAROD_SOURCE, READ,
         0.0186, lambda: _two_samples(_ROTAROD, "worsening").p_value, 5e-5, ""),
        ("rank-sum test, exact two-sided p, more digits", "rotarod, constant control group",
         _ROTAROD_SOURCE, RECOMPUTED, 0.03726708, lambda: _two_samples(_ROTAROD).p_value, 5e-9, ""),
        ("rank-sum test, normal two-sided p with continuity correction",
         "rotarod, constant control group", _ROTAROD_SOURCE, RECOMPUTED, 0.01647,
         lambda: _two_samples(_ROTAROD, p_value="normal").p_value, 5e-6,
         "The paper prints .0147, without the continuity correction."),
        ("rank-sum test, exact two-sided p", "blood pressure, 4 and 11 with ties", _PRESSURE_SOURCE, READ,
         0.0989, lambda: _two_samples(_PRESSURE).p_value, 5e-5, ""),
        ("rank-sum test, exact one-sided p", "blood pressure, 4 and 11 with ties", _PRESSURE_SOURCE, READ,
         0.0542, lambda: _two_samples(_PRESSURE, "worsening").p_value, 5e-5, ""),
        ("permutation test of the mean, two-sided p", "blood pressure, 4 and 11 with ties",
         _PRESSURE_SOURCE, READ, 0.1040, lambda: _mean_difference_p("two-sided"), 5e-5, ""),
        ("permutation test of the mean, one-sided p", "blood pressure, 4 and 11 with ties",
         _PRESSURE_SOURCE, READ, 0.0564, lambda: _mean_difference_p("improvement"), 5e-5, ""),
    ]  # fmt: skip
    return checks + [Check(*row) for row in found]


CHECKS: tuple[Check, ...] = (
    *_parker_checks(),
    *_steep_checks(),
    *_two_sample_checks(),
)
