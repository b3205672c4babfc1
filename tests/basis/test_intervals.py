"""Intervals against other libraries, against their defining equations, and at their edges."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rungwise.basis.intervals import (
    mean_interval,
    rate_interval,
    rate_interval_batch,
    rate_ratio,
    share_interval,
    share_interval_batch,
)
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

PAIRS = [(0, 1), (1, 1), (0, 20), (20, 20), (1, 29), (15, 148), (81, 263), (3, 7)]


@pytest.mark.parametrize(("count", "n"), PAIRS)
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_wilson_equals_statsmodels(count, n, confidence):
    ours = share_interval(count, n, confidence=confidence)
    theirs = proportion_confint(count, n, 1 - confidence, method="wilson")
    assert (ours.ci_low, ours.ci_high) == pytest.approx(theirs, abs=1e-12)


@pytest.mark.parametrize(("count", "n"), PAIRS)
@pytest.mark.parametrize(
    ("ours", "theirs"),
    [("wilson_corrected", "wilsoncc"), ("clopper_pearson", "exact"), ("wilson", "wilson")],
)
def test_shares_equal_scipy(count, n, ours, theirs):
    limits = share_interval(count, n, method=ours)
    expected = stats.binomtest(count, n).proportion_ci(0.95, method=theirs)
    assert (limits.ci_low, limits.ci_high) == pytest.approx((expected.low, expected.high), abs=1e-9)


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_share_limits_satisfy_their_equations(pair):
    count, n = pair
    share = count / n
    wilson = share_interval(count, n)
    z = stats.norm.ppf(0.975)
    for limit in (wilson.ci_low, wilson.ci_high):
        if 0 < limit < 1:
            assert abs(share - limit) == pytest.approx(z * math.sqrt(limit * (1 - limit) / n), abs=1e-9)
    exact = share_interval(count, n, method="clopper_pearson")
    if count > 0:
        assert stats.binom.sf(count - 1, n, exact.ci_low) == pytest.approx(0.025, abs=1e-9)
    if count < n:
        assert stats.binom.cdf(count, n, exact.ci_high) == pytest.approx(0.025, abs=1e-9)
    corrected = share_interval(count, n, method="wilson_corrected")
    for one in (wilson, exact, corrected):
        assert 0 <= one.ci_low <= share <= one.ci_high <= 1
    assert corrected.ci_low <= wilson.ci_low
    assert corrected.ci_high >= wilson.ci_high


@pytest.mark.parametrize("method", ["wilson", "wilson_corrected", "clopper_pearson"])
def test_share_mirrors_and_ends(method):
    few, many = share_interval(4, 19, method=method), share_interval(15, 19, method=method)
    assert few.ci_low == pytest.approx(1 - many.ci_high, abs=1e-14)
    none, all_of_them = share_interval(0, 9, method=method), share_interval(9, 9, method=method)
    assert (none.value, none.ci_low) == (0.0, 0.0)
    assert (all_of_them.value, all_of_them.ci_high) == (1.0, 1.0)
    assert 0 < none.ci_high < 1
    assert 0 < all_of_them.ci_low < 1


def test_clopper_pearson_never_covers_less():
    grid = np.linspace(0.005, 0.995, 199)
    n = 12
    limits = share_interval_batch(np.arange(n + 1), n, method="clopper_pearson")
    inside = (limits.ci_low[:, None] <= grid) & (grid <= limits.ci_high[:, None])
    coverage = (inside * stats.binom.pmf(np.arange(n + 1)[:, None], n, grid)).sum(axis=0)
    assert coverage.min() >= 0.95


def test_nobody_counted_is_not_zero():
    share = share_interval(0, 0)
    assert math.isnan(share.value)
    assert math.isnan(share.ci_low)
    assert math.isnan(share.ci_high)
    assert share.cautions == ("Nobody was counted here, so there is no share to give.",)


def test_share_keeps_its_counts():
    many = share_interval_batch([3, 4], [10, 0 + 4])
    assert many[0].counts["count"] == 3
    assert [one.n for one in many] == [10, 4]
    assert many[1].value == 1.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: share_interval(5, 4), "count must not exceed n; got 5 of 4."),
        (lambda: share_interval(-1, 4), "count must be a whole number of at least 0; got -1."),
        (lambda: share_interval(1.5, 4), "count must be a whole number of at least 0; got 1.5."),
        (lambda: share_interval(1, math.nan), "n must be a whole number of at least 0; got nan."),
        (
            lambda: share_interval(1, 4, confidence=95),
            "confidence must be a number between 0 and 1; got 95.",
        ),
        (
            lambda: share_interval(1, 4, method="wald"),
            "method must be one of 'wilson', 'wilson_corrected', 'clopper_pearson'; got 'wald'.",
        ),
        (lambda: rate_interval(1, -2.0), "exposure must be 0 or more; got -2."),
        (lambda: rate_interval(1, math.nan), "exposure must be 0 or more; got nan."),
        (lambda: rate_ratio(1, 0, 1, 5), "exposure must be above 0; got 0."),
        (lambda: mean_interval([1.0, math.inf]), "values must be finite; got an infinite one."),
    ],
)
def test_wrong_arguments_are_named(call, message):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value) == message


@given(st.integers(0, 2000), st.floats(0.01, 1e4))
def test_rate_limits_satisfy_their_equations(count, exposure):
    rate = rate_interval(count, exposure)
    assert rate.value == pytest.approx(count / exposure)
    assert stats.poisson.cdf(count, rate.ci_high * exposure) == pytest.approx(0.025, abs=1e-9)
    if count:
        assert stats.poisson.sf(count - 1, rate.ci_low * exposure) == pytest.approx(0.025, abs=1e-9)
    else:
        assert rate.ci_low == 0
        assert rate.cautions


def test_rate_equals_chi_square_form():
    counts = np.arange(40)
    many = rate_interval_batch(counts, 2.5)
    assert many.ci_high == pytest.approx(stats.chi2.ppf(0.975, 2 * counts + 2) / 5, rel=1e-10)
    assert many.ci_low[1:] == pytest.approx(stats.chi2.ppf(0.025, 2 * counts[1:]) / 5, rel=1e-10)


def test_no_exposure_is_no_rate():
    rate = rate_interval(0, 0.0)
    assert math.isnan(rate.value)
    assert math.isnan(rate.ci_high)
    assert rate.cautions == ("There was no exposure for events to happen in, so there is no rate to give.",)


def test_rate_ratio_p_agrees_with_its_limits():
    # At the confidence that just touches a ratio of 1, alpha is the central p-value.
    ratio = rate_ratio(11, 800, 21, 3011)
    touching = rate_ratio(11, 800, 21, 3011, confidence=1 - ratio.p_value)
    assert touching.ci_low == pytest.approx(1.0, rel=1e-9)
    upper = stats.binomtest(11, 32, 800 / 3811, alternative="greater").pvalue
    assert ratio.p_value == pytest.approx(2 * upper, rel=1e-10)


def test_rate_ratio_edges():
    nothing = rate_ratio(0, 5, 0, 5)
    assert math.isnan(nothing.value)
    assert nothing.cautions
    only_first = rate_ratio(4, 5, 0, 5)
    assert only_first.value == math.inf
    assert only_first.ci_high == math.inf
    assert 0 < only_first.ci_low < 1
    only_reference = rate_ratio(0, 5, 4, 5)
    assert only_reference.value == 0
    assert only_reference.ci_low == 0
    assert only_reference.ci_high == pytest.approx(1 / only_first.ci_low)


def test_mean_equals_scipy():
    values = [4.0, 6.5, 5.0, 9.0, 2.25]
    expected = stats.ttest_1samp(values, 0).confidence_interval(0.9)
    ours = mean_interval(values, confidence=0.9)
    assert (ours.ci_low, ours.ci_high) == pytest.approx((expected.low, expected.high))


@pytest.mark.parametrize(
    ("values", "mean", "words"),
    [([], math.nan, "No value"), ([3], 3.0, "One value"), ([5, 5, 5], 5.0, "All values are equal")],
)
def test_mean_without_spread_has_no_interval(values, mean, words):
    estimate = mean_interval(values)
    assert estimate.value == pytest.approx(mean, nan_ok=True)
    assert math.isnan(estimate.ci_low)
    assert math.isnan(estimate.ci_high)
    assert estimate.cautions[0].startswith(words)


def test_mean_counts_what_is_missing():
    assert dict(mean_interval([1, None, math.nan, 4]).counts)["missing"] == 2
