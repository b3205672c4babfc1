"""Probe fear beside the verdict: other probe steps, untrained ladders, maintenance and follow-up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import count_of
from rungwise.ladders.seasonal import seasonal_mann_kendall
from rungwise.series.batch import SeriesBatch
from rungwise.series.caseload import Caseload
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.child_answer import DRAWS_SEED
from rungwise.single_case.nap import nap_batch
from rungwise.single_case.tau import tau_batch

if TYPE_CHECKING:
    import pandas as pd

ROLES = {
    "primary": "primary probe step",
    "other_step": "other probe step",
    "generalization": "untrained ladder",
}
CONTRASTS = ("exposure", "maintenance", "follow_up")
FEWEST = 3

SHOWN_NOT_COUNTED = (
    "The child is classified once, by the primary probe steps of the practiced ladders; everything "
    "else here is shown beside it and never pooled with exposure."
)
NOT_EXPOSURE = (
    "Maintenance and follow-up are compared with baseline: they say whether it lasted, not what caused it."
)
UNTRAINED = (
    "Fear on an untrained ladder may fall because what was learned carries over, or because all else "
    "in the child's life went on too."
)
FEW = "Only {n} in one of the two phases; that says next to nothing."


@dataclass(frozen=True, eq=False)
class ProbeContrast:
    """Baseline against one later phase, at one probe step of one ladder.

    Attributes
    ----------
    child_id, ladder_id : str
    probe_step : float
        NaN where steps are not recorded.
    role : str
        A key of `ROLES`.
    contrast : str
        One of `CONTRASTS`: the phase held against baseline.
    series : PhaseSeries
    tau, nap : Estimate
        Exact, declines ranked worst.
    n_baseline, n_later : int
        Usable occasions.
    declined_baseline, declined_later : int
    median_baseline, median_later : float
        Of the ratings and declines; infinite on the worse side where the middle was declined, NaN
        without an occasion.
    cautions : tuple of str
    """

    child_id: str
    ladder_id: str
    probe_step: float
    role: str
    contrast: str
    series: PhaseSeries
    tau: Estimate
    nap: Estimate
    n_baseline: int
    n_later: int
    declined_baseline: int
    declined_later: int
    median_baseline: float
    median_later: float
    cautions: tuple[str, ...]

    @property
    def counted(self) -> bool:
        """Whether the child's verdict rests on this contrast."""
        return self.role == "primary" and self.contrast == "exposure"


def probe_contrasts(
    caseload: Caseload, child_id: str | None = None, outcome: str | None = None
) -> tuple[ProbeContrast, ...]:
    """Hold every later phase against baseline, at every probe step of every ladder.

    Parameters
    ----------
    caseload : Caseload
        With planned ratings of any recording level; plans say which step is primary and which ladders
        are not practiced.
    child_id : str, optional
        Only this child; default all.
    outcome : str, optional
        Default each child's own: fear, or the only outcome there is.

    Returns
    -------
    tuple of ProbeContrast
        Only contrasts with an occasion in both phases; primary steps first, untrained ladders last.

    Raises
    ------
    ValueError
        If the child or the outcome is not in the caseload.

    Notes
    -----
    Several contrasts of one child are several chances of being struck by one: only those with
    `ProbeContrast.counted` enter the verdict, and they do so together.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> from rungwise.series.caseload import read_caseload
    >>> rows = ["baseline,7", "baseline,8", "exposure,5", "exposure,4", "follow_up,3"]
    >>> file = pathlib.Path(tempfile.mkdtemp(), "one.csv")
    >>> days = [f"2026-03-{4 + place:02},{row}" for place, row in enumerate(rows)]
    >>> _ = file.write_text("\\n".join(["date,phase,rating", *days]))
    >>> [(one.contrast, one.tau.value, one.counted) for one in probe_contrasts(read_caseload(file))]
    [('exposure', 1.0, True), ('follow_up', 1.0, False)]
    """
    children = caseload.children if child_id is None else (child_id,)
    primary = _primary_steps(caseload)
    found: list[tuple[str, str, float | None, str, PhaseSeries]] = []
    for child in children:
        if child_id is None and outcome is not None and outcome not in caseload.outcomes(child):
            continue
        own = [
            (child, ladder, step, role, caseload.series(child, ladder, outcome, probe_step=step))
            for ladder in caseload.ladders(child, outcome)
            for step, role in _steps(caseload, child, ladder, outcome, primary)
        ]
        found += sorted(own, key=lambda one: tuple(ROLES).index(one[3]))
    contrasts: list[ProbeContrast | None] = [None] * (len(found) * len(CONTRASTS))
    usable = [_usable_by_phase(series) for *_, series in found]
    for place, contrast in enumerate(CONTRASTS):
        rows = [row for row, phases in enumerate(usable) if "baseline" in phases and contrast in phases]
        if not rows:
            continue
        batch = SeriesBatch.of(*(found[row][4] for row in rows), phases=("baseline", contrast))
        for row, tau, nap in zip(rows, tau_batch(batch), nap_batch(batch), strict=True):
            contrasts[row * len(CONTRASTS) + place] = _contrast(
                *found[row], contrast, usable[row], tau, nap
            )
    return tuple(one for one in contrasts if one is not None)


def planned_steps_trend(
    caseload: Caseload, child_id: str, *, rng: np.random.Generator | None = None
) -> tuple[tuple[str, tuple[float, ...], Estimate], ...]:
    """Test the planned probes of several steps of one ladder for one common trend.

    Each step is compared with itself alone, from the first baseline to the last exposure occasion, and
    whole days are permuted (`rungwise.ladders.seasonal.seasonal_mann_kendall`). The verdict rests on the
    primary step; this says whether the steps probed beside it moved the same way.

    Parameters
    ----------
    caseload : Caseload
    child_id : str
    rng : numpy.random.Generator, optional
        For more than 8 days; default a fixed seed, so that the same files give the same answer.

    Returns
    -------
    tuple of (str, tuple of float, Estimate)
        Ladder, its probe steps and the trend; only ladders with several planned probe steps.
    """
    found = []
    for ladder in caseload.ladders(child_id, "fear"):
        steps = sorted(caseload.probe_steps(child_id, ladder, "fear"))
        if len(steps) < 2:
            continue
        series = [caseload.series(child_id, ladder, "fear", probe_step=step) for step in steps]
        begun = [one.starts_on for one in series if one.starts_on is not None]
        if len(begun) < len(series):
            continue
        # Times count from each series' own first day; days must be told apart across steps.
        dated = [
            replace(one, times=one.times - one.times[0] + (day - min(begun)).days)
            for one, day in zip(series, begun, strict=True)
        ]
        drawn = np.random.default_rng(DRAWS_SEED) if rng is None else rng
        found.append((ladder, tuple(steps), seasonal_mann_kendall(dated, rng=drawn)))
    return tuple(found)


def probe_frame(contrasts: tuple[ProbeContrast, ...]) -> pd.DataFrame:
    """Give one row per contrast."""
    import pandas as pd

    return pd.DataFrame(
        [
            {
                "child_id": one.child_id,
                "ladder_id": one.ladder_id,
                "probe_step": one.probe_step,
                "role": one.role,
                "contrast": one.contrast,
                "counted": one.counted,
                "n_baseline": one.n_baseline,
                "n_later": one.n_later,
                "declined_baseline": one.declined_baseline,
                "declined_later": one.declined_later,
                "median_baseline": one.median_baseline,
                "median_later": one.median_later,
                "tau": one.tau.value,
                "p_value": one.tau.p_value,
                "nap": one.nap.value,
                "nap_low": one.nap.ci_low,
                "nap_high": one.nap.ci_high,
                "cautions": " ".join(one.cautions),
            }
            for one in contrasts
        ]
    )


def _primary_steps(caseload: Caseload) -> dict[tuple[str, str], set[float]]:
    """Give the primary probe steps of each child's ladder."""
    planned = caseload.planned
    rows = planned["primary"].astype(bool)
    columns = (planned[name][rows].tolist() for name in ("child_id", "ladder_id", "probe_step"))
    found: dict[tuple[str, str], set[float]] = {}
    # A step has many ratings, and each step is to be seen once.
    for child, ladder, step in set(zip(*columns, strict=True)):
        found.setdefault((child, ladder), set()).add(step)
    return found


def _steps(
    caseload: Caseload,
    child: str,
    ladder: str,
    outcome: str | None,
    primary: Mapping[tuple[str, str], set[float]],
) -> list[tuple[float | None, str]]:
    """Give the probe steps of a ladder with their roles; None where steps are not recorded."""
    untrained = ladder in caseload.ladders(child, outcome, trained=False)
    steps = caseload.probe_steps(child, ladder, outcome)
    if not steps:
        return [(None, "generalization" if untrained else "primary")]
    first = primary.get((child, ladder), set())
    return [
        (step, "generalization" if untrained else "primary" if step in first else "other_step")
        for step in steps
    ]


def _usable_by_phase(series: PhaseSeries) -> dict[str, np.ndarray]:
    """Give the places of usable occasions, of each phase that has any."""
    usable = series.usable
    masks = {phase: usable & (series.phases == phase) for phase in set(series.phases.tolist())}
    return {phase: np.flatnonzero(mask) for phase, mask in masks.items() if mask.any()}


def _contrast(
    child: str,
    ladder: str,
    step: float | None,
    role: str,
    series: PhaseSeries,
    contrast: str,
    usable: Mapping[str, np.ndarray],
    tau: Estimate,
    nap: Estimate,
) -> ProbeContrast:
    both = usable["baseline"], usable[contrast]
    n = [len(places) for places in both]
    declined = [int(series.declined[places].sum()) for places in both]
    medians = [_median(series, places) for places in both]
    cautions = list(nap.cautions)
    if contrast != "exposure":
        cautions.append(NOT_EXPOSURE)
    if role == "generalization":
        cautions.append(UNTRAINED)
    if min(n) < FEWEST:
        cautions.append(FEW.format(n=count_of(min(n), "occasion")))
    return ProbeContrast(
        child_id=child,
        ladder_id=ladder,
        probe_step=float("nan") if step is None else step,
        role=role,
        contrast=contrast,
        series=series,
        tau=tau,
        nap=nap,
        n_baseline=n[0],
        n_later=n[1],
        declined_baseline=declined[0],
        declined_later=declined[1],
        median_baseline=medians[0],
        median_later=medians[1],
        cautions=tuple(cautions),
    )


def _median(series: PhaseSeries, places: np.ndarray) -> float:
    worst = np.inf if series.better == "lower" else -np.inf
    ordered = np.sort(np.where(series.declined[places], worst, series.values[places]))
    low, high = ordered[(len(ordered) - 1) // 2], ordered[len(ordered) // 2]
    return float(low if low == high else (low + high) / 2)
