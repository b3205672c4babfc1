"""Fear coming down within an occasion, and from one occasion to the next."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rungwise.ladders.trials import trials_of
from rungwise.tables.table import TableSet

if TYPE_CHECKING:
    import pandas as pd

WITHIN = (
    "The peak is the highest rating of a trial by definition, so fear cannot rise from peak to end; only "
    "the size of the fall says something, and a low peak leaves no room for one."
)
BETWEEN = (
    "Children leave a step because ratings there were low, so falls from one occasion to the next are seen "
    "more often than they happen; this is a description and is never tested."
)


def habituation_within(tables: TableSet, *, child_id: str | None = None) -> pd.DataFrame:
    """Give the fall from peak to end of every occasion, averaged over its trials.

    Parameters
    ----------
    tables : TableSet
        With ``observations``.
    child_id : str, optional
        Only this child.

    Returns
    -------
    DataFrame
        One row per child, ladder, day and kind of trial: ``child_id, ladder_id, date, kind, phase,
        trials, mean_peak, mean_end, mean_fall``, of the trials with both ratings. `WITHIN` must
        stand beside it. Empty where trials were not recorded.
    """
    import pandas as pd

    columns = ["child_id", "ladder_id", "date", "kind", "phase"]
    trials = trials_of(tables, child_id=child_id)
    both = None if trials is None else trials.where(~np.isnan(trials.peak) & ~np.isnan(trials.end))
    if both is None or not len(both):
        return pd.DataFrame(columns=[*columns, "trials", "mean_peak", "mean_end", "mean_fall"])
    frame = pd.DataFrame(
        {
            "child_id": both.child_id,
            "ladder_id": both.ladder_id,
            "date": both.day,
            "kind": both.kind,
            "phase": both.phase,
            "peak": both.peak,
            "end": both.end,
        }
    )
    occasions = frame.groupby(columns, sort=True, dropna=False)
    result = occasions.agg(trials=("peak", "size"), mean_peak=("peak", "mean"), mean_end=("end", "mean"))
    return result.assign(mean_fall=result["mean_peak"] - result["mean_end"]).reset_index()


def habituation_between(tables: TableSet, *, child_id: str | None = None) -> pd.DataFrame:
    """Give the change of the first peak at a step from one occasion of that step to the next.

    Only the first trial of a day is compared, so that what happened within the day does not enter.

    Parameters
    ----------
    tables : TableSet
        With ``observations``.
    child_id : str, optional
        Only this child.

    Returns
    -------
    DataFrame
        One row per child, ladder and step practiced on at least two days: ``child_id, ladder_id,
        step, occasions, declined_first, first_peak, last_peak, mean_change`` (of consecutive rated
        occasions; negative is a fall). `BETWEEN` must stand beside it.
    """
    import pandas as pd

    columns = [
        "child_id", "ladder_id", "step", "occasions", "declined_first", "first_peak", "last_peak",
        "mean_change",
    ]  # fmt: skip
    trials = trials_of(tables, child_id=child_id)
    if trials is None:
        return pd.DataFrame(columns=columns)
    trials = trials.where(trials.kind == "practice")
    steps = trials.by_step()
    occasions = steps.count(steps.new_day)
    opening = trials.where(steps.order[steps.new_day])
    rows = []
    for end, n in zip(np.cumsum(occasions).tolist(), occasions.tolist(), strict=True):
        if n < 2:
            continue
        here = slice(end - n, end)
        named = opening.child_id[end - 1], opening.ladder_id[end - 1], int(opening.step[end - 1])
        declined = int(np.count_nonzero(opening.outcome[here] == "declined"))
        rows.append((*named, n, declined, *_course(opening.peak[here])))
    return pd.DataFrame(rows, columns=columns)


def _course(peaks: np.ndarray) -> tuple[float, float, float]:
    """Give the first and last rating and the mean change from one to the next."""
    peaks = peaks[~np.isnan(peaks)]
    nan = float("nan")
    if not len(peaks):
        return nan, nan, nan
    change = float(np.diff(peaks).mean()) if len(peaks) > 1 else nan
    return float(peaks[0]), float(peaks[-1]), change
