"""Autocorrelation pooled over a caseload: which rows of the tables of error rates it lies between."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from rungwise.basis.distributions import t_quantile
from rungwise.basis.errors import check_between
from rungwise.basis.estimate import Estimate
from rungwise.series.batch import SeriesBatch
from rungwise.series.caseload import Caseload
from rungwise.single_case.nap import MISSING_CAUTION
from rungwise.single_case.stretch import Stretch

FEWEST = 5
"""Ratings in a phase that can tell something once its own line is taken off."""
FEWEST_CHILDREN = 3
"""Children needed for an interval, which comes from how they differ."""
LIMITS = (-0.9, 0.95)
_STEPS = 24

NO_PHASE = (
    f"No phase has {FEWEST} different occasions with ratings that vary around its line, so autocorrelation "
    "cannot be estimated."
)
FEW_CHILDREN = f"No interval: it comes from how children differ, and needs {FEWEST_CHILDREN} of them."
AT_LIMIT = "The estimate lies at the end of what is looked for."
NOT_ONE_CHILD = (
    "It describes the caseload and picks no row for one child; children differ, and a course that bends "
    "within a phase counts as autocorrelation."
)


def pooled_autocorrelation(
    batch: SeriesBatch, children: Sequence[object] | None = None, confidence: float = 0.95
) -> Estimate:
    """Give the lag-1 autocorrelation that the series of a caseload have in common, around their own lines.

    For reading tables of error rates, which have rows by autocorrelation: one child's dozen ratings
    cannot tell its row, a caseload's hundreds say roughly where its children lie. It never picks a
    row, and none of the statistics uses it.

    Parameters
    ----------
    batch : SeriesBatch
        Baseline and exposure of each series.
    children : sequence, optional
        Whose series each is; series of one child are taken together in the interval. Default: each
        series is a child of its own.
    confidence : float

    Returns
    -------
    Estimate
        ``value`` is the estimate for occasions one usual spacing apart, corrected for the bias that
        taking off a line brings; the interval is a t interval from how children differ. ``counts``:
        ``children``, ``phases`` and ``pairs`` used. NaN with the reason where nothing can be said. Never a
        test.

    Raises
    ------
    ValueError
        If `children` are not one per series, or `confidence` is not between 0 and 1.

    Notes
    -----
    From each phase its least-squares line is taken off; e are what is left. Taking the line off makes
    neighbors look less alike than they are, in a phase of five by about .5. So for each phase the
    ratio R(φ) = E Σ e(t)e(t−1) / E Σ e(t)² that its occasions give an AR(1) with autocorrelation φ is
    worked out exactly, and φ solves Σ [Σ e(t)e(t−1) − R(φ) Σ e(t)²] = 0 over all phases: an estimating
    equation whose terms have expectation 0 whatever the standard deviation of each child. Lags count
    usual (median) spacings; of several ratings at one time the first is used; declines and missing
    occasions leave a gap. The interval inverts the t test that the children's terms of the equation have
    mean 0; where no value up to an end is rejected it reaches to -1 or 1.

    Rounding to whole points adds variance without autocorrelation; where all ratings are whole numbers
    of a step, a twelfth of its square is taken off (Sheppard's correction).

    Source: the project's own, after the exact expectation of ratios of quadratic forms used since
    Durbin & Watson 1950, Biometrika 37:409–428, from memory.

    Examples
    --------
    >>> from rungwise.simulate.ratings import simulate_ratings
    >>> batch = simulate_ratings(np.random.default_rng(1), 40, 8, 20, phi=0.4, whole=False).batch()
    >>> pooled = pooled_autocorrelation(batch)
    >>> pooled.ci_low < 0.4 < pooled.ci_high, pooled.counts["children"]
    (True, 40)
    """
    check_between("confidence", confidence, 0, 1)
    own = list(range(len(batch))) if children is None else list(children)
    if len(own) != len(batch):
        raise ValueError(f"children must be one per series ({len(batch)}); got {len(own)}.")
    products, squares, who, expected, pairs = [], [], [], [], 0
    noise = _rounding_noise(batch)
    for phase in batch.phases:
        stretch = Stretch.of(batch, phase)
        for row in range(len(batch)):
            told = _told(stretch, row, noise[row])
            if told is not None:
                products.append(told[0])
                squares.append(told[1])
                expected.append(told[2])
                pairs += told[3]
                who.append(own[row])
    n = int((batch.n_a + batch.n_b - batch.n_declined).sum())
    cautions = [NOT_ONE_CHILD]
    if batch.n_missing.any():
        cautions.append(MISSING_CAUTION)
    if not products:
        return _estimate(math.nan, math.nan, math.nan, confidence, n, (0, 0, 0), [NO_PHASE, *cautions])
    product, square = np.array(products), np.array(squares)
    kind, kinds = _numbered(expected)
    child, names = _numbered(who)
    m = len(names)
    by_child = np.zeros((m, len(kinds)))
    np.add.at(by_child, (child, kind), square)
    own_product = np.bincount(child, product, m)

    def surplus(phi: float) -> np.ndarray:
        """One term per child; their sum is 0 at the estimate."""
        return own_product - by_child @ [_ratio(one, phi) for one in kinds]

    phi = _root(lambda at: float(surplus(at).sum()))
    low = high = math.nan
    if m >= FEWEST_CHILDREN:
        low, high = _not_rejected(surplus, phi, float(t_quantile((1 + confidence) / 2, m - 1)))
    else:
        cautions.insert(0, FEW_CHILDREN)
    if phi in LIMITS:
        cautions.insert(0, AT_LIMIT)
    return _estimate(phi, low, high, confidence, n, (m, len(products), pairs), cautions)


@lru_cache(maxsize=1)
def caseload_autocorrelation(caseload: Caseload, confidence: float = 0.95) -> Estimate:
    """Give the autocorrelation pooled over the probe ratings of every child of a caseload.

    As `pooled_autocorrelation`, over each child's first outcome on all its ladders.
    """
    names, series = [], []
    for child in caseload.children:
        for ladder in caseload.ladders(child, trained=True) or caseload.ladders(child):
            names.append(child)
            series.append(caseload.series(child, ladder))
    return pooled_autocorrelation(SeriesBatch.of(*series), names, confidence)


def _estimate(
    value: float,
    low: float,
    high: float,
    confidence: float,
    n: int,
    used: tuple[int, int, int],
    cautions: list[str],
) -> Estimate:
    return Estimate(
        "pooled_autocorrelation",
        value=value,
        ci_low=low,
        ci_high=high,
        confidence=confidence,
        n=n,
        counts=dict(zip(("children", "phases", "pairs"), used, strict=True)),
        method="lag-1 autocorrelation around each phase's own line, pooled over children; exact correction "
        "for the line taken off; interval from a t test over children",
        cautions=tuple(cautions),
    )


def _rounding_noise(batch: SeriesBatch) -> np.ndarray:
    """Give the variance that rounding adds to the ratings of each series; 0 where it is not known.

    A twelfth of the squared step of the scale (Sheppard), the step being the largest that all ratings on
    that scale are a whole number of.
    """
    noise = np.zeros(len(batch))
    ends = np.column_stack([np.nan_to_num(batch.floor), np.nan_to_num(batch.ceiling)])
    scales, member = np.unique(ends, axis=0, return_inverse=True)
    for scale in range(len(scales)):
        rows = member == scale
        rated = batch.values[rows][~np.isnan(batch.values[rows])]
        if len(rated) and np.abs(rated).max() < 2**53 and (rated == np.rint(rated)).all():
            noise[rows] = float(np.gcd.reduce((rated - rated[0]).astype(np.int64))) ** 2 / 12
    return noise


def _told(stretch: Stretch, row: int, noise: float) -> tuple[float, float, tuple[int, ...], int] | None:
    """Give a phase's sum of neighboring products, sum of squares, places of occasions, and pairs."""
    rated = stretch.used[row] & ~stretch.declined[row]
    times, values = stretch.times[row][rated], stretch.values[row][rated]
    order = np.argsort(times, kind="stable")
    times, values = times[order], values[order]
    first = np.concatenate([[True], np.diff(times) > 0])[: len(times)]
    times, values = times[first], values[first]
    if len(values) < FEWEST or values.min() == values.max():
        return None
    # Every occasion on a grid of usual spacings, so that a missed one leaves a gap.
    every = np.unique(stretch.times[row][stretch.used[row]])
    usual = float(np.median(np.diff(every)))
    steps = np.maximum(np.rint(np.diff(times) / usual), 1).astype(int)
    places = tuple(np.concatenate([[0], np.cumsum(steps)]).tolist())
    maker, neighbors = _line_off(places)
    left = maker @ (values - values[0])
    square = float(left @ left)
    # A phase that lies on its own line has no neighbors to compare.
    if not neighbors.any() or square <= 1e-20 * float((values - values[0]) @ (values - values[0])):
        return None
    # What rounding adds is no part of the course: unrelated from occasion to occasion.
    product = float(left @ neighbors @ left) - noise * float(np.sum(neighbors * maker))
    return product, square - noise * float(np.trace(maker)), places, int(neighbors.sum())


@lru_cache(maxsize=4096)
def _line_off(places: tuple[int, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Give the matrix that takes a line off, and the one that picks products of neighbors."""
    at = np.array(places, dtype=float)
    design = np.column_stack([np.ones(len(at)), at - at.mean()])
    basis = np.linalg.qr(design)[0]
    neighbors = np.zeros((len(at), len(at)))
    close = np.flatnonzero(np.diff(places) == 1)
    neighbors[close + 1, close] = 1.0
    return np.eye(len(at)) - basis @ basis.T, neighbors


@lru_cache(maxsize=4096)
def _expectations(places: tuple[int, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Give E Σ e(t)e(t−1) and E Σ e(t)² as polynomials in φ, lowest power first."""
    maker, neighbors = _line_off(places)
    lags = np.abs(np.subtract.outer(places, places)).ravel()
    return (
        np.bincount(lags, (maker @ neighbors @ maker).ravel()),
        np.bincount(lags, maker.ravel()),
    )


def _ratio(places: tuple[int, ...], phi: float) -> float:
    above, below = _expectations(places)
    powers = phi ** np.arange(len(above))
    return float(above @ powers / (below @ powers))


def _not_rejected(
    surplus: Callable[[float], np.ndarray], phi: float, critical: float
) -> tuple[float, float]:
    """Give the values around the estimate at which a t test over children does not reject."""

    def rejects(at: float) -> bool:
        terms = surplus(at)
        return abs(float(terms.sum())) > critical * math.sqrt(len(terms)) * float(terms.std(ddof=1))

    ends = []
    for limit, beyond in zip(LIMITS, (-1.0, 1.0), strict=True):
        if phi == limit:
            # What lies beyond is not looked at, so it is not rejected either.
            ends.append(beyond)
            continue
        steps = np.linspace(phi, limit, _STEPS + 1).tolist()
        outside = next((at for at in steps[1:] if rejects(at)), None)
        if outside is None:
            ends.append(beyond)
            continue
        inside = steps[steps.index(outside) - 1]
        for _ in range(20):
            middle = (inside + outside) / 2
            inside, outside = (inside, middle) if rejects(middle) else (middle, outside)
        ends.append((inside + outside) / 2)
    return ends[0], ends[1]


def _numbered(names: list[Any]) -> tuple[np.ndarray, list[Any]]:
    """Give each name's number, and the names in order of first appearance."""
    numbers = {name: number for number, name in enumerate(dict.fromkeys(names))}
    return np.array([numbers[name] for name in names]), list(numbers)


def _root(surplus: Callable[[float], float]) -> float:
    """Find where a falling function is 0, between `LIMITS`; the nearer end where it is nowhere."""
    low, high = LIMITS
    if surplus(low) <= 0:
        return low
    if surplus(high) >= 0:
        return high
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if surplus(middle) > 0 else (low, middle)
    return (low + high) / 2
