"""Several statistics of many series in one tidy table."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import TYPE_CHECKING

from rungwise.basis.errors import check_choice
from rungwise.basis.estimate import Estimates
from rungwise.series.batch import SeriesBatch
from rungwise.series.caseload import Caseload
from rungwise.single_case.autocorrelation import autocorrelation_batch
from rungwise.single_case.corrected_tau import baseline_corrected_tau_batch
from rungwise.single_case.decision_rules import deviation_band_batch, dual_criterion_batch
from rungwise.single_case.level import level_and_slope_change_batch, mean_difference_ar1_batch
from rungwise.single_case.magnitude import (
    log_response_ratio_batch,
    mean_baseline_change_batch,
    standardized_mean_difference_batch,
)
from rungwise.single_case.nap import nap_batch
from rungwise.single_case.overlap import ird_batch, pand_batch, pem_batch, pnd_batch
from rungwise.single_case.split_middle import split_middle_batch
from rungwise.single_case.tau import tau_batch
from rungwise.single_case.tau_u import tau_u_batch
from rungwise.single_case.theil_sen import theil_sen_batch
from rungwise.single_case.trend import mann_kendall_batch

if TYPE_CHECKING:
    import pandas as pd

Batched = Callable[[SeriesBatch], Estimates]


def _beyond(batch: SeriesBatch) -> Estimates:
    return level_and_slope_change_batch(batch).on_average


# Every statistic that is one number per series, under the name `effects` takes.
CATALOG: Mapping[str, Batched] = {
    "tau": tau_batch,
    "nap": nap_batch,
    "pnd": pnd_batch,
    "pem": pem_batch,
    "pand": pand_batch,
    "ird": ird_batch,
    "tau_u_baseline": partial(tau_u_batch, trend="baseline"),
    "tau_u_exposure": partial(tau_u_batch, trend="exposure"),
    "tau_u_both": partial(tau_u_batch, trend="both"),
    "baseline_corrected_tau": baseline_corrected_tau_batch,
    "baseline_trend": partial(mann_kendall_batch, phase="baseline"),
    "exposure_trend": partial(mann_kendall_batch, phase="exposure"),
    "baseline_slope": partial(theil_sen_batch, phase="baseline"),
    "exposure_slope": partial(theil_sen_batch, phase="exposure"),
    "autocorrelation": autocorrelation_batch,
    "change_beyond_baseline": _beyond,
    "mean_difference": mean_difference_ar1_batch,
    "mean_baseline_change": mean_baseline_change_batch,
    "standardized_mean_difference": standardized_mean_difference_batch,
    "log_response_ratio": log_response_ratio_batch,
    "split_middle": split_middle_batch,
    "dual_criterion": dual_criterion_batch,
    "deviation_band": deviation_band_batch,
}
USUAL = ("tau", "nap", "baseline_trend", "change_beyond_baseline")


def effects(source: Caseload | SeriesBatch, statistics: Iterable[str] | None = None) -> pd.DataFrame:
    """Compute statistics of every series, one row per series and statistic.

    Fix beforehand which statistic answers the question; a table of many invites choosing the one that
    pleases.

    Parameters
    ----------
    source : Caseload or SeriesBatch
    statistics : iterable of str, optional
        Names in `CATALOG`; default Tau, NAP, the baseline trend and the change beyond the baseline.

    Returns
    -------
    DataFrame
        Columns ``series``, ``child_id`` and ``ladder_id`` (from a caseload), ``requested``, then the
        fields of `Estimate.as_row`, series by series.

    Raises
    ------
    ValueError
        For a statistic that is not in the catalog, naming those that are.

    Examples
    --------
    >>> from rungwise.series.phase_series import PhaseSeries
    >>> batch = SeriesBatch.of(PhaseSeries.from_phases([7, 8, 7], [6, 5, 3, 2], label="C1"))
    >>> effects(batch, ["tau", "pnd"])[["series", "requested", "value"]].to_dict("list")
    {'series': ['C1', 'C1'], 'requested': ['tau', 'pnd'], 'value': [1.0, 100.0]}
    """
    import pandas as pd

    names = list(USUAL if statistics is None else statistics)
    for name in names:
        check_choice("statistics", name, CATALOG)
    keys: list[dict[str, str]]
    if isinstance(source, SeriesBatch):
        batch = source
        keys = [
            {"series": batch.labels[row] if batch.labels else str(row + 1)} for row in range(len(batch))
        ]
    else:
        batch = source.batch()
        keys = [
            {"series": label, "child_id": child, "ladder_id": ladder}
            for label, (child, ladder) in zip(
                batch.labels,
                [(child, ladder) for child in source.children for ladder in source.ladders(child)],
                strict=True,
            )
        ]
    columns = {name: CATALOG[name](batch) for name in names}
    rows = [
        {**key, "requested": name, **columns[name][row].as_row()}
        for row, key in enumerate(keys)
        for name in names
    ]
    return pd.DataFrame(rows)
