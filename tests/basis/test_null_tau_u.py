"""Exact null of the Tau-U numerators: all orders listed, identities with simpler nulls, long series."""

import math
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.basis.null_tau_u import TRENDS, regressor_blocks, tau_u_p
from rungwise.basis.null_trend import trend_p, trend_variance
from rungwise.basis.null_two_phase import ALTERNATIVES, two_phase_p


def s_within(ratings, times):
    return sum(
        int(np.sign(ratings[j] - ratings[i])) * (times[j] > times[i])
        for i in range(len(ratings))
        for j in range(i + 1, len(ratings))
    )


def numerator(ratings, n_a, trend, times):
    a, b = np.array(ratings[:n_a]), np.array(ratings[n_a:])
    s = int(np.sign(b[:, None] - a).sum())
    if trend in ("baseline", "both"):
        s -= s_within(a, times[:n_a])
    if trend in ("exposure", "both"):
        s += s_within(b, times[n_a:])
    return s


@st.composite
def series(draw):
    n = draw(st.integers(2, 7))
    n_a = draw(st.integers(1, n - 1))
    ratings = draw(st.lists(st.integers(0, draw(st.integers(0, 5))), min_size=n, max_size=n))
    if draw(st.booleans()):
        return ratings, n_a, list(range(n)), None, None
    times = sorted(draw(st.lists(st.integers(0, 2), min_size=n_a, max_size=n_a)))
    times += sorted(draw(st.lists(st.integers(3, 5), min_size=n - n_a, max_size=n - n_a)))
    sizes = [np.unique(part, return_counts=True)[1] for part in (times[:n_a], times[n_a:])]
    return ratings, n_a, times, *sizes


@pytest.mark.parametrize("trend", TRENDS)
@settings(max_examples=40)
@given(one=series())
def test_p_is_the_share_of_all_orders(trend, one):
    ratings, n_a, times, times_a, times_b = one
    null = np.array([numerator(order, n_a, trend, times) for order in permutations(ratings)])
    s = numerator(ratings, n_a, trend, times)
    expected = {
        "two-sided": np.mean(abs(null) >= abs(s)),
        "improvement": np.mean(null >= s),
        "worsening": np.mean(null <= s),
    }
    for alternative in ALTERNATIVES:
        p, exact = tau_u_p(np.bincount(ratings), n_a, s, trend, alternative, times_a, times_b)
        assert exact
        assert p == pytest.approx(expected[alternative], rel=1e-14, abs=0)
    blocks = regressor_blocks(len(ratings[:n_a]), len(ratings) - n_a, trend, times_a, times_b)
    variance = trend_variance(np.bincount(ratings)[None], np.array([blocks]))[0]
    assert variance == pytest.approx(null.var(), abs=1e-9)


def test_one_baseline_occasion_has_no_trend_to_take_away():
    counts = np.array([2, 3, 1, 4, 2])
    for s in range(-11, 12, 2):
        ours, _ = tau_u_p(counts, 1, s, "baseline")
        plain, _ = two_phase_p(counts[None], np.array([1]), np.array([s]))
        assert ours == pytest.approx(plain[0], rel=1e-12, abs=0)


def test_one_exposure_occasion_with_the_baseline_trend_is_a_trend():
    # S_AB - S_A with one exposure occasion is Kendall's S of baseline turned round, then exposure.
    counts = np.array([2, 3, 1, 4, 2])
    for s in range(-20, 21, 5):
        ours, _ = tau_u_p(counts, 11, s, "baseline", "improvement")
        plain, _ = trend_p(counts[None], np.array([s]), "improvement")
        assert ours == pytest.approx(plain[0], rel=1e-12, abs=0)


@pytest.mark.parametrize("trend", ["baseline", "exposure"])
@pytest.mark.parametrize(("n_a", "n_b"), [(8, 20), (50, 50), (40, 60)])
def test_long_series_agree_with_random_orders(trend, n_a, n_b):
    rng = np.random.default_rng(n_a)
    ratings = rng.integers(0, 8, n_a + n_b)
    counts = np.bincount(ratings)
    drawn = []
    for _ in range(1500):
        order = rng.permutation(ratings)
        a, b = order[:n_a], order[n_a:]
        inside = a if trend == "baseline" else b
        s_in = int(np.triu(np.sign(inside[None, :] - inside[:, None]), 1).sum())
        drawn.append(int(np.sign(b[:, None] - a).sum()) + (-s_in if trend == "baseline" else s_in))
    drawn = np.array(drawn)
    variance = trend_variance(counts[None], np.array([regressor_blocks(n_a, n_b, trend)]))[0]
    s = int(1.3 * math.sqrt(variance))
    p, exact = tau_u_p(counts, n_a, s, trend)
    assert exact
    assert abs(np.mean(abs(drawn) >= s) - p) < 4 * math.sqrt(p * (1 - p) / len(drawn))


@pytest.mark.parametrize(("n_a", "n_b"), [(5, 10), (20, 20), (35, 30)])
def test_the_largest_numerator_keeps_its_relative_accuracy(n_a, n_b):
    untied = np.ones(n_a + n_b, dtype=int)
    # Only orders with every exposure rating best, and the baseline falling, reach the largest one.
    largest = n_a * n_b + math.comb(n_a, 2)
    p, exact = tau_u_p(untied, n_a, largest, "baseline", "improvement")
    assert exact
    assert p == pytest.approx(math.factorial(n_b) / math.factorial(n_a + n_b), rel=1e-9, abs=0)
    p, _ = tau_u_p(untied, n_a, -largest, "baseline", "worsening")
    assert p == pytest.approx(math.factorial(n_b) / math.factorial(n_a + n_b), rel=1e-9, abs=0)
    largest = n_a * n_b + math.comb(n_b, 2)
    p, _ = tau_u_p(untied, n_a, largest, "exposure", "improvement")
    assert p == pytest.approx(math.factorial(n_a) / math.factorial(n_a + n_b), rel=1e-9, abs=0)


def test_both_trends_have_the_null_of_a_trend():
    counts = np.array([3, 5, 2, 4])
    ours, _ = tau_u_p(counts, 5, 31, "both")
    plain, _ = trend_p(counts[None], np.array([31]))
    assert ours == plain[0]


def test_all_equal_and_empty_phases():
    assert tau_u_p(np.array([6]), 2, 0, "baseline") == (1.0, True)
    for n_a in (0, 6):
        p, exact = tau_u_p(np.array([6]), n_a, 0, "baseline")
        assert math.isnan(p)
        assert not exact


def test_series_too_long_to_count_say_so():
    counts = np.ones(300, dtype=int)
    p, exact = tau_u_p(counts, 150, 6000, "baseline")
    assert not exact
    variance = trend_variance(counts[None], np.array([regressor_blocks(150, 150, "baseline")]))[0]
    assert p == pytest.approx(math.erfc(5999 / math.sqrt(2 * variance)), rel=1e-12, abs=0)


def test_refusals():
    with pytest.raises(ValueError, match="trend must be one of 'none', 'baseline', 'exposure', 'both'"):
        tau_u_p(np.array([2, 2]), 2, 0, "A")
    with pytest.raises(ValueError, match="alternative must be one of"):
        tau_u_p(np.array([2, 2]), 2, 0, "both", "up")
