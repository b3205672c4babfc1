"""How likely a changing-criterion study is to show that ratings follow, by simulating its own test."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.errors import check_between
from rungwise.simulate.ratings import DECLINE_SOFTNESS, rate_latent, simulate_ratings
from rungwise.study.changing_criterion import ChangingCriterion, count_as_close
from rungwise.study.power import Power, over_combinations
from rungwise.study.scenario import Scenario

if TYPE_CHECKING:
    import pandas as pd

SUPPOSED_FOLLOW = 1.0
"""Share of the way down to the criterion that a plan's power supposes; this project's own choice."""
MOST_COMBINED = 50_000
"""Sums of one half of the cases counted in each simulated study; above it some are drawn."""
_WIDE = 1e6
_NEVER = 1e9


def criterion_power(
    design: ChangingCriterion,
    cases: int,
    scenario: Scenario,
    *,
    rng: np.random.Generator,
    follow: float = 1.0,
    alpha: float = 0.05,
    replications: int = 1_000,
    draws: int = 999,
) -> Power:
    """Simulate a changing-criterion study many times and test each as it will be tested.

    Parameters
    ----------
    design : ChangingCriterion
        Of every case, each drawing its own schedule.
    cases : int
    scenario : Scenario
        Start, slope, scatter, autocorrelation, declines, missed probes and dropout count;
        `level_change` and `slope_change` do not, because the criteria take their place.
    rng : numpy.random.Generator
    follow : float
        Share of the way from a child's own course down to the criterion in force that ratings come,
        from 0 (no effect) to 1; a criterion above the course moves nothing.
    alpha : float
    replications : int
    draws : int
        Combinations drawn for each p where they are too many to count here.

    Returns
    -------
    Power
        Without an effect (``follow=0``) its `power` is the error rate of the test.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    The test is `rungwise.study.changing_criterion.combined_criterion_test`; it is blind to fear that
    runs ahead of the criteria, and so is this power: ratings that come only half of the way down look
    much the same under many schedules. How children follow is this project's own
    modeling choice; no source.

    Examples
    --------
    >>> design = ChangingCriterion(24, (6, 4, 2), 4, "random")
    >>> result = criterion_power(design, 3, Scenario(), rng=np.random.default_rng(1), replications=200)
    >>> result.assignments, result.power > 0.6
    (4492125, True)
    """
    check_between("alpha", alpha, 0, 1)
    if not 0 <= follow <= 1:
        raise ValueError(f"follow must be a share from 0 to 1; got {follow!r}.")
    for name, number in (("cases", cases), ("replications", replications)):
        if number < 1:
            raise ValueError(f"{name} must be 1 or more; got {number!r}.")
    permitted = design.schedules()
    total = len(permitted) ** cases
    counted = len(permitted) ** ((cases + 1) // 2) <= MOST_COMBINED
    distances, observed = [], np.zeros(replications)
    for _ in range(cases):
        made = rng.integers(len(permitted), size=replications)
        values = _ratings(design, permitted[made], scenario, follow, rng)
        one = _distances(values, permitted, design, made)
        distances.append(one)
        observed += one[np.arange(replications), made]
    testable = ~np.isnan(observed)
    p = np.full(replications, np.nan)
    for row in np.flatnonzero(testable).tolist():
        own = [one[row] for one in distances]
        bound = observed[row] + 1e-9 * cases
        if counted:
            p[row] = count_as_close(own, bound) / total
        else:
            sums = sum(rng.choice(one, draws) for one in own)
            p[row] = (np.sum(sums <= bound) + 1) / (draws + 1)
    share = float(np.mean(p <= alpha * (1 + 1e-9)))
    return Power(
        power=share,
        monte_carlo_error=math.sqrt(share * (1 - share) / replications),
        replications=replications,
        not_testable=float(np.mean(~testable)),
        cases=cases,
        occasions=design.n,
        assignments=total,
        smallest_p=1 / total,
        counted=total if counted else draws,
        alpha=alpha,
    )


def criterion_power_curve(
    criteria: tuple[float, ...],
    minimum: int,
    children: Iterable[int],
    lengths: Iterable[int],
    scenario: Scenario,
    *,
    seed: int,
    **settings: Any,
) -> pd.DataFrame:
    """Give power over numbers of children and of occasions, in the columns of `power_curve`.

    Parameters
    ----------
    criteria, minimum
        As for `ChangingCriterion`; a length they do not fit into is left blank with the reason.
    children, lengths : iterable of int
    scenario : Scenario
    seed : int
        Each combination draws from a stream of its own.
    **settings
        As for `criterion_power`.
    """
    return over_combinations(
        children,
        lengths,
        seed,
        lambda _, n: ChangingCriterion(n, criteria, minimum, "random"),
        lambda design, m, _, rng: criterion_power(design, m, scenario, rng=rng, **settings),
    )


def _ratings(
    design: ChangingCriterion,
    drawn: np.ndarray,
    scenario: Scenario,
    follow: float,
    rng: np.random.Generator,
) -> np.ndarray:
    """Simulate one case in every replication: NaN where declined or missing."""
    many, n = drawn.shape
    start = np.full(many, scenario.start) + scenario.sd_start * rng.standard_normal(many)
    simulated = simulate_ratings(
        rng, many, n, 0, start=start, baseline_slope=scenario.baseline_slope, sd=scenario.sd,
        phi=scenario.phi, floor=-_WIDE, ceiling=_WIDE, whole=False,
    )  # fmt: skip
    course = start[:, None] + scenario.baseline_slope * np.arange(n)
    wanted = np.array([np.inf, *design.criteria])[drawn]
    latent = simulated.values - follow * np.maximum(course - wanted, 0)
    values, _ = rate_latent(
        rng, latent, floor=scenario.floor, ceiling=scenario.ceiling,
        decline_at=_NEVER if scenario.decline_at is None else scenario.decline_at,
        decline_softness=DECLINE_SOFTNESS,
    )  # fmt: skip
    absent = rng.random((many, n)) < scenario.missed
    # A child may have left before any exposure occasion after the first.
    at_risk = (drawn > 0) & (np.cumsum(drawn > 0, axis=1) > 1)
    absent |= np.logical_or.accumulate(at_risk & (rng.random((many, n)) < scenario.dropout), axis=1)
    values[absent] = np.nan
    return values


def _distances(
    values: np.ndarray, permitted: np.ndarray, design: ChangingCriterion, made: np.ndarray
) -> np.ndarray:
    """Give each replication's mean distance under every schedule; NaN where it cannot be tested."""
    compared = (permitted > 0).all(axis=0)
    ratings, schedules = values[:, compared], permitted[:, compared]
    rated = ~np.isnan(ratings)
    sums = np.zeros((len(values), len(permitted)))
    seen = np.zeros(len(values), dtype=int)
    for number, criterion in enumerate(design.criteria, start=1):
        apart = np.where(rated, np.abs(ratings - criterion), 0.0)
        sums += apart @ (schedules == number).T.astype(float)
        seen += (rated & (schedules[made] == number)).any(axis=1)
    count = rated.sum(axis=1)
    usable = (count >= 2) & (seen >= 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(usable[:, None], sums / count[:, None], np.nan)
