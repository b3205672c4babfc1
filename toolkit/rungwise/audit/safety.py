"""Incidents of the quarter: how many, how often, every serious one; never suppressed in the practice."""

from __future__ import annotations

import math
from collections.abc import Mapping
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
PLACES = ("setting", "step")
NOWHERE = "not recorded"
# Share of the occasions, or of the hours, whose setting or step must be known for a rate there (design
# choice): the unknown ones make such a rate too high.
KNOWN = 0.9
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
    known : Mapping[str, int]
        Occasions whose ``"setting"`` and whose ``"step"`` is known.
    rates : DataFrame
        ``group, value, incidents, per_100, low_100, high_100, per_hour, low_hour, high_hour``: all
        incidents, then by severity, kind, setting and step. A rate by setting is per 100 occasions there,
        one by step per 100 occasions on which that step was tried; it stands only where setting or step
        is known for at least `KNOWN` of the occasions.
    serious : DataFrame
        Every serious incident: ``child_id, date, kind, ladder_id, step, setting, action``.
    sentences : tuple of str
        For the first page.
    """

    recorded: bool
    occasions: int
    hours: float
    minutes_of: tuple[int, int]
    known: Mapping[str, int]
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

    exposed = _exposed(caseload, cohort)
    table = caseload.tables.get("incidents")
    incidents = None if table is None else _in_quarter(table, cohort)
    frame = None
    if incidents is not None:
        frame = pd.DataFrame({name: incidents[name] for name in incidents.columns})
    sentences = ("Incidents were not recorded, so nothing can be said about safety.",)
    return Safety(
        recorded=frame is not None,
        occasions=exposed.occasions,
        hours=exposed.hours,
        minutes_of=exposed.minutes_of,
        known=exposed.known,
        rates=_rates(frame, exposed),
        serious=_serious(frame),
        sentences=sentences if frame is None else _sentences(frame, exposed.occasions),
    )


@dataclass(frozen=True)
class _Exposed:
    """Occasions and hours, in all and by setting and step."""

    occasions: int
    hours: float
    minutes_of: tuple[int, int]
    known: Mapping[str, int]
    occasions_by: Mapping[str, Mapping[str, int]]
    hours_by: Mapping[str, Mapping[str, float]]


def _in_quarter(table: Table, cohort: Cohort) -> Table:
    first, last = np.datetime64(cohort.quarter.first, "D"), np.datetime64(cohort.as_of, "D")
    return table.where((table["date"] >= first) & (table["date"] <= last))


def _exposed(caseload: Caseload, cohort: Cohort) -> _Exposed:
    import pandas as pd

    parts: dict[str, pd.DataFrame] = {}
    for name, minutes in (("sessions", "exposure_minutes"), ("observations", "minutes"), ("ratings", "")):
        if name not in caseload.tables:
            continue
        table = _in_quarter(caseload.tables[name], cohort)
        if name == "sessions":
            table = table.where(table["attended"] == "yes")
        nothing = np.full(len(table), np.nan)
        parts[name] = pd.DataFrame(
            {
                "child_id": table["child_id"],
                "date": table["date"],
                "setting": table.columns.get("setting", np.full(len(table), None, dtype=object)),
                "step": table.columns.get("step", nothing),
                "minutes": table.columns.get(minutes, nothing),
            }
        )
    none = pd.DataFrame(columns=["child_id", "date", *PLACES, "minutes"])
    every = pd.concat(parts.values(), ignore_index=True) if parts else none
    for group in PLACES:
        names = [_named(value) for value in every[group].tolist()]
        every[group] = pd.Series([None if name == NOWHERE else name for name in names], dtype=object)
    days = ["child_id", "date"]
    known, occasions_by = {}, {}
    for group in PLACES:
        there = every.dropna(subset=[group])
        known[group] = len(there[days].drop_duplicates())
        tried = there[[*days, group]].drop_duplicates()[group].value_counts()
        occasions_by[group] = {str(value): int(count) for value, count in tried.items()}
    hours, minutes_of, hours_by = _hours(parts)
    return _Exposed(len(every[days].drop_duplicates()), hours, minutes_of, known, occasions_by, hours_by)


def _hours(
    parts: Mapping[str, pd.DataFrame],
) -> tuple[float, tuple[int, int], dict[str, dict[str, float]]]:
    """Hours in all, from sessions or else from trials, and by setting and step where those say so."""
    for name in ("sessions", "observations"):
        minutes = parts[name]["minutes"] if name in parts else None
        if minutes is None or minutes.isna().all():
            continue
        with_minutes = parts[name][minutes.notna()]
        by: dict[str, dict[str, float]] = {}
        for group in PLACES:
            told = parts[name][group].notna() & minutes.notna()
            # Hours at an unknown place would make the rates at the others too high.
            if told.sum() >= KNOWN * len(minutes):
                names = [_named(value) for value in parts[name].loc[told, group].tolist()]
                sums = (minutes[told] / 60).groupby(names).sum()
                by[group] = {str(value): float(hours) for value, hours in sums.items()}
        return float(with_minutes["minutes"].sum()) / 60, (len(with_minutes), len(minutes)), by
    return math.nan, (0, 0), {}


def _rates(incidents: pd.DataFrame | None, exposed: _Exposed) -> pd.DataFrame:
    import pandas as pd

    rows: list[dict[str, Any]] = []
    columns = [
        "group", "value", "incidents", "per_100", "low_100", "high_100", "per_hour", "low_hour", "high_hour"
    ]  # fmt: skip
    if incidents is None:
        return pd.DataFrame(columns=columns)
    occasions, hours = exposed.occasions, exposed.hours
    rows.append(_row("all", "all incidents", len(incidents), occasions, hours))
    for group, names in (("severity", SEVERITIES), ("kind", KINDS)):
        for name in names:
            hit = int((incidents[group] == name).sum())
            if hit or group == "severity":
                rows.append(_row(group, name, hit, occasions, hours))
    for group in PLACES:
        told = [_named(value) for value in incidents[group]]
        there = exposed.occasions_by[group] if exposed.known[group] >= KNOWN * occasions else {}
        spent = exposed.hours_by.get(group, {})
        for value in sorted({*told, *there, *spent} - {NOWHERE}, key=_in_order):
            rows.append(
                _row(group, value, told.count(value), there.get(value, 0), spent.get(value, math.nan))
            )
        if NOWHERE in told:
            rows.append(_row(group, NOWHERE, told.count(NOWHERE), 0, math.nan))
    return pd.DataFrame(rows, columns=columns)


def _named(value: Any) -> str:
    if isinstance(value, float):
        return NOWHERE if math.isnan(value) else f"{value:g}"
    return str(value) if value else NOWHERE


def _in_order(value: str) -> tuple[float, str]:
    return (float(value), "") if value.replace(".", "", 1).isdigit() else (math.inf, value)


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
    if not len(incidents):
        return (
            f"No incident was recorded {over}; that is no proof of none: up to "
            f"{format_number(rate.ci_high)} per {PER_OCCASIONS} occasions would still fit (95% interval).",
        )
    interval = f"95% interval {format_number(rate.ci_low)} to {format_number(rate.ci_high)}"
    of_them = f"{serious} of them serious" if serious else "none of them serious"
    if len(incidents) == 1:
        of_them = "serious" if serious else "not serious"
    return (
        f"{count_of(len(incidents), 'incident was', 'incidents were')} recorded {over}: "
        f"{format_number(rate.value)} per {PER_OCCASIONS} ({interval}), {of_them}.",
    )
