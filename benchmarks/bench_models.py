"""Model fits against statsmodels, as ratios measured in one run.

    python benchmarks/bench_models.py [--series 10000] [--data-sets 100]

Two comparisons. AR(1) regression of equally spaced series against a loop over statsmodels
``GLSAR.iterative_fit`` (whose estimator differs: conditional on the first occasion, φ by moments of the
residuals; ours is REML). Two-level REML fits of 6 children x 30 occasions, random intercept and phase
effect, against statsmodels ``MixedLM`` with lbfgs; a fit "reaches the optimum" when its restricted
log-likelihood, recomputed here with full covariance matrices from its variances, lies within .01 of the
best that any of the programs or a search with scipy from many starts has found.
"""

from __future__ import annotations

import argparse
import json
import time
import warnings
from typing import Any

import numpy as np
from rungwise.models.gls import fit_ar1
from rungwise.models.two_level import fit_two_level

SEED = 20261005
CHILDREN, OCCASIONS, BASELINE = 6, 30, 10


def ar1_series(rng: np.random.Generator, series: int, occasions: int, phi: float) -> np.ndarray:
    """Simulate stationary AR(1) errors."""
    e = rng.normal(size=(series, occasions))
    for t in range(1, occasions):
        e[:, t] = phi * e[:, t - 1] + np.sqrt(1 - phi**2) * e[:, t]
    return e


def bench_gls(series: int) -> dict[str, Any]:
    """Time the level-and-slope regression of 8 + 20 occasions, ours and a loop over GLSAR."""
    from statsmodels.regression.linear_model import GLSAR

    rng = np.random.default_rng([SEED, 0])
    n_a, n = 8, 28
    t = np.arange(n, dtype=float)
    phase = (t >= n_a) * 1.0
    design = np.column_stack([np.ones(n), t, phase, phase * (t - n_a)])
    y = np.clip(np.rint(7 + 1.5 * ar1_series(rng, series, n, 0.3)), 0, 10)
    loop, ours, tested = [], [], []
    some = y[:300]
    for _ in range(3):
        begun = time.process_time()
        for row in some:
            GLSAR(row, design, rho=1).iterative_fit(maxiter=5)
        loop.append((time.process_time() - begun) / len(some))
        begun = time.process_time()
        fit = fit_ar1(y, design, t)
        ours.append((time.process_time() - begun) / series)
        fit.contrast([0, 0, 1, n - 1 - n_a]).p_value("less")
        tested.append((time.process_time() - begun) / series)
    return {
        "glsar_us": 1e6 * np.median(loop),
        "ours_fit_us": 1e6 * np.median(ours),
        "ours_with_integrated_p_us": 1e6 * np.median(tested),
        "ratio_fit": np.median(loop) / np.median(ours),
        "ratio_with_integrated_p": np.median(loop) / np.median(tested),
    }


def restricted(y: np.ndarray, x: np.ndarray, covariance: np.ndarray, sigma2: float) -> float:
    """Restricted log-likelihood with full matrices, whatever program found the variances."""
    information, cross, log_det, pieces = np.zeros((2, 2)), np.zeros(2), 0.0, []
    for rows in range(0, len(y), OCCASIONS):
        part = slice(rows, rows + OCCASIONS)
        v = x[part] @ covariance @ x[part].T + sigma2 * np.eye(OCCASIONS)
        inverse = np.linalg.inv(v)
        log_det += np.linalg.slogdet(v)[1]
        information += x[part].T @ inverse @ x[part]
        cross += x[part].T @ inverse @ y[part]
        pieces.append((part, inverse))
    beta = np.linalg.solve(information, cross)
    rss = sum(float((y[p] - x[p] @ beta) @ v @ (y[p] - x[p] @ beta)) for p, v in pieces)
    penalty = np.linalg.slogdet(information)[1]
    return -0.5 * ((len(y) - 2) * np.log(2 * np.pi) + log_det + penalty + rss)


def searched(y: np.ndarray, x: np.ndarray) -> float:
    """Best restricted log-likelihood a simplex search finds from several starts."""
    from scipy.optimize import minimize

    def height(theta: np.ndarray) -> float:
        triangle = np.array([[theta[0], 0], [theta[1], theta[2]]])
        return -restricted(y, x, triangle @ triangle.T, float(np.exp(theta[3])))

    options = {"xatol": 1e-6, "fatol": 1e-8, "maxiter": 2000}
    starts = ((1.0, 0.0, 0.5, 0.0), (0.1, 0.1, 0.1, 0.0))
    return -min(minimize(height, s, method="Nelder-Mead", options=options).fun for s in starts)


def bench_two_level(data_sets: int) -> dict[str, Any]:
    """Fit simulated data sets with ours and with statsmodels, and count who reaches the optimum."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng([SEED, 1])
    groups = np.repeat(np.arange(CHILDREN), OCCASIONS)
    phase = np.tile((np.arange(OCCASIONS) >= BASELINE) * 1.0, CHILDREN)
    x = np.column_stack([np.ones(len(groups)), phase])
    programs = ("ours", "lbfgs")
    seconds: dict[str, list[float]] = {name: [] for name in programs}
    found: dict[str, list[float]] = {name: [] for name in (*programs, "search")}
    said: dict[str, list[bool]] = {name: [] for name in programs}
    for _ in range(data_sets):
        effects = rng.normal(size=(CHILDREN, 2)) * (1.0, 0.4)
        y = 7 + effects[groups, 0] + phase * (effects[groups, 1] - 1.5) + rng.normal(size=len(groups))
        begun = time.process_time()
        fit = fit_two_level(y, x, groups, random=x)
        seconds["ours"].append(time.process_time() - begun)
        found["ours"].append(restricted(y, x, fit.random_covariance, fit.sigma2))
        said["ours"].append(fit.converged)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            begun = time.process_time()
            other = MixedLM(y, x, groups, exog_re=x).fit(reml=True, method="lbfgs")
            seconds["lbfgs"].append(time.process_time() - begun)
        found["lbfgs"].append(restricted(y, x, np.asarray(other.cov_re), float(other.scale)))
        said["lbfgs"].append(bool(other.converged))
        found["search"].append(searched(y, x))
    best = np.max(np.array(list(found.values())), axis=0)
    result: dict[str, Any] = {"data_sets": data_sets}
    for name in programs:
        reached = np.array(found[name]) > best - 0.01
        result[f"{name}_ms"] = 1e3 * np.median(seconds[name])
        result[f"{name}_reached"] = int(reached.sum())
        result[f"{name}_said_converged"] = int(np.sum(said[name]))
        result[f"{name}_said_converged_falsely"] = int(np.sum(np.array(said[name]) & ~reached))
        result[f"{name}_largest_shortfall"] = float(np.max(best - np.array(found[name])))
    result["ratio"] = result["lbfgs_ms"] / result["ours_ms"]
    return result


def main() -> None:
    """Run both comparisons and print them as JSON."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--series", type=int, default=10_000)
    parser.add_argument("--data-sets", type=int, default=100)
    chosen = parser.parse_args()
    results = {
        "ar1_regression": bench_gls(chosen.series),
        "two_level_reml": bench_two_level(chosen.data_sets),
    }
    print(json.dumps(results, indent=2, default=float))


if __name__ == "__main__":
    main()
