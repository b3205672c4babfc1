"""What the level-and-slope model asks of a batch, whatever is assumed of its errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from rungwise.basis.estimate import Estimates, orientation
from rungwise.models.mixture import Mixture
from rungwise.series.batch import SeriesBatch
from rungwise.single_case.rated import Rated

# A slope drawn through fewer distinct times cannot be told from the scatter about it.
FEWEST_TIMES = 3

TOO_NOISY = (
    "The baseline is so short or so noisy that the size of this change is uncertain by more than the "
    "whole rating scale."
)
OFF_SCALE = (
    "The projected baseline line leaves the rating scale during exposure; it cannot have gone on like that."
)
TOO_SHORT = f"A line needs at least {FEWEST_TIMES} rated times in each phase; one phase has fewer."
ONE_CHANGE = "Baseline occasions lie after exposure started; this model describes one change."

NAMES = (
    "level change",
    "slope change",
    "change beyond the projected baseline at the last exposure occasion",
    "mean change beyond the projected baseline",
)


class LineFit(Protocol):
    """A fit that can say how sure a weighted sum of its coefficients is."""

    @property
    def df(self) -> np.ndarray:
        """Degrees of freedom of each series."""

    @property
    def reason(self) -> np.ndarray:
        """Why a series has no estimate, or an empty string."""

    def contrast(self, weights: np.ndarray, inference: str) -> Mixture:
        """Distribution of a weighted sum of the coefficients."""


@dataclass(frozen=True)
class LineModel:
    """The ratings of a batch, its design, and why some series cannot be fitted.

    Attributes
    ----------
    rated : Rated
    reasons : ndarray of str
        ``""`` where a series can be fitted.
    span, middle : ndarray
        Time from the first rated exposure occasion to the last, and to the mean of them all.
    lead : ndarray
        Time from the first occasion to the first rated exposure occasion.
    """

    rated: Rated
    reasons: np.ndarray
    span: np.ndarray
    middle: np.ndarray
    lead: np.ndarray

    @classmethod
    def of(cls, batch: SeriesBatch, declines: str) -> LineModel:
        """Settle the declines and say which series are too short or out of order."""
        rated = Rated.of(batch, declines)
        rows = np.arange(len(batch))
        reasons = rated.reasons.copy()
        mark(reasons, (rated.n_a < FEWEST_TIMES) | (rated.n_b < FEWEST_TIMES), TOO_SHORT)
        enough = reasons == ""

        def at(place: np.ndarray) -> np.ndarray:
            return np.where(enough, rated.times[rows, np.where(enough, place, 0)], np.nan)

        start, end = at(rated.n_a), at(rated.n_a + rated.n_b - 1)
        mark(reasons, at(rated.n_a - 1) >= start, ONE_CHANGE)
        kept = reasons == ""
        places = np.arange(rated.times.shape[1])
        exposed = (places >= rated.n_a[:, None]) & (places < (rated.n_a + rated.n_b)[:, None])
        mean = np.where(exposed, rated.times, 0.0).sum(axis=1) / np.maximum(rated.n_b, 1)
        return cls(
            rated,
            reasons,
            np.where(kept, end - start, 0.0),
            np.where(kept, mean - start, 0.0),
            np.where(kept, start - rated.times[:, 0], 0.0),
        )

    @property
    def contrasts(self) -> list[np.ndarray]:
        """Weights of level, slope, change at the end and mean change, one row per series."""
        zero, one = np.zeros(len(self.span)), np.ones(len(self.span))
        columns = (
            (zero, zero, one, zero),
            (zero, zero, zero, one),
            (zero, zero, one, self.span),
            (zero, zero, one, self.middle),
        )
        return [np.stack(column, axis=1) for column in columns]

    def projected(self, after: np.ndarray) -> np.ndarray:
        """Weights of the baseline line some time after the first rated exposure occasion."""
        zero, one = np.zeros(len(self.span)), np.ones(len(self.span))
        return np.stack([one, self.lead + after, zero, zero], axis=1)


def lines(rated: Rated) -> np.ndarray:
    """Give the design of the level-and-slope model, (1 or series, places, 4)."""
    rows = slice(None) if not rated.shared else slice(0, 1)
    times, phase = rated.times[rows], rated.exposure[rows]
    places = times.shape[1]
    first = np.minimum(rated.n_a[rows], places - 1)
    start = times[np.arange(len(times)), first][:, None]
    columns = np.ones_like(times), times - times[:, :1], phase, phase * (times - start)
    return np.stack(columns, axis=-1)


def mark(reasons: np.ndarray, where: np.ndarray, sentence: str) -> None:
    """Give a reason to the series of a mask that have none yet."""
    reasons[where & (reasons == "")] = sentence


@dataclass(frozen=True)
class Fitted:
    """A fit and what must be known to report it."""

    batch: SeriesBatch
    rated: Rated
    fit: LineFit
    reasons: np.ndarray
    declines: str
    inference: str
    alternative: str
    confidence: float
    intervals: bool
    method: str
    counts: dict[str, np.ndarray]


def estimates(
    names: Sequence[str], units: Sequence[str], weights: Sequence[np.ndarray], null: str, fitted: Fitted
) -> list[Estimates]:
    """Give one `Estimates` per contrast; their tails and limits are found together."""
    batch, rated, reasons = fitted.batch, fitted.rated, fitted.reasons
    mixture = Mixture.stack(*(fitted.fit.contrast(one, fitted.inference) for one in weights))
    shape = (len(weights), len(batch))
    low = high = np.full(shape, np.nan)
    if fitted.intervals:
        low, high = (limit.reshape(shape) for limit in mixture.limits(fitted.confidence))
    less, greater = (mixture.p_value(side).reshape(shape) for side in ("less", "greater"))
    if fitted.alternative == "two-sided":
        p = np.minimum(1.0, 2 * np.minimum(less, greater))
    else:
        p = np.where((batch.sign > 0) == (fitted.alternative == "improvement"), greater, less)
    cautions = {sentence: reasons == sentence for sentence in dict.fromkeys(reasons.tolist()) if sentence}
    cautions.update(rated.cautions(fitted.declines))
    counts = {
        "n_baseline": rated.n_a,
        "n_exposure": rated.n_b,
        "df": np.where(reasons == "", fitted.fit.df, 0),
        **fitted.counts,
    }
    values = mixture.value.reshape(shape)
    return [
        Estimates(
            statistic=name,
            value=values[i],
            ci_low=low[i],
            ci_high=high[i],
            confidence=fitted.confidence,
            p_value=p[i],
            alternative=fitted.alternative,
            null=null,
            n=rated.n_a + rated.n_b,
            counts=counts,
            method=fitted.method,
            unit=unit,
            favors=orientation(batch.sign * values[i]),
            cautions=cautions,
        )
        for i, (name, unit) in enumerate(zip(names, units, strict=True))
    ]


def with_projection(change: Estimates, projected: np.ndarray, batch: SeriesBatch) -> Estimates:
    """Add the projected rating and say where it, or its uncertainty, leaves the scale."""
    width = np.asarray(change.ci_high) - np.asarray(change.ci_low)
    with np.errstate(invalid="ignore"):
        off = (projected < batch.floor) | (projected > batch.ceiling)
        wide = width > batch.ceiling - batch.floor
    cautions = dict(change.cautions)
    if off.any():
        cautions[OFF_SCALE] = off
    if wide.any():
        cautions[TOO_NOISY] = wide
    return replace(change, counts={**change.counts, "projected": projected}, cautions=cautions)
