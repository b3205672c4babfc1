"""Ratings of practice trials, step by step: described with their bias, never tested."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rungwise.ladders.exposure_trials import rating_of
from rungwise.ladders.trials import Steps, Trials, higher_one_later, trials_of
from rungwise.tables.table import TableSet

if TYPE_CHECKING:
    import pandas as pd

NEVER_TESTED = (
    "Practice ratings have no p-value here. A child leaves a step because ratings there were low, so with "
    "no change at all late ratings of a step lie below early ones; the columns without the run that led "
    "upward take the plainest part of that away, and not all of it."
)
COLUMNS = (
    "child_id", "ladder_id", "step", "trials", "days", "declined", "early", "late", "change", "run",
    "early_without_run", "late_without_run", "change_without_run",
)  # fmt: skip


def practice_ratings(tables: TableSet, *, child_id: str | None = None) -> pd.DataFrame:
    """Describe practice ratings step by step: early and late, with and without the run that led upward.

    The rated trials of a step are halved in time order (a middle one belongs to neither). The run is
    what made the child step up: the last rated trials at the step, as long as each was completed and
    rated no higher than the practice's criterion, if a higher step was practiced afterwards.

    Parameters
    ----------
    tables : TableSet
        With ``observations``.
    child_id : str, optional
        Only this child.

    Returns
    -------
    DataFrame
        One row per child, ladder and step, with the columns `COLUMNS`; means of the practice's primary
        rating, NaN with fewer than two rated trials. `NEVER_TESTED` must stand beside it. Empty where
        trials were not recorded.
    """
    import pandas as pd

    trials = trials_of(tables, child_id=child_id)
    if trials is None:
        return pd.DataFrame(columns=list(COLUMNS))
    trials = trials.where(trials.kind == "practice")
    steps = trials.by_step()
    rating = rating_of(trials, tables.practice)[steps.order]
    rated = ~np.isnan(rating)
    runs = _runs(trials, steps, rating, tables.practice.mastery.rating_at_most)
    ratings, n_rated = rating[rated], steps.count(rated)
    ends = np.cumsum(n_rated)
    columns = (
        steps.order[steps.begin],
        ends - n_rated,
        ends,
        runs,
        steps.end - steps.begin,
        steps.count(steps.new_day),
        steps.count(trials.declined[steps.order]),
    )
    rows = []
    for place, begin, end, run, *counted in zip(*(column.tolist() for column in columns), strict=True):
        early, late = _halves(ratings[begin:end])
        early_kept, late_kept = _halves(ratings[begin : end - run]) if run else (early, late)
        rows.append(
            (
                trials.child_id[place], trials.ladder_id[place], int(trials.step[place]), *counted,
                early, late, late - early, run, early_kept, late_kept, late_kept - early_kept,
            )
        )  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS))


def run_that_led_upward(part: Trials, step: float, *, at_most: float, before: bool = False) -> int:
    """Count the rated trials at the end of a step that made the child step up; 0 if no higher step came.

    Parameters
    ----------
    part : Trials
        Practice trials of one child on one ladder.
    step : float
        A step among them.
    at_most : float
        The practice's criterion.
    before : bool
        Whether the rating before the trial is the one that counts.
    """
    steps = part.by_step()
    rating = (part.before if before else part.peak)[steps.order]
    here = part.step[steps.order[steps.begin]] == step
    return int(_runs(part, steps, rating, at_most)[here][0])


def _runs(trials: Trials, steps: Steps, rating: np.ndarray, at_most: float) -> np.ndarray:
    """Count the rated trials at the end of each step that made the child step up.

    The ratings are given in the order of `steps`.
    """
    # Comparing a missing rating is False, and a decline is no completed trial.
    met = (trials.outcome[steps.order] == "completed") & (rating <= at_most)
    places = np.arange(len(met))
    not_met = np.maximum.accumulate(np.where(met, -1, places))
    run = steps.end - 1 - np.maximum(not_met[steps.end - 1], steps.begin - 1)
    return np.where(higher_one_later(steps.ladder, steps.order[steps.end - 1]), run, 0)


def _halves(ratings: np.ndarray) -> tuple[float, float]:
    half = len(ratings) // 2
    if half == 0:
        return float("nan"), float("nan")
    # As `mean` does it, without its checks: there are two to four of them for every step of every child.
    return float(np.add.reduce(ratings[:half]) / half), float(np.add.reduce(ratings[-half:]) / half)
