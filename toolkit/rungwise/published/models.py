"""Outside values for the likelihood engine: AR(1) regression and two-level models."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial

import numpy as np

from rungwise.models.gls import Ar1Fit, fit_ar1
from rungwise.models.two_level import TwoLevelFit, fit_two_level
from rungwise.published.check import Check
from rungwise.published.real_series import carried

RECOMPUTED = "recomputed by two independent routes"
MEMORY = "from memory of the source"

_BATES = (
    "Bates, Maechler, Bolker & Walker 2015, J Stat Softw 67(1), sleepstudy example; data of Belenky et al. "
    "2003, J Sleep Res 12:1-12"
)
_BELENKY = "R 4.2.2 lme4 1.1-31 and statsmodels; data of Belenky et al. 2003, J Sleep Res 12:1-12"
_POTTHOFF = "R 4.2.2 nlme 3.1-162 and statsmodels; data of Potthoff & Roy 1964, Biometrika 51:313-326"
_DIGGLE = "R 4.2.2 help page of arima, example lh, and R nlme 3.1-162 gls; data of Diggle 1990"
_NILE = "R 4.2.2 nlme 3.1-162 gls, corAR1; data of Cobb 1978, Biometrika 65:243-251"
_STOPPED = "The default search of lme4 stops a little early; ours is the optimum of the same criterion."


@cache
def _sleepstudy(effects: str, method: str = "reml", auto: bool = False) -> TwoLevelFit:
    y, days, subject = (
        np.array(c) for c in zip(*carried("lme4", "sleepstudy", "Reaction", "Days", "Subject"), strict=True)
    )
    constant = np.ones(len(y))
    x = np.column_stack([constant, days if effects != "phase" else days >= 3]).astype(float)
    random = x if effects == "slope" else None
    return fit_two_level(y, x, subject, random=random, times=days, autocorrelation=auto, method=method)


@cache
def _orthodont() -> TwoLevelFit:
    columns = carried("nlme", "Orthodont", "distance", "age", "Subject", "Sex")
    y, age, subject, sex = (np.array(c) for c in zip(*columns, strict=True))
    girl = (sex == "Female") * 1.0
    return fit_two_level(y, np.column_stack([np.ones(len(y)), age, girl, girl * age]), subject)


@cache
def _hormone(method: str) -> Ar1Fit:
    y = np.array([value for (value,) in carried("datasets", "lh", "value")])
    return fit_ar1(y, np.ones((len(y), 1)), method=method)


@cache
def _nile(method: str) -> Ar1Fit:
    from statsmodels.datasets import nile

    flow = nile.load_pandas().data["volume"].to_numpy(dtype=float)
    after = (np.arange(len(flow)) >= 28) * 1.0
    return fit_ar1(flow, np.column_stack([np.ones(len(flow)), after]), method=method)


def _coefficient(fit: TwoLevelFit, a: int) -> float:
    return float(fit.coefficients[a])


def _error(fit: TwoLevelFit, a: int) -> float:
    return float(fit.covariance[a, a] ** 0.5)


def _correlation(fit: TwoLevelFit) -> float:
    g = fit.random_covariance
    return float(g[0, 1] / np.sqrt(g[0, 0] * g[1, 1]))


def _read(fit: Callable[[], TwoLevelFit], ours: Callable[[TwoLevelFit], float]) -> float:
    return float(ours(fit()))


def _two_level(
    example: str,
    source: str,
    standing: str,
    fit: Callable[[], TwoLevelFit],
    values: dict[str, tuple[float, float, Callable[[TwoLevelFit], float]]],
    note: str = "",
) -> tuple[Check, ...]:
    return tuple(
        Check(name, example, source, standing, value, partial(_read, fit, ours), tolerance, note)
        for name, (value, tolerance, ours) in values.items()
    )


CHECKS: tuple[Check, ...] = (
    *_two_level(
        "sleepstudy, random intercept and slope, REML", _BATES, MEMORY, lambda: _sleepstudy("slope"),
        {
            "Two-level intercept": (251.405, 5e-4, lambda f: f.coefficients[0]),
            "Its standard error": (6.825, 5e-4, lambda f: _error(f, 0)),
            "Two-level slope": (10.467, 5e-4, lambda f: f.coefficients[1]),
            "Its standard error (slope)": (1.546, 5e-4, lambda f: _error(f, 1)),
            "Variance of intercepts": (612.1, 0.05, lambda f: f.random_covariance[0, 0]),
            "Variance of slopes": (35.07, 5e-3, lambda f: f.random_covariance[1, 1]),
            "Their correlation": (0.066, 5e-4, _correlation),
            "Residual variance": (654.94, 5e-3, lambda f: f.sigma2),
            "REML criterion": (1743.6, 0.05, lambda f: -2 * f.log_likelihood),
        },
    ),
    *_two_level(
        "sleepstudy, random intercept and slope, ML", _BELENKY, RECOMPUTED,
        lambda: _sleepstudy("slope", "ml"),
        {
            "Variance of intercepts, ML": (565.4770, 0.05, lambda f: f.random_covariance[0, 0]),
            "Variance of slopes, ML": (32.6818, 5e-4, lambda f: f.random_covariance[1, 1]),
            "Residual variance, ML": (654.9457, 0.006, lambda f: f.sigma2),
            "Log-likelihood, ML": (-875.9697, 5e-5, lambda f: f.log_likelihood),
        },
        _STOPPED,
    ),
    *_two_level(
        "sleepstudy, random intercept, REML", _BELENKY, RECOMPUTED, lambda: _sleepstudy("intercept"),
        {
            "Variance of intercepts alone": (1378.1785, 2e-3, lambda f: f.random_covariance[0, 0]),
            "Residual variance with intercepts alone": (960.4566, 2e-4, lambda f: f.sigma2),
            "Standard error of the intercept": (9.7467, 5e-5, lambda f: _error(f, 0)),
            "Standard error of the slope": (0.8042, 5e-5, lambda f: _error(f, 1)),
        },
        _STOPPED,
    ),
    *_two_level(
        "sleepstudy, days 3 to 9 against 0 to 2", _BELENKY, RECOMPUTED, lambda: _sleepstudy("phase"),
        {
            "Change between phases": (51.911530, 5e-7, lambda f: f.coefficients[1]),
            "Its standard error (phases)": (5.950292, 2e-5, lambda f: _error(f, 1)),
            "Variance between people": (1340.3118, 0.08, lambda f: f.random_covariance[0, 0]),
            "Variance within people": (1338.3457, 8e-3, lambda f: f.sigma2),
        },
        _STOPPED,
    ),
    *_two_level(
        "sleepstudy, days 3 to 9 against 0 to 2, AR(1)", _BELENKY.replace("lme4 1.1-31", "nlme 3.1-162"),
        RECOMPUTED, lambda: _sleepstudy("phase", auto=True),
        {
            "Autocorrelation where the variance between people runs to 0": (0.8329, 5e-5, lambda f: f.phi),
            "Change between phases, AR(1)": (24.9692, 5e-5, lambda f: f.coefficients[1]),
            "Its standard error, AR(1)": (7.5175, 5e-5, lambda f: _error(f, 1)),
        },
    ),
    *_two_level(
        "Orthodont, distance on age by sex, random intercept", _POTTHOFF, RECOMPUTED, _orthodont,
        {
            f"{name} {what}": (value, tolerance, reader)
            for a, (name, estimate, error) in enumerate(
                (
                    ("Intercept", (16.3406, 5e-5), (0.9813, 5e-5)),
                    ("Age", (0.784375, 5e-7), (0.077501, 5e-7)),
                    ("Girl", (1.0321, 5e-5), (1.5374, 5e-5)),
                    ("Age by girl", (-0.304830, 5e-7), (0.121421, 5e-7)),
                )
            )
            for what, (value, tolerance), reader in (
                ("coefficient", estimate, partial(_coefficient, a=a)),
                ("standard error", error, partial(_error, a=a)),
            )
        },
    ),
    Check(
        "AR(1) coefficient, ML", "lh", _DIGGLE, RECOMPUTED, 0.5739,
        lambda: float(_hormone("ml").phi[0]), 5e-5,
    ),
    Check(
        "Mean, AR(1) ML", "lh", _DIGGLE, RECOMPUTED, 2.4133,
        lambda: float(_hormone("ml").coefficients[0, 0]), 5e-5,
    ),
    Check(
        "Log-likelihood, AR(1) ML", "lh", _DIGGLE, RECOMPUTED, -29.38,
        lambda: float(_hormone("ml").log_likelihood[0]), 5e-3,
    ),
    Check(
        "Innovation variance, AR(1) ML", "lh", _DIGGLE, RECOMPUTED, 0.1975,
        lambda: float(_hormone("ml").sigma2[0] * (1 - _hormone("ml").phi[0] ** 2)), 5e-5,
    ),
    Check(
        "Restricted log-likelihood, AR(1)", "Nile, level shift in 1899", _NILE, RECOMPUTED, -616.478427,
        lambda: float(_nile("reml").log_likelihood[0]), 5e-7,
        "Stored R output: tests/reference/r/gls.json.",
    ),
    Check(
        "Autocorrelation, ML", "Nile, level shift in 1899", _NILE, RECOMPUTED, 0.15963,
        lambda: float(_nile("ml").phi[0]), 5e-6,
        "Stored R output: tests/reference/r/gls.json.",
    ),
)  # fmt: skip
