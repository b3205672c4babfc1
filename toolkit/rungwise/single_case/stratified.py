"""Tau over several ladders or probe steps of one child, with whole days traded between phases."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.estimate import Estimate, orientation
from rungwise.basis.null_days import day_p
from rungwise.basis.null_two_phase import ALTERNATIVES, group_scores
from rungwise.series.batch import SeriesBatch
from rungwise.single_case.nap import (
    DECLINED_CAUTION,
    EMPTY_CAUTION,
    FEWEST,
    MISSING_CAUTION,
    NULL_CAUTION,
    SHORT_CAUTION,
    TIED_CAUTION,
)
from rungwise.single_case.pairs import pair_counts
from rungwise.single_case.tau import tau_batch

NO_INTERVAL = (
    "No interval: ratings of one day belong together, and none for stratified Tau has shown its coverage."
)
LEFT_OUT = "Left out: {labels}, where one of the two phases has no usable occasion."


def stratified_tau(
    batch: SeriesBatch,
    days: np.ndarray | None = None,
    alternative: str = "two-sided",
    confidence: float = 0.95,
    *,
    rng: np.random.Generator | None = None,
    draws: int = 9999,
) -> Estimate:
    """Give one Tau for all ladders or probe steps of one child.

    Baseline–exposure pairs are formed within each ladder only, and better minus worse pairs are added
    up over the ladders. Ratings made on one day are not independent: a bad day shows on every ladder.
    So the test trades whole days between the phases, each with all its ratings; testing the ladders
    one by one, or pooling their ratings, would count one bad day several times.

    Parameters
    ----------
    batch : SeriesBatch
        One child's series, one per ladder or probe step.
    days : ndarray, shape of ``batch.times``, optional
        The day of each occasion; default ``batch.times``. Occasions with equal entries trade places
        together, in all ladders.
    alternative : {"two-sided", "improvement", "worsening"}
    confidence : float
        For the interval, which only a single ladder with one rating a day has: that of `tau`.
    rng : numpy.random.Generator, optional
        Needed only where the assignments are too many to count.
    draws : int
        Assignments drawn then; p is ``(b + 1) / (draws + 1)``.

    Returns
    -------
    Estimate
        `value` is S over all baseline–exposure pairs of all ladders, oriented: positive is better for
        the child. With one ladder and one rating a day it is `tau`, p included.
        ``counts["smallest_p"]`` is the smallest p any assignment of the days has,
        ``counts["monte_carlo_error"]`` the standard error of a drawn p (0 when counted).

    Raises
    ------
    ValueError
        If the batch is empty, `days` has another shape, `alternative` or `confidence` is not among
        those allowed, or assignments must be drawn and `rng` is missing.

    Notes
    -----
    Ladders may start exposure on different days. A day then has a phase on each ladder. Where a ladder
    was not rated that day, it is the phase of that ladder's ratings around it; between its last
    baseline and its first exposure rating, it is exposure if another ladder was in exposure that day.
    Days with the same phases on all ladders are of one kind, and the kinds are handed out anew to the
    days. S of a ladder is the sum over its exposure occasions of the occasion's score (ratings of that
    ladder below it minus those above), so what a day adds depends on that day and its new kind alone,
    and the assignments can be counted without listing them.

    The null is exchangeable days: sound only without trend and without autocorrelation from day to day.

    Source: permuting whole blocks of dependent observations is standard; this combination with Tau is
    the project's own.

    Examples
    --------
    >>> from rungwise.series.phase_series import PhaseSeries
    >>> gangway = PhaseSeries.from_phases([7, 8, 7, 7], [6, 5, 4, 3, 3], label="gangway")
    >>> dinghy = PhaseSeries.from_phases([9, 9, 8, 9], [9, 8, 6, 6, 5], label="dinghy")
    >>> result = stratified_tau(SeriesBatch.of(gangway, dinghy))
    >>> print(result.value, round(result.p_value, 4), result.counts["days"])
    0.85 0.0238 9
    """
    check_choice("alternative", alternative, ALTERNATIVES)
    check_between("confidence", confidence, 0, 1)
    if len(batch) == 0:
        raise ValueError("batch must hold at least one series; got none.")
    if days is None:
        days = batch.times
    days = np.asarray(days)
    if days.shape != batch.codes.shape:
        raise ValueError(f"days must have the shape of the batch {batch.codes.shape}; got {days.shape}.")

    usable = (batch.n_a > 0) & (batch.n_b > 0)
    pairs = pair_counts(batch).ab
    n_declined = int(batch.declined.sum())
    counts: dict[str, float] = {
        "strata": int(usable.sum()),
        "n_baseline": int(batch.n_a[usable].sum()),
        "n_exposure": int(batch.n_b[usable].sum()),
        "declined": n_declined,
        "missing": int(batch.n_missing.sum()),
        "pairs": int(pairs.pairs.sum()),
        "concordant": int(pairs.concordant.sum()),
        "discordant": int(pairs.discordant.sum()),
        "tied": int(pairs.ties.sum()),
    }
    cautions = []
    if not usable.all() and usable.any():
        labels = [
            batch.labels[r] or f"series {r + 1}" if batch.labels else f"series {r + 1}"
            for r in np.flatnonzero(~usable)
        ]
        cautions.append(LEFT_OUT.format(labels=", ".join(labels)))
    if n_declined:
        cautions.append(DECLINED_CAUTION)
    if counts["missing"]:
        cautions.append(MISSING_CAUTION)
    result = Estimate(
        "stratified Tau",
        value=float("nan"),
        confidence=confidence,
        alternative=alternative,
        null="exchangeable",
        n=int(counts["n_baseline"] + counts["n_exposure"]),
        counts=counts | {"smallest_p": float("nan"), "monte_carlo_error": float("nan")},
        cautions=(EMPTY_CAUTION, *cautions),
    )
    if not usable.any():
        return result

    s = int(pairs.s.sum())
    scores, kinds, lengths = _days(batch, days, usable)
    counts |= {"days": len(scores), "kinds_of_day": len(kinds)}
    cautions.append(NULL_CAUTION)
    # Each ladder sees only its own days: the shortest phase of any of them is what the result rests on.
    if (lengths < np.array(FEWEST)).any():
        cautions.append(SHORT_CAUTION)
    if pairs.concordant.sum() + pairs.discordant.sum() == 0:
        cautions.append(TIED_CAUTION)
    if usable.sum() == 1 and len(scores) == counts["n_baseline"] + counts["n_exposure"]:
        alone = tau_batch(batch.take(usable), alternative, confidence)[0]
        p, smallest, error = alone.p_value, alone.counts["smallest_p"], 0.0
        low, high = alone.ci_low, alone.ci_high
        method = f"one stratum with one rating a day, as Tau: {alone.method}"
    else:
        p, smallest, error = day_p(scores, kinds, s, alternative, rng=rng, draws=draws)
        low = high = float("nan")
        how = f"p from {draws} random" if np.isnan(smallest) else "exact p over all"
        method = (
            f"better minus worse baseline-exposure pairs within {int(usable.sum())} strata; "
            f"{how} assignments of whole days"
        )
        cautions.append(NO_INTERVAL)
    level = 1 - confidence
    if smallest > level * (1 + 1e-9):
        cautions.append(f"With these days and ties no assignment could have given p ≤ {level:.4g}.")
    value = s / int(pairs.pairs.sum())
    return replace(
        result,
        value=value,
        ci_low=low,
        ci_high=high,
        p_value=p,
        counts=counts | {"smallest_p": smallest, "monte_carlo_error": error},
        method=method,
        favors=str(orientation(np.array([value]))[0]),
        cautions=tuple(cautions),
    )


def _days(
    batch: SeriesBatch, days: np.ndarray, usable: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lay the scores out by day and kind of day.

    Returns
    -------
    scores : ndarray of int, shape (days, kinds)
        What a day adds to S if it is given a kind.
    kinds : ndarray of int, shape (kinds,)
        Days of each kind.
    lengths : ndarray of int, shape (ladders, 2)
        Days of each phase of each ladder.
    """
    rows = np.flatnonzero(usable)
    used = batch.used
    calendar = np.unique(days[rows][used[rows]])
    ratings = pair_counts(batch).ties.astype(np.int64)
    own = np.zeros((len(calendar), len(rows)), dtype=np.int64)
    # Phase of each day on each ladder: 0 baseline, 1 exposure, -1 not rated.
    phase = np.full((len(calendar), len(rows)), -1)
    for column, r in enumerate(rows):
        n_a, n = int(batch.n_a[r]), int(batch.n_a[r] + batch.n_b[r])
        at = np.searchsorted(calendar, days[r, :n])
        np.add.at(own[:, column], at, group_scores(ratings[r : r + 1])[0][batch.codes[r, :n]])
        both = np.intersect1d(at[:n_a], at[n_a:])
        if len(both):
            raise ValueError(
                f"days must lie in one phase of a series; day {calendar[both[0]]:g} lies in both phases "
                f"of series {r + 1}."
            )
        phase[at[:n_a], column] = 0
        phase[at[n_a:], column] = 1
    lengths = np.stack([(phase == 0).sum(axis=0), (phase == 1).sum(axis=0)], axis=1)
    exposed = _filled(phase) == 1
    phases, kinds = np.unique(exposed, axis=0, return_counts=True)
    return own @ phases.T.astype(np.int64), kinds, lengths


def _filled(phase: np.ndarray) -> np.ndarray:
    """Give the days a ladder was not rated a phase on it."""
    days = np.arange(len(phase))
    elsewhere = np.where((phase == 1).any(axis=1), 1, 0)
    filled = phase.copy()
    for column in range(phase.shape[1]):
        rated = np.flatnonzero(phase[:, column] >= 0)
        before = phase[rated[np.maximum(np.searchsorted(rated, days, side="right") - 1, 0)], column]
        after = phase[rated[np.minimum(np.searchsorted(rated, days), len(rated) - 1)], column]
        filled[:, column] = np.where(before == after, before, elsewhere)
    return filled
