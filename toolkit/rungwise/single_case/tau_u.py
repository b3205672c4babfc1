"""Tau-U: Tau between phases with the trends inside them taken away or added."""

from __future__ import annotations

import numpy as np

from rungwise.basis.errors import check_between, check_choice
from rungwise.basis.estimate import Estimate, Estimates, orientation
from rungwise.basis.null_tau_u import tau_u_p
from rungwise.basis.null_trend import trend_p
from rungwise.basis.null_two_phase import ALTERNATIVES
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.nap import (
    AT_ONCE_CAUTION,
    DECLINED_CAUTION,
    EMPTY_CAUTION,
    MISSING_CAUTION,
    NULL_CAUTION,
)
from rungwise.single_case.pairs import pair_counts
from rungwise.single_case.stretch import Stretch
from rungwise.single_case.trend import tie_counts

TRENDS = ("baseline", "exposure", "both")
DENOMINATORS = ("own_pairs", "cross_pairs")
CORRECTIONS = ("always", "improving", "significant")

NEVER_DECIDES = (
    "Tau-U is reported because readers ask for it and never decides: where a falling baseline simply goes "
    "on without any effect, it still tends to find improvement."
)
NO_INTERVAL = "No interval: none for Tau-U has shown its coverage."
UNBOUNDED = "Divided by the baseline-exposure pairs alone, Tau-U is not bounded by -1 and 1."
CHOSEN = "No p-value: whether the baseline trend was taken away was decided by looking at the data."
INCREASED = "The baseline was getting worse, so taking its trend away adds to the numerator of Tau-U."


def tau_u_batch(
    batch: SeriesBatch,
    trend: str = "baseline",
    denominator: str = "own_pairs",
    correct: str = "always",
    alternative: str = "two-sided",
    *,
    level: float = 0.05,
) -> Estimates:
    """Give Tau-U for many series at once.

    Parameters
    ----------
    batch : SeriesBatch
    trend, denominator, correct, alternative, level
        As in `tau_u`.

    Returns
    -------
    Estimates
        As `tau_u`.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Examples
    --------
    >>> batch = SeriesBatch.from_arrays(np.array([[7, 8, 7, 5, 4, 3], [7, 6, 5, 5, 4, 4]]), 3)
    >>> print(tau_u_batch(batch).value.round(4))
    [0.75   0.4167]
    """
    check_choice("trend", trend, TRENDS)
    check_choice("denominator", denominator, DENOMINATORS)
    check_choice("correct", correct, CORRECTIONS)
    check_choice("alternative", alternative, ALTERNATIVES)
    check_between("level", level, 0, 1)
    pairs = pair_counts(batch)
    s_ab, s_a, s_b = pairs.ab.s, pairs.aa.s, pairs.bb.s
    estimable = pairs.ab.pairs > 0
    corrected = _corrected(batch, correct, level) if trend != "exposure" else np.zeros(len(batch), bool)
    add_b = trend != "baseline"
    numerator = s_ab - np.where(corrected, s_a, 0) + (s_b if add_b else 0)
    own = pairs.ab.pairs + np.where(corrected, pairs.aa.pairs - pairs.aa.same_time, 0)
    if add_b:
        own = own + pairs.bb.pairs - pairs.bb.same_time
    divisor = own if denominator == "own_pairs" else pairs.ab.pairs
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(estimable, numerator / divisor, np.nan)
    tested = estimable & (correct == "always" or trend == "exposure")
    p, exact = _p_values(batch, numerator, trend, alternative, np.flatnonzero(tested))
    return Estimates(
        "Tau-U",
        value=value,
        n=batch.n_a + batch.n_b,
        p_value=p,
        alternative=alternative,
        null="exchangeable",
        counts={
            "n_baseline": batch.n_a,
            "n_exposure": batch.n_b,
            "declined": batch.n_declined,
            "missing": batch.n_missing,
            "s_between": s_ab,
            "s_baseline": s_a,
            "s_exposure": s_b,
            "numerator": numerator,
            "denominator": divisor,
        },
        method=_methods(trend, denominator, corrected, exact, tested),
        favors=orientation(value),
        cautions={
            EMPTY_CAUTION: ~estimable,
            NEVER_DECIDES: estimable,
            CHOSEN: estimable & ~tested,
            INCREASED: estimable & corrected & (s_a < 0),
            UNBOUNDED: estimable & np.full(len(batch), denominator == "cross_pairs"),
            NULL_CAUTION: tested,
            NO_INTERVAL: estimable,
            DECLINED_CAUTION: batch.n_declined > 0,
            MISSING_CAUTION: batch.n_missing > 0,
            AT_ONCE_CAUTION: batch.several_at_once,
        },
    )


def tau_u(
    series: PhaseSeries,
    trend: str = "baseline",
    denominator: str = "own_pairs",
    correct: str = "always",
    alternative: str = "two-sided",
    *,
    level: float = 0.05,
) -> Estimate:
    """Give Tau-U of one series: Tau with the trend inside the phases taken away or added.

    It answers no question of its own well. Taking the baseline's S away does not extend the baseline's
    line into exposure: it takes away a fixed number of pairs, however long the exposure phase is, so a
    baseline trend that simply continues still looks like improvement when exposure is longer. Use
    `level_and_slope_change` to ask whether a fall goes beyond the baseline's own course.

    Parameters
    ----------
    series : PhaseSeries
        A declined occasion ranks worse than any rating; a missing one is left out and counted.
    trend : {"baseline", "exposure", "both"}
        ``"baseline"``: S_AB - S_A; ``"exposure"``: S_AB + S_B; ``"both"``: S_AB + S_B - S_A.
    denominator : {"own_pairs", "cross_pairs"}
        All pairs that enter the numerator (Tau-U then lies between -1 and 1), or the
        baseline-exposure pairs alone (it can then exceed 1). Papers differ; `method` says which.
    correct : {"always", "improving", "significant"}
        When the baseline's S is taken away: always, only if the baseline was improving, or only if its
        trend has an exact two-sided p of at most `level`. The last two have no p-value.
    alternative : {"two-sided", "improvement", "worsening"}
    level : float
        For ``correct="significant"``.

    Returns
    -------
    Estimate
        Oriented: positive is better for the child. `p_value` is exact over all orders of the ratings,
        ties included, wherever they can be counted. No interval.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    Source: Parker, Vannest, Davis and Sauber (2011), Behavior Therapy 42:284-299 (coefficients from
    memory, recomputed). On the unclear denominators and the arithmetic of the trend control: Tarlow
    (2017), Behavior Modification 41:427-467; Brossart, Laird and Armstrong (2018), Cogent Psychology
    5:1518687. Pairs of one phase at equal times have no order: they enter neither numerator nor
    denominator.

    Examples
    --------
    >>> series = PhaseSeries.from_phases([2, 3, 5, 3], [4, 5, 5, 7, 6], better="higher")
    >>> print(tau_u(series).value, tau_u(series, denominator="cross_pairs").value)
    0.5 0.65
    >>> print(round(tau_u(series, trend="both").value, 4), round(tau_u(series, trend="both").p_value, 4))
    0.5556 0.0384
    """
    return tau_u_batch(SeriesBatch.of(series), trend, denominator, correct, alternative, level=level)[0]


def _corrected(batch: SeriesBatch, correct: str, level: float) -> np.ndarray:
    s_a = pair_counts(batch).aa.s
    if correct == "always":
        return np.ones(len(batch), dtype=bool)
    if correct == "improving":
        return s_a > 0
    ratings, times = tie_counts(Stretch.of(batch, batch.phases[0]))
    p, _ = trend_p(ratings, s_a, "two-sided", times)
    return p <= level


def _p_values(
    batch: SeriesBatch, numerator: np.ndarray, trend: str, alternative: str, rows: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    p = np.full(len(batch), np.nan)
    exact = np.zeros(len(batch), dtype=bool)
    ties = pair_counts(batch).ties
    _, times_a = tie_counts(Stretch.of(batch, batch.phases[0]))
    _, times_b = tie_counts(Stretch.of(batch, batch.phases[1]))
    if trend == "both" and times_a is None and times_b is None:
        p[rows], exact[rows] = trend_p(ties[rows], numerator[rows], alternative)
        return p, exact
    for r in rows:
        p[r], exact[r] = tau_u_p(
            ties[r],
            int(batch.n_a[r]),
            int(numerator[r]),
            trend,
            alternative,
            None if times_a is None else times_a[r],
            None if times_b is None else times_b[r],
        )
    return p, exact


def _methods(
    trend: str, denominator: str, corrected: np.ndarray, exact: np.ndarray, tested: np.ndarray
) -> np.ndarray:
    def method(taken: bool, counted: bool, with_p: bool) -> str:
        numerator = "S_AB" + (" + S_B" if trend != "baseline" else "") + (" - S_A" if taken else "")
        if trend != "exposure" and not taken:
            numerator += " (baseline trend not taken away)"
        divisor = "all pairs that enter it" if denominator == "own_pairs" else "baseline-exposure pairs"
        how = "exact p over all orders of the ratings" if counted else "tie-corrected normal p"
        return f"{numerator} over {divisor}" + (f"; {how}" if with_p else "")

    flags = zip(corrected.tolist(), exact.tolist(), tested.tolist(), strict=True)
    return np.array([method(*row) for row in flags], dtype=object)
