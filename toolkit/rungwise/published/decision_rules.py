"""Outside values for rules read off a graph."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from rungwise.published.check import Check
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.decision_rules import (
    deviation_band,
    dual_criterion,
    required_count,
    stability_envelope,
)
from rungwise.single_case.split_middle import even_chance_tail

RECOMPUTED = "recomputed by two independent routes"
_BASELINE = [3, 4, 4, 5, 6, 6, 7]
_STRONG = PhaseSeries.from_phases(_BASELINE, [8, 7, 9, 9, 10, 12, 11, 12], better="higher")
_TYPED = "example series with a strong baseline trend"
_FISHER = "rule of Fisher, Kelley & Lomas 2003, J Appl Behav Anal 36:387-406"
_REQUIRED = {
    5: 5, 6: 6, 7: 7, 8: 7, 9: 8, 10: 9, 11: 9, 12: 10, 13: 10, 14: 11, 15: 12, 16: 12, 17: 13, 18: 13,
    19: 14, 20: 15, 21: 15, 22: 16, 23: 16, 24: 17, 25: 18, 30: 20,
}  # fmt: skip


def _required_checks() -> list[Check]:
    return [
        Check(
            "occasions required beyond both lines",
            f"{n} exposure occasions",
            "exact binomial tail at .05; the table printed by Fisher, Kelley & Lomas 2003 is not confirmed",
            RECOMPUTED,
            required,
            lambda n=n: float(required_count(n) or 0),  # type: ignore[misc]
            0,
        )
        for n, required in _REQUIRED.items()
    ]


def _tail(count: int, n: int) -> float:
    return float(even_chance_tail(np.array([count]), np.array([n]))[0])


def _example_checks() -> list[Check]:
    rows: list[tuple[str, str, float, Callable[[], float], float]] = [
        ("mean line", _FISHER, 5.353553, lambda: dual_criterion(_STRONG, shift=0.25).counts["mean_line"],
         5e-7),
        ("trend line at the first exposure occasion", _FISHER, 7.9250,
         lambda: dual_criterion(_STRONG, shift=0.25).counts["trend_line_at_start"], 5e-5),
        ("occasions beyond both lines", _FISHER, 2, lambda: dual_criterion(_STRONG, shift=0.25).value, 0),
        ("binomial tail of the count", _FISHER, 0.9648,
         lambda: dual_criterion(_STRONG, shift=0.25).p_value, 5e-5),
        ("lower end of the two-deviation band", "Gottman & Leiblum 1974, rule", 2.171573,
         lambda: deviation_band(_STRONG).counts["low"], 5e-7),
        ("upper end of the two-deviation band", "Gottman & Leiblum 1974, rule", 7.828427,
         lambda: deviation_band(_STRONG).counts["high"], 5e-7),
        ("occasions above the band", "Gottman & Leiblum 1974, rule", 7,
         lambda: deviation_band(_STRONG).counts["better"], 0),
        ("share inside the stability envelope, %", "rule of 80 % within 25 % (teaching texts)", 71.4,
         lambda: stability_envelope(_STRONG).value, 0.05),
    ]  # fmt: skip
    checks = [Check(row[0], _TYPED, row[1], RECOMPUTED, *row[2:]) for row in rows]
    checks.append(
        Check("binomial tail", "8 of 10 fair tosses", "binomial(10, 1/2), exact", RECOMPUTED, 0.0547,
              lambda: _tail(8, 10), 5e-5)
    )  # fmt: skip
    return checks


CHECKS: tuple[Check, ...] = (*_required_checks(), *_example_checks())
