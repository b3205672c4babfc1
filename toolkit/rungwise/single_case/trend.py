"""Monotone trend over time: Mann–Kendall, exact with ties, and its correction for autocorrelation."""

from __future__ import annotations

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.basis.estimate import Estimate, Estimates, orientation
from rungwise.basis.null_trend import smallest_trend_p, trend_p
from rungwise.basis.null_two_phase import ALTERNATIVES
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.nap import AT_ONCE_CAUTION, DECLINED_CAUTION, MISSING_CAUTION
from rungwise.single_case.pairs import code_counts, pair_counts
from rungwise.single_case.stretch import Stretch, batch_for

NO_INTERVAL = "No interval is given: none for the tau of a short series has shown its coverage."
NEIGHBORS = (
    "The p-value takes the ratings as independent over time; where neighbors resemble each other it "
    "is too small."
)
ONE_RATING = "Every occasion has the same rating, so tau has no value."
TOO_SHORT = "A trend needs at least two occasions at different times."
OUT_OF_REACH = "With so few occasions or so many ties no trend, however clear, could reach p = .05."


def mann_kendall_batch(
    batch: SeriesBatch, phase: str | None = None, alternative: str = "two-sided"
) -> Estimates:
    """Test many series for a monotone trend over time; see `mann_kendall`.

    Parameters
    ----------
    batch : SeriesBatch
    phase : str, optional
        One of ``batch.phases``; None takes both phases as one series.
    alternative : {"two-sided", "improvement", "worsening"}

    Returns
    -------
    Estimates
        One entry per series, fields as in `mann_kendall`.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Examples
    --------
    >>> batch = SeriesBatch.of(PhaseSeries.from_phases([8, 7, 7, 5], [5, 4, 2, 2, 1]))
    >>> mann_kendall_batch(batch, "baseline")[0].counts["S"]
    5
    """
    check_choice("alternative", alternative, ALTERNATIVES)
    stretch = Stretch.of(batch, phase)
    s = _kendall_s(batch, phase, stretch)
    ratings, times = tie_counts(stretch)
    p_value, exact = trend_p(ratings, s, alternative, times)
    smallest = smallest_trend_p(ratings, alternative, times)
    pairs = stretch.n * (stretch.n - 1) // 2
    free_rating = pairs - (ratings * (ratings - 1) // 2).sum(axis=1)
    free_time = pairs if times is None else pairs - (times * (times - 1) // 2).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        tau = s / np.sqrt(free_time.astype(float) * free_rating)
    short = free_time == 0
    p_value = np.where(short, np.nan, p_value)
    smallest = np.where(short, 1.0, smallest)
    labels = np.array(
        [
            f"Kendall's tau-b of rating against time; p {kind}"
            for kind in ("normal, ties included", "exact over all orders of the ratings, ties included")
        ],
        dtype=object,
    )
    return Estimates(
        "mann_kendall",
        value=tau,
        n=stretch.n,
        p_value=p_value,
        alternative=alternative,
        null="exchangeable",
        counts={
            "S": s,
            "pairs": pairs,
            "pairs_tied_in_rating": pairs - free_rating,
            "pairs_tied_in_time": pairs - free_time,
            "smallest_p": smallest,
            "declined": (stretch.declined & stretch.used).sum(axis=1),
        },
        method=labels[exact.astype(np.int64)],
        favors=orientation(tau),
        cautions={
            TOO_SHORT: short,
            ONE_RATING: ~short & (free_rating == 0),
            OUT_OF_REACH: ~short & (smallest > 0.05),
            DECLINED_CAUTION: (stretch.declined & stretch.used).any(axis=1),
            MISSING_CAUTION: batch.n_missing > 0,
            AT_ONCE_CAUTION: batch.several_at_once,
            NEIGHBORS: ~short,
            NO_INTERVAL: ~short & (free_rating > 0),
        },
    )


def mann_kendall(series: PhaseSeries, phase: str | None = None, alternative: str = "two-sided") -> Estimate:
    """Test one series for a monotone trend over time.

    Asks whether later ratings tend to be better or worse than earlier ones, whatever the shape of the
    course. In a baseline it answers "was it already falling?".

    Parameters
    ----------
    series : PhaseSeries
    phase : {"baseline", "exposure", "maintenance", "follow_up"}, optional
        None takes baseline and exposure as one series, in which a step between them counts as trend.
    alternative : {"two-sided", "improvement", "worsening"}
        The direction stated beforehand.

    Returns
    -------
    Estimate
        ``value`` is Kendall's tau-b between time and rating, oriented: positive is improvement.
        ``counts["S"]`` is Kendall's S, oriented alike; ``counts["smallest_p"]`` is the smallest p that
        this many occasions with these ties could give in the direction asked, two-sided unless
        `alternative` says otherwise. Declines rank worse than any rating. No interval.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    The p-value is exact over all orders of the ratings, ties included, unless times and ratings both
    have ties and their arrangements are too many to count, or there are hundreds of occasions; then
    it is the normal one with Kendall's variance for ties in both and the continuity correction, and
    ``method`` says so. Two-sided is the share of orders with S at least as far from 0.

    It misleads where neighboring ratings resemble each other: the null model takes every order as
    equally likely. See `hamed_rao`. A non-significant trend in a short baseline says nothing: look at
    ``smallest_p`` first.

    Source: Mann 1945, Econometrica 13:245–259; Kendall 1975, Rank correlation methods; Gilbert 1987,
    Statistical methods for environmental pollution monitoring, chapter 16.

    Examples
    --------
    >>> falling = PhaseSeries.from_phases([8, 7, 7, 6, 5], [4, 4])
    >>> trend = mann_kendall(falling, "baseline")
    >>> trend.counts["S"], round(trend.p_value, 4), round(trend.counts["smallest_p"], 4)
    (9, 0.0333, 0.0333)
    """
    return mann_kendall_batch(batch_for(series, phase), phase, alternative)[0]


def tie_counts(stretch: Stretch) -> tuple[np.ndarray, np.ndarray | None]:
    """Give the sizes of the tie groups of ratings and of times, smallest rating and time first.

    Returns
    -------
    ratings : ndarray of int, shape (series, groups)
    times : ndarray of int, shape (series, groups), or None
        None where no series has two occasions at one time.
    """
    ratings = code_counts(stretch.codes, stretch.n).astype(np.int64)
    ordered = np.sort(np.where(stretch.used, stretch.times, np.nan), axis=1)
    tied = (ordered[:, 1:] == ordered[:, :-1]).any(axis=1)
    if not tied.any():
        return ratings, None
    times = stretch.used.astype(np.int64)
    for r in np.flatnonzero(tied):
        sizes = np.unique(stretch.times[r, : stretch.n[r]], return_counts=True)[1]
        times[r] = np.pad(sizes, (0, times.shape[1] - len(sizes)))
    return ratings, times


def _kendall_s(batch: SeriesBatch, phase: str | None, stretch: Stretch) -> np.ndarray:
    """Give Kendall's S of each row: pairs better later minus pairs worse later."""
    counts = pair_counts(batch)
    if phase is not None:
        return counts.aa.s if phase == batch.phases[0] else counts.bb.s
    s = counts.whole.s
    steps = np.diff(np.where(stretch.used, stretch.times, np.nan), axis=1)
    # The shared counts put all of phase A before all of phase B; phases that alternate, or meet on
    # one day, are counted by their times.
    for r in np.flatnonzero((steps <= 0).any(axis=1)):
        n = stretch.n[r]
        later = np.sign(stretch.times[r, :n, None] - stretch.times[r, None, :n])
        codes = stretch.codes[r, :n].astype(np.int64)
        s[r] = int(np.sum(later * np.sign(codes[:, None] - codes[None, :]))) // 2
    return s
