"""How large the change is in standard deviations of the child's own ratings.

It works on mean ratings, so it takes no account of trend; declined occasions have no rating and are
left out. Values are oriented: positive is better for the child.
"""

from __future__ import annotations

import math

import numpy as np

from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.estimate import Estimate, Estimates, orientation
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.magnitude import DECLINES_LEFT_OUT, INDEPENDENT, NO_RATING, Moments
from rungwise.single_case.nap import AT_ONCE_CAUTION, MISSING_CAUTION

STANDARDIZERS = ("pooled", "baseline")

TOO_FEW_FOR_SD = "A standard deviation needs at least two ratings."
NO_CORRECTION = (
    "With one degree of freedom the small-sample correction does not exist; correct=False leaves it out."
)
NO_SPREAD = (
    "The ratings it would be measured by do not vary, so there is no standard deviation to divide by."
)
ALIKE = "The interval takes both phases to vary alike."
NOT_FOUND = "The difference is so large that the interval could not be computed."
WITHIN_CHILD = (
    "The unit is this child's own spread over occasions: not comparable with effects between children."
)


def hedges_j(df: np.ndarray | float) -> np.ndarray:
    """Give Hedges' exact correction of a standardized difference for small samples.

    Parameters
    ----------
    df : float or ndarray
        Degrees of freedom of the standard deviation; at least 2, otherwise NaN.

    Notes
    -----
    J(m) = Γ(m/2) / [√(m/2) Γ((m−1)/2)] (Hedges 1981, Journal of Educational Statistics 6:107–128).

    Examples
    --------
    >>> hedges_j(np.array([2, 10])).round(6).tolist()
    [0.56419, 0.922746]
    """
    distinct, place = np.unique(np.asarray(df, dtype=float), return_inverse=True)
    return np.array([_hedges_j(one) for one in distinct.tolist()])[place].reshape(np.shape(df))


def _hedges_j(m: float) -> float:
    if not m >= 2:
        return math.nan
    return math.exp(math.lgamma(m / 2) - math.lgamma((m - 1) / 2) - math.log(m / 2) / 2)


def standardized_mean_difference_batch(
    batch: SeriesBatch,
    *,
    standardizer: str = "pooled",
    correct: bool = True,
    confidence: float = 0.95,
) -> Estimates:
    """Give the standardized mean difference of many series; see `standardized_mean_difference`."""
    check_choice("standardizer", standardizer, STANDARDIZERS)
    check_between("confidence", confidence, 0, 1)
    m = Moments.of(batch)
    pooled = standardizer == "pooled"
    with np.errstate(divide="ignore", invalid="ignore"):
        if pooled:
            df = m.n_a + m.n_b - 2
            # A single rating adds its mean but nothing to the spread.
            squares = np.nan_to_num(m.var_a) * (m.n_a - 1) + np.nan_to_num(m.var_b) * (m.n_b - 1)
            variance = np.where(df > 0, squares / df, np.nan)
        else:
            df, variance = m.n_a - 1, m.var_a
        raw = batch.sign * (m.mean_b - m.mean_a) / np.sqrt(variance)
    empty = (m.n_a == 0) | (m.n_b == 0)
    few, level = ~empty & np.isnan(variance), ~empty & (variance == 0)
    raw = np.where(empty | few | level, np.nan, raw)
    factor = hedges_j(df.astype(float)) if correct else np.ones(len(batch))
    with np.errstate(divide="ignore", invalid="ignore"):
        if pooled:
            large_sample = 1 / m.n_a + 1 / m.n_b + raw**2 / (2 * df)
        else:
            large_sample = 1 / m.n_a + m.var_b / (m.n_b * m.var_a) + raw**2 / (2 * df)
        scale = np.sqrt(1 / m.n_a + 1 / m.n_b)
    low, high = _noncentral_limits(raw / scale, df, confidence)
    value = raw * factor
    bounded = ~np.isnan(value)
    spread = "pooled SD of both phases" if pooled else "baseline SD"
    corrected = "with Hedges' exact correction" if correct else "uncorrected"
    return Estimates(
        "standardized_mean_difference",
        value=value,
        n=m.n_a + m.n_b,
        ci_low=np.where(bounded, low * scale, np.nan),
        ci_high=np.where(bounded, high * scale, np.nan),
        confidence=confidence,
        counts={
            "uncorrected": raw,
            "standard_error": np.sqrt(large_sample) * factor,
            "baseline": m.n_a,
            "exposure": m.n_b,
            "declined": m.declined,
        },
        method=f"difference of means over the {spread}, {corrected}; interval from the noncentral t",
        unit="SD",
        favors=orientation(value),
        cautions={
            NO_RATING: empty,
            TOO_FEW_FOR_SD: few,
            NO_CORRECTION: ~empty & ~few & ~level & np.isnan(factor),
            NO_SPREAD: level,
            WITHIN_CHILD: bounded,
            INDEPENDENT: bounded & ~np.isnan(low),
            ALIKE: bounded & ~np.isnan(low),
            NOT_FOUND: bounded & np.isnan(low),
            DECLINES_LEFT_OUT: m.declined > 0,
            MISSING_CAUTION: batch.n_missing > 0,
            AT_ONCE_CAUTION: batch.several_at_once,
        },
    )


def standardized_mean_difference(
    series: PhaseSeries,
    *,
    standardizer: str = "pooled",
    correct: bool = True,
    confidence: float = 0.95,
) -> Estimate:
    """Give the difference between the phase means in standard deviations over occasions.

    Parameters
    ----------
    series : PhaseSeries
        Its baseline and exposure are compared.
    standardizer : {"pooled", "baseline"}
        Standard deviation to divide by: pooled over both phases, or the baseline's alone (Glass), which
        exposure cannot have changed but which a short, even baseline makes tiny.
    correct : bool
        Multiply by Hedges' exact J for small samples; with fewer than two degrees of freedom J does not
        exist and the value is NaN.
    confidence : float

    Returns
    -------
    Estimate
        ``value`` oriented, positive is improvement. ``counts["uncorrected"]`` is the value without J,
        ``counts["standard_error"]`` the large-sample one. The interval is the noncentral-t interval,
        exact for independent normal ratings that vary alike in both phases.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    It misleads under a trend (a falling exposure phase has a large SD, and a mean that no rating has),
    under autocorrelation, and with whole-number ratings whose baseline hardly varies. Standard
    deviations over one child's occasions are not those between children: never pool it with effects of
    group studies.

    Source: Glass 1976; Hedges 1981, Journal of Educational Statistics 6:107–128; within one case, Busk
    & Serlin 1992; from memory.

    Examples
    --------
    >>> series = PhaseSeries.from_phases([2, 3, 5, 3], [4, 5, 5, 7, 6], better="higher")
    >>> difference = standardized_mean_difference(series)
    >>> round(difference.value, 4), round(difference.counts["uncorrected"], 4)
    (1.6017, 1.8033)
    """
    return standardized_mean_difference_batch(
        SeriesBatch.of(series), standardizer=standardizer, correct=correct, confidence=confidence
    )[0]


def _noncentral_limits(t: np.ndarray, df: np.ndarray, confidence: float) -> tuple[np.ndarray, np.ndarray]:
    """Give the noncentralities at which t lies on the upper and lower tail point."""
    from scipy.special import nctdtr

    low, high = np.full(len(t), np.nan), np.full(len(t), np.nan)
    fine = np.isfinite(t) & (df > 0)
    if not fine.any():
        return low, high
    df, size, negative = df[fine].astype(float), np.abs(t[fine]), t[fine] < 0
    tail = (1 - confidence) / 2
    found = []
    for target in (1 - tail, tail):
        # At |t| the noncentrality cannot lie below minus the normal quantile; the distribution function
        # falls as it rises, so bisect from there to a sure end.
        left = np.full(len(size), -40.0)
        right = size * (1 + 40 / df) + 40
        for _ in range(90):
            middle = (left + right) / 2
            # Far from |t| the library gives NaN for what is 1 or 0.
            share = nctdtr(df, middle, size)
            share = np.where(np.isnan(share), middle < size, share)
            left = np.where(share > target, middle, left)
            right = np.where(share > target, right, middle)
        hit = np.abs(nctdtr(df, left, size) - target) < 1e-6
        found.append(np.where(hit, (left + right) / 2, np.nan))
    low[fine] = np.where(negative, -found[1], found[0])
    high[fine] = np.where(negative, -found[0], found[1])
    return low, high
