"""Ratings of practice trials, step by step: described with their bias, never tested."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rungwise.ladders.trials import Trials, trials_of
from rungwise.tables.practice import Mastery
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
    rows = []
    if trials is not None:
        before = tables.practice.primary_rating == "before"
        for child, ladder, part in trials.where(trials.kind == "practice").by_ladder():
            rows += [
                (child, ladder, int(step), *_of_step(part, step, tables.practice.mastery, before))
                for step in np.unique(part.step)
            ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _of_step(part: Trials, step: float, criterion: Mastery, before: bool) -> tuple[float, ...]:
    places = np.flatnonzero(part.step == step)
    here = part.where(places)
    rating = here.before if before else here.peak
    rated = ~np.isnan(rating) & ~here.declined
    run = run_that_led_upward(part, step, at_most=criterion.rating_at_most, before=before)
    early, late = _halves(rating[rated])
    kept = rating[rated][: int(rated.sum()) - run]
    early_kept, late_kept = _halves(kept)
    days = len(np.unique(here.day))
    declined = int(here.declined.sum())
    return (
        len(here), days, declined, early, late, late - early, run, early_kept, late_kept,
        late_kept - early_kept,
    )  # fmt: skip


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
    places = np.flatnonzero(part.step == step)
    if not (part.step[places[-1] + 1 :] > step).any():
        return 0
    here = part.where(places)
    rating = here.before if before else here.peak
    rated = ~np.isnan(rating) & ~here.declined
    return _trailing(rated & (here.outcome == "completed") & (np.where(rated, rating, np.inf) <= at_most))


def _trailing(mask: np.ndarray) -> int:
    return len(mask) if mask.all() else int(np.argmin(mask[::-1]))


def _halves(ratings: np.ndarray) -> tuple[float, float]:
    half = len(ratings) // 2
    if half == 0:
        return float("nan"), float("nan")
    return float(ratings[:half].mean()), float(ratings[-half:].mean())
