"""Distributions against scipy, closed forms and their own inverses, into the far tails."""

import numpy as np
import pytest
from rungwise.basis import distributions as d
from scipy import special, stats

DF = (0.5, 2, 3, 4.7, 11, 24, 100, 1000, 30000, 1e8)


def relative(ours, theirs):
    return np.max(np.abs(ours - theirs) / np.abs(theirs))


def test_normal_tails():
    x = np.linspace(-37, 37, 1501)
    # The rounding of x itself moves a tail by x² units of the last digit.
    assert relative(d.normal_sf(x), stats.norm.sf(x)) < 4e-13
    assert relative(d.normal_cdf(x), stats.norm.cdf(x)) < 4e-13


def test_normal_quantile():
    p = np.concatenate([10.0 ** -np.arange(1, 300, 7), np.linspace(0.001, 0.999, 99)])
    assert np.max(np.abs(d.normal_quantile(p) - stats.norm.ppf(p))) < 1e-13
    assert d.normal_quantile([0, 0.5, 1]).tolist() == [-np.inf, 0, np.inf]


@pytest.mark.parametrize("df", DF)
def test_t_tail(df):
    t = np.concatenate([np.linspace(-30, 60, 901), 10.0 ** np.arange(-8, 3)])
    theirs = stats.t.sf(t, df)
    deep = theirs > 1e-290
    # At 1 degree of freedom scipy is off by 3e-9: the closed form below takes its place. Its
    # tail also loses digits above 100 degrees of freedom.
    assert relative(d.t_sf(t, df)[deep], theirs[deep]) < (1e-13 if df <= 100 else 1e-12)
    assert np.allclose(d.t_sf(t, df) + d.t_cdf(t, df), 1, rtol=0, atol=1e-15)


def test_t_tail_closed_forms():
    t = 10.0 ** np.arange(-3, 20)
    assert relative(d.t_sf(t, 1), np.arctan2(1, t) / np.pi) < 1e-14
    # 1/2 (1 - t/√(2 + t²)), written without the subtraction
    root = np.sqrt(2 + t * t)
    assert relative(d.t_sf(t, 2), 1 / (root * (root + t))) < 1e-14


def test_a_p_of_1e_30_keeps_its_digits():
    p = 1e-30
    for df in (4, 14, 40, 400):
        assert float(d.t_sf(-d.t_quantile(p, df), df)) == pytest.approx(p, rel=1e-12)
        assert float(d.t_quantile(p, df)) == pytest.approx(stats.t.ppf(p, df), rel=1e-12)


@pytest.mark.parametrize("df", DF)
def test_t_quantile(df):
    p = np.concatenate(
        [10.0 ** -np.arange(1, 30, 4), np.linspace(0.001, 0.999, 99), 0.5 + 1e-9 * np.arange(3)]
    )
    ours = d.t_quantile(p, df)
    theirs = stats.t.ppf(p, df)
    assert np.max(np.abs(ours - theirs) / np.maximum(np.abs(theirs), 1e-3)) < 1e-11
    assert d.t_quantile([0, 1], df).tolist() == [-np.inf, np.inf]


@pytest.mark.parametrize(("df1", "df2"), [(1, 1), (2, 10), (5, 7.5), (30, 40), (300, 400)])
def test_f_tail(df1, df2):
    x = np.concatenate([np.linspace(0.01, 60, 200), 10.0 ** np.arange(-6, 6)])
    theirs = stats.f.sf(x, df1, df2)
    deep = theirs > 1e-250
    assert relative(d.f_sf(x, df1, df2)[deep], theirs[deep]) < 1e-12


def test_f_is_the_square_of_t():
    t = np.linspace(0.1, 40, 80)
    assert relative(d.f_sf(t**2, 1, 9), 2 * d.t_sf(t, 9)) < 1e-13


@pytest.mark.parametrize("df", [0.5, 1, 2, 5, 13, 100, 2000])
def test_chi_square(df):
    x = np.concatenate([np.linspace(0.01, 3 * df + 60, 300), 10.0 ** np.arange(-6, 3)])
    for ours, theirs in ((d.chi2_sf, stats.chi2.sf), (d.chi2_cdf, stats.chi2.cdf)):
        expected = theirs(x, df)
        deep = expected > 1e-200
        assert relative(ours(x, df)[deep], expected[deep]) < 3e-12
    p = np.concatenate([10.0 ** -np.arange(1, 30, 3), np.linspace(0.01, 0.99, 30)])
    assert relative(d.chi2_quantile(p, df), stats.chi2.ppf(p, df)) < 1e-12


def test_chi_square_with_two_degrees_of_freedom_is_exponential():
    x = np.linspace(0.01, 1000, 500)
    assert relative(d.chi2_sf(x, 2), np.exp(-x / 2)) < 5e-13


def test_log_beta_keeps_its_digits_where_log_gammas_cancel():
    # Γ(1/2) Γ(a)/Γ(a + 1/2) = √(π/(a - 1/4)) (1 - 1/(64 a²) ...); scipy gives -6.33539021201.
    a = 1e6
    assert float(d.log_beta(a, 0.5)) == pytest.approx(0.5 * np.log(np.pi / (a - 0.25)), rel=1e-14)


@pytest.mark.parametrize(("a", "b"), [(0.5, 0.5), (3, 40), (12, 15), (40, 0.5), (1e5, 2e5)])
def test_log_beta(a, b):
    assert float(d.log_beta(a, b)) == pytest.approx(special.betaln(a, b), rel=1e-13)


def test_never_zero_and_missing_stays_missing():
    for p in (d.normal_sf(60), d.t_sf(1e200, 4), d.f_sf(1e300, 3, 9), d.chi2_sf(1e6, 3), d.t_sf(np.inf, 3)):
        assert 0 < float(p) < 1e-300
    for p in (d.normal_sf(np.nan), d.t_sf(np.nan, 4), d.f_sf(np.nan, 3, 9), d.chi2_sf(np.nan, 3)):
        assert np.isnan(p)
    assert np.isnan(d.t_quantile(np.nan, 3))
    assert np.isnan(d.chi2_quantile(np.nan, 3))


def test_wrong_arguments_say_what_is_allowed():
    with pytest.raises(ValueError, match=r"p must lie between 0 and 1; got 1.5"):
        d.t_quantile([0.1, 1.5], 3)
    with pytest.raises(ValueError, match=r"df must be greater than 0; got -1"):
        d.t_sf(1.0, -1)
    with pytest.raises(ValueError, match=r"df2 must be greater than 0; got 0"):
        d.f_sf(1.0, 1, 0)
