"""Changing-criterion designs with changes drawn at random, and the test of whether ratings followed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rungwise.basis.errors import NotEnoughData, check_choice
from rungwise.basis.estimate import Estimate
from rungwise.single_case.designs import ASSIGNMENTS, RandomChanges

FEWEST_RATED = "The test needs a rating under at least two criteria."
FOLLOWS_ONLY = "An effect that runs ahead of the criteria, or lags behind them, is not seen by this test."
MOST_IN_A_HALF = 2_000_000
"""Sums of distances held at once; above it the combined p is estimated from draws."""
DECLINES_AT_CEILING = "Declined occasions have no rating and are left out of the distances."


@dataclass(frozen=True)
class ChangingCriterion:
    """Baseline, then criteria that come into force one after another at occasions drawn at random.

    Parameters
    ----------
    n : int
        Occasions in all.
    criteria : tuple of float
        In the order in which they come into force: the rating not to be exceeded.
    minimum : int
        Fewest occasions in baseline and under each criterion.
    assignment : {"random", "clinical"}

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    Source: Hartmann & Hall 1976, Journal of Applied Behavior Analysis 9:527–532, for the design; drawing
    its changes at random after Onghena & Edgington 2005, Clinical Journal of Pain 21:56–68; from memory.

    Examples
    --------
    >>> ChangingCriterion(24, (6, 4, 2), 4, "random").n_assignments
    165
    """

    n: int
    criteria: tuple[float, ...]
    minimum: int
    assignment: str

    def __post_init__(self) -> None:
        check_choice("assignment", self.assignment, ASSIGNMENTS)
        criteria = tuple(float(one) for one in self.criteria)
        if len(criteria) < 2 or not all(math.isfinite(one) for one in criteria):
            raise ValueError(f"criteria must be two numbers or more; got {self.criteria!r}.")
        if len(set(criteria)) < len(criteria):
            raise ValueError(f"criteria must all differ; got {self.criteria!r}.")
        object.__setattr__(self, "criteria", criteria)
        self._changes  # noqa: B018 -- says what is wrong with n and minimum

    @property
    def _changes(self) -> RandomChanges:
        return RandomChanges(self.n, len(self.criteria) + 1, self.minimum, self.assignment)

    @property
    def n_assignments(self) -> int:
        """Number of permitted schedules."""
        return self._changes.n_assignments

    @property
    def start_range(self) -> range:
        """Occasions at which the first criterion may come into force."""
        return range(self.minimum + 1, self.n - self.minimum * len(self.criteria) + 2)

    def schedules(self) -> np.ndarray:
        """List all schedules: one row each, the phase number of every occasion (0 = baseline)."""
        return _phase_numbers(self._changes.masks(self.n))

    def draw(self, size: int, rng: np.random.Generator) -> np.ndarray:
        """Draw schedules with equal probability; rows as in `schedules`."""
        return _phase_numbers(self._changes.draw(self.n, size, rng))


def criterion_test(values: Any, schedule: Any, *, design: ChangingCriterion) -> Estimate:
    """Test whether ratings followed the criteria when they changed.

    Parameters
    ----------
    values : array_like of float
        Ratings by occasion; NaN where missing or declined.
    schedule : array_like of int
        The schedule that was drawn: phase number of every occasion, 0 in baseline.
    design : ChangingCriterion

    Returns
    -------
    Estimate
        ``value`` is the mean distance of the ratings from the criterion in force, baseline left out, in
        rating points; p is the share of the permitted schedules under which it would be as small. The
        occasions compared are those that no permitted schedule has in baseline, so that every schedule
        is judged by the same ratings.

    Raises
    ------
    ValueError
        If the changes were not drawn at random, or the schedule was not permitted.
    NotEnoughData
        If too few occasions are rated.

    Notes
    -----
    It can miss a real effect that runs ahead of the criteria: fear that falls at once to the last
    criterion follows none of them. One-sided by nature.

    Examples
    --------
    >>> design = ChangingCriterion(12, (6, 4, 2), 2, "random")
    >>> drawn = [0, 0, 1, 1, 1, 2, 2, 3, 3, 3, 3, 3]
    >>> test = criterion_test([8, 8, 6, 6, 5, 4, 4, 2, 2, 2, 1, 2], drawn, design=design)
    >>> round(test.p_value, 4), test.counts["assignments"]
    (0.0857, 35)
    """
    distances, observed, n, missing = _distances(values, schedule, design)
    as_close = int(np.sum(distances <= observed + 1e-9))
    total = len(distances)
    return Estimate(
        "criterion_test",
        observed,
        p_value=as_close / total,
        alternative="improvement",
        null="design",
        n=n,
        counts={"assignments": total, "as_close": as_close, "smallest_p": 1 / total},
        method=f"mean distance from the criterion in force; all {total:,} permitted schedules listed",
        unit="points",
        cautions=(FOLLOWS_ONLY, *((DECLINES_AT_CEILING,) if missing else ())),
    )


def combined_criterion_test(
    values: Sequence[Any],
    schedules: Sequence[Any],
    *,
    design: ChangingCriterion,
    draws: int = 9_999,
    rng: np.random.Generator | None = None,
) -> Estimate:
    """Test over all cases together whether ratings followed the criteria when they changed.

    Parameters
    ----------
    values, schedules : sequence of array_like
        Of every case, as for `criterion_test`.
    design : ChangingCriterion
        Of every case; each drew its changes on its own.
    draws : int
        Monte Carlo draws where the combinations of schedules are too many to count.
    rng : numpy.random.Generator, optional
        Needed only there.

    Returns
    -------
    Estimate
        ``value`` is the mean over cases of their mean distance, in rating points; p is the share of all
        combinations of permitted schedules under which it would be as small, counted, or (b + 1)/(m + 1)
        from draws.

    Raises
    ------
    ValueError
        As `criterion_test`, or if a generator is needed and missing.
    NotEnoughData
        If a case has too few rated occasions: then the cases have no test together, because leaving one
        out for what it shows would choose the result.

    Notes
    -----
    It speaks of the cases together, not of each, and is blind where `criterion_test` is.

    Examples
    --------
    >>> design = ChangingCriterion(12, (6, 4, 2), 2, "random")
    >>> drawn = [[0, 0, 1, 1, 1, 2, 2, 3, 3, 3, 3, 3], [0, 0, 0, 0, 1, 1, 2, 2, 2, 2, 3, 3]]
    >>> ratings = [[8, 8, 6, 6, 5, 4, 4, 2, 2, 2, 1, 2], [9, 8, 9, 8, 6, 6, 4, 4, 3, 4, 2, 2]]
    >>> test = combined_criterion_test(ratings, drawn, design=design)
    >>> round(test.p_value, 4), test.counts["assignments"]
    (0.0147, 1225)
    """
    if not values or len(values) != len(schedules):
        raise ValueError(
            f"schedules must be one per case ({len(values)}, at least one); got {len(schedules)}."
        )
    cases = [_distances(one, drawn, design) for one, drawn in zip(values, schedules, strict=True)]
    m, total = len(cases), math.prod(len(distances) for distances, *_ in cases)
    observed = sum(own for _, own, _, _ in cases)
    bound = observed + 1e-9 * m
    distances = [one for one, *_ in cases]
    drawn_at_random = math.prod(map(len, distances[::2])) > MOST_IN_A_HALF
    if drawn_at_random:
        if rng is None:
            raise ValueError(
                f"rng must be a numpy Generator: the {total:,} combinations of schedules are too many to "
                "count, so some are drawn; got None."
            )
        sums = np.zeros(draws)
        for one in distances:
            sums += rng.choice(one, draws)
        as_close = int(np.sum(sums <= bound))
        p, method = (as_close + 1) / (draws + 1), f"{draws:,} of {total:,} combinations of schedules drawn"
    else:
        as_close = count_as_close(distances, bound)
        p, method = as_close / total, f"all {total:,} combinations of permitted schedules counted"
    missing = any(absent for *_, absent in cases)
    return Estimate(
        "combined_criterion_test",
        observed / m,
        p_value=p,
        alternative="improvement",
        null="design",
        n=sum(n for _, _, n, _ in cases),
        counts={
            "series": m,
            "assignments": total,
            "as_close": as_close,
            "draws": draws if drawn_at_random else 0,
            "monte_carlo_error": math.sqrt(p * (1 - p) / draws) if drawn_at_random else 0.0,
            "smallest_p": 1 / total,
        },
        method=f"mean distance from the criterion in force, averaged over cases; {method}",
        unit="points",
        cautions=(FOLLOWS_ONLY, *((DECLINES_AT_CEILING,) if missing else ())),
    )


def count_as_close(distances: Sequence[np.ndarray], bound: float) -> int:
    """Count the combinations of one distance from each case whose sum is at most `bound`.

    The sums over two halves of the cases are met in the middle.

    Examples
    --------
    >>> count_as_close([np.array([0.0, 1.0]), np.array([0.0, 2.0])], 1.5)
    2
    """
    first, second = (_sums(distances[start::2]) for start in (0, 1))
    second.sort()
    return int(np.searchsorted(second, bound - first, side="right").sum())


def _distances(
    values: Any, schedule: Any, design: ChangingCriterion
) -> tuple[np.ndarray, float, int, bool]:
    """Give the mean distance under every permitted schedule, the observed one, n, and if any is missing."""
    if design.assignment != "random":
        raise ValueError("A randomization test needs changes that were drawn at random; these were not.")
    ratings, drawn = np.asarray(values, dtype=float), np.asarray(schedule, dtype=np.int64)
    if ratings.shape != (design.n,) or drawn.shape != (design.n,):
        raise ValueError(
            f"values and schedule must have one entry per occasion ({design.n}); got shapes "
            f"{ratings.shape} and {drawn.shape}."
        )
    permitted = design.schedules()
    if not (permitted == drawn).all(axis=1).any():
        raise ValueError("design must permit the schedule that was used; it does not.")
    compared = (permitted > 0).all(axis=0) & ~np.isnan(ratings)
    criteria = np.array([np.nan, *design.criteria])
    if compared.sum() < 2 or len(np.unique(drawn[compared])) < 2:
        raise NotEnoughData(FEWEST_RATED)
    distances = np.abs(ratings[compared] - criteria[permitted[:, compared]]).mean(axis=1)
    observed = float(np.abs(ratings[compared] - criteria[drawn[compared]]).mean())
    return distances, observed, int(compared.sum()), bool(np.isnan(ratings).any())


def _sums(distances: Sequence[np.ndarray]) -> np.ndarray:
    """All sums of one distance from each case."""
    sums = np.zeros(1)
    for one in distances:
        sums = (sums[:, None] + one).ravel()
    return sums


def _phase_numbers(masks: np.ndarray) -> np.ndarray:
    return np.cumsum(np.diff(masks.astype(np.int64), axis=1, prepend=0) != 0, axis=1)
