"""Trend over planned probes of several steps: the seasonal Mann–Kendall test, steps as its seasons."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np

from rungwise.basis.distributions import SMALLEST
from rungwise.basis.errors import check_choice
from rungwise.basis.estimate import Estimate, orientation
from rungwise.basis.null_trend import trend_distribution, trend_variance
from rungwise.basis.null_two_phase import ALTERNATIVES
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.nap import DECLINED_CAUTION
from rungwise.single_case.trend import NEIGHBORS

DEPENDENCES = ("days", "covariance", "none")
# Orders of so many days are gone through one by one; of more, some are drawn.
_COUNTED_DAYS = 8
# Below this many occasions a step the estimated covariance is not to be relied on (Hirsch & Slack 1984
# simulated from five years on and advise ten; from memory of the paper).
_COVARIANCE_FROM = 10

INDEPENDENT = (
    "This p takes the steps as independent; ratings of one day are not, and it is then too small. The p "
    "over whole days allows for it."
)
SHORT_FOR_COVARIANCE = "Fewer than 10 occasions a step: the estimated covariance of steps is rough."
NOTHING = "No step was rated on two different days, so there is no trend to speak of."
ALL_TIED = "Every step has one and the same rating throughout, so tau has no value."
NO_INTERVAL = "No interval is given: none for this tau has shown its coverage in short series."
PLANNED_ONLY = "Sound only for probes planned in advance; for practice ratings it is not."


@dataclass(frozen=True, eq=False)
class _Grid:
    """Ratings as order numbers (larger is better), days by steps; NaN where not rated."""

    days: np.ndarray
    ranks: np.ndarray
    declined: int


def seasonal_mann_kendall(
    series: Sequence[PhaseSeries],
    phase: str | None = None,
    alternative: str = "two-sided",
    *,
    dependence: str = "days",
    rng: np.random.Generator | None = None,
    draws: int = 9999,
) -> Estimate:
    """Test planned probes of several steps for one common trend over time.

    Each step is compared with itself alone, as a month is compared with the same month of other years,
    so what steps differ in difficulty cannot look like a trend. It serves ladders on which several steps
    are probed at occasions planned in advance.

    Parameters
    ----------
    series : sequence of PhaseSeries
        One per probe step, of one child, with times counted from one day.
    phase : {"baseline", "exposure", "maintenance", "follow_up"}, optional
        None takes baseline and exposure together, in which a step between them counts as trend.
    alternative : {"two-sided", "improvement", "worsening"}
    dependence : {"days", "covariance", "none"}
        How the resemblance of ratings of one day is dealt with. ``"days"`` permutes whole days, which
        keeps it whatever it is; ``"covariance"`` estimates it (Hirsch & Slack 1984); ``"none"`` takes
        steps as independent (Hirsch, Slack & Smith 1982), exact where it can be counted.
    rng : numpy.random.Generator, optional
        Needed by ``"days"`` with more than 8 days, whose orders are drawn at random.
    draws : int
        How many are drawn.

    Returns
    -------
    Estimate
        ``value`` is S over the pairs within steps that differ in rating (better minus worse, as a share
        of both), oriented: positive is improvement. ``counts`` has S, its variance and z
        (continuity-corrected) where the null asked for has a variance, and pairs, steps and days.
        Declines rank worse than any rating.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    It misleads where steps move in opposite directions: their trends cancel. Neighboring days that
    resemble each other make every p too small.

    Source: Hirsch, Slack & Smith 1982, Water Resources Research 18:107-121; Hirsch & Slack 1984, Water
    Resources Research 20:727-732.

    Examples
    --------
    >>> low = PhaseSeries.from_phases([4, 4, 3], [2, 2, 1])
    >>> high = PhaseSeries.from_phases([9, 8, 8], [7, 5, 5])
    >>> trend = seasonal_mann_kendall([low, high])
    >>> trend.counts["S"], trend.counts["pairs"], round(trend.p_value, 4)
    (26, 30, 0.0028)
    """
    check_choice("alternative", alternative, ALTERNATIVES)
    check_choice("dependence", dependence, DEPENDENCES)
    grid = _grid(series, phase)
    signs = _signs(grid.ranks)
    per_step = np.triu(signs, 1).sum(axis=(1, 2))
    s = int(per_step.sum())
    rated = ~np.isnan(grid.ranks)
    occasions = rated.sum(axis=0)
    pairs = int((occasions * (occasions - 1) // 2).sum())
    differing = int(np.abs(np.triu(signs, 1)).sum())
    counts: dict[str, float] = {
        "S": s,
        "pairs": pairs,
        "differing": differing,
        "steps": int((occasions > 0).sum()),
        "days": len(grid.days),
        "declined": grid.declined,
    }
    cautions = [PLANNED_ONLY, NEIGHBORS]
    if grid.declined:
        cautions.append(DECLINED_CAUTION)
    blank = Estimate(
        "seasonal Mann-Kendall", float("nan"), alternative=alternative, null="exchangeable",
        n=int(occasions.sum()), counts=counts,
    )  # fmt: skip
    if not pairs:
        return replace(blank, cautions=(NOTHING, *cautions))
    if dependence == "days":
        p, smallest, how = _over_days(signs, s, alternative, rng, draws)
        counts["smallest_p"] = smallest
    elif dependence == "none":
        p, how = _independent(grid.ranks, s, alternative, counts)
        cautions.append(INDEPENDENT)
    else:
        p, how = _with_covariance(grid.ranks, signs, s, alternative, counts)
        if occasions[occasions > 0].min() < _COVARIANCE_FROM:
            cautions.append(SHORT_FOR_COVARIANCE)
    value = s / differing if differing else float("nan")
    cautions.append(NO_INTERVAL if differing else ALL_TIED)
    return replace(
        blank,
        value=value,
        p_value=max(p, SMALLEST),
        counts=counts,
        method=f"S summed over steps, each compared with itself; {how}",
        favors=str(orientation(np.array([value]))[0]),
        cautions=tuple(cautions),
    )


def seasonal_slope(series: Sequence[PhaseSeries], phase: str | None = None) -> Estimate:
    """Give the median slope over all pairs of occasions of the same step, in rating units a time unit.

    Parameters
    ----------
    series, phase
        As in `seasonal_mann_kendall`.

    Returns
    -------
    Estimate
        In the data's sign. Declined occasions have no rating and no slope, and a caution counts them.
        No interval.

    Notes
    -----
    Source: the seasonal Kendall slope estimator, Hirsch, Slack & Smith 1982.

    Examples
    --------
    >>> low = PhaseSeries.from_phases([4, 4], [2, 2])
    >>> high = PhaseSeries.from_phases([9, 8], [7, 6])
    >>> seasonal_slope([low, high]).value
    -1.0
    """
    chosen = [_chosen(one, phase) for one in series]
    slopes = []
    declined = 0
    for one in chosen:
        declined += int(one.declined.sum())
        kept = ~np.isnan(one.values)
        time, value = one.times[kept], one.values[kept]
        i, j = np.triu_indices(len(time), 1)
        apart = time[j] > time[i]
        slopes.append((value[j] - value[i])[apart] / (time[j] - time[i])[apart])
    pooled = np.concatenate([np.zeros(0), *slopes])
    value = float(np.median(pooled)) if len(pooled) else float("nan")
    sign = -1.0 if series and series[0].better == "lower" else 1.0
    cautions = [NO_INTERVAL] if len(pooled) else [NOTHING]
    if declined:
        cautions.append(f"Declined occasions have no slope and are left out: {declined}.")
    return Estimate(
        "seasonal Kendall slope",
        value,
        n=int(sum((~np.isnan(one.values)).sum() for one in chosen)),
        counts={"slopes": len(pooled), "declined": declined},
        method="median of the slopes of all pairs of occasions of one step",
        unit=f"{series[0].unit if series else 'points'} a time unit",
        favors=str(orientation(np.array([sign * value]))[0]),
        cautions=tuple(cautions),
    )


def _chosen(series: PhaseSeries, phase: str | None) -> PhaseSeries:
    return series.only("baseline", "exposure") if phase is None else series.only(phase)


def _grid(series: Sequence[PhaseSeries], phase: str | None) -> _Grid:
    if not series:
        raise ValueError("series must hold at least one series; got none.")
    chosen = [_chosen(one, phase) for one in series]
    for place, one in enumerate(chosen, start=1):
        times = one.times[one.usable]
        if len(np.unique(times)) < len(times):
            raise ValueError(
                f"series must have one occasion a day for each step; series {place} has two at one time."
            )
    days = np.unique(np.concatenate([one.times[one.usable] for one in chosen]))
    ranks = np.full((len(days), len(chosen)), np.nan)
    declined = 0
    for column, one in enumerate(chosen):
        oriented = np.where(one.declined, -np.inf, -one.values if one.better == "lower" else one.values)
        used = oriented[one.usable]
        ranks[np.searchsorted(days, one.times[one.usable]), column] = np.unique(used, return_inverse=True)[
            1
        ]
        declined += int(one.declined.sum())
    return _Grid(days, ranks, declined)


def _signs(ranks: np.ndarray) -> np.ndarray:
    """Give the sign of every later minus earlier rating, shape (steps, days, days); 0 where not rated."""
    with np.errstate(invalid="ignore"):
        signs = np.sign(ranks.T[:, None, :] - ranks.T[:, :, None])
    return np.nan_to_num(signs).astype(np.int64)


def _tail(z: float, alternative: str) -> float:
    above, below = 0.5 * math.erfc(z / math.sqrt(2)), 0.5 * math.erfc(-z / math.sqrt(2))
    if alternative == "two-sided":
        return min(1.0, 2 * min(above, below))
    return above if alternative == "improvement" else below


def _z(s: int, variance: float) -> float:
    # The continuity correction of Hirsch, Slack & Smith 1982, equation 6.
    return float((s - np.sign(s)) / math.sqrt(variance)) if variance > 0 else float("nan")


def _normal(s: int, variance: float, alternative: str) -> float:
    if not variance > 0:
        return 1.0
    if alternative == "two-sided":
        return _tail(_z(s, variance), alternative)
    toward = 1 if alternative == "improvement" else -1
    return _tail((s - toward) / math.sqrt(variance), alternative)


def _independent(
    ranks: np.ndarray, s: int, alternative: str, counts: dict[str, float]
) -> tuple[float, str]:
    variance, exact = 0.0, [np.ones(1)]
    lowest = 0
    countable = True
    for column in ranks.T:
        codes = column[~np.isnan(column)].astype(np.int64)
        if len(codes) < 2:
            continue
        sizes = np.bincount(codes)
        variance += float(trend_variance(sizes[None, :])[0])
        null = trend_distribution(sizes)
        if null is None:
            countable = False
            continue
        values, probability = null
        lowest += int(values[0])
        exact.append(probability)
    counts |= {"variance": float(variance), "z": _z(s, variance)}
    if not countable:
        return _normal(s, variance, alternative), "p normal, steps taken as independent"
    # Attainable values of one step's S are two apart, so those of the sum are too.
    total = exact[0]
    for probability in exact[1:]:
        total = np.convolve(total, probability)
    attainable = lowest + 2 * np.arange(len(total))
    hit = _as_far(attainable, s, alternative)
    return float(min(1.0, total[hit].sum())), "p exact, steps taken as independent"


def _as_far(values: np.ndarray, s: int, alternative: str) -> np.ndarray:
    if alternative == "two-sided":
        return np.abs(values) >= abs(s)
    return values >= s if alternative == "improvement" else values <= s


def _with_covariance(
    ranks: np.ndarray, signs: np.ndarray, s: int, alternative: str, counts: dict[str, float]
) -> tuple[float, str]:
    rated = ~np.isnan(ranks)
    n = rated.sum(axis=0)
    # Ranks among a step's own ratings; a missing one has the middle rank (n_g + 1)/2.
    middle = (n + 1) / 2
    own = middle + signs.sum(axis=1).T / 2
    own = np.where(rated, own, middle)
    variance = 0.0
    for g in range(len(n)):
        for h in range(len(n)):
            if g == h:
                codes = ranks[rated[:, g], g].astype(np.int64)
                variance += float(trend_variance(np.bincount(codes)[None, :])[0]) if n[g] > 1 else 0.0
                continue
            # Dietz & Killeen's estimator, as in Hirsch & Slack 1984.
            together = int((np.triu(signs[g], 1) * np.triu(signs[h], 1)).sum())
            products = float(own[:, g] @ own[:, h])
            variance += (together + 4 * products - len(ranks) * (n[g] + 1) * (n[h] + 1)) / 3
    counts |= {"variance": float(variance), "z": _z(s, variance)}
    return _normal(s, variance, alternative), "p normal, covariance of steps estimated"


def _over_days(
    signs: np.ndarray, s: int, alternative: str, rng: np.random.Generator | None, draws: int
) -> tuple[float, float, str]:
    """Permute whole days; give p, the smallest p there could be (NaN where not counted), and how."""
    table = signs.sum(axis=0)
    n = len(table)
    i, j = np.triu_indices(n, 1)
    if n <= _COUNTED_DAYS:
        orders = np.array(list(permutations(range(n))), dtype=np.int64)
        null = table[orders[:, i], orders[:, j]].sum(axis=1)
        p = float(_as_far(null, s, alternative).mean())
        extreme = np.abs(null).max() if alternative == "two-sided" else null.max()
        if alternative == "worsening":
            extreme = null.min()
        return (
            p,
            float(_as_far(null, int(extreme), alternative).mean()),
            "p exact over orders of whole days",
        )
    if rng is None:
        raise ValueError(f"rng must be a numpy Generator where there are more than 8 days; there are {n}.")
    hits = 0
    for start in range(0, draws, 1024):
        many = min(1024, draws - start)
        orders = rng.permuted(np.tile(np.arange(n), (many, 1)), axis=1)
        null = table[orders[:, i], orders[:, j]].sum(axis=1)
        hits += int(_as_far(null, s, alternative).sum())
    return (hits + 1) / (draws + 1), float("nan"), f"p from {draws} random orders of whole days"
