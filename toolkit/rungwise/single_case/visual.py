"""The six features of visual analysis as numbers, and a neutral description of the picture."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from rungwise.basis.page_numbers import count_of, format_number, of_hundred
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries, check_series
from rungwise.single_case.decision_rules import NEAR_ZERO, stability_envelope
from rungwise.single_case.nap import AT_ONCE_CAUTION, MISSING_CAUTION, nap
from rungwise.single_case.overlap import pnd
from rungwise.single_case.theil_sen import theil_sen

if TYPE_CHECKING:
    import pandas as pd

NEAR_CHANGE = 3
"""Occasions on either side of the change of phase (Kratochwill et al. 2010)."""

NOT_A_TEST = "These are descriptions, not tests; people looking at one graph often disagree."
FEW = "A phase with fewer than 5 occasions shows neither trend nor variability with any certainty."
NO_REPEAT = "Consistency needs a phase that was repeated; this series has none."
DECLINED = (
    "Declined occasions have no rating: they count in the overlap, as worst, and in nothing else here."
)
DECLINED_NEAR = "An occasion next to the change of phase was declined, so immediacy rests on fewer ratings."
FIRST_CHANGE = "Phases alternate: immediacy and level change are those at the first change to exposure."


@dataclass(frozen=True)
class PhaseFeatures:
    """Level, trend and variability of one phase, in rating points.

    Attributes
    ----------
    phase : str
    n : int
        Usable occasions, declined ones included.
    declined : int
    median, mean : float
    slope : float
        Theil–Sen, points per unit of time.
    sd, lowest, highest : float
    in_envelope : float
        Percent of occasions within 25 % of the baseline median around this phase's median.
    """

    phase: str
    n: int
    declined: int
    median: float
    mean: float
    slope: float
    sd: float
    lowest: float
    highest: float
    in_envelope: float


@dataclass(frozen=True)
class VisualFeatures:
    """Level, trend, variability, immediacy, overlap and consistency, in rating points where they can be.

    Attributes
    ----------
    baseline, exposure : PhaseFeatures
    level_change : float
        Exposure minus baseline median.
    absolute_change : float
        First exposure minus last baseline rating.
    relative_change : float
        Median of the first half of exposure minus median of the last half of baseline.
    immediacy : float
        Mean of the first three exposure minus mean of the last three baseline occasions.
    overlap_pnd : float
        PND, percent.
    overlap_nap : float
        NAP, 0 to 1, oriented.
    consistency : float
        Largest difference between the medians of two runs of the same phase; NaN without a repeat.
    description : str
        The picture in plain, neutral words.
    cautions : tuple of str
    """

    baseline: PhaseFeatures
    exposure: PhaseFeatures
    level_change: float
    absolute_change: float
    relative_change: float
    immediacy: float
    overlap_pnd: float
    overlap_nap: float
    consistency: float
    description: str
    cautions: tuple[str, ...]

    def frame(self) -> pd.DataFrame:
        """Give one row per feature and phase: feature, phase, value."""
        import pandas as pd

        rows = [
            {"feature": name, "phase": features.phase, "value": value}
            for features in (self.baseline, self.exposure)
            for name, value in asdict(features).items()
            if name != "phase"
        ]
        between = (
            "level_change", "absolute_change", "relative_change", "immediacy", "overlap_pnd",
            "overlap_nap", "consistency",
        )  # fmt: skip
        rows += [{"feature": name, "phase": "between", "value": getattr(self, name)} for name in between]
        return pd.DataFrame(rows)


def visual_features(series: PhaseSeries) -> VisualFeatures:
    """Put numbers to what the eye takes from a single-case graph.

    Parameters
    ----------
    series : PhaseSeries
        Its baseline and exposure; other phases are not looked at.

    Returns
    -------
    VisualFeatures
        What has no ratings to rest on is NaN. ``description`` states what the picture shows and judges
        nothing.

    Notes
    -----
    Sources: the six features, What Works Clearinghouse (Kratochwill et al. 2010) and Ledford, Lane &
    Severini 2018, Brain Impairment; immediacy as the last three against the first three occasions,
    Kratochwill et al. 2010, from memory; absolute and relative level change as in teaching texts.

    Examples
    --------
    >>> features = visual_features(PhaseSeries.from_phases([7, 8, 9, 8, 7], [6, 5, 4, 4, 3]))
    >>> features.level_change, features.absolute_change, features.immediacy
    (-4.0, -1.0, -3.0)
    >>> for sentence in features.description.split(". "):
    ...     print(sentence)
    Baseline: 5 occasions, ratings from 7 to 9 with median 8, neither rising nor falling
    Exposure: 5 occasions, ratings from 3 to 6 with median 4, falling by 0.7 a unit of time
    From the last three baseline to the first three exposure occasions the mean went down by 3.0
    In 100 of 100 pairs of a baseline and an exposure occasion the exposure one is lower, ties counted half.
    """
    check_series(series)
    watched = series.only("baseline", "exposure")
    runs = _runs(watched)
    baseline, exposure = _phase_features(series, "baseline"), _phase_features(series, "exposure")
    before, after = _at_first_change(runs)
    last, first = before[-NEAR_CHANGE:], after[:NEAR_CHANGE]
    immediacy = _mean(first) - _mean(last)
    overlap = nap(series).value if baseline.n and exposure.n else math.nan
    spans = [_span(runs, phase) for phase in ("baseline", "exposure")]
    consistency = max((span for span in spans if not math.isnan(span)), default=math.nan)
    envelopes = [stability_envelope(series, part.phase) for part in (baseline, exposure)]
    cautions = {
        NOT_A_TEST: True,
        FEW: min(baseline.n, exposure.n) < 5,
        NEAR_ZERO: any(NEAR_ZERO in envelope.cautions for envelope in envelopes),
        FIRST_CHANGE: len(runs) > 2,
        NO_REPEAT: math.isnan(consistency),
        DECLINED: bool(watched.declined.any()),
        DECLINED_NEAR: bool(np.isnan(last).any() or np.isnan(first).any()),
        MISSING_CAUTION: watched.n_missing > 0,
        AT_ONCE_CAUTION: bool(SeriesBatch.of(watched).several_at_once[0]),
    }
    return VisualFeatures(
        baseline=baseline,
        exposure=exposure,
        level_change=exposure.median - baseline.median,
        absolute_change=_edge(first, 0) - _edge(last, -1),
        relative_change=_median(after[: (len(after) + 1) // 2]) - _median(before[len(before) // 2 :]),
        immediacy=immediacy,
        overlap_pnd=pnd(series).value,
        overlap_nap=overlap,
        consistency=consistency,
        description=" ".join(
            [
                _phase_words(baseline),
                _phase_words(exposure),
                *_change_words(immediacy, len(last), len(first)),
                *_overlap_words(overlap, series.better),
            ]
        ),
        cautions=tuple(sentence for sentence, holds in cautions.items() if holds),
    )


def _phase_features(series: PhaseSeries, phase: str) -> PhaseFeatures:
    part = series.only(phase)
    rated = part.values[~np.isnan(part.values)]
    return PhaseFeatures(
        phase=phase,
        n=int(part.usable.sum()),
        declined=int(part.declined.sum()),
        median=_median(rated),
        mean=_mean(rated),
        slope=theil_sen(series, phase).value,
        sd=float(rated.std(ddof=1)) if len(rated) > 1 else math.nan,
        lowest=float(rated.min()) if len(rated) else math.nan,
        highest=float(rated.max()) if len(rated) else math.nan,
        in_envelope=stability_envelope(series, phase).value,
    )


def _runs(series: PhaseSeries) -> list[tuple[str, np.ndarray]]:
    """Give each unbroken run of one phase with its usable ratings in time order, NaN where declined."""
    usable = series.where(series.usable)
    if not len(usable):
        return []
    cuts = np.flatnonzero(usable.phases[1:] != usable.phases[:-1]) + 1
    parts = zip(np.split(usable.phases, cuts), np.split(usable.values, cuts), strict=True)
    return [(str(phases[0]), values) for phases, values in parts]


def _at_first_change(runs: list[tuple[str, np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    for (phase, before), (following, after) in pairwise(runs):
        if (phase, following) == ("baseline", "exposure"):
            return before, after
    return np.empty(0), np.empty(0)


def _span(runs: list[tuple[str, np.ndarray]], phase: str) -> float:
    medians = [_median(values) for kind, values in runs if kind == phase]
    return float(np.ptp(medians)) if len(medians) > 1 else math.nan


def _median(values: np.ndarray) -> float:
    rated = values[~np.isnan(values)]
    return float(np.median(rated)) if len(rated) else math.nan


def _mean(values: np.ndarray) -> float:
    rated = values[~np.isnan(values)]
    return float(rated.mean()) if len(rated) else math.nan


def _edge(values: np.ndarray, place: int) -> float:
    return float(values[place]) if len(values) else math.nan


def _phase_words(features: PhaseFeatures) -> str:
    name = features.phase.capitalize()
    if not features.n:
        return f"{name}: no occasion."
    words = f"{name}: {count_of(features.n, 'occasion')}"
    words += f", {features.declined} declined" if features.declined else ""
    if math.isnan(features.median):
        return words + "."
    if features.lowest == features.highest:
        words += f", every rating {_short(features.median)}"
    else:
        words += f", ratings from {_short(features.lowest)} to {_short(features.highest)}"
        words += f" with median {_short(features.median)}"
    if math.isnan(features.slope):
        return words + "."
    if features.slope == 0:
        return words + ", neither rising nor falling."
    course = "rising" if features.slope > 0 else "falling"
    return f"{words}, {course} by {_slope(abs(features.slope))} a unit of time."


def _change_words(immediacy: float, last: int, first: int) -> list[str]:
    if math.isnan(immediacy):
        return []
    counted = {1: "one", 2: "two", 3: "three"}
    way = "up by" if immediacy > 0 else "down by"
    moved = f"went {way} {format_number(abs(immediacy))}" if immediacy else "stayed the same"
    return [
        f"From the last {counted[last]} baseline to the first {counted[first]} exposure occasions the mean "
        f"{moved}."
    ]


def _overlap_words(overlap: float, better: str) -> list[str]:
    if math.isnan(overlap):
        return []
    return [
        f"In {of_hundred(overlap)} of 100 pairs of a baseline and an exposure occasion the exposure one is "
        f"{better}, ties counted half."
    ]


def _short(value: float) -> str:
    return format_number(value, 0 if value == round(value) else 1)


def _slope(value: float) -> str:
    return format_number(value, 1) if value >= 0.1 else format_number(value, 3)
