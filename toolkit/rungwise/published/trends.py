"""Outside values for trend, slope and autocorrelation."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from rungwise.basis.estimate import Estimate
from rungwise.basis.null_trend import trend_p, trend_variance
from rungwise.published.check import Check
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.autocorrelation import autocorrelation
from rungwise.single_case.hamed_rao import hamed_rao
from rungwise.single_case.theil_sen import theil_sen
from rungwise.single_case.trend import mann_kendall

READ = "read in print, or as quoted in print"
RECOMPUTED = "recomputed by two independent routes"
MEMORY = "from memory of the source"

_TABLE = "Gilbert 1987, Statistical methods for environmental pollution monitoring, Table A18"

# n: S and P(S ≥ s) without ties. The printed table ends at n = 10 with three decimals; these digits
# were counted by a recursion, and for n = 4 and 9 also by R 4.2.2 cor.test.
_UPPER_TAILS = {
    3: {1: 0.5, 3: 0.16667},
    4: {0: 0.625, 2: 0.375, 4: 0.16667, 6: 0.04167},
    5: {0: 0.59167, 2: 0.40833, 4: 0.24167, 6: 0.11667, 8: 0.04167, 10: 0.00833},
    6: {1: 0.5, 3: 0.35972, 5: 0.23472, 7: 0.13611, 9: 0.06806, 11: 0.02778, 13: 0.00833, 15: 0.00139},
    7: {1: 0.5, 3: 0.38631, 5: 0.28095, 7: 0.19067, 9: 0.11944, 11: 0.06806, 13: 0.03452, 15: 0.01508,
        17: 0.00536, 19: 0.00139, 21: 0.000198},
    8: {0: 0.54757, 2: 0.45243, 4: 0.35977, 6: 0.27421, 8: 0.19938, 10: 0.13755, 12: 0.08943,
        14: 0.05434, 16: 0.03051, 18: 0.01558, 20: 0.00707, 22: 0.00275, 24: 0.000868, 26: 0.000198,
        28: 0.0000248},
    9: {0: 0.54027, 2: 0.45973, 4: 0.38071, 6: 0.30610, 8: 0.23835, 10: 0.17924, 12: 0.12976,
        14: 0.09009, 16: 0.05972, 18: 0.03759, 20: 0.02231, 22: 0.01237, 24: 0.00633, 26: 0.00294,
        28: 0.00121, 30: 0.000427, 32: 0.000121, 34: 0.0000248, 36: 0.00000276},
    10: {1: 0.5, 3: 0.43090, 5: 0.36375, 7: 0.30033, 9: 0.24216, 11: 0.19036, 13: 0.14562, 15: 0.10819,
         17: 0.07787, 19: 0.05416, 21: 0.03628, 23: 0.02331, 25: 0.01430, 27: 0.00833, 29: 0.00457,
         31: 0.00234, 33: 0.00111, 35: 0.000473, 37: 0.000179, 39: 0.0000576, 41: 0.0000149,
         43: 0.00000276, 45: 0.000000276},
}  # fmt: skip

_TWICE_ROUNDED = {(10, 5): "The exact value is .3637448; .36375 comes from rounding .363745 once more."}


def _series(values: Sequence[float], times: Sequence[float] | None = None) -> PhaseSeries:
    return PhaseSeries(values, ["baseline"] * len(values), times, better="higher")


def _half_unit(printed: float) -> float:
    """Half a unit of the last digit of a probability printed with three significant digits or more."""
    digits = 5 if printed >= 0.001 else 2 - math.floor(math.log10(printed))
    return 0.5 * 10.0**-digits


def _tail_checks() -> list[Check]:
    return [
        Check(
            f"Kendall's S, P(S >= {s})",
            f"{n} occasions without ties",
            _TABLE,
            RECOMPUTED,
            printed,
            lambda n=n, s=s: float(  # type: ignore[misc]
                trend_p(np.ones((1, n), int), np.array([s]), "improvement")[0][0]
            ),
            1e-5 if (n, s) in _TWICE_ROUNDED else _half_unit(printed),
            _TWICE_ROUNDED.get((n, s), ""),
        )
        for n, row in _UPPER_TAILS.items()
        for s, printed in row.items()
    ]


_GILBERT_211 = [10, 15, 14, 20]
_GILBERT_16_3 = ([10, 22, 21, 30, 22, 30, 40, 40], [1, 1, 1, 2, 3, 3, 4, 5])
_GILBERT_TIES = [23, 24, 0, 6, 0, 24, 24, 0, 23]
_VAN_BELLE_129 = [10, 14, 14, 14, 17, 22, 22, 23, 27, 27]
_VAN_BELLE_136 = ([1.0, 1.0, 1.5, 1.7, 1.6, 1.7, 1.8, 1.7, 2.2, 2.3], [1, 1, 1, 1, 2, 2, 2, 3, 3, 3])
_SULFATE = (
    [480, 450, 490, 520, 485, 510, 510, 530, 510, 560, 560, 540, 590, 550, 600, 700, 570, 610, 650, 620,
     830, 720, 590],
    [89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6, 93.1, 93.6, 94.1, 94.6,
     95.1, 95.6, 95.8, 96.1, 96.3, 96.6, 96.8],
)  # fmt: skip
_TUNA = (
    [2.6, 3.1, 2.5, 5.0, 3.6, 4.0, 5.2, 2.8, 3.8],
    [44.4, 45.9, 41.9, 53.3, 44.7, 44.1, 50.7, 45.2, 60.1],
)
_CLOUDS = [1.26, 1.27, 1.12, 1.16, 1.03]
_SPRENT = ([2.5, 3.1, 3.4, 4, 4.6, 5.1, 11.1], list(range(7)))


def _variance(values: Sequence[float], times: Sequence[float] | None = None) -> float:
    clock = list(range(len(values))) if times is None else times
    sizes = [np.unique(column, return_counts=True)[1] for column in (values, clock)]
    return float(trend_variance(sizes[0], sizes[1][None])[0])


def _z(values: Sequence[float], times: Sequence[float]) -> float:
    s = mann_kendall(_series(values, times)).counts["S"]
    return (s - np.sign(s)) / math.sqrt(_variance(values, times))


def _s(values: Sequence[float], times: Sequence[float] | None = None) -> float:
    return mann_kendall(_series(values, times)).counts["S"]


def _normal_p(z: float) -> float:
    return math.erfc(abs(z) / math.sqrt(2))


def _sen(values: Sequence[float], times: Sequence[float], confidence: float, **keywords: str) -> Estimate:
    return theil_sen(_series(values, times), confidence=confidence, interval="normal", **keywords)


def _tau_a(values: Sequence[float], times: Sequence[float]) -> float:
    trend = mann_kendall(_series(values, times))
    return trend.counts["S"] / trend.counts["pairs"]


def _trend_checks() -> list[Check]:
    gilbert = "Gilbert 1987, Statistical methods for environmental pollution monitoring"
    van_belle = "van Belle & Hughes 1984, Water Resources Research 20:127-136"
    epa = "USEPA 2009, Unified Guidance, example 17-6 (data and printed results in R package EnvStats)"
    hollander = "Hollander & Wolfe 1973, Nonparametric statistical methods (data in R help, cor.test)"
    y, t = _SULFATE
    rows: list[tuple[str, str, str, str, float, Callable[[], float], float]] = [
        ("Mann-Kendall S", "10, 15, 14, 20", f"{gilbert}, p. 211", READ, 4, lambda: _s(_GILBERT_211), 0),
        ("Mann-Kendall variance", "10, 15, 14, 20", f"{gilbert}, p. 211", READ, 8.6667,
         lambda: _variance(_GILBERT_211), 5e-5),
        ("Mann-Kendall exact upper p", "10, 15, 14, 20", _TABLE, RECOMPUTED, 0.16667,
         lambda: mann_kendall(_series(_GILBERT_211), alternative="improvement").p_value, 5e-6),
        ("Mann-Kendall S", "several ratings a period", f"{gilbert}, example 16.3", READ, 19,
         lambda: _s(*_GILBERT_16_3), 0),
        ("Mann-Kendall variance", "several ratings a period", f"{gilbert}, example 16.3", RECOMPUTED,
         58.0952, lambda: _variance(*_GILBERT_16_3), 5e-5),
        ("Mann-Kendall Z", "several ratings a period", f"{gilbert}, example 16.3", RECOMPUTED, 2.3616,
         lambda: _z(*_GILBERT_16_3), 5e-5),
        ("Mann-Kendall normal p", "several ratings a period", f"{gilbert}, example 16.3", RECOMPUTED,
         0.01820, lambda: _normal_p(_z(*_GILBERT_16_3)), 5e-6),
        ("Sen slope", "several ratings a period", f"{gilbert}, example 16.3", READ, 5.5,
         lambda: _sen(*_GILBERT_16_3, 0.9).value, 0),
        ("number of slopes", "several ratings a period", f"{gilbert}, example 16.3", READ, 24,
         lambda: _sen(*_GILBERT_16_3, 0.9).counts["slopes"], 0),
        ("Sen slope, 90% lower limit", "several ratings a period", f"{gilbert}, example 16.3",
         RECOMPUTED, 2.5724, lambda: _sen(*_GILBERT_16_3, 0.9).ci_low, 5e-5),
        ("Sen slope, 90% upper limit", "several ratings a period", f"{gilbert}, example 16.3",
         RECOMPUTED, 9.2686, lambda: _sen(*_GILBERT_16_3, 0.9).ci_high, 5e-5),
        ("Mann-Kendall variance", "23, 24, 0, 6, ... (ties)", f"{gilbert}, p. 211", READ, 83.6667,
         lambda: _variance(_GILBERT_TIES), 5e-5),
        ("Mann-Kendall S", "four ratings, two on one date", f"{gilbert}, example 17.1", READ, 5,
         lambda: _s([8, 10, 12, 15], [1, 1, 2, 3]), 0),
        ("Mann-Kendall variance", "four ratings, two on one date", f"{gilbert}, example 17.1", READ,
         7.6667, lambda: _variance([8, 10, 12, 15], [1, 1, 2, 3]), 5e-5),
        ("Mann-Kendall S", "four ratings with a tie each way", f"{gilbert}, example 17.1", READ, 4,
         lambda: _s([15, 20, 18, 20], [1, 2, 2, 3]), 0),
        ("Mann-Kendall variance", "four ratings with a tie each way", f"{gilbert}, example 17.1", READ,
         6.8333, lambda: _variance([15, 20, 18, 20], [1, 2, 2, 3]), 5e-5),
        ("Mann-Kendall variance", "ten ratings with ties", f"{van_belle}, p. 129", READ, 119.333,
         lambda: _variance(_VAN_BELLE_129), 5e-4),
        ("Mann-Kendall S", "ten ratings at three times", f"{van_belle}, p. 136", READ, 26,
         lambda: _s(*_VAN_BELLE_136), 0),
        ("Mann-Kendall variance", "ten ratings at three times", f"{van_belle}, p. 136", RECOMPUTED,
         105.433, lambda: _variance(*_VAN_BELLE_136), 5e-4),
        ("Kendall tau-a", "sulfate, 23 ratings", epa, READ, 0.7667984, lambda: _tau_a(y, t), 5e-8),
        ("Mann-Kendall Z", "sulfate, 23 ratings", epa, READ, 5.107322, lambda: _z(y, t), 5e-7),
        ("Mann-Kendall normal p", "sulfate, 23 ratings", epa, READ, 3.267574e-07,
         lambda: _normal_p(_z(y, t)), 5e-14),
        ("Theil-Sen slope", "sulfate, 23 ratings", epa, READ, 26.6666667,
         lambda: _sen(y, t, 0.95).value, 5e-8),
        ("Theil-Sen intercept (medians)", "sulfate, 23 ratings", epa, READ, -1909.3333,
         lambda: _sen(y, t, 0.95, intercept="medians").counts["intercept"], 5e-5),
        ("Sen slope, 95% lower limit", "sulfate, 23 ratings", epa, READ, 20.0,
         lambda: _sen(y, t, 0.95).ci_low, 5e-6),
        ("Sen slope, 95% upper limit", "sulfate, 23 ratings", epa, READ, 35.71182,
         lambda: _sen(y, t, 0.95).ci_high, 5e-6),
        ("Kendall tau", "tuna, 9 lots", hollander, RECOMPUTED, 0.444444,
         lambda: mann_kendall(_series(*_TUNA)).value, 5e-7),
        ("Kendall exact upper p", "tuna, 9 lots", hollander, RECOMPUTED, 0.05972,
         lambda: mann_kendall(_series(*_TUNA), alternative="improvement").p_value, 5e-6),
        ("Kendall exact lower p", "cloud seeding, 5 years",
         "Hollander & Wolfe 1973, cloud-seeding example", MEMORY, 0.11667,
         lambda: mann_kendall(_series(_CLOUDS), alternative="worsening").p_value, 5e-6),
        ("Theil slope", "cloud seeding, 5 years", "Hollander & Wolfe 1973, cloud-seeding example", MEMORY,
         -0.05625, lambda: theil_sen(_series(_CLOUDS)).value, 5e-6),
        ("Theil slope", "seven ratings, one outlying", "Sprent & Smeeton, Applied nonparametric "
         "statistical methods, example 11.4", RECOMPUTED, 0.566667,
         lambda: theil_sen(_series(*_SPRENT)).value, 5e-7),
        ("Theil intercept (median residual)", "seven ratings, one outlying", "Sprent & Smeeton, Applied "
         "nonparametric statistical methods, example 11.4", RECOMPUTED, 2.3333,
         lambda: theil_sen(_series(*_SPRENT)).counts["intercept"], 5e-5),
        ("Theil intercept (medians)", "seven ratings, one outlying", "Sprent & Smeeton, Applied "
         "nonparametric statistical methods, example 11.4", RECOMPUTED, 2.3,
         lambda: theil_sen(_series(*_SPRENT), intercept="medians").counts["intercept"], 5e-5),
    ]  # fmt: skip
    return [Check(*row) for row in rows]


def _nile() -> PhaseSeries:
    from statsmodels.datasets import nile

    table = nile.load_pandas().data
    return PhaseSeries(
        table["volume"].to_numpy(), ["baseline"] * len(table), table["year"].to_numpy(), better="higher"
    )


def _hamed_rao_checks() -> list[Check]:
    source = "Hamed & Rao 1998, J Hydrol 204:182-196, formula; data in statsmodels.datasets.nile"
    values: list[tuple[str, float, Callable[[], float], float]] = [
        ("Mann-Kendall S", -1387, lambda: mann_kendall(_nile()).counts["S"], 0),
        ("Hamed-Rao variance factor", 2.142898, lambda: hamed_rao(_nile()).counts["variance_factor"], 5e-7),
        ("Hamed-Rao variance", 241565.36, lambda: hamed_rao(_nile()).counts["variance"], 5e-3),
        ("Hamed-Rao p", 0.0048027, lambda: hamed_rao(_nile()).p_value, 5e-8),
        ("Theil-Sen slope", -2.6, lambda: theil_sen(_nile()).value, 5e-7),
    ]
    return [
        Check(name, "annual flow of the Nile, 100 years", source, RECOMPUTED, value, ours, tolerance)
        for name, value, ours, tolerance in values
    ]


_MAVRO = (
    "2.0018 2.0017 2.0018 2.0019 2.0018 2.0017 2.0015 2.0014 2.0015 2.0015 2.0017 2.0018 2.0018 2.0019 "
    "2.0019 2.0021 2.0020 2.0016 2.0014 2.0013 2.0013 2.0015 2.0015 2.0016 2.0015 2.0014 2.0013 2.0014 "
    "2.0015 2.0014 2.0015 2.0016 2.0015 2.0016 2.0019 2.0020 2.0020 2.0021 2.0022 2.0023 2.0024 2.0025 "
    "2.0027 2.0026 2.0026 2.0026 2.0027 2.0026 2.0025 2.0024"
)


def _numacc(level: float) -> list[float]:
    return [level + 0.2] + [level + 0.1, level + 0.3] * 500


def _lag_checks() -> list[Check]:
    source = "NIST Statistical Reference Datasets, univariate summary statistics, certified lag-1"
    near = "Certified to 15 digits; the data themselves lose the rest when stored as binary fractions."
    rows: list[tuple[str, Callable[[], list[float]], float, float, str]] = [
        ("NumAcc1", lambda: [10000001.0, 10000003.0, 10000002.0], -0.5, 0.0, ""),
        ("NumAcc2", lambda: _numacc(1.0), -0.999, 1e-13, near),
        ("NumAcc3", lambda: _numacc(1e6), -0.999, 1e-10, near),
        ("NumAcc4", lambda: _numacc(1e7), -0.999, 1e-9, near),
        ("Mavro", lambda: [float(one) for one in _MAVRO.split()], 0.937989183438248, 1e-13, near),
    ]
    return [
        Check(
            "lag-1 autocorrelation",
            f"{name}, {len(data())} values",
            source,
            READ,
            certified,
            lambda data=data: autocorrelation(_series(data()), "baseline").value,  # type: ignore[misc]
            tolerance,
            note,
        )
        for name, data, certified, tolerance, note in rows
    ]


CHECKS: tuple[Check, ...] = (
    *_tail_checks(),
    *_trend_checks(),
    *_hamed_rao_checks(),
    *_lag_checks(),
)
