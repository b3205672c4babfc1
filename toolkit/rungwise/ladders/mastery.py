"""How long steps take until they are mastered, where children stall, and what is lost again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.basis.intervals import share_interval_batch
from rungwise.ladders.survival import Curve, cumulative_incidence
from rungwise.ladders.trials import Trials, higher_one_later, trials_of
from rungwise.tables.groups import grouped
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
        """Give the episodes of a mask or of places."""
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
    begin = days.begin
    end = np.append(begin, len(days))[1:]
    child, first_on, last_on = days.child_id[begin], days.day[begin], days.day[end - 1]
    mastered_at = days.run_reached(days.met, criterion.occasions_in_a_row)
    mastered = mastered_at < len(days)
    later = np.arange(len(days)) > mastered_at[days.episode]
    missed = days.run_reached(later & ~days.met & ~days.unrated, criterion.occasions_in_a_row)
    lost_at = np.minimum(missed, days.run_reached(later & days.declined, 1))
    passed_over = ~mastered & higher_one_later(days.ladder[begin], last_on.astype(np.int64))
    left_on = _left_because_of_fear(tables, child)
    left = ~mastered & ~passed_over & ~np.isnat(left_on)
    # NaT stands behind the last day, for what never came.
    day = np.append(days.day, np.datetime64("NaT"))
    until = np.select(
        [mastered, passed_over, left],
        [day[mastered_at], last_on, np.fmax(left_on, last_on)],
        _last_trial(trials, child),
    )
    result = np.full(len(begin), None, dtype=object)
    result[mastered], result[left] = MASTERED, LEFT
    ladder = days.ladder_id[begin]
    episodes = Episodes(
        child_id=child,
        ladder_id=ladder,
        step=days.step[begin],
        first_on=first_on,
        last_on=last_on,
        occasions=np.where(mastered, mastered_at + 1, end) - begin,
        days=(until - first_on).astype(float),
        result=result,
        passed_over=passed_over,
        lost_on=day[lost_at],
        unrated=np.add.reduceat(days.unrated, begin, dtype=np.int64),
        practiced=np.logical_or.reduceat(days.practiced, begin),
        criterion=criterion,
    )
    # The ladders of a child stand in the order in which the whole records come to them.
    return episodes.where(np.argsort(grouped([child, ladder]), kind="stable"))


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
        Numbers child, ladder and step together, from 0 on.
    ladder : ndarray of int
        Numbers child and ladder together, in order.
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
    ladder: np.ndarray
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

    @property
    def begin(self) -> np.ndarray:
        """Where each episode begins."""
        return np.flatnonzero(np.diff(self.episode, prepend=-1))

    def run_reached(self, mask: np.ndarray, in_a_row: int) -> np.ndarray:
        """Give the place at which each episode first has so many in a row; the length of all if never."""
        places, begin = np.arange(len(self)), self.begin
        broken = np.maximum.accumulate(np.where(mask, -1, places))
        run = places - np.maximum(broken, begin[self.episode] - 1)
        return np.minimum.reduceat(np.where(run == in_a_row, places, len(self)), begin)


def step_days(trials: Trials, rating: np.ndarray, at_most: float) -> StepDays:
    """Put the trials of a step on a day together, and say whether the day met the criterion."""
    steps = trials.by_step()
    order, first = steps.order, steps.order[steps.new_day]
    group = np.cumsum(steps.new_day) - 1
    completed, rated = trials.outcome[order] == "completed", ~np.isnan(rating[order])
    low = rated & (np.where(rated, rating[order], np.inf) <= at_most)
    size = np.bincount(group) if len(group) else np.zeros(0, dtype=int)

    def count(mask: np.ndarray) -> np.ndarray:
        return np.bincount(group[mask], minlength=len(first))

    days = steps.count(steps.new_day)
    return StepDays(
        episode=np.repeat(np.arange(len(steps)), days),
        ladder=np.repeat(steps.ladder, days),
        child_id=trials.child_id[first],
        ladder_id=trials.ladder_id[first],
        step=trials.step[first],
        day=trials.day[first],
        met=count(completed & low) == size,
        declined=count(trials.declined[order]) > 0,
        unrated=(count(completed) == size) & (count(~rated) > 0),
        practiced=count(trials.kind[order] == "practice") > 0,
    )


def _last_trial(trials: Trials, child_id: np.ndarray) -> np.ndarray:
    """Give the day of the last trial of each child asked about."""
    begins = trials.begins("child_id")
    last = np.maximum.reduceat(trials.day, begins)
    by_child = dict(zip(trials.child_id[begins].tolist(), last.tolist(), strict=True))
    return np.array([by_child[child] for child in child_id.tolist()], dtype="datetime64[D]")


def _left_because_of_fear(tables: TableSet, child_id: np.ndarray) -> np.ndarray:
    """Give the day on which each child asked about left because of fear, NaT where it did not."""
    on: dict[str, Any] = {}
    if "children" in tables.tables:
        children = tables.tables["children"]
        gone = children["end_reason"] == "fear"
        on = dict(
            zip(children["child_id"][gone].tolist(), children["ended_on"][gone].tolist(), strict=True)
        )
    return np.array([on.get(child) for child in child_id.tolist()], dtype="datetime64[D]")
