"""Level-and-slope change by least squares with Newey-West errors, to stand beside the AR(1) model."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.estimate import Estimate, Estimates
from rungwise.basis.null_two_phase import ALTERNATIVES
from rungwise.models.newey_west import fit_newey_west
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.level_model import (
    NAMES,
    Fitted,
    LineModel,
    estimates,
    lines,
    mark,
    with_projection,
)

# Shares measured in benchmarks/level_coverage.py: 8 to 40 occasions, autocorrelation 0 to .6, no trend.
TOO_LIBERAL = (
    "Newey-West errors are far too small in series of a child's length: where nothing happened, this "
    "test finds an improvement in 11 to 25 of 100 simulated children instead of 2.5."
)
GAPS_IGNORED = "The gaps between occasions differ, and Newey-West errors treat them as equal."


@dataclass(frozen=True)
class NeweyWestChange:
    """Level, slope, change at the end and on average, as in `rungwise.single_case.level.LevelAndSlope`."""

    level: Estimate
    slope: Estimate
    at_end: Estimate
    on_average: Estimate


@dataclass(frozen=True, eq=False)
class NeweyWestChangeBatch:
    """`NeweyWestChange` for many series, as columnar `Estimates`."""

    level: Estimates
    slope: Estimates
    at_end: Estimates
    on_average: Estimates

    def __len__(self) -> int:
        return len(self.level)

    def __getitem__(self, i: int) -> NeweyWestChange:
        return NeweyWestChange(self.level[i], self.slope[i], self.at_end[i], self.on_average[i])


def level_and_slope_newey_west(series: PhaseSeries, **options: Any) -> NeweyWestChange:
    """Fit a line to each phase by least squares, errors after Newey and West.

    For comparison with reports that use it. `level_and_slope_change` is the model to rely on: Newey-West
    errors are far too small in series of the usual length.

    Parameters
    ----------
    series : PhaseSeries
    **options
        As in `level_and_slope_newey_west_batch`.

    Examples
    --------
    >>> series = PhaseSeries.from_phases([7, 8, 7, 8, 7], [6, 6, 5, 5, 4, 3, 3, 2, 2, 1], better="lower")
    >>> round(level_and_slope_newey_west(series).at_end.value, 1)
    -6.3
    """
    return level_and_slope_newey_west_batch(SeriesBatch.of(series), **options)[0]


def level_and_slope_newey_west_batch(
    batch: SeriesBatch,
    *,
    lags: int | None = None,
    alternative: str = "two-sided",
    declines: str = "leave_out",
    confidence: float = 0.95,
    intervals: bool = True,
) -> NeweyWestChangeBatch:
    """Fit the level-and-slope model to each series by least squares, errors after Newey and West.

    Parameters
    ----------
    batch : SeriesBatch
    lags : int, optional
        Default the whole part of 4·(n/100)^(2/9).
    alternative, declines, confidence, intervals
        As in `rungwise.single_case.level.level_and_slope_change_batch`.

    Returns
    -------
    NeweyWestChangeBatch
        NaN, with the reason in `cautions`, where the model cannot be fitted.

    Raises
    ------
    ValueError
        For an option not allowed.

    Notes
    -----
    Source: Newey & West (1987), Econometrica 55:703-708; tests use t with n − 4 degrees of freedom.
    """
    check_choice("alternative", alternative, ALTERNATIVES)
    check_between("confidence", confidence, 0, 1)
    model = LineModel.of(batch, declines)
    rated, reasons = model.rated, model.reasons
    lost = reasons != ""
    values = np.where(lost[:, None], np.nan, rated.values)
    fit = fit_newey_west(values, np.broadcast_to(lines(rated), (*values.shape, 4)), lags)
    for sentence in dict.fromkeys(fit.reason.tolist()):
        mark(reasons, fit.reason == sentence, sentence)
    fitted = Fitted(
        batch,
        rated,
        fit,
        reasons,
        declines,
        inference="newey_west",
        alternative=alternative,
        confidence=confidence,
        intervals=intervals,
        method="least squares, Newey-West errors, t with n − 4 degrees of freedom",
        counts={"lags": fit.lags},
    )
    units = batch.unit, f"{batch.unit} per unit of time", batch.unit, batch.unit
    level, slope, at_end, on_average = estimates(NAMES, units, model.contrasts, "level and slope", fitted)
    at_end, on_average = (
        with_projection(change, fit.contrast(model.projected(after)).value, batch)
        for change, after in ((at_end, model.span), (on_average, model.middle))
    )
    gaps = np.diff(rated.times, axis=1)
    with np.errstate(invalid="ignore"):
        uneven = np.nanmax(gaps, axis=1, initial=0) > np.nanmin(gaps, axis=1, initial=np.inf) * (1 + 1e-9)
    told = {
        TOO_LIBERAL: reasons == "",
        GAPS_IGNORED: uneven & (reasons == ""),
    }
    told = {sentence: where for sentence, where in told.items() if where.any()}
    return NeweyWestChangeBatch(
        *(replace(one, cautions={**one.cautions, **told}) for one in (level, slope, at_end, on_average))
    )
