"""Overlap of two phases: PND, PEM, PAND and IRD.

All four ask how far the exposure ratings stand clear of the baseline ratings. They use order only,
rank a decline below every rating, ignore trend, and have no interval whose coverage has been shown.
"""

from __future__ import annotations

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.basis.estimate import Estimate, Estimates, orientation
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.nap import AT_ONCE_CAUTION, DECLINED_CAUTION, MISSING_CAUTION
from rungwise.single_case.pairs import pair_counts
from rungwise.single_case.stretch import rounding

TIES = ("half", "zero")

NO_OCCASION = "Both phases need at least one usable occasion."
NO_INTERVAL = "No interval and no p-value: none for this statistic has shown that it holds what it states."
IGNORES_TREND = "A course that was already improving in baseline counts as non-overlap."
ONE_POINT = (
    "PND rests on the single best baseline occasion; counts without_best says what it would be without it."
)
LONGER_BASELINE = "PND falls as a baseline grows longer, even when nothing else changes."
AT_THE_END = (
    "The best baseline rating is the best the scale allows, so no exposure rating can lie beyond it."
)
MEDIAN_DECLINED = (
    "At least half of the baseline was declined, so every rated exposure occasion lies beyond its median."
)
NOT_UNIQUE = (
    "Different smallest removals give different values; the robust one is reported, the lowest and "
    "highest are in the counts."
)
SMALL_EITHER_WAY = (
    "Where the phases differ in length this is high even without any change: the shorter phase can be "
    "removed whole."
)


def pnd_batch(batch: SeriesBatch) -> Estimates:
    """Give the percentage of non-overlapping data of many series; see `pnd`."""
    in_a, in_b, usable = _phases(batch)
    best = np.where(in_a, batch.codes, -1).max(axis=1, initial=-1)
    beyond = (in_b & (batch.codes > best[:, None])).sum(axis=1)
    # The second best is taken after removing one occasion with the best code, as two may share it.
    at_best = in_a & (batch.codes == best[:, None])
    first_best = at_best & (np.cumsum(at_best, axis=1) == 1)
    second = np.where(in_a & ~first_best, batch.codes, -1).max(axis=1, initial=-1)
    beyond_second = (in_b & (batch.codes > second[:, None])).sum(axis=1)
    value = _percent(beyond, batch.n_b, usable)
    without_best = np.where(batch.n_a > 1, _percent(beyond_second, batch.n_b, usable), np.nan)
    return Estimates(
        "pnd",
        value=value,
        n=batch.n_a + batch.n_b,
        counts={
            "beyond": beyond,
            "baseline": batch.n_a,
            "exposure": batch.n_b,
            "without_best": without_best,
        },
        method="exposure occasions strictly better than the best baseline occasion",
        unit="%",
        cautions=_cautions(
            batch,
            usable,
            {
                AT_THE_END: usable & _best_is_end_of_scale(batch, in_a, best),
                ONE_POINT: usable & (without_best != value) & (batch.n_a > 1),
                LONGER_BASELINE: usable,
            },
        ),
    )


def pnd(series: PhaseSeries) -> Estimate:
    """Give the percentage of exposure occasions better than every baseline occasion.

    Parameters
    ----------
    series : PhaseSeries
        Its baseline and exposure are compared.

    Returns
    -------
    Estimate
        ``value`` in percent; a tie with the best baseline occasion is overlap.
        ``counts["without_best"]`` is the value with one best baseline occasion taken away. No interval
        and no test.

    Notes
    -----
    The oldest and the most fragile of the overlap statistics: one lucky baseline day decides it, it
    shrinks as the baseline grows, and it is 0 whenever the baseline once touched the end of the scale.
    Report NAP or Tau instead, and PND only where readers ask for it. The labels published with it
    (above 90 "very effective", 70 to 90 "effective", 50 to 70 "questionable") are conventions.

    Source: Scruggs, Mastropieri & Casto 1987, Remedial and Special Education 8(2):24–33, from memory.

    Examples
    --------
    >>> pnd(PhaseSeries.from_phases([2, 3, 5, 3], [4, 5, 5, 7, 6], better="higher")).value
    40.0
    """
    return pnd_batch(SeriesBatch.of(series))[0]


def pem_batch(batch: SeriesBatch, *, ties: str = "half") -> Estimates:
    """Give the percentage of exposure beyond the baseline median of many series; see `pem`."""
    check_choice("ties", ties, TIES)
    in_a, in_b, usable = _phases(batch)
    oriented = np.where(batch.declined, -np.inf, batch.values * batch.sign[:, None])
    ordered = np.sort(np.where(in_a, oriented, np.inf), axis=1)
    rows = np.arange(len(batch))
    if ordered.shape[1]:
        lower = ordered[rows, np.maximum(batch.n_a - 1, 0) // 2]
        upper = ordered[rows, np.minimum(batch.n_a // 2, ordered.shape[1] - 1)]
    else:
        lower = upper = np.full(len(batch), np.nan)
    median = (lower + upper) / 2
    # Halving can leave a decimal rating and an equal median a last bit apart.
    slack = rounding(lower, upper)
    above = in_b & (oriented > (median + slack)[:, None])
    beyond = above.sum(axis=1)
    tied = (in_b & ~above & (oriented >= (median - slack)[:, None])).sum(axis=1)
    value = _percent(beyond + (0.5 if ties == "half" else 0.0) * tied, batch.n_b, usable)
    on_median = "half of" if ties == "half" else "none of"
    return Estimates(
        "pem",
        value=value,
        n=batch.n_a + batch.n_b,
        counts={"beyond": beyond, "tied": tied, "baseline": batch.n_a, "exposure": batch.n_b},
        method=f"exposure occasions better than the baseline median; {on_median} those equal to it counted",
        unit="%",
        favors=orientation(value - 50),
        cautions=_cautions(
            batch,
            usable,
            {
                MEDIAN_DECLINED: usable & np.isneginf(median),
            },
        ),
    )


def pem(series: PhaseSeries, *, ties: str = "half") -> Estimate:
    """Give the percentage of exposure occasions better than the baseline median.

    Parameters
    ----------
    series : PhaseSeries
        Its baseline and exposure are compared.
    ties : {"half", "zero"}
        How an exposure occasion equal to the median counts. The sources do not settle it; ``"half"``
        puts a series without any change at 50.

    Returns
    -------
    Estimate
        ``value`` in percent, 50 where nothing changed. Where the median falls between a decline and a
        rating, every rating lies beyond it and a caution says so. No interval and no test.

    Raises
    ------
    ValueError
        If `ties` is neither.

    Notes
    -----
    It says nothing about how far beyond the median the ratings lie, and tops out early: a small, steady
    shift gives 100.

    Source: Ma 2006, Behavior Modification 30:598–617, from memory; the tie rule is not confirmed.

    Examples
    --------
    >>> pem(PhaseSeries.from_phases([2, 3, 5, 3], [4, 5, 5, 7, 6], better="higher")).value
    100.0
    """
    return pem_batch(SeriesBatch.of(series), ties=ties)[0]


def pand_batch(batch: SeriesBatch) -> Estimates:
    """Give the percentage of all non-overlapping data of many series; see `pand`."""
    usable = (batch.n_a > 0) & (batch.n_b > 0)
    removed = _removals(batch)[0]
    n = batch.n_a + batch.n_b
    return Estimates(
        "pand",
        value=_percent(n - removed, n, usable),
        n=n,
        counts={"removed": removed, "baseline": batch.n_a, "exposure": batch.n_b},
        method="occasions left after the smallest removal that ends all overlap; an A-B tie is overlap",
        unit="%",
        cautions=_cautions(
            batch,
            usable,
            {
                SMALL_EITHER_WAY: usable & (removed == np.minimum(batch.n_a, batch.n_b)),
            },
        ),
    )


def pand(series: PhaseSeries) -> Estimate:
    """Give the percentage of all occasions left once the fewest are removed that end all overlap.

    Parameters
    ----------
    series : PhaseSeries
        Its baseline and exposure are compared.

    Returns
    -------
    Estimate
        ``value`` in percent; ``counts["removed"]`` the number removed, from either phase, so that every
        exposure occasion left is better than every baseline occasion left. No interval and no test.

    Notes
    -----
    It cannot be lower than the share of the longer phase: with 5 and 15 occasions and no change at all
    it is 75 or more. Comparable only between series of like phase lengths.

    Source: Parker, Hagan-Burke & Vannest 2007, Journal of Special Education 40:194–204, from memory.

    Examples
    --------
    >>> overlap = pand(PhaseSeries.from_phases([2, 3, 5, 3], [4, 5, 5, 7, 6], better="higher"))
    >>> round(overlap.value, 2), overlap.counts["removed"]
    (88.89, 1)
    """
    return pand_batch(SeriesBatch.of(series))[0]


def ird_batch(batch: SeriesBatch) -> Estimates:
    """Give the improvement rate difference of many series; see `ird`."""
    usable = (batch.n_a > 0) & (batch.n_b > 0)
    removed, lowest, highest = _removals(batch)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(usable, 1 - removed / 2 * (1 / batch.n_a + 1 / batch.n_b), np.nan)
    return Estimates(
        "ird",
        value=value,
        n=batch.n_a + batch.n_b,
        counts={
            "removed": removed,
            "lowest": np.where(usable, lowest, np.nan),
            "highest": np.where(usable, highest, np.nan),
            "baseline": batch.n_a,
            "exposure": batch.n_b,
        },
        method="robust: the smallest removal that ends all overlap, split equally between the phases",
        cautions=_cautions(
            batch,
            usable,
            {
                NOT_UNIQUE: usable & (highest > lowest),
            },
        ),
    )


def ird(series: PhaseSeries) -> Estimate:
    """Give the improvement rate difference between exposure and baseline.

    Parameters
    ----------
    series : PhaseSeries
        Its baseline and exposure are compared.

    Returns
    -------
    Estimate
        ``value`` between 0 and 1: the robust form, 1 − (R/2)(1/n_A + 1/n_B) for R occasions removed.
        ``counts["lowest"]`` and ``counts["highest"]`` are the smallest and largest difference of
        improvement rates over all removals of R occasions, which need not agree with one another or
        with the robust form. No interval and no test.

    Notes
    -----
    It cannot be negative: a series that got worse shows a value near 0, not below it. Read it beside a
    statistic with a sign.

    Source: Parker, Vannest & Brown 2009, Exceptional Children 75:135–150; robust form in Parker, Vannest
    & Davis 2011, Behavior Modification 35:303–322; both from memory.

    Examples
    --------
    >>> difference = ird(PhaseSeries.from_phases([2, 3, 5, 3], [4, 5, 5, 7, 6], better="higher"))
    >>> difference.value, difference.counts["lowest"], difference.counts["highest"]
    (0.775, 0.75, 0.75)
    """
    return ird_batch(SeriesBatch.of(series))[0]


def _phases(batch: SeriesBatch) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    place = np.arange(batch.codes.shape[1])
    in_a = place < batch.n_a[:, None]
    in_b = ~in_a & (place < (batch.n_a + batch.n_b)[:, None])
    return in_a, in_b, (batch.n_a > 0) & (batch.n_b > 0)


def _cautions(batch: SeriesBatch, usable: np.ndarray, own: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Give a statistic's own cautions between those that all four share."""
    return {
        NO_OCCASION: ~usable,
        **own,
        DECLINED_CAUTION: batch.declined.sum(axis=1) > 0,
        MISSING_CAUTION: batch.n_missing > 0,
        AT_ONCE_CAUTION: batch.several_at_once,
        IGNORES_TREND: usable,
        NO_INTERVAL: usable,
    }


def _percent(count: np.ndarray, of: np.ndarray, usable: np.ndarray) -> np.ndarray:
    return np.where(usable, 100 * count / np.maximum(of, 1), np.nan)


def _best_is_end_of_scale(batch: SeriesBatch, in_a: np.ndarray, best: np.ndarray) -> np.ndarray:
    end = np.where(batch.sign > 0, batch.ceiling, batch.floor)
    reached = in_a & ~batch.declined & (batch.codes == best[:, None]) & (batch.values == end[:, None])
    return reached.any(axis=1)


def _removals(batch: SeriesBatch) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give the smallest number of removals, and the lowest and highest IRD they can leave.

    Whatever is removed, a threshold parts what is left: baseline below it, exposure at or above it. A
    smallest removal therefore takes exactly the baseline at or above some threshold and the exposure
    below it, so going through the thresholds finds all of them.
    """
    counts = pair_counts(batch)
    a = counts.ties_a.astype(np.int64)
    b = counts.ties.astype(np.int64)
    a = np.pad(a, ((0, 0), (0, b.shape[1] - a.shape[1])))
    b = b - a
    # One column per threshold, the last above every rating.
    a_taken = np.pad(np.cumsum(a[:, ::-1], axis=1)[:, ::-1], ((0, 0), (0, 1)))
    b_taken = np.pad(np.cumsum(b, axis=1), ((0, 0), (1, 0)))
    removed = (a_taken + b_taken).min(axis=1)
    smallest = a_taken + b_taken == removed[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        difference = 1 - b_taken / batch.n_b[:, None] - a_taken / batch.n_a[:, None]
    lowest = np.where(smallest, difference, np.inf).min(axis=1)
    highest = np.where(smallest, difference, -np.inf).max(axis=1)
    return removed, lowest, highest
