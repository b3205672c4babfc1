"""Outside values for randomization tests: numbers of assignments and classical permutation tests."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rungwise.basis.estimate import Estimate
from rungwise.published.check import Check
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.designs import Alternating, PermittedAssignments, RandomChanges, RandomStart
from rungwise.single_case.randomization import randomization_test
from rungwise.single_case.staggered_starts import StaggeredStarts

READ = "read in print, or as quoted in print"
RECOMPUTED = "recomputed by two independent routes"
MEMORY = "from memory of the source"

_MAIZE = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
_PRESSURE = ([94, 108, 110, 90], [80, 94, 85, 90, 90, 90, 108, 94, 78, 105, 88])
_SAL = (
    [149, 0, 0, 259, 106, 255, 0, 52, 340, 65, 180, 0, 84, 89, 212, 554, 500, 424, 112, 2600],
    [0, 51, 0, 385, 0, 235, 0, 0, 48, 65, 77, 0, 0, 0, 53, 150, 0, 165, 98, 0],
)
_DEPRESSION = (
    [1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30],
    [0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29],
)
_PERMEABILITY = (
    [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46],
    [1.15, 0.88, 0.90, 0.74, 1.21],
)


def _two_groups(exposure: Sequence[float], baseline: Sequence[float], statistic: str) -> Estimate:
    """Treat two groups as occasions assigned to two conditions in any order."""
    series = PhaseSeries.from_phases(baseline, exposure, better="higher")
    design = Alternating(len(series), "random", exposure=len(exposure))
    return randomization_test(series, design=design, statistic=statistic, interval=False)


def _pairs(differences: Sequence[float], alternative: str = "improvement") -> Estimate:
    """Treat each pair as a series of two occasions whose order a coin decided."""
    series = [PhaseSeries.from_phases([0], [one], better="higher") for one in differences]
    coin = PermittedAssignments([[0, 1], [1, 0]], "random")
    return randomization_test(series, design=[coin] * len(series), alternative=alternative, interval=False)


def _signed_ranks(first: Sequence[float], second: Sequence[float]) -> list[float]:
    differences = [x - y for x, y in zip(first, second, strict=True)]
    order = sorted(range(len(differences)), key=lambda i: abs(differences[i]))
    ranks = [0.0] * len(differences)
    for rank, i in enumerate(order, start=1):
        ranks[i] = rank if differences[i] > 0 else -rank
    return ranks


def _test_checks() -> list[Check]:
    fisher = "Fisher 1935, The Design of Experiments, section 21 (data in R packages boot and HistData)"
    mehta = "Mehta & Patel 2001 (data and values in R package exactRankTests, bloodp)"
    sal_help = "data and values in R package exactRankTests, help page sal"
    hollander = "Hollander & Wolfe 1973, Nonparametric statistical methods (data in R help, wilcox.test)"
    drop = [a - b for a, b in zip(*_SAL, strict=True)]
    rows: list[tuple[str, str, str, str, float, Callable[[], float], float, str]] = [
        ("sign patterns at least as large", "maize, 15 pairs", fisher, MEMORY, 863,
         lambda: _pairs(_MAIZE).counts["as_good"], 0, ""),
        ("paired permutation p, two-sided", "maize, 15 pairs", fisher, RECOMPUTED, 0.0526733,
         lambda: _pairs(_MAIZE, "two-sided").p_value, 5e-8, ""),
        ("paired permutation p, one-sided", "sal, 20 pairs", sal_help, READ, 0.0011,
         lambda: _pairs(drop).p_value, 5e-5, ""),
        ("paired permutation p, one-sided", "sal, 20 pairs, more digits", sal_help,
         RECOMPUTED, 0.00106812, lambda: _pairs(drop).p_value, 5e-9, ""),
        ("two-sample permutation p, one-sided", "blood pressure, 4 and 11", mehta, READ, 0.0564,
         lambda: _two_groups(*_PRESSURE, "mean_difference").p_value, 5e-5, ""),
        ("two-sample permutation p, one-sided", "blood pressure, 4 and 11, more digits", mehta,
         RECOMPUTED, 0.05641026, lambda: _two_groups(*_PRESSURE, "mean_difference").p_value, 5e-9, ""),
        ("two-sample rank p with ties, one-sided", "blood pressure, 4 and 11", mehta, READ, 0.0542,
         lambda: _two_groups(*_PRESSURE, "tau").p_value, 5e-5, ""),
        ("signed-rank p, one-sided", "depression scale, 9 patients", hollander, RECOMPUTED, 0.01953,
         lambda: _pairs(_signed_ranks(*_DEPRESSION)).p_value, 5e-6, ""),
        ("rank-sum p, one-sided", "permeability, 10 and 5", hollander, RECOMPUTED, 0.1272,
         lambda: _two_groups(*_PERMEABILITY, "tau").p_value, 5e-5, ""),
    ]  # fmt: skip
    return [Check(*row) for row in rows]


def _count_checks() -> list[Check]:
    three = ((4, 5), (8, 9, 10), (13, 14))
    rows: list[tuple[str, str, str, float, Callable[[], float]]] = [
        ("four phases of 4 or more in 24 occasions", "Onghena 1992, Behavioral Assessment 14:153-171",
         MEMORY, 165, lambda: RandomChanges(24, 4, 4, "random").n_assignments),
        ("random start, minima 5 and 4 in 30 occasions, N - kA - kB + 1", "Edgington 1975", MEMORY, 22,
         lambda: RandomStart.with_minima(30, 5, 4, "random").n_assignments),
        ("5 fixed starts shuffled, m!", "Wampold & Worsham 1986, Behavioral Assessment 8:135-143", MEMORY,
         120, lambda: StaggeredStarts(tuple((s,) for s in (3, 5, 7, 9, 11)), True, "random").n_assignments),
        ("3 windows of 2, 3 and 2 starts, product", "Marascuilo & Busk 1988, Behavioral Assessment 10:1-28",
         MEMORY, 12, lambda: StaggeredStarts(three, False, "random").n_assignments),
        ("3 shuffled windows of 2, 3 and 2 starts, m! times product", "Koehler & Levin 1998, Psychological "
         "Methods 3:206-217", MEMORY, 72, lambda: StaggeredStarts(three, True, "random").n_assignments),
    ]  # fmt: skip
    rows += [
        (
            f"alternating, {n} occasions{', at most 2 in a row' if run else ''}",
            "counted; Onghena & Edgington 1994, Behaviour Research and Therapy 32:783-786, for the design",
            RECOMPUTED,
            number,
            lambda n=n, run=run: Alternating(n, "random", longest_run=run).n_assignments,  # type: ignore[misc]
        )
        for n, free, restricted in ((6, 20, 14), (8, 70, 34), (10, 252, 84), (12, 924, 208))
        for run, number in ((None, free), (2, restricted))
    ]
    return [
        Check("number of permitted assignments", example, source, standing, number, ours, 0)
        for example, source, standing, number, ours in rows
    ]


CHECKS: tuple[Check, ...] = (*_test_checks(), *_count_checks())
