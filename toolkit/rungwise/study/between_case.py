"""The design-comparable standardized mean difference of a study with several cases."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rungwise.basis.distributions import t_quantile, t_sf
from rungwise.basis.errors import NotEnoughData, check_between, check_choice
from rungwise.basis.estimate import Estimate, orientation
from rungwise.models.two_level import TwoLevelFit, fit_two_level, independent
from rungwise.series.batch import SeriesBatch
from rungwise.study.cases import NO_TREND, Cases

FORMS = ("reml", "moment")
FEWEST_CASES = 3

TOO_FEW = f"A between-case effect needs at least {FEWEST_CASES} cases with ratings in both phases."
NO_SPREAD_BETWEEN = (
    "The variance between cases is estimated at 0, so this effect is standardized by the spread within "
    "cases alone and may be far too large or too small."
)
APART = (
    "The interval and p disagree on whether 0 is possible: p supposes that there is none, the interval "
    "adds how uncertain the spread is by which an effect is divided. Rely on neither alone."
)
NO_CELLS = "The moment form needs at least two cases rated at the same time in the same phase."
NO_INFORMATION = (
    "The variances' information could not be inverted, so the effect has no degrees of freedom."
)


def between_case_d(
    batch: SeriesBatch,
    *,
    form: str = "reml",
    autocorrelation: bool = True,
    trend: bool = False,
    after: float | None = None,
    declines: str = "leave_out",
    confidence: float = 0.95,
) -> Estimate:
    """Standardize the average change by the spread between and within cases together.

    For comparing a single-case study with group studies: the denominator is the standard deviation a
    group study of the same children would have seen. Positive is better for the child.

    Parameters
    ----------
    batch : SeriesBatch
        One series per case, all on one scale; for ``"moment"`` their times must be comparable (occasion
        numbers).
    form : {"reml", "moment"}
        Restricted maximum likelihood, or means and variances over cases.
    autocorrelation : bool
        AR(1) errors within cases.
    trend : bool
        Also a common slope in baseline and a common change of slope at the start (REML form only). The
        change then grows or shrinks with time, so the effect is that of one occasion.
    after : float, optional
        With a trend only: time from the first exposure occasion at which the effect is taken. Default
        the end of the shortest exposure phase, so that no case is extrapolated.
    declines : {"leave_out", "ceiling"}
    confidence : float

    Returns
    -------
    Estimate
        `value` is the effect corrected for small samples (g); ``counts`` holds its sampling
        ``variance``, degrees of freedom, the uncorrected ``d`` and the variances it rests on, with a
        trend also ``after``. NaN, with the reason in `cautions`, with fewer than three cases, or with a
        trend that so few occasions cannot tell from the change.

    Raises
    ------
    ValueError
        For an option not allowed, or series on different scales.

    Notes
    -----
    Model: y = μ + β·D + η + e, η ~ (0, τ²) between cases, e AR(1) with variance σ²; δ = β/√(τ² + σ²). With
    a trend y = μ + β·D + γ·t + κ·D·(t − T) + η + e, T the case's first exposure occasion, and
    δ = (β + κ·after)/√(τ² + σ²). Without one it misleads with a trend in the baseline; either way when
    changes differ much between cases, and when τ² rests on three or four cases. How often the interval
    (t with ν degrees of freedom) held the true effect in simulated studies:
    `rungwise.study.interval_coverage`, made by benchmarks/study_coverage.py. Where children truly differ in
    their change it holds it too seldom (80 to 94 %) and its p calls 18 to 23 % of studies without an
    effect; the two-level model (`multilevel_change`) is the one that allows for that.

    REML form: g = J(ν)·β̂/√(τ̂² + σ̂²) with ν = 2(τ̂² + σ̂²)²/Var(τ̂² + σ̂²) from the expected information,
    J(ν) = 1 − 3/(4ν − 1). Moment form: mean over cases of the change of means, over the root of the
    variance between cases pooled over the times and phases with two cases or more; its degrees of
    freedom match the first two moments of that variance, with the nuisance φ and τ²/(τ² + σ²) taken
    from the REML fit (the paper estimates them by moments too).

    p is that of d/κ among t with ν degrees of freedom, κ the standard error of β̂ over √(τ̂² + σ̂²). The
    interval is g ± t·√Var(g), Var(g) that of a noncentral t with the estimated δ: it also holds the
    uncertainty of the denominator, which grows with δ and is of no account at 0, and the shrinking J. So
    in small studies p is often below .05 while the interval holds 0 (in 30 to 43 of 100 simulated ones of
    three cases with an effect of 0.8 or 2); `cautions` then says so. The coverage measured is that of this
    interval.

    Source: Pustejovsky, Hedges & Shadish (2014), Journal of Educational and Behavioral Statistics
    39:368-393; Hedges, Pustejovsky & Shadish (2012, 2013), Research Synthesis Methods 3:224-239 and
    4:324-341.

    Examples
    --------
    >>> from rungwise.series.phase_series import PhaseSeries
    >>> rows = (
    ...     ([8, 7, 8, 8], [5, 4, 4, 3, 4]),
    ...     ([6, 7, 7, 6], [4, 3, 4, 3, 2]),
    ...     ([9, 8, 9, 9], [8, 7, 6, 7, 6]),
    ... )
    >>> effect = between_case_d(SeriesBatch.of(*(PhaseSeries.from_phases(*row) for row in rows)))
    >>> effect.value > 1, effect.favors
    (True, 'improvement')

    With a trend the method says at which occasion the effect is taken:

    >>> batch = SeriesBatch.of(*(PhaseSeries.from_phases(*row) for row in rows))
    >>> between_case_d(batch, trend=True).method
    'design-comparable, REML, AR(1) errors, trend; effect taken 4 after the first exposure occasion'
    """
    check_choice("form", form, FORMS)
    check_between("confidence", confidence, 0, 1)
    if trend and form == "moment":
        raise ValueError("form must be 'reml' with a trend; the moment form has none; got 'moment'.")
    if after is not None and not (trend and after >= 0):
        raise ValueError(f"after must be 0 or more, and goes with trend=True only; got {after!r}.")
    cases = Cases.of(batch, declines)
    method = f"design-comparable, {'REML' if form == 'reml' else 'moments'}"
    method += ", AR(1) errors" if autocorrelation else ", independent errors"
    if cases.m < FEWEST_CASES:
        return _nothing(TOO_FEW, cases, method, confidence)
    design, weights = np.column_stack([np.ones(len(cases.values)), cases.exposure]), np.eye(2)[1]
    if trend:
        since, shortest = _since_start(cases)
        after = shortest if after is None else float(after)
        first = np.array([cases.times[cases.case == i][0] for i in range(cases.m)])[cases.case]
        design = np.column_stack([design, cases.times - first, cases.exposure * since])
        weights = np.array([0.0, 1.0, 0.0, after])
        method += f", trend; effect taken {after:g} after the first exposure occasion"
        if not independent(design):
            return _nothing(NO_TREND, cases, method, confidence)
    try:
        fit = fit_two_level(
            cases.values,
            design,
            cases.case,
            times=cases.times,
            autocorrelation=autocorrelation,
        )
    except NotEnoughData as problem:
        return _nothing(str(problem), cases, method, confidence)
    variances = _Variances(cases, fit, autocorrelation, design, weights)
    parts = variances.reml() if form == "reml" else variances.moment()
    if isinstance(parts, str):
        return _nothing(parts, cases, method, confidence)
    cautions = list(cases.cautions)
    if fit.random_covariance[0, 0] == 0:
        cautions.append(NO_SPREAD_BETWEEN)
    d, kappa, nu = parts
    correction = 1 - 3 / (4 * nu - 1)
    value = cases.sign * correction * d
    variance = _variance(d, kappa, nu, correction)
    if np.isnan(variance):
        cautions.append("With two degrees of freedom or fewer the effect has no variance.")
    reach = float(t_quantile(0.5 * (1 + confidence), nu)) * np.sqrt(variance)
    p = min(1.0, 2 * float(t_sf(abs(d) / kappa, nu)))
    if (p < 1 - confidence) != (abs(value) > reach) and not np.isnan(reach):
        cautions.append(APART)
    return Estimate(
        statistic="between-case d",
        value=value,
        ci_low=value - reach,
        ci_high=value + reach,
        confidence=confidence,
        p_value=p,
        alternative="two-sided",
        null="no average change",
        n=len(cases.values),
        counts={
            "cases": cases.m,
            "d": cases.sign * d,
            "df": nu,
            "variance": variance,
            "variance_between": float(fit.random_covariance[0, 0]),
            "variance_within": fit.sigma2,
            "phi": fit.phi,
            **({} if after is None else {"after": after}),
        },
        method=method,
        favors=str(orientation(np.array([value]))[0]),
        cautions=tuple(cautions),
    )


def _since_start(cases: Cases) -> tuple[np.ndarray, float]:
    """Give the time since each case's first exposure occasion, and the shortest exposure phase."""
    since, last = np.empty(len(cases.times)), []
    for i in range(cases.m):
        rows = cases.case == i
        since[rows] = cases.times[rows] - cases.times[rows & (cases.exposure > 0)].min()
        last.append(float(since[rows].max()))
    return since, min(last)


def _nothing(reason: str, cases: Cases, method: str, confidence: float) -> Estimate:
    return Estimate(
        "between-case d",
        float("nan"),
        confidence=confidence,
        alternative="two-sided",
        null="no average change",
        n=len(cases.values),
        counts={"cases": cases.m},
        method=method,
        cautions=(reason, *cases.cautions),
    )


def _variance(d: float, kappa: float, nu: float, correction: float) -> float:
    """Variance of g from the moments of the noncentral t."""
    if nu <= 2:
        return float("nan")
    return correction**2 * (nu * kappa**2 / (nu - 2) + d**2 * (nu / (nu - 2) - 1 / correction**2))


@dataclass(frozen=True, eq=False)
class _Variances:
    """Covariance of the ratings under the fitted model, and what follows from it."""

    cases: Cases
    fit: TwoLevelFit
    autocorrelation: bool
    design: np.ndarray
    weights: np.ndarray

    def _pieces(self, i: int) -> tuple[np.ndarray, list[np.ndarray], np.ndarray]:
        """V of one case, its derivatives by τ², σ² and φ, and the rows of the case."""
        rows = np.flatnonzero(self.cases.case == i)
        apart = np.zeros((len(rows),) * 2)
        correlation = np.eye(len(rows))
        by_phi = np.zeros_like(apart)
        if self.autocorrelation:
            # Counted in shortest gaps, so that the slope in φ is finite at φ = 0 too.
            times = self.cases.times[rows]
            apart = np.abs(times[:, None] - times) / self._shortest
            phi = self.fit.phi ** (self._shortest / self.fit.unit_gap)
            correlation = phi**apart
            by_phi = np.where(apart > 0, apart * phi ** np.maximum(apart - 1, 0), 0.0)
        together = np.ones_like(apart)
        tau2, sigma2 = float(self.fit.random_covariance[0, 0]), self.fit.sigma2
        derivatives = [together, correlation]
        if self.autocorrelation:
            derivatives.append(sigma2 * by_phi)
        return tau2 * together + sigma2 * correlation, derivatives, rows

    @cached_property
    def _shortest(self) -> float:
        gaps = np.diff(self.cases.times)[self.cases.case[1:] == self.cases.case[:-1]]
        return float(gaps.min())

    def reml(self) -> tuple[float, float, float] | str:
        """Effect, its standard error over the standard deviation, and degrees of freedom."""
        fit, count, p = self.fit, 3 if self.autocorrelation else 2, self.design.shape[1]
        total = float(fit.random_covariance[0, 0]) + fit.sigma2
        inside = np.zeros((count, count))
        crossed = np.zeros((count, count, p, p))
        edge = np.zeros((count, p, p))
        information = np.zeros((p, p))
        for i in range(self.cases.m):
            v, derivatives, rows = self._pieces(i)
            inverse = np.linalg.inv(v)
            x = self.design[rows]
            left = inverse @ x
            information += x.T @ left
            turned = [inverse @ one for one in derivatives]
            for r in range(count):
                edge[r] += left.T @ derivatives[r] @ left
                for s in range(count):
                    inside[r, s] += np.sum(turned[r] * turned[s].T)
                    crossed[r, s] += left.T @ derivatives[r] @ inverse @ derivatives[s] @ left
        known = np.linalg.inv(information)
        expected = np.empty((count, count))
        for r in range(count):
            for s in range(count):
                outer = np.trace(known @ edge[r] @ known @ edge[s])
                expected[r, s] = 0.5 * (inside[r, s] - 2 * np.trace(known @ crossed[r, s]) + outer)
        if np.linalg.cond(expected) > 1e12:
            return NO_INFORMATION
        covariance = np.linalg.inv(expected)
        nu = 2 * total**2 / float(covariance[:2, :2].sum())
        root = np.sqrt(total)
        error = np.sqrt(self.weights @ fit.covariance @ self.weights)
        return float(self.weights @ fit.coefficients / root), float(error / root), nu

    def moment(self) -> tuple[float, float, float] | str:
        """Effect from means and variances over cases, with its error and degrees of freedom."""
        cases, n = self.cases, len(self.cases.values)
        weights = np.zeros(n)
        for i in range(cases.m):
            for phase, sign in ((0, -1.0), (1, 1.0)):
                rows = (cases.case == i) & (cases.exposure == phase)
                weights[rows] = sign / (rows.sum() * cases.m)
        _, cell = np.unique(np.stack([cases.times, cases.exposure]), axis=1, return_inverse=True)
        cell = cell.ravel()
        sizes = np.bincount(cell)
        df = int(np.sum(np.maximum(sizes - 1, 0)))
        if df == 0:
            return NO_CELLS
        # S² = y'Qy, Q centering within each time and phase.
        q = (np.eye(n) - (cell[:, None] == cell) / sizes[cell][:, None]) / df
        v = np.zeros((n, n))
        for i in range(cases.m):
            block, _, rows = self._pieces(i)
            v[np.ix_(rows, rows)] = block
        spread = float(cases.values @ q @ cases.values)
        # The centering leaves rounding of the size of the ratings, which is no spread.
        if spread <= 1e-12 * float(np.mean(cases.values**2)):
            return "The cases do not differ at any time, so there is no spread to standardize by."
        qv = q @ v
        mean, twice = float(np.trace(qv)), float(np.sum(qv * qv.T))
        total = float(self.fit.random_covariance[0, 0]) + self.fit.sigma2
        kappa = float(np.sqrt(weights @ v @ weights / total))
        return float(weights @ cases.values / np.sqrt(spread)), kappa, mean**2 / twice
