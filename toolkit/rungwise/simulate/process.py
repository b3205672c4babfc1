"""How one rating comes about: random numbers, latent fear, declining, missing, the recorded whole number.

Random numbers are drawn first and turned into ratings afterwards, so that series of several designs can
share one pass over the occasions, whatever order their numbers were drawn in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

Course = dict[str, np.ndarray]
"""``start``, ``baseline_slope``, ``level_change``, ``slope_change``, ``sd``: one number or one each."""
# Series whose means, in double precision, stay in a core's cache.
_MEANS_IN_CACHE = 1024


@dataclass(frozen=True, eq=False)
class Drawn:
    """Random numbers of a block of series, occasions first; None where the process needs none.

    Attributes
    ----------
    latent : ndarray
        Standard normal; latent fear, and then ratings, take their place.
    declining, missing, leaving : ndarray of float32 or None
        Uniform.
    """

    latent: np.ndarray
    declining: np.ndarray | None
    missing: np.ndarray | None
    leaving: np.ndarray | None

    def part(self, columns: slice) -> Drawn:
        """Give a view of some of the series."""
        arrays = (self.latent, self.declining, self.missing, self.leaving)
        return Drawn(*(None if one is None else one[:, columns] for one in arrays))  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False)
class RatingProcess:
    """What ratings of `rungwise.simulate.ratings.simulate_ratings` have in common; see there."""

    times: np.ndarray
    phi: float
    floor: float
    ceiling: float
    whole: bool
    decline_at: float | None
    decline_softness: float
    missed: float
    dropout: float

    def __post_init__(self) -> None:
        _within("phi", self.phi, "from 0 up to but excluding 1", open_high=True)
        _within("missed", self.missed, "a probability from 0 to 1")
        _within("dropout", self.dropout, "a probability from 0 to 1")
        if not self.floor < self.ceiling:
            raise ValueError(f"ceiling must be above floor ({self.floor:g}); got {self.ceiling!r}.")
        if self.whole and not (float(self.floor).is_integer() and float(self.ceiling).is_integer()):
            raise ValueError(
                f"floor and ceiling must be whole numbers when whole=True; got {self.floor!r} and "
                f"{self.ceiling!r}."
            )
        if self.whole and not (self.floor >= -128 and self.ceiling <= 127):
            raise ValueError(
                f"whole ratings must lie between -128 and 127; got {self.floor!r} to {self.ceiling!r}."
            )
        if not self.decline_softness >= 0:
            raise ValueError(f"decline_softness must be 0 or more; got {self.decline_softness!r}.")

    @property
    def missing(self) -> bool:
        """Whether an occasion may be missing."""
        return bool(self.missed or self.dropout)

    @property
    def kind(self) -> Any:
        """Type of latent fear: whole ratings do not need double precision."""
        return np.float32 if self.whole else np.float64

    def room(self, series: int) -> Drawn:
        """Make room for the random numbers of so many series."""
        shape = (len(self.times), series)
        softly = self.decline_at is not None and self.decline_softness > 0
        uniform = [
            np.empty(shape, dtype=np.float32) if needed else None
            for needed in (softly, self.missed, self.dropout)
        ]
        return Drawn(np.empty(shape, dtype=self.kind), *uniform)

    def draw(self, rng: np.random.Generator, into: Drawn, n_baseline: int) -> None:
        """Draw the random numbers of series with the same start."""
        if into.latent.flags.c_contiguous:
            rng.standard_normal(dtype=into.latent.dtype, out=into.latent)
        else:
            into.latent[:] = rng.standard_normal(into.latent.shape, dtype=self.kind)
        for uniform in (into.declining, into.missing):
            if uniform is not None:
                uniform[:] = rng.random(uniform.shape, dtype=np.float32)
        if into.leaving is not None:
            # Nobody leaves before the second exposure occasion.
            into.leaving[: n_baseline + 1] = 1
            at_risk = into.leaving[n_baseline + 1 :]
            at_risk[:] = rng.random(at_risk.shape, dtype=np.float32)

    def rate(
        self,
        drawn: Drawn,
        course: Course,
        starts: Sequence[int],
        sizes: Sequence[int],
        declined: np.ndarray,
        absent: np.ndarray,
    ) -> None:
        """Turn random numbers into ratings, in place, also where none will be recorded.

        Parameters
        ----------
        drawn : Drawn
            Its ``latent`` holds the ratings afterwards.
        course : dict
        starts, sizes : sequence of int
            Occasions of baseline, and how many of the series, one after another, have them.
        declined, absent : ndarray of bool
            All False; filled where the child declines, or where nothing is recorded.
        """
        latent = drawn.latent
        self._latent(latent, course, np.asarray(starts), np.asarray(sizes))
        if self.decline_at is not None:
            declines(latent, drawn.declining, self.decline_at, self.decline_softness, out=declined)
        if drawn.leaving is not None:
            np.less(drawn.leaving, self.dropout, out=absent)
            # Row by row: numpy's accumulate takes many times as long across rows.
            for before, here in pairwise(absent):
                here |= before
        if drawn.missing is not None:
            absent |= drawn.missing < self.missed
        to_scale(latent, self.floor, self.ceiling, self.whole)
        if self.decline_at is not None and self.missing:
            np.greater(declined, absent, out=declined)

    def _latent(self, latent: np.ndarray, course: Course, starts: np.ndarray, sizes: np.ndarray) -> None:
        """Turn standard normal numbers into latent fear, in place."""
        kind = latent.dtype.type
        # One by one: powers of whole arrays may be rounded otherwise on another processor.
        kept = np.array(
            [0.0] + [self.phi**gap if self.phi else 0.0 for gap in np.diff(self.times).tolist()]
        )
        means = self._means(course, starts, sizes, kept)
        latent *= (course["sd"] * np.sqrt(1.0 - kept * kept)[:, None]).astype(kind)
        carry = np.empty(latent.shape[1], dtype=kind)
        before = latent[0]
        # Mean and noise travel together: y(t) = m(t) + φ·(y(t−1) − m(t−1)) + innovation.
        for row, mean, share in zip(latent, means, kept.astype(kind), strict=True):
            if share:
                row += np.multiply(before, share, out=carry)
            row += mean
            before = row

    def _means(self, course: Course, starts: np.ndarray, sizes: np.ndarray, kept: np.ndarray) -> np.ndarray:
        """Give m(t) − φ·m(t−1) at each occasion (rows) in each series."""
        if not any(column.ndim for column in course.values()):
            # Series that differ in nothing but their start share one column until the end.
            return np.repeat(self._means_of(course, starts, kept), sizes, axis=1)
        n_baseline = np.repeat(starts, sizes)
        means = np.empty((len(kept), len(n_baseline)), dtype=self.kind)
        for first in range(0, len(n_baseline), _MEANS_IN_CACHE):
            part = slice(first, first + _MEANS_IN_CACHE)
            means[:, part] = self._means_of(course_of_some(course, part), n_baseline[part], kept)
        return means

    def _means_of(self, course: Course, n_baseline: np.ndarray, kept: np.ndarray) -> np.ndarray:
        times = self.times[:, None]
        mean = course["start"] + course["baseline_slope"] * (times - times[0])
        changed = mean + course["level_change"]
        if np.any(course["slope_change"]):
            onset = np.append(self.times, self.times[-1])[n_baseline]
            changed = changed + course["slope_change"] * (times - onset)
        mean = np.where(np.arange(len(times))[:, None] >= n_baseline, changed, mean)
        mean[1:] -= kept[1:, None] * mean[:-1]
        return mean.astype(self.kind)


def course_of_some(course: Course, series: slice) -> Course:
    """Give the course of some of the series."""
    return {name: column[series] if column.ndim else column for name, column in course.items()}


def declines(
    latent: np.ndarray,
    uniform: np.ndarray | None,
    at: float,
    softness: float,
    out: np.ndarray | None = None,
) -> np.ndarray:
    """Say where a child declines: P = 1/(1 + exp((at − latent)/softness)), above `at` if that is 0."""
    if softness == 0 or uniform is None:
        return np.greater(latent, at, out=out)
    odds = np.array(at - latent)
    odds /= softness
    # Beyond 60 softness units the odds are below single precision.
    np.clip(odds, -60, 60, out=odds)
    np.exp(odds, out=odds)
    odds += 1.0
    return np.less(uniform, np.divide(1.0, odds, out=odds), out=out)


def to_scale(latent: np.ndarray, floor: float, ceiling: float, whole: bool) -> None:
    """Clip to the scale, and round where ratings are whole, in place."""
    kind = latent.dtype.type
    np.clip(latent, kind(floor), kind(ceiling), out=latent)
    if whole:
        np.rint(latent, out=latent)


def _within(name: str, value: float, allowed: str, *, open_high: bool = False) -> None:
    if not (0.0 <= value < 1.0 if open_high else 0.0 <= value <= 1.0):
        raise ValueError(f"{name} must be {allowed}; got {value!r}.")
