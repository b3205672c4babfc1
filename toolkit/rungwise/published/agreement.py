"""Outside values for agreement: kappa, Fleiss' kappa, intraclass correlations."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

from rungwise.agreement.icc import icc, mean_squares
from rungwise.agreement.kappa import kappa_from_table
from rungwise.agreement.raters import rater_difference
from rungwise.agreement.several_observers import fleiss_kappa
from rungwise.basis.distributions import normal_quantile
from rungwise.basis.estimate import Estimate
from rungwise.published.check import Check, to_digits

_READ = "read in print, or as quoted in print"
_MEMORY = "from memory of the source"
_RECOMPUTED = "recomputed by two independent routes"

_SHROUT_FLEISS = "Shrout & Fleiss 1979, Psychol Bull 86:420-428, Tables 2 to 4"
_JUDGES = [
    [9.0, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7],
]  # fmt: skip
_QUOTED = _SHROUT_FLEISS + ", as quoted in the help of an R data package"
# Form, printed value with its source, standing and digits, recomputed value, 95 % limits.
_ICC = (
    ("1,1", 0.17, (_SHROUT_FLEISS, _MEMORY, 2), 0.16574177, (-0.132932, 0.722560)),
    ("2,1", 0.290, (_QUOTED, _READ, 3), 0.28976378, (0.018787, 0.761084)),
    ("3,1", 0.715, (_QUOTED, _READ, 3), 0.71484071, (0.342465, 0.945858)),
    ("1,k", 0.44, (_SHROUT_FLEISS, _MEMORY, 2), 0.44279713, ()),
    ("2,k", 0.620, (_QUOTED, _READ, 3), 0.62005055, (0.07114, 0.92723)),
    ("3,k", 0.909, (_QUOTED, _READ, 3), 0.90931554, (0.675675, 0.985892)),
)
_STEPPED_UP = (
    "Limits stepped up from those of one rater, as R package psych gives them; R package irr gives "
    ".03944 and .92857."
)

_COHEN_1968 = "Cohen 1968, Psychol Bull 70:213-220, as quoted in the help of R package psych"
_COHEN_TABLE = [[88, 14, 18], [10, 40, 10], [2, 6, 12]]
_FCE = "Fleiss, Cohen & Everitt 1969, Psychol Bull 72:323-327, data in the help of R package psych"
_FCE_TABLE = [[106, 10, 4], [22, 28, 10], [2, 12, 6]]
_FCE_WEIGHTS = [[1, 0, 0.4444], [0, 1, 0.6667], [0.4444, 0.6667, 1]]
_LANDIS_KOCH = "Landis & Koch 1977, Biometrics 33:159-174, data in R package vcd (MSPatients)"
_WINNIPEG = [[38, 5, 0, 1], [33, 11, 3, 0], [10, 14, 5, 6], [3, 7, 3, 10]]
_NEW_ORLEANS = [[5, 3, 0, 0], [3, 11, 4, 0], [2, 13, 3, 4], [1, 2, 4, 14]]
_SEXUAL_FUN = [[7, 7, 2, 3], [2, 8, 3, 7], [1, 5, 4, 9], [2, 8, 9, 14]]
_SYMMETRIC = (
    "Value plus or minus 1.96 standard errors, as R package vcd gives it. Our limits are symmetric in "
    "log(1 - kappa) instead: -.016 and .254."
)
_VISION = [[1520, 266, 124, 66], [234, 1512, 432, 78], [117, 362, 1772, 205], [36, 82, 179, 492]]
_VISION_SOURCE = "Stuart 1953, Biometrika 40:105-110 (counts from memory), values of R package irr (vision)"
_SEXUAL_FUN_SOURCE = "Agresti 1990, data in R package vcd (SexualFun)"
_FLEISS_1971 = "Fleiss 1971, Psychol Bull 76:378-382, psychiatric diagnoses"
_TWO_BY_TWO = "Textbook 2 x 2 table"

# Thirty patients, six psychiatrists, how many chose each of five diagnoses.
_DIAGNOSES = (
    "00060 03003 01401 00006 03030 20400 00402 20310 20040 00006 10050 11040 03300 10050 02031 "
    "00501 30012 51000 02040 10203 00006 01050 02013 20040 10041 05010 40002 02040 10500 00006"
)


_PEAK_FLOW = "Bland & Altman 1986, Lancet 327:307-310, peak flow by two meters"
_LARGE_METER = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
_MINI_METER = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)


def _by_patient() -> list[list[str]]:
    return [
        [str(diagnosis) for diagnosis, count in enumerate(row, start=1) for _ in range(int(count))]
        for row in _DIAGNOSES.split()
    ]


def _fleiss_kappa() -> float:
    return fleiss_kappa(_by_patient()).value


def _fleiss_count(name: str) -> float:
    return fleiss_kappa(_by_patient()).counts[name]


def _disagreement(weights: Sequence[Sequence[float]]) -> list[list[float]]:
    most = max(max(row) for row in weights)
    return [[1 - weight / most for weight in row] for row in weights]


def _kappa(table: Any, weights: Any = None) -> float:
    return kappa_from_table(table, weights).value


def _kappa_count(name: str, table: Any, weights: Any = None) -> float:
    return kappa_from_table(table, weights).counts[name]


def _meters() -> Estimate:
    return rater_difference(_LARGE_METER, _MINI_METER, unit="l/min")


def _symmetric_limit(side: int) -> float:
    estimate = kappa_from_table(_SEXUAL_FUN)
    return estimate.value + side * float(normal_quantile(0.975)) * estimate.counts["standard_error"]


def _icc(form: str) -> float:
    return icc(_JUDGES, form).value


def _icc_limit(form: str, end: int) -> float:
    estimate = icc(_JUDGES, form)
    return (estimate.ci_low, estimate.ci_high)[end]


def _mean_square(name: str) -> float:
    import numpy as np

    return float(getattr(mean_squares(np.array(_JUDGES)), name))


def _icc_checks() -> list[Check]:
    example = "6 targets, 4 judges"
    checks = [
        to_digits(
            f"mean square, {name}", example, _SHROUT_FLEISS, _MEMORY, value, 2, partial(_mean_square, name)
        )
        for name, value in (("between", 11.24), ("within", 6.26), ("raters", 32.49), ("residual", 1.02))
    ]
    checks += [
        to_digits(
            f"mean square, {name}", example, _SHROUT_FLEISS, _RECOMPUTED, value, 6,
            partial(_mean_square, name),
        )
        for name, value in (("between", 11.241667), ("raters", 32.486111), ("residual", 1.019444))
    ]  # fmt: skip
    for form, printed, (source, standing, digits), value, limits in _ICC:
        name = f"ICC({form})"
        checks.append(to_digits(name, example, source, standing, printed, digits, partial(_icc, form)))
        checks.append(to_digits(name, example, _SHROUT_FLEISS, _RECOMPUTED, value, 8, partial(_icc, form)))
        places, note = (5, _STEPPED_UP) if form == "2,k" else (6, "")
        checks += [
            to_digits(
                f"{name}, {('lower', 'upper')[end]} limit", example, _SHROUT_FLEISS, _RECOMPUTED, limit,
                places, partial(_icc_limit, form, end), note,
            )
            for end, limit in enumerate(limits)
        ]  # fmt: skip
    return checks


def _kappa_checks() -> list[Check]:
    checks = []
    for place, table, plain, printed, error, linear, quadratic in (
        ("Winnipeg", _WINNIPEG, 0.2079425, 0.208, 0.0504554, 0.3797305, 0.5245765),
        ("New Orleans", _NEW_ORLEANS, 0.2965166, 0.297, 0.0785039, 0.4772727, 0.6255814),
    ):
        example = f"multiple sclerosis, {place}"
        checks += [
            to_digits("kappa", example, _LANDIS_KOCH, _MEMORY, printed, 3, partial(_kappa, table)),
            to_digits("kappa", example, _LANDIS_KOCH, _RECOMPUTED, plain, 7, partial(_kappa, table)),
            to_digits(
                "kappa, standard error", example, _LANDIS_KOCH, _RECOMPUTED, error, 7,
                partial(_kappa_count, "standard_error", table),
            ),
            to_digits(
                "weighted kappa, linear", example, _LANDIS_KOCH, _RECOMPUTED, linear, 7,
                partial(_kappa, table, "linear"),
            ),
            to_digits(
                "weighted kappa, quadratic", example, _LANDIS_KOCH, _RECOMPUTED, quadratic, 7,
                partial(_kappa, table, "quadratic"),
            ),
        ]  # fmt: skip
    return checks


CHECKS: tuple[Check, ...] = (
    *_icc_checks(),
    to_digits("kappa", "200 diagnoses", _COHEN_1968, _READ, 0.492, 3, partial(_kappa, _COHEN_TABLE)),
    to_digits(
        "kappa", "200 diagnoses", _COHEN_1968, _RECOMPUTED, 0.49152542, 8, partial(_kappa, _COHEN_TABLE)
    ),
    to_digits(
        "weighted kappa", "200 diagnoses, disagreement weights 0 1 3 / 1 0 6 / 3 6 0", _COHEN_1968, _READ,
        0.348, 3, partial(_kappa, _COHEN_TABLE, _disagreement([[0, 1, 3], [1, 0, 6], [3, 6, 0]])),
    ),
    to_digits(
        "weighted kappa", "200 diagnoses, asymmetric weights 0 1 4 / 1 0 6 / 2 2 0", _COHEN_1968, _READ,
        0.353, 3, partial(_kappa, _COHEN_TABLE, _disagreement([[0, 1, 4], [1, 0, 6], [2, 2, 0]])),
        "Rows of the weights belong to rows of the table; transposed they give .421.",
    ),
    *(
        to_digits(
            "weighted kappa", f"200 diagnoses, disagreement weights {words}", _COHEN_1968, _RECOMPUTED,
            value, 8, partial(_kappa, _COHEN_TABLE, _disagreement(weights)),
        )
        for words, weights, value in (
            ("0 1 3 / 1 0 6 / 3 6 0", [[0, 1, 3], [1, 0, 6], [3, 6, 0]], 0.34782609),
            ("0 1 4 / 1 0 6 / 2 2 0", [[0, 1, 4], [1, 0, 6], [2, 2, 0]], 0.35338346),
        )
    ),
    to_digits(
        "weighted kappa", "200 diagnoses, asymmetric weights transposed", _COHEN_1968, _RECOMPUTED, 0.42056,
        5, partial(_kappa, _COHEN_TABLE, _disagreement([[0, 1, 2], [1, 0, 2], [4, 6, 0]])),
    ),
    to_digits(
        "kappa", "200 trials, 3 categories", _FCE, _RECOMPUTED, 0.42857, 5, partial(_kappa, _FCE_TABLE)
    ),
    to_digits(
        "kappa, standard error", "200 trials, 3 categories", _FCE, _MEMORY, 0.054, 3,
        partial(_kappa_count, "standard_error", _FCE_TABLE),
    ),
    to_digits(
        "kappa, standard error", "200 trials, 3 categories", _FCE, _RECOMPUTED, 0.053711, 6,
        partial(_kappa_count, "standard_error", _FCE_TABLE),
    ),
    to_digits(
        "kappa, null standard error", "200 trials, 3 categories", _FCE, _RECOMPUTED, 0.055512, 6,
        partial(_kappa_count, "null_standard_error", _FCE_TABLE),
    ),
    to_digits(
        "weighted kappa", "200 trials, weights 1 0 .4444 / 0 1 .6667 / .4444 .6667 1", _FCE, _RECOMPUTED,
        0.50707, 5, partial(_kappa, _FCE_TABLE, _FCE_WEIGHTS),
    ),
    to_digits(
        "weighted kappa, standard error", "200 trials, weights 1 0 .4444 / 0 1 .6667 / .4444 .6667 1", _FCE,
        _RECOMPUTED, 0.056994, 6, partial(_kappa_count, "standard_error", _FCE_TABLE, _FCE_WEIGHTS),
        "As R package vcd gives it; a printed value of about .050 is remembered and unconfirmed.",
    ),
    *_kappa_checks(),
    to_digits(
        "kappa", "91 couples", _SEXUAL_FUN_SOURCE, _RECOMPUTED, 0.1293303, 7, partial(_kappa, _SEXUAL_FUN)
    ),
    to_digits(
        "kappa, standard error", "91 couples", _SEXUAL_FUN_SOURCE, _RECOMPUTED, 0.0685985, 7,
        partial(_kappa_count, "standard_error", _SEXUAL_FUN),
    ),
    to_digits(
        "weighted kappa, linear", "91 couples", _SEXUAL_FUN_SOURCE, _RECOMPUTED, 0.2373806, 7,
        partial(_kappa, _SEXUAL_FUN, "linear"),
    ),
    to_digits(
        "weighted kappa, linear, standard error", "91 couples", _SEXUAL_FUN_SOURCE, _RECOMPUTED,
        0.0783163, 7, partial(_kappa_count, "standard_error", _SEXUAL_FUN, "linear"),
    ),
    *(
        to_digits(
            f"kappa, {end} limit", "91 couples", _SEXUAL_FUN_SOURCE, _RECOMPUTED, limit, 6,
            partial(_symmetric_limit, side), _SYMMETRIC,
        )
        for end, side, limit in (("lower", -1, -0.005120), ("upper", 1, 0.263781))
    ),
    *(
        to_digits(name, "unaided vision of 7477 women", _VISION_SOURCE, _RECOMPUTED, value, 7,
               partial(_kappa, _VISION, weights))
        for name, weights, value in (
            ("kappa", None, 0.5953888),
            ("weighted kappa, linear", "linear", 0.6523804),
            ("weighted kappa, quadratic", "quadratic", 0.7023343),
        )
    ),
    to_digits(
        "kappa", "20, 5 / 10, 15", _TWO_BY_TWO, _MEMORY, 0.40, 7, partial(_kappa, [[20, 5], [10, 15]])
    ),
    to_digits(
        "Fleiss' kappa", "30 patients, 6 psychiatrists", _FLEISS_1971, _MEMORY, 0.430, 3,
        _fleiss_kappa,
    ),
    to_digits(
        "Fleiss' kappa", "30 patients, 6 psychiatrists", _FLEISS_1971, _RECOMPUTED, 0.4302445, 7,
        _fleiss_kappa,
    ),
    to_digits(
        "Fleiss' kappa, z", "30 patients, 6 psychiatrists", _FLEISS_1971, _RECOMPUTED, 17.6518, 4,
        lambda: _fleiss_kappa() / _fleiss_count("null_standard_error"),
    ),
    *(
        to_digits(
            f"Fleiss' kappa, category {category}", "30 patients, 6 psychiatrists", _FLEISS_1971,
            _RECOMPUTED, value, 3,
            partial(_fleiss_count, f"category {category}"),
        )
        for category, value in enumerate((0.245, 0.245, 0.520, 0.471, 0.566), start=1)
    ),
    to_digits(
        "difference between raters", "17 people", _PEAK_FLOW, _MEMORY, -2.1, 1, lambda: _meters().value
    ),
    to_digits(
        "standard deviation of differences", "17 people", _PEAK_FLOW, _MEMORY, 38.8, 1,
        lambda: _meters().counts["sd"],
    ),
    to_digits(
        "difference between raters, lower limit", "17 people", _PEAK_FLOW, _MEMORY, -22.0, 1,
        lambda: _meters().ci_low,
        "The paper takes t as 2.12 and rounds on the way; ours is -22.05.",
    ),
    to_digits(
        "difference between raters, upper limit", "17 people", _PEAK_FLOW, _MEMORY, 17.8, 1,
        lambda: _meters().ci_high,
    ),
)  # fmt: skip
