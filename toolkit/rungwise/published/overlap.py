"""Outside values for overlap and magnitude, all on small textbook series."""

from __future__ import annotations

from collections.abc import Callable

from rungwise.published.check import Check
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.magnitude import log_response_ratio
from rungwise.single_case.overlap import ird, pand, pem, pnd
from rungwise.single_case.standardized_difference import hedges_j, standardized_mean_difference

RECOMPUTED = "recomputed by two independent routes"
_SMALL = PhaseSeries.from_phases([2, 3, 5, 3], [4, 5, 5, 7, 6], better="higher")
_STRONG = PhaseSeries.from_phases([3, 4, 4, 5, 6, 6, 7], [8, 7, 9, 9, 10, 12, 11, 12], better="higher")
_PARKER = "data of Parker, Vannest, Davis & Sauber 2011, Behav Ther 42:284-299, from memory"
_TYPED = "example series with a strong baseline trend and one tie between the phases"
_J = "Hedges 1981, Journal of Educational Statistics 6:107-128, Table 1"
_APPROXIMATE = "The outside value uses the approximation 1 - 3/(4m - 1); ours is the exact J."

_EXACT_J = {
    2: 0.564190, 3: 0.723601, 4: 0.797885, 5: 0.840749, 6: 0.868627, 7: 0.888203, 8: 0.902703,
    9: 0.913875, 10: 0.922746, 12: 0.935942, 15: 0.949008, 20: 0.961945, 30: 0.974754, 50: 0.984912,
}  # fmt: skip


def _overlap_checks() -> list[Check]:
    rows: list[tuple[str, str, str, float, Callable[[], float], float]] = [
        ("PND, %", "4 + 5 occasions", _PARKER, 40, lambda: pnd(_SMALL).value, 0),
        ("PEM, %", "4 + 5 occasions", _PARKER, 100, lambda: pem(_SMALL).value, 0),
        ("fewest removals", "4 + 5 occasions", _PARKER, 1, lambda: pand(_SMALL).counts["removed"], 0),
        ("PAND, %", "4 + 5 occasions", _PARKER, 100 * 8 / 9, lambda: pand(_SMALL).value, 1e-9),
        ("IRD, lowest", "4 + 5 occasions", _PARKER, 0.75, lambda: ird(_SMALL).counts["lowest"], 1e-12),
        ("IRD, highest", "4 + 5 occasions", _PARKER, 0.75, lambda: ird(_SMALL).counts["highest"], 1e-12),
        ("IRD, robust", "4 + 5 occasions", _PARKER, 0.775, lambda: ird(_SMALL).value, 1e-12),
        ("PND, %", "7 + 8 occasions", _TYPED, 87.5, lambda: pnd(_STRONG).value, 0),
        ("fewest removals", "7 + 8 occasions", _TYPED, 1, lambda: pand(_STRONG).counts["removed"], 0),
        ("PAND, %", "7 + 8 occasions", _TYPED, 93.3333, lambda: pand(_STRONG).value, 5e-5),
        ("IRD, a baseline occasion removed", "7 + 8 occasions", _TYPED, 0.857143,
         lambda: ird(_STRONG).counts["lowest"], 5e-7),
        ("IRD, an exposure occasion removed", "7 + 8 occasions", _TYPED, 0.875,
         lambda: ird(_STRONG).counts["highest"], 5e-7),
        ("IRD, robust", "7 + 8 occasions", _TYPED, 0.866071, lambda: ird(_STRONG).value, 5e-7),
    ]  # fmt: skip
    return [Check(name, data, source, RECOMPUTED, *rest) for name, data, source, *rest in rows]  # type: ignore[arg-type]


def _glass(key: str = "uncorrected") -> float:
    return standardized_mean_difference(_SMALL, standardizer="baseline").counts[key]


def _magnitude_checks() -> list[Check]:
    rows: list[tuple[str, float, Callable[[], float], float, str]] = [
        ("mean difference over baseline SD", 1.708647, _glass, 5e-7, ""),
        ("mean difference over pooled SD", 1.803333,
         lambda: standardized_mean_difference(_SMALL).counts["uncorrected"], 5e-7, ""),
        ("the same, corrected for small samples", 1.602963,
         lambda: standardized_mean_difference(_SMALL).value, 0.0013, _APPROXIMATE),
        ("log response ratio, uncorrected", 0.507744,
         lambda: log_response_ratio(_SMALL).counts["uncorrected"], 5e-7, ""),
        ("log response ratio, corrected", 0.493464, lambda: log_response_ratio(_SMALL).value, 5e-7, ""),
        ("log response ratio, standard error", 0.215387,
         lambda: log_response_ratio(_SMALL).counts["standard_error"], 5e-7, ""),
    ]  # fmt: skip
    return [Check(row[0], "4 + 5 occasions", _PARKER, RECOMPUTED, *row[1:]) for row in rows]


def _j_checks() -> list[Check]:
    return [
        Check(
            "Hedges' J",
            f"{m} degrees of freedom",
            _J,
            RECOMPUTED,
            value,
            lambda m=m: float(hedges_j(m)),  # type: ignore[misc]
            5e-7,
        )
        for m, value in _EXACT_J.items()
    ]


CHECKS: tuple[Check, ...] = (*_overlap_checks(), *_magnitude_checks(), *_j_checks())
