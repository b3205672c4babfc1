"""Who was there in a quarter, whose outcome was due, and where the others are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.audit.quarter import Quarter
from rungwise.series.caseload import Caseload
from rungwise.series.planned import FEAR
from rungwise.tables.level_1 import usual_rater
from rungwise.tables.table import Table

if TYPE_CHECKING:
    import pandas as pd

# Each child of the files ends at exactly one stage. A stage belongs to the total it is lost from;
# the last one is the total that remains.
TOTALS = {
    "known": "Children in the files",
    "open": "Program open on a day of the quarter",
    "due": "Outcome due in the quarter",
    "judged": "Outcome judged",
}
STAGES = {
    "quarter_not_begun": ("known", "The quarter has not begun"),
    "no_dates": ("known", "No date says when: cannot be placed in a quarter"),
    "began_later": ("known", "Program began after the quarter"),
    "closed_before": ("known", "Program closed before the quarter"),
    "waiting": ("open", "Referred, program not begun"),
    "nothing_recorded": ("open", "Program begun, no phase and no rating recorded"),
    "in_baseline": ("open", "Still in baseline"),
    "left_before_exposure": ("open", "Left before exposure began"),
    "running": ("open", "Exposure running, horizon not reached"),
    "counted_earlier": ("open", "Outcome already counted in an earlier quarter"),
    "no_ratings": ("due", "No usable planned rating up to the day the outcome was due"),
    "few_baseline": ("due", "Too few baseline occasions"),
    "few_exposure": ("due", "Too few exposure occasions"),
    "too_few": ("due", "Ratings too few or too alike for any change to show"),
    "outcome_unclear": ("due", "Several outcomes or probe steps: not known which to judge by"),
    "judged": ("judged", "Outcome judged"),
}
IN_PROGRESS = ("in_baseline", "running")
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


@dataclass(frozen=True)
class Cohort:
    """All children of the files, each placed in the quarter.

    Attributes
    ----------
    quarter : Quarter
    as_of : date
        The last day whose data are used: the end of the quarter, or today if that is earlier.
    courses : tuple of Course
    stages : Mapping[str, str]
        Stage of each child, a key of `STAGES` or ``"due"``.
    unknown : tuple of str
        Sentences saying what the files do not tell.
    """

    quarter: Quarter
    as_of: date
    courses: tuple[Course, ...]
    stages: Mapping[str, str]
    unknown: tuple[str, ...]

    @property
    def due(self) -> tuple[Course, ...]:
        """Courses of the children whose outcome is due."""
        return tuple(course for course in self.courses if self.stages[course.child_id] == "due")


def planned_ratings(caseload: Caseload) -> pd.DataFrame:
    """Give the planned ratings of all children: child_id, ladder_id, day, phase, declined, usable.

    Of a child with several outcomes, the ratings of fear where there are any; of a series rated by
    several kinds of rater, those of the usual one; of several probe steps, those of the primary one;
    no ratings of ladders that are only probed. These are the ratings that the child's answer rests on.
    """
    import pandas as pd

    planned = caseload.planned
    fear = planned["outcome"] == FEAR
    rated_for_fear = set(planned["child_id"][fear])
    keep = planned["trained"].astype(bool) & (fear | ~_among(planned["child_id"], rated_for_fear))
    planned = planned.where(keep)
    declined = planned["declined"].astype(bool)
    ratings = pd.DataFrame(
        {
            "child_id": planned["child_id"],
            "ladder_id": [ladder or "" for ladder in planned["ladder_id"]],
            "day": planned["date"].astype("datetime64[D]"),
            "phase": planned["phase"],
            "declined": declined,
            "usable": declined | ~np.isnan(planned["rating"].astype(float)),
            "outcome": planned["outcome"],
            "rater": [kind or "" for kind in planned["rated_by"]],
            "primary": planned["primary"].astype(bool),
        }
    )
    keys = ["child_id", "ladder_id", "outcome"]
    if not ratings["primary"].all():
        any_primary = ratings.groupby(keys)["primary"].transform("any")
        ratings = ratings[ratings["primary"] | ~any_primary].reset_index(drop=True)
    columns = ["child_id", "ladder_id", "day", "phase", "declined", "usable"]
    return ratings.loc[_by_usual_rater(ratings), columns]


def _among(entries: np.ndarray, wanted: set[str]) -> np.ndarray:
    return np.fromiter((entry in wanted for entry in entries), dtype=bool, count=len(entries))


def _by_usual_rater(ratings: pd.DataFrame) -> np.ndarray:
    """Mask of the ratings given by the usual kind of rater of their series."""
    keys = ["child_id", "ladder_id", "outcome"]
    usual = np.ones(len(ratings), dtype=bool)
    kinds = ratings[[*keys, "rater"]].drop_duplicates()
    several = kinds[kinds.duplicated(keys)].drop_duplicates(keys)[keys]
    if several.empty:
        return usual
    mixed = ratings.merge(several, on=keys, how="left", indicator=True)["_merge"].to_numpy() == "both"
    for _, raters in ratings[mixed].groupby(keys, sort=False)["rater"]:
        usual[raters.index] = raters == (usual_rater([kind or None for kind in raters]) or "")
    return usual


def _only_probed(caseload: Caseload) -> set[tuple[str, str]]:
    """Child and ladder of the ladders that are probed and never practiced."""
    planned = caseload.planned
    ladders = [ladder or "" for ladder in planned["ladder_id"]]
    pairs = list(zip(planned["child_id"].tolist(), ladders, planned["trained"].tolist(), strict=True))
    trained = {(child, ladder) for child, ladder, practiced in pairs if practiced}
    return {(child, ladder) for child, ladder, _ in pairs} - trained


def courses(caseload: Caseload, as_of: date) -> tuple[Course, ...]:
    """Read every child's program dates from ``children``, ``phases`` and ``ratings``.

    What was recorded for days after `as_of` is not looked at. Where ``phases`` does not have a
    child's ladder, a phase begins with its first rating.
    """
    ratings = planned_ratings(caseload)
    undated = Counter(ratings["child_id"][ratings["day"].isna()].tolist())
    cut = np.datetime64(as_of, "D")
    usable = ratings[ratings["usable"] & (ratings["day"].to_numpy("datetime64[D]") <= cut)]
    starts = _phase_starts(caseload, usable, cut)
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


def cohort(caseload: Caseload, quarter: Quarter, today: date) -> Cohort:
    """Place every child of the files in a quarter.

    The flow covers programs open on any day of the quarter. An outcome is due once: on the day
    exposure ended, or on the day the practice's horizon was reached, whichever came first; a child
    whose outcome was due earlier is not counted again.

    Parameters
    ----------
    caseload : Caseload
    quarter : Quarter
    today : date
        While the quarter runs, the last day that can be looked at.
    """
    as_of = min(quarter.last, today)
    every = courses(caseload, as_of)
    stages = {course.child_id: course.stage(quarter, as_of) for course in every}
    return Cohort(quarter, as_of, every, stages, _unknown(caseload, every))


def flow(stages: Mapping[str, str]) -> pd.DataFrame:
    """Count the children at every stage.

    Parameters
    ----------
    stages : Mapping[str, str]
        Final stage of each child, a key of `STAGES`.

    Returns
    -------
    DataFrame
        ``kind`` (``"total"`` or ``"loss"``), ``code``, ``words``, ``children``; each total is
        the one above it less the losses between them.

    Examples
    --------
    >>> table = flow({"C01": "judged", "C02": "in_baseline"})
    >>> table[table["kind"] == "total"].set_index("code")["children"].to_dict()
    {'known': 2, 'open': 2, 'due': 1, 'judged': 1}
    """
    import pandas as pd

    counts: dict[str, int] = dict.fromkeys(STAGES, 0)
    for stage in stages.values():
        counts[stage] += 1
    rows: list[tuple[str, str, str, int]] = []
    remaining = len(stages)
    for total, words in TOTALS.items():
        rows.append(("total", total, words, remaining))
        for code, (lost_from, loss) in STAGES.items():
            if lost_from == total and code != "judged":
                rows.append(("loss", code, loss, counts[code]))
                remaining -= counts[code]
    return pd.DataFrame(rows, columns=["kind", "code", "words", "children"])


def censored(caseload: Caseload, until: Mapping[str, date]) -> Caseload:
    """Give the caseload of some children as it stood at the end of each one's own last day.

    Parameters
    ----------
    caseload : Caseload
    until : Mapping[str, date]
        Last day whose records are kept, by child. Other children's rows, and rows without a date
        in a dated table, are left out.
    """
    limit = {child: np.datetime64(day, "D") for child, day in until.items()}
    tables = {}
    for name, table in caseload.tables.items():
        if "child_id" not in table.columns:
            tables[name] = table
            continue
        dated = next(
            (column for column in ("date", "starts_on", "set_on") if column in table.columns), None
        )
        last = np.array([limit.get(child, np.datetime64("NaT", "D")) for child in table["child_id"]],
                        dtype="datetime64[D]")  # fmt: skip
        keep = ~np.isnat(last) if dated is None else table[dated] <= last
        tables[name] = table.where(keep)
    return replace(caseload, tables=tables)


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
        only_probed = _only_probed(caseload)
        for i in np.flatnonzero(phases["starts_on"] <= cut):
            child, ladder = phases["child_id"][i], phases["ladder_id"][i] or ""
            if (child, ladder) in only_probed:
                continue
            covered.add((child, ladder))
            day = phases["starts_on"][i].item()
            starts.setdefault(child, []).append((day, ladder, phases["phase"][i], "phases"))
    first = ratings.groupby(["child_id", "ladder_id", "phase"], as_index=False)["day"].min()
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


def _unknown(caseload: Caseload, every: tuple[Course, ...]) -> tuple[str, ...]:
    sentences = []
    if "children" not in caseload.tables:
        sentences.append(
            "There is no children table, so when programs began and ended, and why children left, is not "
            "known; a program counts as open from its first planned rating to its last, and at least "
            "until its outcome is due."
        )
    read_off = sum(course.exposure_by == "ratings" for course in every)
    if read_off:
        sentences.append(
            f"For {read_off} of {len(every)} children no phase table says when exposure began; it is taken "
            "to begin with the first rating in exposure, so it may have begun earlier."
        )
    undated = [course for course in every if course.n_undated]
    if undated:
        sentences.append(
            f"{sum(course.n_undated for course in undated)} planned ratings of {len(undated)} children "
            "have no date and cannot be placed in a quarter; they are not used."
        )
    return tuple(sentences)
