"""The AR(1) regression engine against a matrix-by-matrix twin, identities and its edges."""

import numpy as np
import pytest
from rungwise.models.ar1_block import PHI_END, PRIOR_FALL
from rungwise.models.gls import fit_ar1
from scipy import integrate, optimize, stats


def twin(y, x, t, phi, unit, method="reml"):
    """Write the likelihood with the full covariance matrix, as in the textbooks."""
    n, p = x.shape
    v = phi ** (np.abs(t[:, None] - t[None]) / unit)
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    beta = np.linalg.solve(information, x.T @ inverse @ y)
    rss = (y - x @ beta) @ inverse @ (y - x @ beta)
    log_det = np.linalg.slogdet(v)[1]
    covariance = rss / (n - p) * np.linalg.inv(information)
    if method == "ml":
        return -0.5 * (n * (np.log(2 * np.pi * rss / n) + 1) + log_det), beta, covariance
    df = n - p
    penalty = np.linalg.slogdet(information)[1]
    return -0.5 * (df * (np.log(2 * np.pi * rss / df) + 1) + log_det + penalty), beta, covariance


def lines(t, n_a):
    phase = (np.arange(len(t)) >= n_a) * 1.0
    return np.column_stack([np.ones_like(t), t, phase, phase * (t - t[n_a])])


def ar1(rng, n, phi, size=()):
    e = rng.normal(size=(*size, n))
    for i in range(1, n):
        e[..., i] = phi * e[..., i - 1] + np.sqrt(1 - phi**2) * e[..., i]
    return e


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("seed", range(6))
def test_optimum_equals_the_matrix_twin(seed, method):
    rng = np.random.default_rng(seed)
    n = 22
    t = np.arange(1.0, n + 1) if seed % 2 else np.sort(rng.choice(70, n, replace=False)).astype(float)
    x = lines(t, 8)
    y = 300 + 2 * t + 8 * ar1(rng, n, 0.6)
    fit = fit_ar1(y, x, t, method=method)
    unit = np.median(np.diff(t))
    best = optimize.minimize_scalar(
        lambda phi: -twin(y, x, t, phi, unit, method)[0],
        bounds=(0, 0.994),
        method="bounded",
        options={"xatol": 1e-9},
    )
    assert fit.unit_gap[0] == unit
    assert fit.phi[0] == pytest.approx(best.x, abs=2e-6)
    value, beta, covariance = twin(y, x, t, fit.phi[0], unit, method)
    assert fit.log_likelihood[0] == pytest.approx(value, abs=1e-9)
    assert fit.log_likelihood[0] >= -best.fun - 1e-9
    np.testing.assert_allclose(fit.coefficients[0], beta, rtol=1e-9)
    np.testing.assert_allclose(fit.covariance[0], covariance, rtol=1e-7, atol=1e-12)


def test_integrated_inference_equals_numerical_integration():
    rng = np.random.default_rng(4)
    t = np.arange(1.0, 16)
    x = lines(t, 5)
    y = 6 + ar1(rng, 15, 0.3)
    c = np.array([0, 0, 1, 9.0])

    def parts(phi):
        value, beta, covariance = twin(y, x, t, phi, 1.0)
        weight = np.exp(value) * (1 - phi) ** PRIOR_FALL
        return weight, c @ beta, np.sqrt(c @ covariance @ c)

    total = integrate.quad(lambda phi: parts(phi)[0], 0, PHI_END)[0]

    def tail(phi):
        weight, center, spread = parts(phi)
        return weight * stats.t.sf((0.7 - center) / spread, 11)

    expected = integrate.quad(tail, 0, PHI_END)[0] / total
    mixture = fit_ar1(y, x, t).contrast(c)
    assert mixture.sf(np.array([0.7]))[0] == pytest.approx(expected, rel=1e-6)
    low, high = mixture.limits(0.9)
    assert mixture.sf(high)[0] == pytest.approx(0.05, rel=1e-9)
    assert mixture.cdf(low)[0] == pytest.approx(0.05, rel=1e-9)
    assert mixture.p_value("two-sided", low)[0] == pytest.approx(0.1, rel=1e-9)
    assert mixture.p_value("greater", low)[0] == pytest.approx(0.05, rel=1e-9)
    assert mixture.p_value("less", high)[0] == pytest.approx(0.05, rel=1e-9)


def test_a_batch_is_its_series_one_by_one():
    rng = np.random.default_rng(5)
    t = np.arange(1.0, 21)
    x = lines(t, 7)
    y = 5 + ar1(rng, 20, 0.4, (1100,))
    y[3, 4] = y[3, 11] = y[700, 0] = y[1099, 19] = np.nan
    many = fit_ar1(y, x, t)
    c = [0, 0, 1, 13.0]
    mixture = many.contrast(c)
    low, high = mixture.limits(0.95)
    for row in (0, 3, 512, 700, 1099):
        here = ~np.isnan(y[row])
        one = fit_ar1(y[row][here], x[here], t[here], unit_gap=1.0)
        assert one.n[0] == here.sum() == many.n[row]
        assert many.phi[row] == pytest.approx(one.phi[0], abs=1e-6)
        assert many.log_likelihood[row] == pytest.approx(one.log_likelihood[0], abs=1e-9)
        alone = one.contrast(c)
        assert mixture.value[row] == pytest.approx(alone.value[0], rel=1e-9)
        assert (low[row], high[row]) == pytest.approx([end[0] for end in alone.limits(0.95)], rel=1e-8)


def test_each_series_may_have_its_own_times_and_design():
    rng = np.random.default_rng(6)
    times = np.cumsum(rng.uniform(0.3, 4, size=(30, 14)), axis=1)
    designs = np.stack([lines(row, 5) for row in times])
    y = ar1(rng, 14, 0.5, (30,))
    many = fit_ar1(y, designs, times)
    for row in (0, 17, 29):
        one = fit_ar1(y[row], designs[row], times[row])
        assert many.phi[row] == pytest.approx(one.phi[0], abs=1e-6)
        np.testing.assert_allclose(many.coefficients[row], one.coefficients[0], rtol=1e-6, atol=1e-9)


def test_phi_zero_is_ordinary_least_squares():
    t = np.arange(1.0, 13)
    y = np.array([1, -1, 1, -1, 1, -1, 1, -1, 1, -1, 1, -1.0]) + 0.5 * t
    x = np.column_stack([np.ones(12), t])
    fit = fit_ar1(y, x)
    assert (fit.phi[0], fit.boundary[0]) == (0.0, "0")
    line = stats.linregress(t, y)
    np.testing.assert_allclose(fit.coefficients[0], [line.intercept, line.slope], rtol=1e-12)
    np.testing.assert_allclose(
        np.sqrt(np.diag(fit.covariance[0])), [line.intercept_stderr, line.stderr], rtol=1e-12
    )
    plug_in = fit.contrast([0, 1], "plug_in")
    assert plug_in.p_value("two-sided")[0] == pytest.approx(line.pvalue, rel=1e-10)


def test_a_random_walk_is_reported_at_the_upper_end():
    y = np.cumsum(np.random.default_rng(5).normal(size=60))
    fit = fit_ar1(y, np.ones((60, 1)))
    assert (fit.phi[0], fit.boundary[0]) == (PHI_END, "upper")


def test_units_and_shifts_do_not_matter():
    rng = np.random.default_rng(7)
    t = np.sort(rng.choice(50, 16, replace=False)).astype(float)
    y = 4 + ar1(rng, 16, 0.5)
    plain = fit_ar1(y, lines(t, 6), t)
    moved = fit_ar1(1000 * y - 5e4, lines(7 * t + 9000, 6), 7 * t + 9000)
    assert moved.phi[0] == pytest.approx(plain.phi[0], abs=1e-5)
    assert moved.coefficients[0, 2] == pytest.approx(1000 * plain.coefficients[0, 2], rel=1e-5)
    assert moved.coefficients[0, 3] == pytest.approx(1000 / 7 * plain.coefficients[0, 3], rel=1e-5)


@pytest.mark.parametrize(
    ("y", "reason"),
    [
        ([3.0, 3, 3, 3, 3, 3, 3], "do not vary"),
        ([1.0, 2, 3, 4, 5, 6, 7], "do not vary"),
        ([3.0, np.nan, np.nan, np.nan, 2, np.nan, np.nan], "no more observations than the 2"),
        ([np.nan] * 7, "no more observations than the 2"),
    ],
)
def test_what_cannot_be_estimated_is_missing_with_its_reason(y, reason):
    good = [3.0, 4, 3, 5, 2, 4, 3]
    fit = fit_ar1([y, good], np.column_stack([np.ones(7), np.arange(7.0)]))
    assert reason in fit.reason[0]
    assert fit.reason[1] == ""
    mixture = fit.contrast([0, 1])
    for column in (fit.phi, fit.log_likelihood, fit.sigma2, mixture.value, mixture.limits(0.95)[0]):
        assert np.isnan(column[0])
        assert np.isfinite(column[1])
    assert np.isnan(mixture.p_value("two-sided")[0])
    assert np.isnan(fit.coefficients[0]).all()


def test_dependent_columns_are_named():
    fit = fit_ar1([3.0, 4, 3, 5, 2], np.column_stack([np.ones(5), np.ones(5)]))
    assert fit.reason[0] == "The occasions do not tell all the coefficients apart."
    assert np.isnan(fit.phi[0])


def test_wrong_arguments_say_what_is_allowed():
    y, x = np.arange(5.0), np.ones((5, 1))
    with pytest.raises(ValueError, match=r"design must have the shape \(5, p\)"):
        fit_ar1(y, np.ones((4, 1)))
    with pytest.raises(ValueError, match=r"times must have the shape \(5,\)"):
        fit_ar1(y, x, [1.0, 2])
    with pytest.raises(ValueError, match=r"series 0 does not\. Average several observations"):
        fit_ar1(y, x, [1.0, 2, 2, 3, 4])
    with pytest.raises(ValueError, match="method must be one of 'reml', 'ml'; got 'mle'"):
        fit_ar1(y, x, method="mle")
    with pytest.raises(ValueError, match="inference must be one of 'integrated', 'plug_in'"):
        fit_ar1(y, x).contrast([1], "bayes")
    with pytest.raises(ValueError, match="design must be finite wherever y is observed"):
        fit_ar1(y, np.full((5, 1), np.nan))
    with pytest.raises(ValueError, match="unit_gap must be a number between 0 and inf; got"):
        fit_ar1(y, x, unit_gap=0)
