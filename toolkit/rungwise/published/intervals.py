"""Outside values for intervals of shares and rates, control limits and multiplicity."""

from __future__ import annotations

from functools import partial

from rungwise.basis.control_limits import ControlLimits, share_limits, value_limits
from rungwise.basis.estimate import Estimate
from rungwise.basis.intervals import rate_interval, rate_ratio, share_interval
from rungwise.basis.multiplicity import benjamini_hochberg
from rungwise.published.check import Check

_NEWCOMBE = "Newcombe 1998, Stat Med 17:857-872, Table I"
_GARWOOD = "Garwood 1936, Biometrika 28:437-442, limits of a Poisson count"

# Columns of Newcombe's Table I: count, n, then low and high of each method. The score limits were
# read (to four decimals) in texts that reprint the table; the other two were recomputed.
_SHARES = (
    (81, 263, (0.2553, 0.3662), (0.253509, 0.368176), (0.252737, 0.367622)),
    (15, 148, (0.0624, 0.1605), (0.059778, 0.164450), (0.057844, 0.161650)),
    (0, 20, (0.0, 0.1611), (0.0, 0.200453), (0.0, 0.168433)),
    (1, 29, (0.0061, 0.1718), (0.001803, 0.196282), (0.000873, 0.177644)),
)

_RATES_95 = {
    0: (0.0, 3.6889), 1: (0.0253, 5.5716), 2: (0.2422, 7.2247), 3: (0.6187, 8.7673),
    4: (1.0899, 10.2416), 5: (1.6235, 11.6683), 6: (2.2019, 13.0595), 7: (2.8144, 14.4227),
    8: (3.4538, 15.7632), 9: (4.1154, 17.0848), 10: (4.7954, 18.3904), 15: (8.3954, 24.7402),
    20: (12.2165, 30.8884), 30: (20.2409, 42.8269), 50: (37.1110, 65.9188), 100: (81.3640, 121.6268),
}  # fmt: skip
_RATES_99 = {0: (0.0, 5.2983), 5: (1.0779, 14.1498), 10: (3.7169, 21.3978)}


def _limit(estimate: Estimate, end: int) -> float:
    return (estimate.ci_low, estimate.ci_high)[end]


def _share_limit(count: int, n: int, method: str, end: int) -> float:
    return _limit(share_interval(count, n, method=method), end)


def _rate_limit(count: int, confidence: float, end: int) -> float:
    return _limit(rate_interval(count, confidence=confidence), end)


def _share_checks() -> list[Check]:
    methods = (
        ("wilson", "read in print, or as quoted in print", 5e-5),
        ("wilson_corrected", "recomputed by two independent routes", 5e-7),
        ("clopper_pearson", "recomputed by two independent routes", 5e-7),
    )
    return [
        Check(
            f"share, {method}, {('lower', 'upper')[end]} limit",
            f"{count} of {n}",
            _NEWCOMBE,
            standing,
            limits[end],
            partial(_share_limit, count, n, method, end),
            tolerance,
        )
        for count, n, *by_method in _SHARES
        for (method, standing, tolerance), limits in zip(methods, by_method, strict=True)
        for end in (0, 1)
    ]


def _rate_checks() -> list[Check]:
    return [
        Check(
            f"rate, exact {confidence:.0%}, {('lower', 'upper')[end]} limit",
            f"{count} events",
            _GARWOOD,
            "recomputed by two independent routes",
            limits[end],
            partial(_rate_limit, count, confidence, end),
            5e-5,
        )
        for confidence, table in ((0.95, _RATES_95), (0.99, _RATES_99))
        for count, limits in table.items()
        for end in (0, 1)
    ]


_BENJAMINI_HOCHBERG = "Benjamini & Hochberg 1995, J R Stat Soc B 57:289-300, example"
_FIFTEEN = (
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
    0.6528, 0.7590, 1.0,
)  # fmt: skip
_FIFTEEN_ADJUSTED = (
    0.0015, 0.0030, 0.0095, 0.035625, 0.0603, 0.0638571, 0.0638571, 0.0645, 0.0765, 0.486, 0.5811818,
    0.714875, 0.7532308, 0.8132143, 1.0,
)  # fmt: skip
_FLOW_RATE = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
_ROUNDED_D2 = "The handbook rounds d2 to 1.128; the exact constant moves the limits by 0.0017."
_CANS = (
    12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13,
    9, 6,
)  # fmt: skip


def _adjusted(i: int) -> float:
    return float(benjamini_hochberg(_FIFTEEN)[i])


def _limit_of(limits: ControlLimits, name: str) -> float:
    return float(
        {"center": limits.center, "upper limit": limits.high[0], "lower limit": limits.low[0]}[name]
    )


def _flow(name: str) -> float:
    return _limit_of(value_limits(_FLOW_RATE), name)


def _cans(name: str, without: tuple[int, ...]) -> float:
    exclude = [sample in without for sample in range(1, len(_CANS) + 1)]
    return _limit_of(share_limits(_CANS, 50, exclude=exclude), name)


def _cans_outside() -> float:
    outside = share_limits(_CANS, 50).outside
    return float("".join(str(i) for i, out in enumerate(outside, start=1) if out))


_POISSON_HELP = "R help page of poisson.test, examples, recomputed in R 4.2.2"

CHECKS: tuple[Check, ...] = (
    *_share_checks(),
    *_rate_checks(),
    Check(
        "rate",
        "137 events in 24.19893",
        _POISSON_HELP,
        "recomputed by two independent routes",
        5.661407,
        lambda: rate_interval(137, 24.19893).value,
        5e-7,
    ),
    Check(
        "rate, exact 95%, lower limit",
        "137 events in 24.19893",
        _POISSON_HELP,
        "recomputed by two independent routes",
        4.753125,
        lambda: rate_interval(137, 24.19893).ci_low,
        5e-7,
    ),
    Check(
        "rate, exact 95%, upper limit",
        "137 events in 24.19893",
        _POISSON_HELP,
        "recomputed by two independent routes",
        6.692709,
        lambda: rate_interval(137, 24.19893).ci_high,
        5e-7,
    ),
    Check(
        "rate ratio",
        "11 in 800 against 21 in 3011",
        _POISSON_HELP,
        "recomputed by two independent routes",
        1.971488,
        lambda: rate_ratio(11, 800, 21, 3011).value,
        5e-7,
    ),
    Check(
        "rate ratio, exact 95%, lower limit",
        "11 in 800 against 21 in 3011",
        _POISSON_HELP,
        "recomputed by two independent routes",
        0.858426,
        lambda: rate_ratio(11, 800, 21, 3011).ci_low,
        5e-7,
    ),
    Check(
        "rate ratio, exact 95%, upper limit",
        "11 in 800 against 21 in 3011",
        _POISSON_HELP,
        "recomputed by two independent routes",
        4.277266,
        lambda: rate_ratio(11, 800, 21, 3011).ci_high,
        5e-7,
    ),
    Check(
        "Benjamini & Hochberg, rejected at .05",
        "15 p-values",
        _BENJAMINI_HOCHBERG,
        "from memory of the source",
        4,
        lambda: float((benjamini_hochberg(_FIFTEEN) <= 0.05).sum()),
        0,
    ),
    *(
        Check(
            "Benjamini & Hochberg, adjusted p",
            f"15 p-values, number {i + 1}",
            _BENJAMINI_HOCHBERG,
            "recomputed by two independent routes",
            adjusted,
            partial(_adjusted, i),
            5e-8,
        )
        for i, adjusted in enumerate(_FIFTEEN_ADJUSTED)
    ),
    *(
        Check(
            f"moving range chart, {name}",
            "flow rate, 10 values",
            "NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2",
            "from memory of the source",
            printed,
            partial(_flow, name),
            tolerance,
            note,
        )
        for name, printed, tolerance, note in (
            ("center", 50.81, 5e-3, ""),
            ("upper limit", 55.8041, 2e-3, _ROUNDED_D2),
            ("lower limit", 45.8159, 2e-3, _ROUNDED_D2),
        )
    ),
    *(
        Check(
            f"moving range chart, {name}",
            "flow rate, 10 values",
            "NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2, exact d2",
            "recomputed by two independent routes",
            value,
            partial(_flow, name),
            5e-7,
        )
        for name, value in (("upper limit", 55.802412), ("lower limit", 45.817588))
    ),
    *(
        Check(
            f"share chart, {name}",
            f"30 samples of 50{words}",
            "Montgomery, Introduction to Statistical Quality Control, juice cans",
            "from memory of the source",
            printed,
            partial(_cans, name, without),
            5e-5,
        )
        for without, words, values in (
            ((), "", (0.2313, 0.4102, 0.0524)),
            ((15, 23), ", without samples 15 and 23", (0.2150, 0.3893, 0.0407)),
        )
        for name, printed in zip(("center", "upper limit", "lower limit"), values, strict=True)
    ),
    Check(
        "share chart, samples beyond the limits",
        "30 samples of 50",
        "Montgomery, Introduction to Statistical Quality Control, juice cans",
        "from memory of the source",
        1523,
        _cans_outside,
        0,
        "Samples 15 and 23, written one after the other.",
    ),
)
