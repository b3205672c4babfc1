"""Newey-West errors against statsmodels, and at their edges."""

import numpy as np
import pytest
from rungwise.models.newey_west import default_lags, fit_newey_west


@pytest.mark.parametrize("lags", [0, 1, 3, None])
def test_equals_statsmodels(lags):
    import statsmodels.api as sm

    rng = np.random.default_rng(1)
    t = np.arange(24.0)
    phase = (t >= 8) * 1.0
    x = np.column_stack([np.ones(24), t, phase, phase * (t - 8)])
    y = 5 + 0.1 * t + rng.normal(size=(4, 24)).cumsum(axis=1)
    fit = fit_newey_west(y, x, lags)
    for row in range(4):
        maxlags = int(default_lags(24)) if lags is None else lags
        theirs = sm.OLS(y[row], x).fit(
            cov_type="HAC", cov_kwds={"maxlags": maxlags, "use_correction": True}, use_t=True
        )
        np.testing.assert_allclose(fit.coefficients[row], theirs.params, rtol=1e-9)
        np.testing.assert_allclose(fit.covariance[row], theirs.cov_params(), rtol=1e-8, atol=1e-12)
        contrast = fit.contrast([0, 0, 1, 15.0])
        test = theirs.t_test([0, 0, 1, 15.0])
        assert contrast.p_value("two-sided")[row] == pytest.approx(float(test.pvalue), rel=1e-8)
        low, high = contrast.limits(0.95)
        np.testing.assert_allclose([low[row], high[row]], test.conf_int()[0], rtol=1e-8)


def test_missing_values_are_skipped():
    rng = np.random.default_rng(2)
    x = np.column_stack([np.ones(12), np.arange(12.0)])
    y = rng.normal(size=12)
    y[[2, 7]] = np.nan
    here = ~np.isnan(y)
    ours, theirs = fit_newey_west(y, x), fit_newey_west(y[here], x[here])
    np.testing.assert_allclose(ours.covariance, theirs.covariance, rtol=1e-12)
    assert ours.n[0] == 10


def test_what_cannot_be_estimated_is_missing_with_its_reason():
    x = np.column_stack([np.ones(5), np.arange(5.0)])
    nan = np.nan
    fit = fit_newey_west([[3.0] * 5, [1, nan, nan, 2, nan], [1, 2, 1, 3, 2.0]], x)
    assert "do not vary" in fit.reason[0]
    assert "no more observations" in fit.reason[1]
    assert fit.reason[2] == ""
    assert np.isnan(fit.contrast([0, 1]).p_value("two-sided")).tolist() == [True, True, False]


def test_wrong_arguments_say_what_is_allowed():
    with pytest.raises(ValueError, match="lags must be 0 or more; got -1"):
        fit_newey_west(np.arange(5.0), np.ones((5, 1)), -1)
    with pytest.raises(ValueError, match=r"design must have the shape \(5, p\)"):
        fit_newey_west(np.arange(5.0), np.ones((4, 1)))
