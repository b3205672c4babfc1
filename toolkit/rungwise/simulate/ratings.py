"""The one generator of planned ratings: power, calibration, teaching and demo data all draw from it."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np

from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries

# Replications made together: scratch of this many series stays within a core's cache.
CHUNK = 8192


@dataclass(frozen=True, eq=False)
class SimulatedRatings:
    """Ratings of many simulated children at the same planned occasions.

    Attributes
    ----------
    values : ndarray, shape (replications, occasions)
        Ratings; ``int8`` where ratings are whole and every occasion was rated, otherwise float with
        NaN where the child declined or the occasion was missed. Stored occasion by occasion (the
        transpose is contiguous).
    declined, missed : ndarray of bool, shape (replications, occasions)
        Occasions on which the child declined the step, or on which nothing was recorded. An
        occasion is never both.
    n_baseline, n_exposure : int
        Planned occasions in the two phases.
    times : ndarray of float, shape (occasions,)
        Time of each occasion.
    floor, ceiling : float
        Ends of the rating scale.
    """

    values: np.ndarray
    declined: np.ndarray
    missed: np.ndarray
    n_baseline: int
    n_exposure: int
    times: np.ndarray
    floor: float
    ceiling: float

    def __len__(self) -> int:
        return len(self.values)

    def batch(self) -> SeriesBatch:
        """Give the series as every statistic takes them; missed occasions are left out.

        Raises
        ------
        ValueError
            If a phase has no planned occasion.

        Examples
        --------
        >>> simulated = simulate_ratings(np.random.default_rng(1), 3, 4, 6, missed=0.3)
        >>> batch = simulated.batch()
        >>> (batch.n_a + batch.n_b + batch.n_missing).tolist()
        [10, 10, 10]
        """
        rows, places = self.values.shape
        if self.missed.any():
            return SeriesBatch.from_flat(
                self.values.ravel(),
                np.arange(rows + 1) * places,
                np.full(rows, self.n_baseline),
                declined=self.declined.ravel(),
                times=np.tile(self.times, rows),
                floor=self.floor,
                ceiling=self.ceiling,
            )
        complete = SeriesBatch.from_arrays(
            self.values,
            self.n_baseline,
            declined=self.declined,
            floor=self.floor,
            ceiling=self.ceiling,
        )
        return dataclasses.replace(complete, times=np.broadcast_to(self.times, (rows, places)))

    def series(self, replication: int) -> PhaseSeries:
        """Give one simulated child."""
        return PhaseSeries(
            self.values[replication].astype(float),
            ["baseline"] * self.n_baseline + ["exposure"] * self.n_exposure,
            self.times,
            self.declined[replication],
            label=f"simulated {replication + 1}",
            floor=self.floor,
            ceiling=self.ceiling,
        )


def simulate_ratings(
    rng: np.random.Generator,
    replications: int,
    n_baseline: int,
    n_exposure: int,
    *,
    start: Any = 7.0,
    baseline_slope: Any = 0.0,
    level_change: Any = 0.0,
    slope_change: Any = 0.0,
    sd: Any = 1.2,
    phi: float = 0.0,
    floor: float = 0.0,
    ceiling: float = 10.0,
    whole: bool = True,
    decline_at: float | None = None,
    decline_softness: float = 0.5,
    missed: float = 0.0,
    dropout: float = 0.0,
    times: Any = None,
) -> SimulatedRatings:
    """Simulate planned ratings of fear at one fixed step, baseline then exposure.

    Each child has a latent fear: a straight baseline course that *continues* through exposure, plus
    a change of level and a change of slope from the first exposure occasion on, plus stationary
    first-order autoregressive noise over the real gaps. What is recorded is the latent fear rounded
    to whole points and clipped to the scale. So "no effect" means that the baseline's own course
    goes on, which is the null that the verdicts are judged by.

    It misleads where fear does not move in straight lines: plateaus, relapses after an incident and
    weekly rhythms are not in it.

    Parameters
    ----------
    rng : numpy.random.Generator
        The same state gives the same bytes.
    replications : int
        Series to make.
    n_baseline, n_exposure : int
        Planned occasions in each phase; together at least 1.
    start : float or array of shape (replications,)
        Mean latent fear at the first occasion, in points.
    baseline_slope : float or array
        Points per unit of time, in both phases; negative is falling.
    level_change : float or array
        Points added from the first exposure occasion on; negative is improvement.
    slope_change : float or array
        Points per unit of time added to the slope, counted from the first exposure occasion.
    sd : float or array
        Standard deviation of the latent noise, in points.
    phi : float
        Autocorrelation of the latent noise over one unit of time, from 0 up to but excluding 1.
    floor, ceiling : float
        Ends of the scale, in points.
    whole : bool
        Round to whole points; otherwise ratings keep their decimals.
    decline_at : float, optional
        Latent fear at which half of the children decline the step; None means nobody declines.
    decline_softness : float
        Points of latent fear over which the odds of declining change by a factor e; 0 is a sharp
        threshold.
    missed : float
        Probability that an occasion is not recorded, independently of everything else.
    dropout : float
        Probability, at each exposure occasion after the first, that the child has left before it.
    times : array of shape (occasions,), optional
        Strictly increasing times in the unit of the slopes and of `phi`; default 1, 2, ….

    Returns
    -------
    SimulatedRatings

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    Latent noise: e(1) ~ N(0, sd²), e(t) = φ^gap · e(t−1) + N(0, sd²(1 − φ^(2·gap))), so that its
    variance is sd² at every occasion and its correlation over a gap g is φ^g (a continuous-time
    first-order autoregression sampled at uneven times). Declining: P = 1/(1 + exp((decline_at −
    latent)/softness)). These are the project's own modeling choices; no source.

    Examples
    --------
    >>> rng = np.random.default_rng(2026)
    >>> simulated = simulate_ratings(rng, 1000, 5, 10, level_change=-3, phi=0.2)
    >>> simulated.values.dtype.name, simulated.values.shape
    ('int8', (1000, 15))
    >>> bool(simulated.values[:, :5].mean() - simulated.values[:, 5:].mean() > 2.8)
    True
    """
    places = n_baseline + n_exposure
    _check_counts(replications, n_baseline, n_exposure)
    when = _times(times, places)
    phi = _within("phi", phi, 0.0, 1.0, "from 0 up to but excluding 1", open_high=True)
    missed = _within("missed", missed, 0.0, 1.0, "a probability from 0 to 1")
    dropout = _within("dropout", dropout, 0.0, 1.0, "a probability from 0 to 1")
    if not floor < ceiling:
        raise ValueError(f"ceiling must be above floor ({floor:g}); got {ceiling!r}.")
    if whole and not (float(floor).is_integer() and float(ceiling).is_integer()):
        raise ValueError(
            f"floor and ceiling must be whole numbers when whole=True; got {floor!r} and {ceiling!r}."
        )
    if whole and not (floor >= -128 and ceiling <= 127):
        raise ValueError(f"whole ratings must lie between -128 and 127; got {floor!r} to {ceiling!r}.")
    if not decline_softness >= 0:
        raise ValueError(f"decline_softness must be 0 or more; got {decline_softness!r}.")
    course = {
        name: _course(name, value, replications)
        for name, value in {
            "start": start,
            "baseline_slope": baseline_slope,
            "level_change": level_change,
            "slope_change": slope_change,
            "sd": sd,
        }.items()
    }
    if np.any(course["sd"] < 0):
        raise ValueError(f"sd must be 0 or more; got {float(np.min(course['sd'])):g}.")

    gaps = bool(missed or dropout or decline_at is not None)
    kind = np.float32 if whole else np.float64
    values = np.empty((places, replications), dtype=np.int8 if whole and not gaps else kind)
    declined = np.zeros((places, replications), dtype=bool)
    absent = np.zeros((places, replications), dtype=bool)
    width = min(CHUNK, replications)
    latent, carry = np.empty((places, width), dtype=kind), np.empty(width, dtype=kind)
    for first in range(0, replications, CHUNK):
        span = slice(first, min(first + CHUNK, replications))
        size = span.stop - span.start
        if size < width:
            latent, carry = np.empty((places, size), dtype=kind), np.empty(size, dtype=kind)
        part = {name: column[span] if column.ndim else column for name, column in course.items()}
        _draw_latent(rng, latent, carry, part, when, n_baseline, phi)
        if decline_at is not None:
            declined[:, span] = _declines(rng, latent, decline_at, decline_softness)
        if missed:
            absent[:, span] = rng.random((places, size), dtype=np.float32) < missed
        if dropout:
            absent[:, span] |= _left(rng, places, size, n_baseline, dropout)
        _record(latent, values[:, span], floor, ceiling, whole)
    if gaps:
        declined &= ~absent
        values[declined | absent] = np.nan
        if whole and not (declined.any() or absent.any()):
            values = values.astype(np.int8)
    return SimulatedRatings(
        values.T, declined.T, absent.T, n_baseline, n_exposure, when, float(floor), float(ceiling)
    )


def rate_latent(
    rng: np.random.Generator,
    latent: np.ndarray,
    *,
    floor: float = 0.0,
    ceiling: float = 10.0,
    decline_at: float = 9.6,
    decline_softness: float = 0.35,
) -> tuple[np.ndarray, np.ndarray]:
    """Turn latent fear into whole ratings and declines, by the rules of `simulate_ratings`.

    Returns
    -------
    values : ndarray of float
        NaN where declined.
    declined : ndarray of bool

    Examples
    --------
    >>> values, declined = rate_latent(np.random.default_rng(1), np.array([-1.0, 4.4, 14.0]))
    >>> values.tolist(), declined.tolist()
    ([0.0, 4.0, nan], [False, False, True])
    """
    latent = np.array(latent, dtype=float)
    declined = _declines(rng, latent, decline_at, decline_softness)
    values = np.empty_like(latent)
    _record(latent, values, floor, ceiling, whole=True)
    values[declined] = np.nan
    return values, declined


def _draw_latent(
    rng: np.random.Generator,
    latent: np.ndarray,
    carry: np.ndarray,
    course: dict[str, np.ndarray],
    when: np.ndarray,
    n_baseline: int,
    phi: float,
) -> None:
    """Fill `latent` (occasions first) in place."""
    rng.standard_normal(dtype=latent.dtype, out=latent)
    kind = latent.dtype.type
    onset = when[n_baseline] if n_baseline < len(when) else np.inf
    mean_before: Any = 0.0
    for place, time in enumerate(when):
        mean = course["start"] + course["baseline_slope"] * (time - when[0])
        if time >= onset:
            mean = mean + course["level_change"] + course["slope_change"] * (time - onset)
        row = latent[place]
        if place == 0 or phi == 0.0:
            row *= course["sd"].astype(kind)
            row += mean.astype(kind)
        else:
            # Mean and noise travel together: y(t) = m(t) + φ·(y(t−1) − m(t−1)) + innovation.
            kept = phi ** (time - when[place - 1])
            row *= (course["sd"] * np.sqrt(1.0 - kept * kept)).astype(kind)
            np.multiply(latent[place - 1], kind(kept), out=carry)
            row += carry
            row += (mean - kept * mean_before).astype(kind)
        mean_before = mean


def _declines(rng: np.random.Generator, latent: np.ndarray, at: float, softness: float) -> np.ndarray:
    if softness == 0:
        return latent > at
    # Beyond 60 softness units the odds are below single precision.
    distance = np.clip((at - latent) / softness, -60, 60)
    return rng.random(latent.shape, dtype=np.float32) < 1.0 / (1.0 + np.exp(distance))


def _left(rng: np.random.Generator, places: int, size: int, n_baseline: int, dropout: float) -> np.ndarray:
    leaves = np.zeros((places, size), dtype=bool)
    risky = slice(n_baseline + 1, places)
    leaves[risky] = rng.random((max(places - n_baseline - 1, 0), size), dtype=np.float32) < dropout
    return np.logical_or.accumulate(leaves, axis=0)


def _record(latent: np.ndarray, out: np.ndarray, floor: float, ceiling: float, whole: bool) -> None:
    """Clip, round and store one chunk; `latent` is used up."""
    kind = latent.dtype.type
    np.clip(latent, kind(floor), kind(ceiling), out=latent)
    if whole:
        np.rint(latent, out=latent)
    np.copyto(out, latent, casting="unsafe")


def _check_counts(replications: int, n_baseline: int, n_exposure: int) -> None:
    for name, count, least in (
        ("replications", replications, 1),
        ("n_baseline", n_baseline, 0),
        ("n_exposure", n_exposure, 0),
    ):
        if not isinstance(count, (int, np.integer)) or count < least:
            raise ValueError(f"{name} must be a whole number of at least {least}; got {count!r}.")
    if n_baseline + n_exposure == 0:
        raise ValueError("n_baseline and n_exposure must be at least 1 together; got 0 and 0.")


def _times(times: Any, places: int) -> np.ndarray:
    if times is None:
        return np.arange(1.0, places + 1)
    when = np.asarray(times, dtype=float)
    if when.shape != (places,):
        raise ValueError(f"times must be one entry per occasion ({places}); got {when.size}.")
    if not (np.isfinite(when).all() and np.all(np.diff(when) > 0)):
        raise ValueError("times must be finite and strictly increasing.")
    return when


def _course(name: str, value: Any, replications: int) -> np.ndarray:
    column = np.asarray(value, dtype=float)
    if column.ndim and column.shape != (replications,):
        raise ValueError(
            f"{name} must be one number or one per replication ({replications}); got shape {column.shape}."
        )
    if not np.isfinite(column).all():
        raise ValueError(f"{name} must be finite; got {value!r}.")
    return column


def _within(
    name: str, value: float, low: float, high: float, allowed: str, *, open_high: bool = False
) -> float:
    number = float(value)
    if not (low <= number < high if open_high else low <= number <= high):
        raise ValueError(f"{name} must be {allowed}; got {value!r}.")
    return number
