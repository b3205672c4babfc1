"""Baseline-corrected Tau: Tau after the baseline's Theil-Sen line has been taken off all ratings."""

from __future__ import annotations

import numpy as np

from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.estimate import Estimate, Estimates, orientation
from rungwise.basis.null_trend import trend_p
from rungwise.basis.null_two_phase import ALTERNATIVES
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.nap import AT_ONCE_CAUTION, DECLINED_CAUTION, EMPTY_CAUTION, MISSING_CAUTION
from rungwise.single_case.pairs import pair_counts
from rungwise.single_case.stretch import Stretch
from rungwise.single_case.trend import tie_counts

WHEN = ("significant", "always")

# Decimals up to which ratings and times are read as the decimal numbers they were written as.
_DECIMALS = 9
# Whole numbers up to here are exact in a double.
_EXACT = 2.0**53
# Slopes held at once.
_SCRATCH = 400_000

NEVER_DECIDES = (
    "Baseline-corrected Tau is reported because readers ask for it and never decides: the line drawn "
    "through a short baseline is so unsure that the corrected ratings drift apart by chance alone."
)
P_CAUTION = (
    "The p-value takes the baseline's line as known and every order of the corrected ratings as equally "
    "likely: it is too small."
)
NO_INTERVAL = "No interval: none for baseline-corrected Tau has shown its coverage."
NO_SLOPE = "Not corrected: the baseline has fewer than two rated occasions at different times."
ROUNDED = (
    "The corrected ratings could not be computed in whole numbers; differences below one part in 1e9 were "
    "taken as ties."
)
ONE_RATING = "All corrected ratings are equal, so tau-b has no value."


def baseline_corrected_tau_batch(
    batch: SeriesBatch, when: str = "significant", alternative: str = "two-sided", *, level: float = 0.05
) -> Estimates:
    """Give baseline-corrected Tau for many series at once.

    Parameters
    ----------
    batch : SeriesBatch
    when, alternative, level
        As in `baseline_corrected_tau`.

    Returns
    -------
    Estimates
        As `baseline_corrected_tau`.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Examples
    --------
    >>> batch = SeriesBatch.from_arrays(np.array([[8, 7, 6, 5, 4, 3], [5, 6, 5, 2, 1, 1]]), 3)
    >>> print(baseline_corrected_tau_batch(batch, when="always").value.round(4))
    [   nan 0.8321]
    """
    check_choice("when", when, WHEN)
    check_choice("alternative", alternative, ALTERNATIVES)
    check_between("level", level, 0, 1)
    ratings, times = tie_counts(Stretch.of(batch, batch.phases[0]))
    baseline_p, _ = trend_p(ratings, pair_counts(batch).aa.s, "two-sided", times)
    wanted = np.ones(len(batch), dtype=bool) if when == "always" else baseline_p <= level
    corrected, slope, rounded = _corrected(batch, wanted)
    steep = ~np.isnan(slope)
    pairs = pair_counts(corrected)
    n = batch.n_a + batch.n_b
    ties = pairs.ties.astype(np.int64)
    free = n * (n - 1) // 2 - (ties * (ties - 1) // 2).sum(axis=1)
    estimable = pairs.ab.pairs > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        value = pairs.ab.s / np.sqrt(pairs.ab.pairs.astype(float) * free)
        ceiling = np.sqrt(pairs.ab.pairs / (n * (n - 1) / 2))
        cross = pairs.ab.s / pairs.ab.pairs
    p, exact = pairs.exact_p(alternative)
    p = np.where(estimable & (free > 0), p, np.nan)
    done = wanted & steep
    method = np.array(
        [
            "tau-b of phase with the ratings "
            + (
                "less the baseline's Theil-Sen line"
                if taken
                else "as they are (baseline trend not taken off)"
            )
            + ("; exact p over all splits" if counted else "; tie-corrected normal p")
            for taken, counted in zip(done.tolist(), exact.tolist(), strict=True)
        ],
        dtype=object,
    )
    return Estimates(
        "baseline-corrected Tau",
        value=value,
        n=n,
        p_value=p,
        alternative=alternative,
        null="exchangeable",
        counts={
            "n_baseline": batch.n_a,
            "n_exposure": batch.n_b,
            "declined": batch.n_declined,
            "missing": batch.n_missing,
            "s": pairs.ab.s,
            "tau_of_pairs": cross,
            "ceiling": ceiling,
            "corrected": done,
            "baseline_slope": slope,
            "baseline_p": baseline_p,
        },
        method=method,
        favors=orientation(value),
        cautions={
            EMPTY_CAUTION: ~estimable,
            ONE_RATING: estimable & (free == 0),
            NO_SLOPE: estimable & wanted & ~steep,
            NEVER_DECIDES: estimable,
            P_CAUTION: ~np.isnan(p),
            ROUNDED: done & rounded,
            NO_INTERVAL: estimable,
            "Tau-b with a phase code cannot reach 1: counts hold its ceiling for these lengths, and Tau "
            "over the baseline-exposure pairs, which can.": estimable,
            DECLINED_CAUTION: batch.n_declined > 0,
            MISSING_CAUTION: batch.n_missing > 0,
            AT_ONCE_CAUTION: batch.several_at_once,
        },
    )


def baseline_corrected_tau(
    series: PhaseSeries, when: str = "significant", alternative: str = "two-sided", *, level: float = 0.05
) -> Estimate:
    """Give Tau of one series after taking off the line the baseline seems to follow.

    The baseline's Theil-Sen line is extended over all occasions and taken off every rating; tau-b of
    the remainders with phase (0 baseline, 1 exposure) is what is left. Extending a line from a few
    ratings is very unsure: without any trend or effect the statistic calls many children improved, and
    taking the line off only when it is significant adds a choice made by looking at the data. Use
    `level_and_slope_change` to ask whether a fall goes beyond the baseline's own course.

    Parameters
    ----------
    series : PhaseSeries
        A declined occasion has no rating for the line, and ranks worse than any rating in tau-b.
    when : {"significant", "always"}
        ``"significant"``: take the line off only if the baseline's Mann-Kendall trend has an exact
        two-sided p of at most `level`, as the paper proposes.
    alternative : {"two-sided", "improvement", "worsening"}
    level : float

    Returns
    -------
    Estimate
        `value` is tau-b, oriented: positive is better for the child; NaN where all corrected ratings
        are equal. ``counts["tau_of_pairs"]`` is S over the baseline-exposure pairs,
        ``counts["ceiling"]`` the largest tau-b these lengths allow without ties,
        ``counts["baseline_slope"]`` the slope taken off, in rating points per unit of time.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    Source: Tarlow (2017), Behavior Modification 41:427-467 (steps from memory of the paper). Its
    standard error is not given here.

    Ratings and times are read as the decimal numbers they were written as, and everything is done in
    whole numbers, so that equal corrected ratings stay equal: in plain floating point the noise of the
    subtraction breaks ties and changes S.

    Examples
    --------
    >>> series = PhaseSeries.from_phases(
    ...     [3, 4, 4, 5, 6, 6, 7], [8, 7, 9, 9, 10, 12, 11, 12], better="higher"
    ... )
    >>> result = baseline_corrected_tau(series)
    >>> print(round(result.value, 6), result.counts["s"], round(result.counts["baseline_slope"], 6))
    -0.269132 -19 0.666667
    """
    return baseline_corrected_tau_batch(SeriesBatch.of(series), when, alternative, level=level)[0]


def _corrected(batch: SeriesBatch, wanted: np.ndarray) -> tuple[SeriesBatch, np.ndarray, np.ndarray]:
    """Take the baseline's line off the series wanted.

    Returns
    -------
    batch : SeriesBatch
        The corrected ratings on a scale of their own in each series.
    slope : ndarray of float
        Slope taken off, in rating points per unit of time; NaN where there is none.
    rounded : ndarray of bool
        Where whole numbers did not suffice.
    """
    used = batch.used
    rated = used & ~batch.declined
    y, y_scale = _whole(batch.values, rated)
    t, t_scale = _whole(batch.times, used)
    # Counting time from the first occasion changes no difference and keeps the numbers small.
    t = np.where(used, t - t[:, :1], 0.0)
    top, bottom = _median_slope(y, t, rated & (np.arange(y.shape[1]) < batch.n_a[:, None]))
    slope = top / bottom
    line = wanted & ~np.isnan(slope)
    # y - (top / bottom) t, times bottom: whole wherever y and t are.
    scaled = np.where(line[:, None], y * bottom[:, None] - top[:, None] * t, y)
    largest = np.max(np.abs(np.where(rated, scaled, 0.0)), axis=1, initial=0.0)
    rounded = line & ~((y_scale > 0) & (t_scale > 0) & (largest * 2 < _EXACT))
    if rounded.any():
        step = 1e-9 * np.maximum(largest, 1e-300)[:, None]
        scaled = np.where(rounded[:, None], np.rint(scaled / step), scaled)
    lengths = batch.n_a + batch.n_b
    corrected = SeriesBatch.from_flat(
        scaled[used],
        np.concatenate([[0], np.cumsum(lengths)]),
        batch.n_a,
        sign=batch.sign,
        declined=batch.declined[used],
        phases=batch.phases,
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        in_units = slope * np.where(t_scale > 0, t_scale, 1) / np.where(y_scale > 0, y_scale, 1)
    return corrected, in_units, rounded


def _whole(column: np.ndarray, used: np.ndarray) -> tuple[np.ndarray, float]:
    """Scale by a power of ten so that all entries become whole numbers; scale 0 where none does."""
    filled = np.where(used, column, 0.0)
    for decimals in range(_DECIMALS + 1):
        scale = 10.0**decimals
        scaled = np.rint(filled * scale)
        # The nearest double to a decimal number is that number divided out.
        if np.all(scaled / scale == filled) and np.max(np.abs(scaled), initial=0.0) < _EXACT:
            return scaled, scale
    return filled, 0.0


def _median_slope(y: np.ndarray, t: np.ndarray, keep: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give the median pairwise slope of each row as a fraction; NaN where there is no slope."""
    rows, places = y.shape
    top, bottom = np.full(rows, np.nan), np.full(rows, np.nan)
    width = int(np.max(np.where(keep, np.arange(1, places + 1), 0), initial=0))
    first, second = np.triu_indices(width, 1)
    if len(first) == 0:
        return top, bottom
    step = max(1, _SCRATCH // len(first))
    for low in range(0, rows, step):
        part = slice(low, low + step)
        rise = y[part][:, second] - y[part][:, first]
        run = t[part][:, second] - t[part][:, first]
        real = keep[part][:, second] & keep[part][:, first] & (run > 0)
        # Fractions of whole numbers this small sort as doubles exactly as they sort as fractions.
        order = np.argsort(np.where(real, rise / np.where(real, run, 1.0), np.inf), axis=1)
        number = real.sum(axis=1)
        found = np.flatnonzero(number)
        lower = order[found, (number[found] - 1) // 2]
        upper = order[found, number[found] // 2]
        rise_low, run_low = rise[found, lower], run[found, lower]
        rise_high, run_high = rise[found, upper], run[found, upper]
        top[low + found] = rise_low * run_high + rise_high * run_low
        bottom[low + found] = 2 * run_low * run_high
    return top, bottom
