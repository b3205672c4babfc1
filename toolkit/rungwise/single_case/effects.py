"""Several statistics of many series in one tidy table."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.basis.estimate import ROW_FIELDS, Estimates
from rungwise.series.batch import SeriesBatch
from rungwise.series.blocks import block_bits
from rungwise.series.caseload import Caseload
from rungwise.series.registry import Registry, SeriesKeys, in_company, of_any_size
from rungwise.single_case.autocorrelation import autocorrelation_batch
from rungwise.single_case.corrected_tau import baseline_corrected_tau_batch
from rungwise.single_case.decision_rules import deviation_band_batch, dual_criterion_batch
from rungwise.single_case.level import level_and_slope_change_batch, mean_difference_ar1_batch
from rungwise.single_case.magnitude import log_response_ratio_batch, mean_baseline_change_batch
from rungwise.single_case.nap import nap_batch
from rungwise.single_case.overlap import ird_batch, pand_batch, pem_batch, pnd_batch
from rungwise.single_case.split_middle import split_middle_batch
from rungwise.single_case.standardized_difference import standardized_mean_difference_batch
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


# Statistics whose last digits depend on what is worked out beside them, so that their company is fixed.
IN_COMPANY = frozenset(
    ("change_beyond_baseline", "mean_difference", "mean_baseline_change", "standardized_mean_difference",
     "log_response_ratio")
)  # fmt: skip


def effects(
    source: Caseload | SeriesBatch | Registry | str | Path, statistics: Iterable[str] | None = None
) -> pd.DataFrame:
    """Compute statistics of every series, one row per series and statistic.

    Fix beforehand which statistic answers the question; a table of many invites choosing the one that
    pleases.

    Parameters
    ----------
    source : Caseload, SeriesBatch, Registry or path
        A path is read into memory, or opened as a registry where that would be too much for it.
    statistics : iterable of str, optional
        Names in `CATALOG`; default Tau, NAP, the baseline trend and the change beyond the baseline.

    Returns
    -------
    DataFrame
        Columns ``series``, ``child_id`` and ``ladder_id`` (from a caseload or registry), ``requested``,
        then the fields of `Estimate.as_row`, series by series. Of a registry the frame may be larger
        than memory: `effect_files` gives it in parts.

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
    names = _checked(statistics)
    given: Caseload | SeriesBatch | Registry = of_any_size(source)
    if isinstance(given, Registry):
        return _read_in_order(effect_files(given, names), len(names))
    if isinstance(given, SeriesBatch):
        labels = given.labels or [str(row + 1) for row in range(len(given))]
        return _frame({"series": labels}, _columns(given, names, labels, 0), names)
    batch = given.batch()
    pairs = [(child, ladder) for child in given.children for ladder in given.ladders(child)]
    keys = SeriesKeys([child for child, _ in pairs], [ladder for _, ladder in pairs])
    return effects_of(batch, keys, block_bits(len(given.children)), names)


def effect_files(registry: Registry, statistics: Iterable[str] | None = None) -> list[Path]:
    """Compute statistics of every series of a registry, and leave them as Parquet files.

    Parameters
    ----------
    registry : Registry
        The files lie in its work folder; name one, or they are gone when the registry is.
    statistics : iterable of str, optional
        As in `effects`.

    Returns
    -------
    list of Path
        Each holds the rows of some children, as `effects` gives them.

    Raises
    ------
    ValueError
        As `effects`.
    """
    return registry.map(effects_of, _checked(statistics), "effects")


def effects_of(batch: SeriesBatch, keys: SeriesKeys, bits: int, names: Sequence[str]) -> pd.DataFrame:
    """Give the rows of `effects` for series whose keys are known.

    Parameters
    ----------
    batch : SeriesBatch
    keys : SeriesKeys
    bits : int
        See `rungwise.series.blocks.blocks`.
    names : sequence of str
    """
    told = {"series": batch.labels, "child_id": keys.children, "ladder_id": keys.ladders}
    return _frame(told, _columns(batch, names, keys.children, bits), names)


def _checked(statistics: Iterable[str] | None) -> list[str]:
    names = list(USUAL if statistics is None else statistics)
    for name in names:
        check_choice("statistics", name, CATALOG)
    return names


def _columns(
    batch: SeriesBatch, names: Sequence[str], children: Sequence[str], bits: int
) -> dict[str, dict[str, Any]]:
    made = {}
    for name in names:
        if name not in IN_COMPANY or len(batch) == 0:
            made[name] = estimate_columns(CATALOG[name](batch))
            continue
        columns: dict[str, Any] = {}
        for places, part in in_company(CATALOG[name], batch, children, bits):
            for column, values in estimate_columns(part).items():
                if column not in columns:
                    columns[column] = np.empty(len(batch), dtype=values.dtype)
                columns[column][places] = values
        made[name] = columns
    return made


def estimate_columns(many: Estimates) -> dict[str, np.ndarray]:
    """Give the entries of `Estimate.as_row` for all series at once, column by column.

    Examples
    --------
    >>> many = Estimates("tau", value=np.array([0.8, -0.2]), n=np.array([9, 12]))
    >>> estimate_columns(many)["statistic"].tolist(), estimate_columns(many)["n"].tolist()
    (['tau', 'tau'], [9, 12])
    """
    rows = len(many)
    columns: dict[str, np.ndarray] = {}
    for name in ROW_FIELDS:
        column = getattr(many, name) if name != "cautions" else _cautions(many.cautions, rows)
        if isinstance(column, str) or (isinstance(column, np.ndarray) and column.dtype.kind in "OU"):
            columns[name] = np.broadcast_to(np.asarray(column, dtype=object), (rows,))
        else:
            columns[name] = np.broadcast_to(np.asarray(column), (rows,))
    for name, column in many.counts.items():
        columns[f"count_{name}"] = np.broadcast_to(np.asarray(column), (rows,))
    return columns


def _cautions(cautions: Mapping[str, np.ndarray], rows: int) -> np.ndarray:
    """Join the sentences that concern each series; equal patterns are joined once."""
    pattern = np.zeros(rows, dtype=np.int64)
    joined = [""]
    for sentence, mask in cautions.items():
        width = len(joined)
        pattern = pattern + width * np.broadcast_to(mask, (rows,)).astype(np.int64)
        joined = joined + [f"{before} {sentence}".strip() for before in joined]
        used, pattern = np.unique(pattern, return_inverse=True)
        joined = [joined[place] for place in used.tolist()] or [""]
    return np.array(joined, dtype=object)[pattern]


def _frame(
    keys: Mapping[str, Sequence[str]], columns: Mapping[str, Mapping[str, np.ndarray]], names: Sequence[str]
) -> pd.DataFrame:
    """Lay the statistics of one series after another."""
    import pandas as pd

    frames = []
    for name in names:
        told = {key: pd.array(list(texts), dtype="str") for key, texts in keys.items()}
        frame = pd.DataFrame(told)
        frame["requested"] = pd.array([name] * len(frame), dtype="str")
        for column, values in columns[name].items():
            frame[column] = pd.array(values, dtype="str") if values.dtype == object else values
        frames.append(frame)
    if len(frames) == 1:
        return frames[0]
    together = pd.concat(frames, ignore_index=True)
    order = np.arange(len(together)).reshape(len(names), -1).T.ravel()
    return together.iloc[order].reset_index(drop=True)


def _read_in_order(files: Sequence[Path], statistics: int) -> pd.DataFrame:
    """Read parts of `effects` and sort their series by child and ladder."""
    import pandas as pd

    together = pd.concat([pd.read_parquet(file) for file in files], ignore_index=True)
    first = together.iloc[::statistics]
    order = np.lexsort((first["ladder_id"].to_numpy(str), first["child_id"].to_numpy(str)))
    rows = (order[:, None] * statistics + np.arange(statistics)).ravel()
    return together.iloc[rows].reset_index(drop=True)
