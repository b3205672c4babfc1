"""When each child's program began and ended, and when its outcome is due."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.audit.planned import only_probed, planned_ratings
from rungwise.audit.quarter import Quarter
from rungwise.series.caseload import Caseload
from rungwise.tables.table import Table

if TYPE_CHECKING:
    import pandas as pd

# Ways in which an outcome came due.
DUE_BY = {
    "exposure_ended": "exposure ended",
    "horizon": "horizon reached with exposure running",
    "left_early": "left before the horizon",
}
GOALS_MET = "goals_met"
AFTER_EXPOSURE = ("maintenance", "follow_up")


@dataclass(frozen=True)
class Course:
    """The dates of one child's program, as far as they were recorded.

    Attributes
    ----------
    child_id : str
    referred_on, began_on, exposure_on, ended_on : date or None
    began_by, exposure_by : str
        What the date was read from: ``"children"``, ``"phases"``, ``"ratings"`` or ``""``.
    end_reason : str
    end_recorded : bool
        True where the ``children`` table has the child, so that a blank end means "still open".
    after_exposure_on : date or None
        First day on which no ladder under way was in baseline or exposure any more.
    due_on : date or None
        Day on which the outcome is due: exposure ended, or the horizon was reached; it may lie
        ahead. None while exposure has not begun.
    due_by : str
        A key of `DUE_BY`, or ``""``.
    first_rating, last_rating : date or None
        Of usable planned ratings (a decline is one).
    phase_recorded : bool
        True where the start of a phase is known.
    n_baseline, n_exposure : int
        Usable planned occasions up to the due day, over all ladders.
    n_undated : int
        Planned ratings without a date.
    """

    child_id: str
    referred_on: date | None = None
    began_on: date | None = None
    began_by: str = ""
    exposure_on: date | None = None
    exposure_by: str = ""
    after_exposure_on: date | None = None
    ended_on: date | None = None
    end_reason: str = ""
    end_recorded: bool = False
    due_on: date | None = None
    due_by: str = ""
    first_rating: date | None = None
    last_rating: date | None = None
    phase_recorded: bool = False
    n_baseline: int = 0
    n_exposure: int = 0
    n_undated: int = 0

    @property
    def open_until(self) -> date | None:
        """Last day of the program; None while it is open.

        Where no end is ever recorded, the program is taken to last until the last planned rating,
        and at least until its outcome is due, so that a child who falls silent is still counted.
        """
        if self.ended_on is None and self.end_recorded:
            return None
        last = self.ended_on or self.last_rating or self.began_on
        return max((day for day in (last, self.due_on) if day), default=None)

    def stage(self, quarter: Quarter, as_of: date) -> str:
        """Say where the child stands, before any rating is looked at; ``"due"`` if the outcome is."""
        if as_of < quarter.first:
            return "quarter_not_begun"
        started = self.began_on or self.referred_on
        if started is None:
            return "no_dates"
        if started > as_of:
            return "began_later"
        if self.open_until is not None and self.open_until < quarter.first:
            return "closed_before"
        if self.began_on is None or self.began_on > as_of:
            return "waiting"
        if self.due_on is not None and self.due_on < quarter.first:
            return "counted_earlier"
        if self.due_on is not None and self.due_on <= as_of:
            return "due"
        if self.exposure_on is not None and self.exposure_on <= as_of:
            return "running"
        if self.ended_on is not None:
            return "left_before_exposure"
        if not self.phase_recorded and self.first_rating is None:
            return "nothing_recorded"
        return "in_baseline"


def courses(caseload: Caseload, as_of: date) -> tuple[Course, ...]:
    """Read every child's program dates from ``children``, ``phases`` and ``ratings``.

    What was recorded for days after `as_of` is not looked at. Where ``phases`` does not have a
    child's ladder, a phase begins with its first rating, or with its first planned occasion where
    nothing in it was rated.
    """
    ratings = planned_ratings(caseload)
    undated = Counter(ratings["child_id"][ratings["day"].isna()].tolist())
    cut = np.datetime64(as_of, "D")
    planned = ratings[ratings["day"].to_numpy("datetime64[D]") <= cut]
    usable = planned[planned["usable"]]
    starts = _phase_starts(caseload, planned, cut)
    told = _told(caseload)
    later = _first_after(caseload, ratings, cut)
    horizon = timedelta(days=caseload.practice.horizon_days)
    rated = _by_child(usable)
    names: set[str] = {*told, *starts, *rated, *undated, *later}
    return tuple(
        _course(
            child,
            told.get(child),
            starts.get(child, []),
            rated.get(child),
            later.get(child),
            horizon,
            as_of,
            undated[child],
        )
        for child in sorted(names)
    )


def _day(value: Any) -> date | None:
    return None if np.isnat(value) else value.astype("datetime64[D]").item()


def _told(caseload: Caseload) -> dict[str, dict[str, Any]]:
    table = caseload.tables.get("children")
    if table is None:
        return {}
    return {
        child: {
            **{name: _day(table[name][i]) for name in ("referred_on", "entered_on", "ended_on")},
            "end_reason": table["end_reason"][i] or "",
        }
        for i, child in enumerate(table["child_id"])
    }


def _phase_starts(
    caseload: Caseload, ratings: pd.DataFrame, cut: np.datetime64
) -> dict[str, list[tuple[date, str, str, str]]]:
    """Day, ladder, phase and source of every phase start, by child, in time order."""
    starts: dict[str, list[tuple[date, str, str, str]]] = {}
    covered = set()
    phases: Table | None = caseload.tables.get("phases")
    if phases is not None:
        probed = only_probed(caseload)
        for i in np.flatnonzero(phases["starts_on"] <= cut):
            child, ladder = phases["child_id"][i], phases["ladder_id"][i] or ""
            if (child, ladder) in probed:
                continue
            covered.add((child, ladder))
            day = phases["starts_on"][i].item()
            starts.setdefault(child, []).append((day, ladder, phases["phase"][i], "phases"))
    keys = ["child_id", "ladder_id", "phase"]
    any_rated = ratings.groupby(keys, dropna=False)["usable"].transform("any")
    first = ratings[ratings["usable"] | ~any_rated].groupby(keys, as_index=False)["day"].min()
    for row in first.itertuples(index=False):
        if (row.child_id, row.ladder_id) not in covered:
            event = (row.day.date(), row.ladder_id, row.phase, "ratings")
            starts.setdefault(row.child_id, []).append(event)
    for events in starts.values():
        events.sort()
    return starts


def _by_child(ratings: pd.DataFrame) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Days and phases of each child's ratings."""
    days, phases = ratings["day"].to_numpy("datetime64[D]"), ratings["phase"].to_numpy(dtype=object)
    groups = ratings.groupby("child_id", sort=False).indices
    return {str(child): (days[places], phases[places]) for child, places in groups.items()}


def _first_after(caseload: Caseload, ratings: pd.DataFrame, cut: np.datetime64) -> dict[str, date]:
    """First day after the cut on which a child has a planned rating or a phase start."""
    columns = [(ratings["child_id"].to_numpy(dtype=object), ratings["day"].to_numpy("datetime64[D]"))]
    if "phases" in caseload.tables:
        phases = caseload.tables["phases"]
        columns.append((phases["child_id"], phases["starts_on"]))
    first: dict[str, date] = {}
    for children, days in columns:
        ahead = np.flatnonzero(days > cut)
        for child, day in zip(children[ahead], days[ahead].tolist(), strict=True):
            first[child] = min(first.get(child, day), day)
    return first


def _course(
    child: str,
    told: dict[str, Any] | None,
    starts: list[tuple[date, str, str, str]],
    rated: tuple[np.ndarray, np.ndarray] | None,
    later: date | None,
    horizon: timedelta,
    as_of: date,
    n_undated: int,
) -> Course:
    first = last = None
    if rated is not None:
        first, last = rated[0].min().item(), rated[0].max().item()
    began, began_by = (told or {}).get("entered_on"), "children"
    if began is None:
        candidates = [(day, by) for day, _, _, by in starts[:1]] + ([(first, "ratings")] if first else [])
        began, began_by = min(candidates, default=(later, ""))
    exposure, exposure_by, after = _exposure(starts)
    ended = (told or {}).get("ended_on")
    if ended is not None and ended > as_of:
        ended = None
    due, due_by = _due(exposure, after, ended, (told or {}).get("end_reason", ""), horizon)
    counts: Counter[str] = Counter()
    if rated is not None:
        counts.update(rated[1][rated[0] <= np.datetime64(due or as_of, "D")].tolist())
    return Course(
        child_id=child,
        referred_on=(told or {}).get("referred_on"),
        began_on=began,
        began_by=began_by if began else "",
        exposure_on=exposure,
        exposure_by=exposure_by,
        after_exposure_on=after,
        ended_on=ended,
        end_reason=(told or {}).get("end_reason", "") if ended else "",
        end_recorded=told is not None,
        due_on=due,
        due_by=due_by,
        first_rating=first,
        last_rating=last,
        phase_recorded=bool(starts),
        n_baseline=counts["baseline"],
        n_exposure=counts["exposure"],
        n_undated=n_undated,
    )


def _exposure(starts: list[tuple[date, str, str, str]]) -> tuple[date | None, str, date | None]:
    """First exposure day, its source, and the first later day with no ladder in baseline or exposure.

    Read forward in time, so that what happens later never moves an outcome already counted.
    """
    exposure, by = None, ""
    under_way: dict[str, str] = {}
    for i, (day, ladder, phase, source) in enumerate(starts):
        under_way[ladder] = phase
        if phase == "exposure" and exposure is None:
            exposure, by = day, source
        last_of_day = i + 1 == len(starts) or starts[i + 1][0] != day
        if exposure is not None and last_of_day and set(under_way.values()) <= set(AFTER_EXPOSURE):
            return exposure, by, day
    return exposure, by, None


def _due(
    exposure: date | None, after: date | None, ended: date | None, reason: str, horizon: timedelta
) -> tuple[date | None, str]:
    if exposure is None:
        return None, ""
    ways = [(exposure + horizon, 2, "horizon")]
    if after is not None:
        ways.append((after, 0, "exposure_ended"))
    if ended is not None:
        finished = reason == GOALS_MET
        ways.append((max(ended, exposure), 1, "exposure_ended" if finished else "left_early"))
    day, _, way = min(ways)
    return day, way
