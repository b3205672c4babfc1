"""Incidents of the quarter: how many, how often, every serious one; never suppressed in the practice."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.audit.cohort import Cohort
from rungwise.basis.estimate import Estimate
from rungwise.basis.intervals import rate_interval
from rungwise.basis.page_numbers import count_of, format_number
from rungwise.series.caseload import Caseload
from rungwise.tables.table import Table

if TYPE_CHECKING:
    import pandas as pd

SEVERITIES = ("serious", "moderate", "minor")
KINDS = ("fall", "near_fall", "nausea", "dizziness", "distress", "other")
PER_OCCASIONS = 100
CLUSTERS = (
    "The interval takes one incident not to make the next more likely; where several come from one child "
    "or one bad day, it is too narrow."
)


@dataclass(frozen=True)
class Safety:
    """What was recorded about incidents.

    Attributes
    ----------
    recorded : bool
        False where no incident table was kept: then nothing is known, and that is not "none".
    occasions : int
        Days on which a child was rated, tried a step or attended a session, over all children.
    hours : float
        Hours of exposure recorded; NaN where none were.
    minutes_of : tuple of int
        Occasions with minutes, and occasions in all, so that a gap in the minutes is seen.
    rates : DataFrame
        ``group, value, incidents, per_100, low_100, high_100, per_hour, low_hour, high_hour``: all
        incidents, then by severity, kind, setting and step. A rate by setting or step stands only
        where occasions were recorded by setting or step.
    serious : DataFrame
        Every serious incident: ``child_id, date, kind, ladder_id, step, setting, action``.
    sentences : tuple of str
        For the first page.
    """

    recorded: bool
    occasions: int
    hours: float
    minutes_of: tuple[int, int]
    rates: pd.DataFrame
    serious: pd.DataFrame
    sentences: tuple[str, ...]


def safety(caseload: Caseload, cohort: Cohort) -> Safety:
    """Count the incidents of the quarter and set them against occasions and hours of exposure.

    Rates have exact Poisson intervals (Garwood 1936). No incident is not a rate of zero: the upper
    limit says what the records can promise. It misleads where incidents go unrecorded; a practice
    that records more carefully looks worse.
    """
    import pandas as pd

    occasions = _occasions(caseload, cohort)
    hours, minutes_of = _hours(caseload, cohort)
    table = caseload.tables.get("incidents")
    incidents = None if table is None else _in_quarter(table, cohort)
    if incidents is None:
        return Safety(
            False, len(occasions), hours, minutes_of, _rates(None, occasions, hours), _serious(None),
            ("Incidents were not recorded, so nothing can be said about safety.",),
        )  # fmt: skip
    frame = pd.DataFrame({name: incidents[name] for name in incidents.columns})
    rates = _rates(frame, occasions, hours)
    return Safety(
        True, len(occasions), hours, minutes_of, rates, _serious(frame), _sentences(frame, len(occasions))
    )


def _in_quarter(table: Table, cohort: Cohort) -> Table:
    first, last = np.datetime64(cohort.quarter.first, "D"), np.datetime64(cohort.as_of, "D")
    return table.where((table["date"] >= first) & (table["date"] <= last))


def _occasions(caseload: Caseload, cohort: Cohort) -> pd.DataFrame:
    """Child, day, setting and highest step of every occasion; settings and steps where recorded."""
    import pandas as pd

    parts = []
    for name in ("observations", "sessions", "ratings"):
        if name not in caseload.tables:
            continue
        table = _in_quarter(caseload.tables[name], cohort)
        if name == "sessions":
            table = table.where(table["attended"] == "yes")
        nothing = np.full(len(table), None, dtype=object)
        parts.append(
            pd.DataFrame(
                {
                    "child_id": table["child_id"],
                    "date": table["date"],
                    "setting": table.columns.get("setting", nothing),
                    "step": table.columns.get("step", np.full(len(table), np.nan)),
                }
            )
        )
    if not parts:
        return pd.DataFrame(columns=["child_id", "date", "setting", "step"])
    every = pd.concat(parts)
    return every.groupby(["child_id", "date"], as_index=False).agg(setting=("setting", "first"),
                                                                   step=("step", "max"))  # fmt: skip


def _hours(caseload: Caseload, cohort: Cohort) -> tuple[float, tuple[int, int]]:
    for name, column in (("sessions", "exposure_minutes"), ("observations", "minutes")):
        if name not in caseload.tables:
            continue
        table = _in_quarter(caseload.tables[name], cohort)
        if name == "sessions":
            table = table.where(table["attended"] == "yes")
        minutes = table[column]
        if not np.isnan(minutes).all():
            return float(np.nansum(minutes)) / 60, (int((~np.isnan(minutes)).sum()), len(minutes))
    return math.nan, (0, 0)


def _rates(incidents: pd.DataFrame | None, occasions: pd.DataFrame, hours: float) -> pd.DataFrame:
    import pandas as pd

    rows: list[dict[str, Any]] = []
    columns = [
        "group", "value", "incidents", "per_100", "low_100", "high_100", "per_hour", "low_hour", "high_hour"
    ]  # fmt: skip
    if incidents is None:
        return pd.DataFrame(columns=columns)
    rows.append(_row("all", "all incidents", len(incidents), len(occasions), hours))
    for group, names in (("severity", SEVERITIES), ("kind", KINDS)):
        for name in names:
            hit = int((incidents[group] == name).sum())
            if hit or group == "severity":
                rows.append(_row(group, name, hit, len(occasions), hours))
    for group in ("setting", "step"):
        where = occasions[group].dropna()
        for value in sorted(incidents[group].dropna().unique()):
            hit = int((incidents[group] == value).sum())
            # Without the occasions of every incident's setting or step a rate would be too high.
            there = int((where == value).sum()) if len(where) == len(occasions) else 0
            name = f"{value:g}" if group == "step" else str(value)
            rows.append(_row(group, name, hit, there, math.nan))
    return pd.DataFrame(rows, columns=columns)


def _row(group: str, value: str, incidents: int, occasions: int, hours: float) -> dict[str, Any]:
    by_100 = per_100(incidents, occasions)
    by_hour = rate_interval(incidents, 0.0 if math.isnan(hours) else hours)
    return {
        "group": group, "value": value, "incidents": incidents, "per_100": by_100.value,
        "low_100": by_100.ci_low, "high_100": by_100.ci_high, "per_hour": by_hour.value,
        "low_hour": by_hour.ci_low, "high_hour": by_hour.ci_high,
    }  # fmt: skip


def per_100(incidents: int, occasions: int) -> Estimate:
    """Give a rate per 100 occasions with its exact interval.

    Examples
    --------
    >>> rate = per_100(0, 400)
    >>> round(rate.ci_high, 2)
    0.92
    """
    return rate_interval(incidents, occasions / PER_OCCASIONS, unit=f"per {PER_OCCASIONS} occasions")


def _serious(incidents: pd.DataFrame | None) -> pd.DataFrame:
    import pandas as pd

    columns = ["child_id", "date", "kind", "ladder_id", "step", "setting", "action"]
    if incidents is None:
        return pd.DataFrame(columns=columns)
    listed = incidents.loc[incidents["severity"] == "serious", columns]
    listed = listed.sort_values(["date", "child_id"], kind="stable", ignore_index=True)
    return listed.assign(date=[day.date() for day in listed["date"]])


def _sentences(incidents: pd.DataFrame, occasions: int) -> tuple[str, ...]:
    serious = int((incidents["severity"] == "serious").sum())
    rate = per_100(len(incidents), occasions)
    over = f"over {count_of(occasions, 'occasion')}"
    if math.isnan(rate.value):
        return (f"{count_of(len(incidents), 'incident')} recorded, {serious} of them serious.",)
    interval = f"95% interval {format_number(rate.ci_low)} to {format_number(rate.ci_high)}"
    if not len(incidents):
        return (f"No incident was recorded {over} (per {PER_OCCASIONS} occasions, {interval}).",)
    of_them = f"{serious} of them serious" if serious else "none of them serious"
    if len(incidents) == 1:
        of_them = "serious" if serious else "not serious"
    return (
        f"{count_of(len(incidents), 'incident was', 'incidents were')} recorded {over}: "
        f"{format_number(rate.value)} per {PER_OCCASIONS} ({interval}), {of_them}.",
    )
