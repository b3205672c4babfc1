"""Rules read off a graph, written down: dual criterion, two-deviation band, stability envelope.

They say whether a picture meets a rule, not how large a change is. Their error rates depend on trend and
autocorrelation, and none of them decides anything in this library.
"""

from __future__ import annotations

import math

import numpy as np

from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.estimate import Estimate, Estimates
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.nap import AT_ONCE_CAUTION, MISSING_CAUTION
from rungwise.single_case.split_middle import (
    DECLINED_BASELINE,
    DECLINED_EXPOSURE,
    LINE_AS_KNOWN,
    even_chance_tail,
    largest,
    split_middle_lines,
)
from rungwise.single_case.stretch import (
    ALTERNATING,
    Stretch,
    alternates,
    batch_for,
    flush_left,
    rounding,
    row_medians,
)

CONSERVATIVE_SHIFT = 0.25
"""Baseline standard deviations by which both lines move (Fisher, Kelley & Lomas 2003)."""
AROUND = ("median", "trend")

TOO_FEW_FOR_LINE = "The baseline line needs at least two ratings at different times, and three for the SD."
NO_EXPOSURE = "There is no exposure occasion."
NEVER_ENOUGH = "With so few exposure occasions even all of them beyond both lines would not meet the rule."
FLAT_BASELINE = (
    "The baseline does not vary: the lines are not shifted, and any difference lies beyond them."
)
TOO_FEW_FOR_BAND = "The band needs at least two baseline ratings and one exposure occasion."
FLAT_BAND = "The baseline does not vary: the band has no width, and any difference lies outside it."
BAND_ERRORS = (
    "The band takes the baseline ratings as independent; where neighbors resemble each other, or the "
    "baseline has a trend, two in a row outside it are no rarity."
)
BOTH_SIDES = "Runs outside the band occurred on both sides."
NO_RATING = "There is no rating to place in the envelope."
NEAR_ZERO = (
    "The median is within 2 of zero: an envelope in percent of it is too narrow to say anything about "
    "stability."
)
FEW_IN_PHASE = "With fewer than 5 occasions one of them moves the share by 20 points or more."


def required_count(n: int, alpha: float = 0.05) -> int | None:
    """Give how many of n occasions must lie beyond the lines for an exact binomial tail of alpha or less.

    Parameters
    ----------
    n : int
    alpha : float

    Returns
    -------
    int or None
        None where even all n would not do.

    Examples
    --------
    >>> required_count(8), required_count(20), required_count(4)
    (7, 15, None)
    """
    check_between("alpha", alpha, 0, 1)
    tails = even_chance_tail(np.arange(n + 1), np.full(n + 1, n))
    enough = np.flatnonzero(tails <= alpha)
    return int(enough[0]) if len(enough) else None


def dual_criterion_batch(
    batch: SeriesBatch, *, shift: float = 0.0, alpha: float = 0.05, direction: str = "improvement"
) -> Estimates:
    """Apply the dual criterion to many series; see `dual_criterion`."""
    check_between("alpha", alpha, 0, 1)
    check_choice("direction", direction, ("improvement", "worsening"))
    if not 0 <= shift < math.inf:
        raise ValueError(f"shift must be 0 or a positive number of standard deviations; got {shift!r}.")
    base, later = Stretch.of(batch, batch.phases[0]), Stretch.of(batch, batch.phases[1])
    sign = batch.sign if direction == "improvement" else -batch.sign
    mean, sd, slope, intercept, rated = _baseline_lines(base)
    usable = (rated >= (3 if shift else 2)) & ~np.isnan(slope) & (later.n > 0)
    moved = np.where(usable, shift * np.nan_to_num(sd) * sign, 0.0)
    mean_line = (mean + moved)[:, None]
    trend_line = (intercept + moved)[:, None] + slope[:, None] * later.times
    with np.errstate(invalid="ignore"):
        clear = [
            sign[:, None] * (later.values - line) > rounding(later.values, line, largest(base)[:, None])
            for line in (mean_line, trend_line)
        ]
    refused = later.declined & (direction == "worsening")
    beyond = (later.used & ((clear[0] & clear[1]) | refused)).sum(axis=1)
    p_value = np.where(usable, even_chance_tail(beyond, later.n), np.nan)
    required = np.full(len(batch), np.nan)
    for n in np.unique(later.n):
        required[later.n == n] = required_count(int(n), alpha) or np.nan
    met = usable & (beyond >= required)
    kind = "conservative dual criterion" if shift == CONSERVATIVE_SHIFT else "dual criterion"
    first = np.where(later.n > 0, _first_time(later), np.nan)
    return Estimates(
        "dual_criterion",
        value=np.where(usable, beyond, np.nan),
        n=base.n + later.n,
        p_value=p_value,
        alternative=direction,
        null="each exposure occasion beyond both lines with probability 1/2",
        counts={
            "required": required,
            "exposure": later.n,
            "mean_line": mean + moved,
            "trend_line_at_start": intercept + moved + slope * first,
            "trend_slope": slope,
            "smallest_p": np.where(usable, even_chance_tail(later.n, later.n), 1.0),
            "declined": (later.declined & later.used).sum(axis=1),
        },
        method=f"{kind}: exposure occasions beyond the baseline mean line and the baseline least-squares "
        f"line, both moved by {shift:g} SD; exact binomial tail",
        unit="occasions",
        favors=np.where(~usable, "", np.where(met, direction, "neither")).astype(object),
        cautions={
            TOO_FEW_FOR_LINE: ~usable & (later.n > 0),
            NO_EXPOSURE: later.n == 0,
            NEVER_ENOUGH: usable & np.isnan(required),
            FLAT_BASELINE: usable & (sd == 0),
            LINE_AS_KNOWN: usable,
            ALTERNATING: usable & alternates(batch),
            DECLINED_BASELINE: usable & (base.declined & base.used).any(axis=1),
            DECLINED_EXPOSURE: usable & (later.declined & later.used).any(axis=1),
            MISSING_CAUTION: batch.n_missing > 0,
            AT_ONCE_CAUTION: batch.several_at_once,
        },
    )


def dual_criterion(
    series: PhaseSeries, *, shift: float = 0.0, alpha: float = 0.05, direction: str = "improvement"
) -> Estimate:
    """Count the exposure occasions beyond both the mean line and the trend line of the baseline.

    Parameters
    ----------
    series : PhaseSeries
    shift : float
        Baseline standard deviations by which both lines are moved in the direction asked; 0 is the dual
        criterion, 0.25 the conservative one.
    alpha : float
        Level that the required count holds by the exact binomial tail.
    direction : {"improvement", "worsening"}
        Stated beforehand.

    Returns
    -------
    Estimate
        ``value`` is the number of exposure occasions beyond both lines, ``counts["required"]`` the
        number needed (NaN where no number would do: fewer than 5 occasions at .05), ``favors`` the
        direction if it was reached and ``"neither"`` if not. A declined exposure occasion is never
        beyond the lines for improvement and always for worsening.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    The binomial takes the lines as known and the ratings as independent; neither is true. In 20,000
    simulated children without any effect (SD 1.5, whole ratings, autocorrelation 0 / .3 / .6) the
    conservative rule was met in 2 / 3 / 6 % with 5 + 10 occasions and 3 / 5 / 9 % with 8 + 20, the
    unmoved one in 3 / 5 / 8 % and 5 / 9 / 12 %. Required counts follow the exact binomial tail, not the
    printed table of the paper, which has not been compared.

    Source: Fisher, Kelley & Lomas 2003, Journal of Applied Behavior Analysis 36:387–406, from memory.

    Examples
    --------
    >>> steep = PhaseSeries.from_phases(
    ...     [3, 4, 4, 5, 6, 6, 7], [8, 7, 9, 9, 10, 12, 11, 12], better="higher")
    >>> rule = dual_criterion(steep, shift=0.25)
    >>> rule.value, rule.counts["required"], rule.favors
    (2.0, 7.0, 'neither')
    """
    return dual_criterion_batch(SeriesBatch.of(series), shift=shift, alpha=alpha, direction=direction)[0]


def conservative_dual_criterion(
    series: PhaseSeries, *, alpha: float = 0.05, direction: str = "improvement"
) -> Estimate:
    """Apply the dual criterion with both lines moved by a quarter of the baseline's SD.

    The form usually meant; see `dual_criterion`.

    Examples
    --------
    >>> series = PhaseSeries.from_phases([8, 7, 8, 8, 7], [6, 5, 5, 4, 3, 3])
    >>> conservative_dual_criterion(series).favors
    'improvement'
    """
    return dual_criterion(series, shift=CONSERVATIVE_SHIFT, alpha=alpha, direction=direction)


def deviation_band_batch(batch: SeriesBatch, *, deviations: float = 2.0, run: int = 2) -> Estimates:
    """Apply the deviation band to many series; see `deviation_band`."""
    check_between("deviations", deviations, 0, math.inf)
    if run < 1 or run != int(run):
        raise ValueError(f"run must be a whole number of occasions, 1 or more; got {run!r}.")
    base, later = Stretch.of(batch, batch.phases[0]), Stretch.of(batch, batch.phases[1])
    mean, sd, _, _, rated = _baseline_lines(base)
    usable = (rated >= 2) & (later.n > 0)
    low, high = mean - deviations * sd, mean + deviations * sd
    with np.errstate(invalid="ignore"):
        slack = rounding(later.values, largest(base)[:, None])
        above = later.used & (later.values > high[:, None] + slack)
        below = later.used & (later.values < low[:, None] - slack)
    up = (batch.sign > 0)[:, None]
    better = np.where(up, above, below)
    worse = np.where(up, below, above) | (later.used & later.declined)
    longest_better, longest_worse = _longest_runs(better), _longest_runs(worse)
    improved, worsened = longest_better >= run, longest_worse >= run
    words = np.select(
        [~usable | (improved & worsened), improved, worsened], ["", "improvement", "worsening"], "neither"
    )
    return Estimates(
        "deviation_band",
        value=np.where(usable, longest_better, np.nan),
        n=base.n + later.n,
        counts={
            "low": np.where(usable, low, np.nan),
            "high": np.where(usable, high, np.nan),
            "better": better.sum(axis=1),
            "worse": worse.sum(axis=1),
            "longest_worse": longest_worse,
            "exposure": later.n,
            "declined": (later.declined & later.used).sum(axis=1),
        },
        method=f"longest run of exposure occasions better than the baseline mean ± {deviations:g} SD; "
        f"{run} in a row count as a change",
        unit="occasions",
        favors=words.astype(object),
        cautions={
            TOO_FEW_FOR_BAND: ~usable,
            FLAT_BAND: usable & (sd == 0),
            BOTH_SIDES: usable & improved & worsened,
            BAND_ERRORS: usable,
            ALTERNATING: usable & alternates(batch),
            DECLINED_BASELINE: usable & (base.declined & base.used).any(axis=1),
            DECLINED_EXPOSURE: usable & (later.declined & later.used).any(axis=1),
            MISSING_CAUTION: batch.n_missing > 0,
            AT_ONCE_CAUTION: batch.several_at_once,
        },
    )


def deviation_band(series: PhaseSeries, *, deviations: float = 2.0, run: int = 2) -> Estimate:
    """Look for exposure occasions in a row outside the baseline mean ± two standard deviations.

    Parameters
    ----------
    series : PhaseSeries
    deviations : float
    run : int
        Occasions in a row on the same side that count as a change.

    Returns
    -------
    Estimate
        ``value`` is the longest run on the better side, ``counts`` the band, the occasions outside it
        on either side and the longest run on the worse side; ``favors`` says which side has a run long
        enough. A declined exposure occasion lies on the worse side. No test.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    Invalid under clear autocorrelation or a baseline trend. From three to five baseline ratings the
    standard deviation is itself little known. In 20,000 simulated children without any effect (SD 1.5,
    whole ratings, 5 + 10 occasions) two in a row lay outside on one side or the other in 16 %, with
    autocorrelation .3 in 29 %.

    Source: Gottman & Leiblum 1974, How to do psychotherapy and how to evaluate it, from memory.

    Examples
    --------
    >>> steep = PhaseSeries.from_phases(
    ...     [3, 4, 4, 5, 6, 6, 7], [8, 7, 9, 9, 10, 12, 11, 12], better="higher")
    >>> band = deviation_band(steep)
    >>> band.counts["better"], band.value, band.favors
    (7, 6.0, 'improvement')
    """
    return deviation_band_batch(SeriesBatch.of(series), deviations=deviations, run=run)[0]


def stability_envelope_batch(
    batch: SeriesBatch,
    phase: str = "baseline",
    *,
    width: float = 25.0,
    share: float = 80.0,
    around: str = "median",
) -> Estimates:
    """Place many series in a stability envelope; see `stability_envelope`."""
    check_between("width", width, 0, math.inf)
    if not 0 < share <= 100:
        raise ValueError(f"share must be a percentage above 0, at most 100; got {share!r}.")
    check_choice("around", around, AROUND)
    base, stretch = Stretch.of(batch, batch.phases[0]), Stretch.of(batch, phase)
    center = _rated_medians(stretch)
    # The width comes from the baseline and is kept for later phases.
    half = width / 100 * np.abs(_rated_medians(base))
    if around == "trend":
        slope, intercept = split_middle_lines(stretch)
        middle = intercept[:, None] + slope[:, None] * stretch.times
    else:
        middle = np.broadcast_to(center[:, None], stretch.values.shape)
    with np.errstate(invalid="ignore"):
        slack = rounding(stretch.values, middle, half[:, None])
        inside = stretch.used & (np.abs(stretch.values - middle) <= half[:, None] + slack)
    n_inside = inside.sum(axis=1)
    drawn = np.isfinite(middle) & stretch.used & np.isfinite(half)[:, None]
    usable = (stretch.n > 0) & drawn.any(axis=1)
    value = np.where(usable, 100 * n_inside / np.maximum(stretch.n, 1), np.nan)
    return Estimates(
        "stability_envelope",
        value=value,
        n=stretch.n,
        counts={
            "inside": n_inside,
            "stable": (usable & (100 * n_inside >= share * stretch.n)).astype(np.int64),
            "center": center,
            "half_width": half,
            "declined": (stretch.declined & stretch.used).sum(axis=1),
        },
        method=f"share of occasions within ± {width:g} % of the baseline median around the phase's "
        f"{'median' if around == 'median' else 'split-middle line'}; stable from {share:g} %",
        unit="%",
        cautions={
            NO_RATING: ~usable,
            NEAR_ZERO: usable & (half * 100 / width < 2),
            FEW_IN_PHASE: usable & (stretch.n < 5),
            MISSING_CAUTION: batch.n_missing > 0,
            AT_ONCE_CAUTION: batch.several_at_once,
        },
    )


def stability_envelope(
    series: PhaseSeries,
    phase: str = "baseline",
    *,
    width: float = 25.0,
    share: float = 80.0,
    around: str = "median",
) -> Estimate:
    """Say which share of a phase lies within a quarter of the baseline median around its middle.

    Parameters
    ----------
    series : PhaseSeries
    phase : {"baseline", "exposure", "maintenance", "follow_up"}
    width : float
        Half-width of the envelope in percent of the baseline median, kept for later phases.
    share : float
        Percentage inside from which the phase is called stable.
    around : {"median", "trend"}
        Around the phase's median, or around its split-middle line.

    Returns
    -------
    Estimate
        ``value`` in percent of all usable occasions, ``counts["stable"]`` 1 or 0. A declined occasion
        lies outside. No test.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    A percentage of the median is no measure of spread: near 0 nothing is stable, near the top of the
    scale everything is, and turning the scale round changes the answer.

    Source: the rule of 80 % within 25 % is common in teaching texts (Gast & Spriggs 2010; Lane & Gast
    2014, Neuropsychological Rehabilitation 24:445–463), from memory; its wording is not confirmed.

    Examples
    --------
    >>> series = PhaseSeries.from_phases([3, 4, 4, 5, 6, 6, 7], [8, 9])
    >>> envelope = stability_envelope(series)
    >>> round(envelope.value, 1), envelope.counts["stable"]
    (71.4, 0)
    """
    check_choice("phase", phase, ("baseline", "exposure", "maintenance", "follow_up"))
    return stability_envelope_batch(
        batch_for(series, phase), phase, width=width, share=share, around=around
    )[0]


def _baseline_lines(
    base: Stretch,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Give mean, SD, least-squares slope and intercept of the ratings, and how many there are."""
    rated = base.used & ~base.declined
    n = rated.sum(axis=1)
    y, t = np.where(rated, base.values, 0.0), np.where(rated, base.times, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean, middle = y.sum(axis=1) / n, t.sum(axis=1) / n
        dy = np.where(rated, y - mean[:, None], 0.0)
        dt = np.where(rated, t - middle[:, None], 0.0)
        sd = np.sqrt(np.where(n > 1, (dy**2).sum(axis=1) / (n - 1), np.nan))
        spread = (dt**2).sum(axis=1)
        slope = np.where(spread > 0, (dt * dy).sum(axis=1) / spread, np.nan)
    highest = np.where(rated, base.values, -np.inf).max(axis=1, initial=-np.inf)
    lowest = np.where(rated, base.values, np.inf).min(axis=1, initial=np.inf)
    sd = np.where((n > 1) & (highest == lowest), 0.0, sd)
    return mean, sd, slope, mean - slope * middle, n


def _first_time(stretch: Stretch) -> np.ndarray:
    if not stretch.times.shape[1]:
        return np.full(len(stretch.times), np.nan)
    return stretch.times[:, 0]


def _rated_medians(stretch: Stretch) -> np.ndarray:
    rated = stretch.used & ~stretch.declined
    return row_medians(flush_left(stretch.values, rated), rated.sum(axis=1))


def _longest_runs(outside: np.ndarray) -> np.ndarray:
    longest = np.zeros(len(outside), dtype=np.int64)
    current = np.zeros(len(outside), dtype=np.int64)
    for column in outside.T:
        current = np.where(column, current + 1, 0)
        longest = np.maximum(longest, current)
    return longest
