"""How long steps take until they are mastered, where children stall, and what is lost again."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.basis.intervals import share_interval_batch
from rungwise.ladders.survival import Curve, cumulative_incidence
from rungwise.ladders.trials import Trials, trials_of
from rungwise.tables.practice import Mastery
from rungwise.tables.table import TableSet

if TYPE_CHECKING:
    import pandas as pd

MASTERED, LEFT = "mastered", "left because of fear"
SCALES = ("occasions", "days")
CLUSTERED = "Steps of one child are not independent; the limits allow for it."


@dataclass(frozen=True, eq=False)
class Episodes:
    """One entry per child and step that was ever offered after baseline: what became of it.

    Attributes
    ----------
    child_id, ladder_id : ndarray of object
    step : ndarray of float
    first_on, last_on : ndarray of datetime64[D]
        First and last day on which the step was offered.
    occasions : ndarray of int
        Days on which it was offered, up to and including mastery.
    days : ndarray of float
        From the first offer to mastery, to leaving, or to the last day under observation.
    result : ndarray of object
        ``"mastered"``, ``"left because of fear"`` or None: not there yet.
    passed_over : ndarray of bool
        Not mastered, and a higher step was offered after this one's last day.
    lost_on : ndarray of datetime64[D]
        After mastery, the day on which the step was declined, or rated above the criterion as
        often in a row as mastering takes; NaT if never.
    unrated : ndarray of int
        Completed occasions without a rating, which cannot count toward mastery.
    practiced : ndarray of bool
        Offered in practice, and not only on probe or approach occasions.
    criterion : Mastery
    """

    child_id: np.ndarray
    ladder_id: np.ndarray
    step: np.ndarray
    first_on: np.ndarray
    last_on: np.ndarray
    occasions: np.ndarray
    days: np.ndarray
    result: np.ndarray
    passed_over: np.ndarray
    lost_on: np.ndarray
    unrated: np.ndarray
    practiced: np.ndarray
    criterion: Mastery

    def __len__(self) -> int:
        return len(self.child_id)

    def where(self, mask: np.ndarray) -> Episodes:
        """Give the episodes of a mask."""
        return Episodes(**{name: getattr(self, name)[mask] for name in _DTYPES}, criterion=self.criterion)

    def frame(self) -> pd.DataFrame:
        """Give one row per child and step."""
        import pandas as pd

        frame = pd.DataFrame({name: getattr(self, name) for name in _DTYPES})
        return frame.assign(result=[one or "not there yet" for one in self.result])


_DTYPES: dict[str, str] = {
    "child_id": "O", "ladder_id": "O", "step": "f8", "first_on": "M8[D]", "last_on": "M8[D]",
    "occasions": "i8", "days": "f8", "result": "O", "passed_over": "?", "lost_on": "M8[D]",
    "unrated": "i8", "practiced": "?",
}  # fmt: skip


def mastery_episodes(tables: TableSet, *, child_id: str | None = None) -> Episodes | None:
    """Find, for every child and step offered after baseline, whether and when the step was mastered.

    A day counts toward mastery when every trial of the step on it was completed and none was rated
    above the criterion; so many such days in a row are mastery. The criterion is the practice's own
    and common practice, no source; it is what children step up by, so mastered is a word about the
    program, not about the fear of the step next month.

    Trials of baseline do not count: a step is to be mastered in the program, and time in baseline is no
    time spent at it. Where phases were not recorded every trial counts.

    A child who left because of fear will not master the step: that is its own result. All others
    without mastery are not there yet, and are followed until their last recorded trial, or, where a
    step was passed over, until it was last offered.

    Parameters
    ----------
    tables : TableSet
        With ``observations``; ``children`` says who left because of fear.
    child_id : str, optional
        Only this child.

    Returns
    -------
    Episodes or None
        None where trials were not recorded.
    """
    trials = trials_of(tables, child_id=child_id)
    if trials is None:
        return None
    trials = trials.where(trials.phase != "baseline")
    criterion = tables.practice.mastery
    rating = trials.before if tables.practice.primary_rating == "before" else trials.peak
    days = step_days(trials, rating, criterion.rating_at_most)
    last_trial = _last_by_child(trials)
    left = _left_because_of_fear(tables)
    highest = _highest_after(days)
    bounds = np.flatnonzero(np.diff(days.episode, prepend=-1, append=len(days))).tolist()
    rows = [
        _episode(days, slice(begin, end), criterion.occasions_in_a_row, last_trial, left, highest)
        for begin, end in pairwise(bounds)
    ]
    columns = {
        name: np.array([row[place] for row in rows], dtype=dtype)
        for place, (name, dtype) in enumerate(_DTYPES.items())
    }
    return Episodes(**columns, criterion=criterion)


def mastery_curves(
    episodes: Episodes, *, scale: str = "occasions", confidence: float = 0.95
) -> dict[str, Curve]:
    """Give the share of steps mastered, and left because of fear, over occasions or days.

    Parameters
    ----------
    episodes : Episodes
        Of all steps, or of the steps of interest (`Episodes.where`).
    scale : {"occasions", "days"}
        Occasions count what the child did; days also count holidays and waiting.
    confidence : float
        Of the limits, which are clustered by child.

    Returns
    -------
    dict of Curve
        By ``"mastered"`` and ``"left because of fear"``; what is left to 1 is not there yet.

    Raises
    ------
    ValueError
        If `scale` is neither.
    """
    check_choice("scale", scale, SCALES)
    return cumulative_incidence(
        getattr(episodes, scale),
        episodes.result.tolist(),
        [MASTERED, LEFT],
        cluster=episodes.child_id,
        confidence=confidence,
    )


def steps_where_children_stall(episodes: Episodes) -> pd.DataFrame:
    """Count, for every step of every ladder, how many children mastered it and how long it took.

    A step that few master, or that takes far more occasions than its neighbors, may be too big a rise
    or stand in the wrong place. Few children make the share of a step uncertain, as its limits show.

    Returns
    -------
    DataFrame
        ``ladder_id, step, children, mastered, share_mastered, ci_low, ci_high, median_occasions,
        not_there_yet, left_because_of_fear, passed_over, lost_again, longest_without`` (most
        occasions of a child not there yet).
    """
    import pandas as pd

    rows = []
    for ladder in sorted(set(episodes.ladder_id.tolist())):
        for step in np.unique(episodes.step[episodes.ladder_id == ladder]):
            here = episodes.where((episodes.ladder_id == ladder) & (episodes.step == step))
            mastered, open_ = here.result == MASTERED, here.result == None  # noqa: E711
            curves = mastery_curves(here)
            rows.append(
                {
                    "ladder_id": ladder,
                    "step": int(step),
                    "children": len(here),
                    "mastered": int(mastered.sum()),
                    "median_occasions": curves[MASTERED].median,
                    "not_there_yet": int((open_ & ~here.passed_over).sum()),
                    "left_because_of_fear": int((here.result == LEFT).sum()),
                    "passed_over": int(here.passed_over.sum()),
                    "lost_again": int((~np.isnat(here.lost_on)).sum()),
                    "longest_without": int(here.occasions[open_].max(initial=0)),
                }
            )
    frame = pd.DataFrame(rows)
    if len(frame):
        shares = share_interval_batch(frame["mastered"].to_numpy(), frame["children"].to_numpy())
        frame.insert(4, "share_mastered", shares.value)
        frame.insert(5, "ci_low", shares.ci_low)
        frame.insert(6, "ci_high", shares.ci_high)
    return frame


@dataclass(frozen=True, eq=False)
class StepDays:
    """One entry per child, ladder, step and day, in that order.

    Attributes
    ----------
    episode : ndarray of int
        Numbers child, ladder and step together.
    child_id, ladder_id, step, day : ndarray
    met : ndarray of bool
        Every trial was completed and rated no higher than the criterion.
    declined : ndarray of bool
        Some trial was declined.
    unrated : ndarray of bool
        Every trial was completed, and some has no rating.
    practiced : ndarray of bool
        Some trial was practice.
    """

    episode: np.ndarray
    child_id: np.ndarray
    ladder_id: np.ndarray
    step: np.ndarray
    day: np.ndarray
    met: np.ndarray
    declined: np.ndarray
    unrated: np.ndarray
    practiced: np.ndarray

    def __len__(self) -> int:
        return len(self.episode)


def step_days(trials: Trials, rating: np.ndarray, at_most: float) -> StepDays:
    """Put the trials of a step on a day together, and say whether the day met the criterion."""
    pair = trials.groups("child_id", "ladder_id")
    order = np.lexsort((trials.day, trials.step, pair))
    pair, step, day = pair[order], trials.step[order], trials.day[order]
    new = np.ones(len(order), dtype=bool)
    new[1:] = (np.diff(pair) > 0) | (np.diff(step) != 0) | (np.diff(day).astype(int) > 0)
    first = np.flatnonzero(new)
    group = np.cumsum(new) - 1
    completed, rated = trials.outcome[order] == "completed", ~np.isnan(rating[order])
    low = rated & (np.where(rated, rating[order], np.inf) <= at_most)
    size = np.bincount(group) if len(group) else np.zeros(0, dtype=int)

    def count(mask: np.ndarray) -> np.ndarray:
        return np.bincount(group[mask], minlength=len(first))

    episode = np.zeros(len(first), dtype=np.int64)
    episode[1:] = np.cumsum((np.diff(pair[first]) > 0) | (np.diff(step[first]) != 0))
    return StepDays(
        episode=episode,
        child_id=trials.child_id[order][first],
        ladder_id=trials.ladder_id[order][first],
        step=step[first],
        day=day[first],
        met=count(completed & low) == size,
        declined=count(trials.declined[order]) > 0,
        unrated=(count(completed) == size) & (count(~rated) > 0),
        practiced=count(trials.kind[order] == "practice") > 0,
    )


def _episode(
    days: StepDays,
    rows: slice,
    in_a_row: int,
    last_trial: dict[str, np.datetime64],
    left: dict[str, np.datetime64],
    highest: dict[tuple[str, str], tuple[np.ndarray, np.ndarray]],
) -> tuple[Any, ...]:
    child, ladder, step = days.child_id[rows][0], days.ladder_id[rows][0], days.step[rows][0]
    day, met = days.day[rows], days.met[rows]
    mastered_at = _run_reached(met, in_a_row)
    lost_on = np.datetime64("NaT")
    passed_over = False
    result: str | None
    if mastered_at is not None:
        result, end, occasions = MASTERED, day[mastered_at], mastered_at + 1
        later = slice(mastered_at + 1, None)
        missed = ~met[later] & ~days.unrated[rows][later]
        lost_at = [_run_reached(missed, in_a_row), _run_reached(days.declined[rows][later], 1)]
        if any(place is not None for place in lost_at):
            lost_on = day[later][min(place for place in lost_at if place is not None)]
    else:
        occasions = len(day)
        when, which = highest[child, ladder]
        passed_over = bool((which[when > day[-1]] > step).any())
        result, end = None, day[-1] if passed_over else last_trial[child]
        if child in left and not passed_over:
            result, end = LEFT, max(left[child], day[-1])
    length = float((end - day[0]).astype(int))
    unrated, practiced = int(days.unrated[rows].sum()), bool(days.practiced[rows].any())
    return (
        child, ladder, step, day[0], day[-1], occasions, length, result, passed_over, lost_on, unrated,
        practiced,
    )  # fmt: skip


def _run_reached(met: np.ndarray, in_a_row: int) -> int | None:
    """Give the place at which so many in a row are first met."""
    run = 0
    for place, one in enumerate(met.tolist()):
        run = run + 1 if one else 0
        if run == in_a_row:
            return place
    return None


def _last_by_child(trials: Trials) -> dict[str, np.datetime64]:
    last: dict[str, np.datetime64] = {}
    for child, day in zip(trials.child_id.tolist(), trials.day, strict=True):
        if child not in last or day > last[child]:
            last[child] = day
    return last


def _left_because_of_fear(tables: TableSet) -> dict[str, np.datetime64]:
    if "children" not in tables.tables:
        return {}
    children = tables.tables["children"]
    gone = (children["end_reason"] == "fear") & ~np.isnat(children["ended_on"])
    return dict(zip(children["child_id"][gone].tolist(), children["ended_on"][gone], strict=True))


def _highest_after(days: StepDays) -> dict[tuple[str, str], tuple[np.ndarray, np.ndarray]]:
    """Give days and steps of each child's ladder, for asking whether a higher step came later."""
    found: dict[tuple[str, str], list[int]] = {}
    for i, key in enumerate(zip(days.child_id.tolist(), days.ladder_id.tolist(), strict=True)):
        found.setdefault(key, []).append(i)
    return {key: (days.day[places], days.step[places]) for key, places in found.items()}
