"""The one generator of planned ratings: power, calibration, teaching and demo data all draw from it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.simulate.process import Course, RatingProcess, course_of_some, declines, to_scale

# Replications made together: scratch of this many series stays within a core's cache.
CHUNK = 8192
# Small groups are turned into ratings together, so many that what is done once for them does not tell.
_TOGETHER = 4096
DECLINE_SOFTNESS = 0.5
"""Points of latent fear over which the odds of declining change by a factor e, unless stated."""


@dataclass(frozen=True, eq=False)
class SimulatedRatings:
    """Ratings of many simulated children at the same planned occasions.

    Attributes
    ----------
    underlying : ndarray, shape (replications, occasions)
        Ratings, ``int8`` where they are whole, and what they would have been where the child declined or
        the occasion was missed; `values` leaves these out. Stored occasion by occasion (the transpose is
        contiguous).
    declined, missed : ndarray of bool, shape (replications, occasions)
        Occasions on which the child declined the step, or on which nothing was recorded. An
        occasion is never both.
    n_baseline, n_exposure : int, or ndarray of int, shape (replications,)
        Planned occasions in the two phases; one per replication where exposure starts at different ones.
    times : ndarray of float, shape (occasions,)
        Time of each occasion.
    floor, ceiling : float
        Ends of the rating scale.
    """

    underlying: np.ndarray
    declined: np.ndarray
    missed: np.ndarray
    n_baseline: int | np.ndarray
    n_exposure: int | np.ndarray
    times: np.ndarray
    floor: float
    ceiling: float

    def __len__(self) -> int:
        return len(self.underlying)

    @cached_property
    def values(self) -> np.ndarray:
        """Ratings; ``int8`` where all were given and are whole, otherwise float with NaN for the others."""
        without = self.declined.T | self.missed.T
        if not without.any():
            return self.underlying
        values = self.underlying.T.astype(np.float32 if self.underlying.dtype == np.int8 else float)
        np.copyto(values, np.nan, where=without)
        return values.T

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
        if self.missed.any() or isinstance(self.n_baseline, np.ndarray):
            return SeriesBatch.from_flat(
                self.values.ravel(),
                np.arange(rows + 1) * places,
                np.broadcast_to(self.n_baseline, rows),
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

    def some(self, replications: slice | np.ndarray) -> SimulatedRatings:
        """Give some of the simulated children."""
        several = np.ndim(self.n_baseline) > 0
        return dataclasses.replace(
            self,
            underlying=self.underlying[replications],
            declined=self.declined[replications],
            missed=self.missed[replications],
            n_baseline=np.asarray(self.n_baseline)[replications] if several else self.n_baseline,
            n_exposure=np.asarray(self.n_exposure)[replications] if several else self.n_exposure,
        )

    def series(self, replication: int) -> PhaseSeries:
        """Give one simulated child."""
        n_baseline = int(np.broadcast_to(self.n_baseline, len(self))[replication])
        return PhaseSeries(
            self.values[replication].astype(float),
            ["baseline"] * n_baseline + ["exposure"] * (len(self.times) - n_baseline),
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
    decline_softness: float = DECLINE_SOFTNESS,
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
    when = _times(times, n_baseline + n_exposure)
    process = RatingProcess(when, phi, floor, ceiling, whole, decline_at, decline_softness, missed, dropout)
    course = course_of(replications, start, baseline_slope, level_change, slope_change, sd)
    return simulate_groups(rng, process, course, [(n_baseline, replications)])


def course_of(
    replications: int, start: Any, baseline_slope: Any, level_change: Any, slope_change: Any, sd: Any
) -> Course:
    """Check the course of many children, each part one number or one per child.

    Raises
    ------
    ValueError
        If a part is not finite or has another shape, or `sd` is negative.
    """
    given = {
        "start": start,
        "baseline_slope": baseline_slope,
        "level_change": level_change,
        "slope_change": slope_change,
        "sd": sd,
    }
    course = {name: _column(name, value, replications) for name, value in given.items()}
    if np.any(course["sd"] < 0):
        raise ValueError(f"sd must be 0 or more; got {float(np.min(course['sd'])):g}.")
    return course


def simulate_groups(
    rng: np.random.Generator,
    process: RatingProcess,
    course: Course,
    groups: Sequence[tuple[int, int]],
    before_each: Callable[[slice], None] | None = None,
) -> SimulatedRatings:
    """Simulate groups of children whose exposure starts at different occasions, one group after another.

    Parameters
    ----------
    rng : numpy.random.Generator
        Each group takes the numbers from it that `simulate_ratings` would have taken.
    process : RatingProcess
    course : dict
        One number, or one per replication of all groups.
    groups : sequence of (n_baseline, replications)
    before_each : callable, optional
        Called with the replications of each group before any of its numbers are drawn; it may fill them
        in `course`.

    Returns
    -------
    SimulatedRatings
        In the order of `groups`, each replication with its own `n_baseline`.
    """
    places, replications = len(process.times), sum(size for _, size in groups)
    for start, size in groups:
        _check_counts(size, start, places - start)
    underlying = np.empty((places, replications), dtype=np.int8 if process.whole else process.kind)
    declined = np.zeros((places, replications), dtype=bool)
    absent = np.zeros((places, replications), dtype=bool)
    largest = min(CHUNK, max(size for _, size in groups))
    block = process.room(min(max(largest, _TOGETHER), replications))
    waiting: list[tuple[int, int]] = []
    done = upto = 0

    def rate() -> None:
        """Turn what was drawn since the last time into ratings."""
        span = slice(done, upto)
        drawn = block.part(slice(0, upto - done))
        starts, sizes = zip(*waiting, strict=True)
        process.rate(drawn, course_of_some(course, span), starts, sizes, declined[:, span], absent[:, span])
        np.copyto(underlying[:, span], drawn.latent, casting="unsafe")

    for start, size in groups:
        end = upto + size
        if before_each is not None:
            before_each(slice(upto, end))
        while upto < end:
            more = min(CHUNK, end - upto)
            if upto - done + more > block.latent.shape[1]:
                rate()
                done = upto
                waiting.clear()
            process.draw(rng, block.part(slice(upto - done, upto - done + more)), start)
            waiting.append((start, more))
            upto += more
    rate()
    several = len(groups) > 1
    n_baseline = np.repeat([start for start, _ in groups], [size for _, size in groups])
    return SimulatedRatings(
        underlying.T,
        declined.T,
        absent.T,
        n_baseline if several else groups[0][0],
        places - n_baseline if several else places - groups[0][0],
        process.times,
        float(process.floor),
        float(process.ceiling),
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
    uniform = rng.random(latent.shape, dtype=np.float32) if decline_softness > 0 else None
    declined = declines(latent, uniform, decline_at, decline_softness)
    to_scale(latent, floor, ceiling, whole=True)
    latent[declined] = np.nan
    return latent, declined


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


def _column(name: str, value: Any, replications: int) -> np.ndarray:
    column = np.asarray(value, dtype=float)
    if column.ndim and column.shape != (replications,):
        raise ValueError(
            f"{name} must be one number or one per replication ({replications}); got shape {column.shape}."
        )
    if not np.isfinite(column).all():
        raise ValueError(f"{name} must be finite; got {value!r}.")
    return column
