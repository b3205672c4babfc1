"""Two-level models against a full-matrix twin, other programs' optimum, and at their edges."""

import warnings

import numpy as np
import pytest
from rungwise.basis.errors import NotEnoughData
from rungwise.models.two_level import fit_two_level
from scipy import optimize, stats


def twin(y, x, z, groups, covariance, sigma2, phi=0.0, times=None, unit=1.0, method="reml"):
    """Log-likelihood, coefficients and random effects from full covariance matrices."""
    n, p = x.shape
    information, cross, log_det, parts = np.zeros((p, p)), np.zeros(p), 0.0, []
    for label in np.unique(groups):
        rows = groups == label
        apart = (
            np.zeros((rows.sum(),) * 2)
            if times is None
            else np.abs(np.subtract.outer(times[rows], times[rows]))
        )
        errors = np.eye(rows.sum()) if times is None else phi ** (apart / unit)
        v = z[rows] @ covariance @ z[rows].T + sigma2 * errors
        inverse = np.linalg.inv(v)
        log_det += np.linalg.slogdet(v)[1]
        information += x[rows].T @ inverse @ x[rows]
        cross += x[rows].T @ inverse @ y[rows]
        parts.append((rows, inverse))
    beta = np.linalg.solve(information, cross)
    e = y - x @ beta
    rss = sum(e[rows] @ inverse @ e[rows] for rows, inverse in parts)
    effects = np.array([covariance @ z[rows].T @ inverse @ e[rows] for rows, inverse in parts])
    count = n if method == "ml" else n - p
    penalty = 0.0 if method == "ml" else np.linalg.slogdet(information)[1]
    value = -0.5 * (count * np.log(2 * np.pi) + log_det + penalty + rss)
    return value, beta, np.linalg.inv(information), effects


def simulate(seed, groups=6, occasions=20, spread=(1.0, 0.5), phi=0.0):
    rng = np.random.default_rng(seed)
    code = np.repeat(np.arange(groups), occasions)
    phase = np.tile((np.arange(occasions) >= 8) * 1.0, groups)
    x = np.column_stack([np.ones(len(code)), phase])
    e = rng.normal(size=(groups, occasions))
    for t in range(1, occasions):
        e[:, t] = phi * e[:, t - 1] + np.sqrt(1 - phi**2) * e[:, t]
    effects = rng.normal(size=(groups, 2)) * spread
    return 7 + effects[code, 0] + phase * (effects[code, 1] - 2) + e.ravel(), x, code


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("auto", [False, True])
def test_optimum_equals_the_matrix_twin(auto, method):
    for seed in range(3):
        y, x, code = simulate(seed, phi=0.4 if auto else 0.0)
        times = np.cumsum(np.random.default_rng(seed).integers(1, 4, len(y))).astype(float)
        fit = fit_two_level(
            y, x, code, random=x, times=times, autocorrelation=auto, unit_gap=1.0, method=method
        )
        t = times if auto else None
        known = (fit.random_covariance, fit.sigma2, fit.phi, t, 1.0, method)
        value, beta, covariance, effects = twin(y, x, x, code, *known)
        assert fit.log_likelihood == pytest.approx(value, abs=1e-8)
        np.testing.assert_allclose(fit.coefficients, beta, rtol=1e-8)
        np.testing.assert_allclose(fit.covariance, covariance, rtol=1e-6)
        np.testing.assert_allclose(fit.random_effects, effects, rtol=1e-6, atol=1e-7)
        assert fit.converged

        def height(theta, t=t, y=y, x=x, code=code):
            lower = np.array([[theta[0], 0], [theta[1], theta[2]]])
            phi = 0.99 / (1 + np.exp(-theta[4])) if t is not None else 0.0
            return -twin(y, x, x, code, lower @ lower.T, np.exp(theta[3]), phi, t, 1.0, method)[0]

        options = {"xatol": 1e-5, "fatol": 1e-8, "maxiter": 1500}
        start = [1, 0.1, 0.5, 0, -1][: 5 if auto else 4]
        best = -optimize.minimize(height, start, method="Nelder-Mead", options=options).fun
        assert fit.log_likelihood > best - 1e-4


def test_never_below_statsmodels_and_never_falsely_converged():
    from statsmodels.regression.mixed_linear_model import MixedLM

    for seed in range(12):
        y, x, code = simulate(seed, spread=(1.0, 0.2))
        fit = fit_two_level(y, x, code, random=x)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            other = MixedLM(y, x, code, exog_re=x).fit(reml=True, method="powell")
        reached = twin(y, x, x, code, np.asarray(other.cov_re), float(other.scale))[0]
        assert fit.log_likelihood >= reached - 1e-6
        assert fit.converged


def tiny(seed):
    """A handful of whole ratings from very few groups, whose likelihood may have several peaks."""
    rng = np.random.default_rng(seed)
    m, n = int(rng.integers(2, 5)), int(rng.integers(4, 9))
    code = np.repeat(np.arange(m), n)
    x = np.column_stack([np.ones(m * n), np.tile((np.arange(n) >= n // 2) * 1.0, m)])
    e = rng.normal(size=(m, n))
    for t in range(1, n):
        e[:, t] = 0.7 * e[:, t - 1] + e[:, t]
    y = np.rint(5 + rng.normal(size=(m, 1)) * 2 * rng.integers(0, 2) + e).ravel()
    return y, x, code, x if seed % 2 else None


@pytest.mark.parametrize(
    ("seed", "highest"), [(273, -11.740733), (281, -28.578959), (329, -33.624115), (382, -9.711755)]
)
def test_the_highest_of_several_peaks_is_found(seed, highest):
    # Heights found by a random search over 6,000 points with a simplex from the best; a single climb
    # from the best point of a coarse grid ends on a lower peak.
    y, x, code, random = tiny(seed)
    fit = fit_two_level(y, x, code, random=random, autocorrelation=True)
    assert fit.log_likelihood == pytest.approx(highest, abs=1e-4)
    assert fit.converged


def test_a_likelihood_without_a_top_is_not_called_converged():
    y, x, code, random = tiny(195)
    assert not fit_two_level(y, x, code, random=random, autocorrelation=True).converged


def test_no_difference_between_groups_is_reported_at_the_boundary():
    rng = np.random.default_rng(1)
    y = rng.normal(size=60)
    # Group means pulled together: the between variance can only be 0.
    code = np.repeat(np.arange(6), 10)
    y = y - np.array([y[code == g].mean() for g in range(6)])[code]
    fit = fit_two_level(y, np.ones((60, 1)), code)
    assert fit.boundary == ("The variance of random effect 1 is estimated at 0.",)
    assert fit.converged
    assert fit.random_covariance[0, 0] == 0
    assert fit.sigma2 == pytest.approx(y.var(ddof=1), rel=1e-9)
    assert np.all(fit.random_effects == 0)


def test_zero_autocorrelation_is_reported_at_the_boundary():
    alternating = np.tile([1.0, -1.0], 40) + 0.3 * np.random.default_rng(2).normal(size=80)
    code = np.repeat(np.arange(4), 20)
    fit = fit_two_level(alternating + code, np.ones((80, 1)), code, autocorrelation=True)
    assert fit.phi == 0
    assert fit.boundary == ("The autocorrelation is estimated at 0.",)


def test_balanced_random_intercept_has_its_textbook_solution():
    rng = np.random.default_rng(3)
    table = rng.normal(size=(8, 5)) + 2 * rng.normal(size=(8, 1))
    code = np.repeat(np.arange(8), 5)
    fit = fit_two_level(table.ravel(), np.ones((40, 1)), code)
    within = table.var(axis=1, ddof=1).mean()
    between = 5 * table.mean(axis=1).var(ddof=1)
    assert fit.sigma2 == pytest.approx(within, rel=1e-6)
    assert fit.random_covariance[0, 0] == pytest.approx((between - within) / 5, rel=1e-5)
    value, error, df = fit.contrast([1.0])
    assert value == pytest.approx(table.mean(), rel=1e-10)
    assert error == pytest.approx(np.sqrt(between / 40), rel=1e-5)
    assert df == pytest.approx(7, abs=1e-3)


def test_units_do_not_matter():
    y, x, code = simulate(4)
    plain = fit_two_level(y, x, code, random=x)
    moved = fit_two_level(1000 * y - 3e5, x * [1, 0.01], code, random=x * [1, 0.01])
    assert moved.coefficients[1] == pytest.approx(1e5 * plain.coefficients[1], rel=1e-6)
    assert moved.random_covariance[1, 1] == pytest.approx(1e10 * plain.random_covariance[1, 1], rel=1e-3)
    assert moved.contrast([0, 1])[2] == pytest.approx(plain.contrast([0, 1])[2], rel=1e-3)


def test_the_order_of_rows_and_names_of_groups_do_not_matter():
    y, x, code = simulate(5, phi=0.3)
    times = np.tile(np.arange(20.0), 6)
    mixed = np.random.default_rng(6).permutation(len(y))
    plain = fit_two_level(y, x, code, times=times, autocorrelation=True)
    shuffled = fit_two_level(
        y[mixed], x[mixed], np.array(list("abcdef"))[code][mixed], times=times[mixed], autocorrelation=True
    )
    assert shuffled.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-8)
    assert shuffled.groups.tolist() == list("abcdef")


def test_satterthwaite_makes_calibrated_tests_with_few_groups():
    hits = []
    for seed in range(400):
        y, x, code = simulate(seed + 1000, groups=5, occasions=16, spread=(1.0, 0.8))
        value, error, df = fit_two_level(y + 2 * x[:, 1], x, code, random=x).contrast([0, 1])
        hits.append(2 * stats.t.sf(abs(value / error), df) < 0.05)
    assert 0.02 < np.mean(hits) < 0.08


def test_missing_values_are_left_out_with_their_rows():
    y, x, code = simulate(7)
    holes = y.copy()
    holes[[3, 40, 77]] = np.nan
    keep = ~np.isnan(holes)
    ours, theirs = fit_two_level(holes, x, code), fit_two_level(y[keep], x[keep], code[keep])
    assert ours.n == theirs.n == len(y) - 3
    assert ours.log_likelihood == theirs.log_likelihood


def test_wrong_arguments_say_what_is_allowed():
    y, x, code = simulate(8)
    with pytest.raises(ValueError, match="method must be one of 'reml', 'ml'; got 'mle'"):
        fit_two_level(y, x, code, method="mle")
    with pytest.raises(ValueError, match="covariance must be one of 'full', 'diagonal'"):
        fit_two_level(y, x, code, covariance="ar1")
    with pytest.raises(ValueError, match=r"groups must have the shape \(120,\) to go with y; got \(3,\)"):
        fit_two_level(y, x, [1, 2, 3])
    with pytest.raises(ValueError, match="times must increase strictly within each group"):
        fit_two_level(y, x, code, times=np.ones(len(y)), autocorrelation=True)
    with pytest.raises(ValueError, match="design must have independent columns"):
        fit_two_level(y, np.column_stack([x, x[:, 1]]), code)
    with pytest.raises(NotEnoughData, match="at least two groups; there is 1"):
        fit_two_level(y, x, np.zeros(len(y)))
    with pytest.raises(NotEnoughData, match="2 observations for 2 coefficients"):
        fit_two_level(y[:2], x[:2], [0, 1])
    with pytest.raises(NotEnoughData, match="do not vary about the fitted coefficients"):
        fit_two_level(np.full(len(y), 4.0), x, code)
