"""How far up the ladder a child goes before declining."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rungwise.basis.estimate import Estimate, Estimates
from rungwise.basis.intervals import share_interval_batch
from rungwise.ladders.trials import Trials, trials_of
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.tau import tau_batch
from rungwise.tables.table import TableSet

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, eq=False)
class Approach:
    """Approach scores of one child on one ladder.

    Attributes
    ----------
    child_id, ladder_id : str
    series : PhaseSeries
        Highest step completed on each approach occasion, 0 if the first step was declined; higher is
        better, times in days since the first.
    days : ndarray of datetime64[D]
        Of the occasions in the series.
    cut_short : ndarray of bool
        Occasions that ended with neither a decline nor the last step: the child might have gone on.
    cautions : tuple of str
    """

    child_id: str
    ladder_id: str
    series: PhaseSeries
    days: np.ndarray
    cut_short: np.ndarray
    cautions: tuple[str, ...]


def approach_scores(tables: TableSet, *, child_id: str | None = None) -> tuple[Approach, ...]:
    """Give the approach score of every approach occasion, child by child and ladder by ladder.

    On an approach occasion steps are offered upward from step 1 until the child declines; the score
    is the highest step completed. It does not depend on what was practiced, but the occasion is an
    exposure itself, and a child in a hurry to be done declines early.

    Parameters
    ----------
    tables : TableSet
        With ``observations`` and ``phases``; ``ladders`` says how many steps there are.
    child_id : str, optional
        Only this child.

    Returns
    -------
    tuple of Approach
        Occasions whose phase is not known are left out, and a caution counts them. Empty where no
        approach occasion was recorded.
    """
    trials = trials_of(tables, child_id=child_id)
    if trials is None:
        return ()
    trials = trials.where(trials.kind == "approach")
    tops = _tops(tables)
    return tuple(
        _scores(child, ladder, part, tops.get(ladder)) for child, ladder, part in trials.by_ladder()
    )


def approach_tau_batch(approaches: tuple[Approach, ...]) -> Estimates:
    """Give Tau of approach scores between baseline and exposure, exact, for many children.

    Examples
    --------
    >>> series = PhaseSeries.from_phases([1, 2, 1], [3, 4, 4, 5], better="higher")
    >>> one = Approach("C1", "gangway", series, np.arange(7), np.zeros(7, bool), ())
    >>> print(approach_tau_batch((one,))[0].value)
    1.0
    """
    return tau_batch(SeriesBatch.of(*(one.series for one in approaches)))


def approach_tau(approach: Approach) -> Estimate:
    """Give Tau of one child's approach scores between baseline and exposure, exact."""
    return approach_tau_batch((approach,))[0]


def declines_by_step(tables: TableSet, *, child_id: str | None = None) -> pd.DataFrame:
    """Count trials and declines of every step, by kind of trial.

    Returns
    -------
    DataFrame
        ``ladder_id, step, kind, trials, declined, share_declined, ci_low, ci_high``. The limits take
        trials as independent, which those of one child are not, and are therefore too narrow. Empty
        where trials were not recorded.
    """
    import pandas as pd

    trials = trials_of(tables, child_id=child_id)
    columns = ["ladder_id", "step", "kind", "trials", "declined"]
    if trials is None or not len(trials):
        return pd.DataFrame(columns=[*columns, "share_declined", "ci_low", "ci_high"])
    frame = pd.DataFrame(
        {
            "ladder_id": trials.ladder_id,
            "step": trials.step.astype(int),
            "kind": trials.kind,
            "declined": trials.declined,
        }
    )
    counted = frame.groupby(["ladder_id", "step", "kind"], sort=True)["declined"].agg(["size", "sum"])
    counted = counted.reset_index().rename(columns={"size": "trials", "sum": "declined"})
    shares = share_interval_batch(counted["declined"].to_numpy(), counted["trials"].to_numpy())
    return counted.assign(share_declined=shares.value, ci_low=shares.ci_low, ci_high=shares.ci_high)


def _tops(tables: TableSet) -> dict[str, float]:
    if "ladders" not in tables.tables:
        return {}
    ladders = tables.tables["ladders"]
    tops: dict[str, float] = {}
    for ladder, step in zip(ladders["ladder_id"].tolist(), ladders["step"].tolist(), strict=True):
        tops[ladder] = max(step, tops.get(ladder, 0.0))
    return tops


def _scores(child: str, ladder: str, trials: Trials, top: float | None) -> Approach:
    first = trials.begins("day")
    days = trials.day[first]
    score = np.maximum.reduceat(np.where(trials.outcome == "completed", trials.step, 0.0), first)
    lowest = np.minimum.reduceat(trials.step, first)
    declined = np.logical_or.reduceat(trials.declined, first)
    cut_short = ~declined & (np.ones(len(days), dtype=bool) if top is None else score < top)
    phase = trials.phase[first]
    known = np.array([one is not None for one in phase], dtype=bool)
    cautions = []
    if (~known).any():
        cautions.append(f"Occasions left out because their phase is not recorded: {(~known).sum()}.")
    days, score, lowest, cut_short, phase = (
        column[known] for column in (days, score, lowest, cut_short, phase)
    )
    if (lowest > 1).any():
        cautions.append(
            f"Occasions that began above step 1, so that the steps below are taken as done: "
            f"{(lowest > 1).sum()}."
        )
    if cut_short.any():
        cautions.append(
            f"Occasions that ended without a decline below the last step, so that the score is a lower "
            f"bound: {cut_short.sum()}."
        )
    if top is None:
        cautions.append("How many steps the ladder has is not recorded.")
    times = (days - days[0]).astype(float) if len(days) else np.zeros(0)
    series = PhaseSeries(
        score, phase, times, better="higher", label=f"{child} {ladder}, approach", floor=0.0,
        ceiling=top, unit="steps",
    )  # fmt: skip
    return Approach(child, ladder, series, days, cut_short, tuple(cautions))
