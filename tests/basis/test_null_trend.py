"""Exact null of a trend: all orders listed, exact integers, and scipy without ties."""

import math
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.basis.null_trend import (
    gaussian,
    inversions,
    orders,
    smallest_trend_p,
    trend_distribution,
    trend_p,
    trend_variance,
)
from rungwise.basis.null_two_phase import ALTERNATIVES, SMALLEST, two_phase_counts
from scipy import stats


def kendall_s(ratings, times):
    ratings, times = np.asarray(ratings), np.asarray(times)
    return int(np.sum(np.sign(ratings[:, None] - ratings) * np.sign(times[:, None] - times))) // 2


def share(null, s, alternative):
    if alternative == "two-sided":
        return np.mean(abs(null) >= abs(s))
    return np.mean(null >= s) if alternative == "improvement" else np.mean(null <= s)


@st.composite
def tied_series(draw, tied_times):
    n = draw(st.integers(2, 7))
    ratings = draw(st.lists(st.integers(0, draw(st.integers(0, 6))), min_size=n, max_size=n))
    times = sorted(draw(st.lists(st.integers(0, 4), min_size=n, max_size=n))) if tied_times else range(n)
    return ratings, list(times)


@pytest.mark.parametrize("alternative", ALTERNATIVES)
@pytest.mark.parametrize("tied_times", [False, True])
@settings(max_examples=50)
@given(data=st.data())
def test_p_is_the_share_of_all_orders(alternative, tied_times, data):
    ratings, times = data.draw(tied_series(tied_times))
    null = np.array([kendall_s(order, times) for order in permutations(ratings)])
    s = kendall_s(ratings, times)
    counts, time_counts = np.bincount(ratings)[None], np.bincount(times)[None]
    p, exact = trend_p(counts, np.array([s]), alternative, time_counts)
    assert exact[0]
    assert p[0] == pytest.approx(share(null, s, alternative), rel=1e-14, abs=0)
    smallest = smallest_trend_p(counts, alternative, time_counts)[0]
    assert smallest == pytest.approx(
        min(share(null, end, alternative) for end in set(null.tolist())), rel=1e-13
    )
    assert trend_variance(counts, time_counts)[0] == pytest.approx(null.var(), abs=1e-9)


def exact_inversions(sizes):
    """The q-multinomial in Python's integers, by inserting one tie group after another."""
    ways = {(): 1}
    poly = [1]
    before = 0
    for size in sizes:
        table = {(0, 0): [1]}
        for a in range(before + 1):
            for b in range(size + 1):
                if (a, b) == (0, 0):
                    continue
                out = [0] * (a * b + 1)
                if a:
                    for i, way in enumerate(table[a - 1, b]):
                        out[i + b] += way
                if b:
                    for i, way in enumerate(table[a, b - 1]):
                        out[i] += way
                table[a, b] = out
        found = [0] * (len(poly) + before * size)
        for i, x in enumerate(poly):
            for j, y in enumerate(table[before, size]):
                found[i + j] += x * y
        poly = found
        before += size
    assert ways
    return poly


@pytest.mark.parametrize("sizes", [(1,) * 9, (3, 2, 4, 1), (5, 5), (2, 1, 6, 3, 3), (7,), (1, 1)])
def test_inversions_equal_whole_number_arithmetic(sizes):
    counted = exact_inversions(sizes)
    np.testing.assert_allclose(
        inversions(sizes), [float(way) / float(sum(counted)) for way in counted], rtol=1e-13
    )


@pytest.mark.parametrize(("n", "k"), [(5, 2), (12, 5), (40, 20), (70, 35)])
def test_gaussian_binomials_are_the_two_phase_null(n, k):
    _, number = two_phase_counts(np.ones(n, dtype=int), n - k)
    np.testing.assert_allclose(gaussian(n, k), number / number.sum(), rtol=1e-12)
    assert gaussian(n, k).sum() == pytest.approx(1.0)


@pytest.mark.parametrize("n", [5, 9, 14, 30])
def test_untied_p_equals_scipy_exact(n):
    rng = np.random.default_rng(n)
    for _ in range(10):
        y = rng.normal(size=n)
        p, exact = trend_p(np.ones((1, n), dtype=int), np.array([kendall_s(y, np.arange(n))]))
        assert exact[0]
        theirs = stats.kendalltau(np.arange(n), y, method="exact").pvalue
        assert p[0] == pytest.approx(theirs, rel=1e-10, abs=0)


def test_tied_long_series_agrees_with_random_orders():
    rng = np.random.default_rng(8)
    ratings = rng.integers(0, 6, 28)
    counts = np.bincount(ratings)[None]
    drawn = np.array([kendall_s(rng.permutation(ratings), np.arange(28)) for _ in range(4000)])
    for s in (20, 50, 80):
        p, _ = trend_p(counts, np.array([s]), "improvement")
        error = math.sqrt(p[0] * (1 - p[0]) / len(drawn))
        assert abs(np.mean(drawn >= s) - p[0]) < 4 * error


def test_tiny_p_keeps_its_relative_accuracy_and_is_never_0():
    for n in (10, 40, 100):
        p, _ = trend_p(np.ones((1, n), dtype=int), np.array([n * (n - 1) // 2]))
        assert p[0] == pytest.approx(2 / math.factorial(n), rel=1e-12, abs=0)
    p, exact = trend_p(np.ones((1, 200), dtype=int), np.array([19900]))
    assert (p[0], exact[0]) == (SMALLEST, True)


def test_batches_equal_their_series_whatever_the_order_of_groups():
    rng = np.random.default_rng(9)
    counts = rng.integers(0, 4, (200, 8))
    counts[0] = 0
    n = counts.sum(axis=1)
    s = np.array([0 if size < 2 else int(rng.integers(0, size)) for size in n])
    for alternative in ALTERNATIVES:
        together, _ = trend_p(counts, s, alternative)
        alone = [trend_p(counts[i : i + 1, ::-1], s[i : i + 1], alternative)[0][0] for i in range(200)]
        np.testing.assert_array_equal(together, alone)


def test_all_equal_and_too_few():
    p, exact = trend_p(np.array([[4, 0], [1, 0], [0, 0]]), np.array([0, 0, 0]))
    assert p[0] == 1.0
    assert np.isnan(p[1:]).all()
    assert exact.tolist() == [True, False, False]
    smallest = smallest_trend_p(np.array([[4, 0], [1, 0], [0, 0]]))
    assert smallest[0] == 1.0
    assert np.isnan(smallest[1:]).all()


def test_all_ratings_at_one_time_have_no_trend():
    p, exact = trend_p(np.array([[1, 1, 1]]), np.array([0]), time_counts=np.array([[3]]))
    assert (p[0], exact[0]) == (1.0, True)


def test_four_baseline_occasions_cannot_reach_the_usual_level_two_sided():
    assert smallest_trend_p(np.ones((1, 4), dtype=int))[0] == pytest.approx(2 / 24)
    assert smallest_trend_p(np.ones((1, 4), dtype=int), "improvement")[0] == pytest.approx(1 / 24)


def test_too_many_ties_in_both_fall_back_on_the_normal_and_say_so():
    rng = np.random.default_rng(10)
    ratings = rng.integers(0, 11, 60)
    times = np.repeat(np.arange(30), 2)
    s = kendall_s(ratings, times)
    counts, time_counts = np.bincount(ratings)[None], np.bincount(times)[None]
    p, exact = trend_p(counts, np.array([s]), time_counts=time_counts)
    assert not exact[0]
    variance = trend_variance(counts, time_counts)[0]
    assert p[0] == pytest.approx(2 * stats.norm.sf((abs(s) - 1) / math.sqrt(variance)), rel=1e-12, abs=0)
    assert smallest_trend_p(counts, time_counts=time_counts)[0] < 1e-10
    assert trend_distribution(counts[0], time_counts[0]) is None


def test_the_normal_fallback_comes_close_to_the_exact_p():
    # Four ratings on each of four days: exact by counting, and near enough to normal to compare.
    counts, days = np.array([[4, 4, 4, 4]]), np.array([[4, 4, 4, 4]])
    support, probability = trend_distribution(counts[0], days[0])
    variance = float(np.sum(probability * support**2))
    assert trend_variance(counts, days)[0] == pytest.approx(variance, rel=1e-12, abs=0)
    for s in (20, 40, 60):
        p, exact = trend_p(counts, np.array([s]), time_counts=days)
        assert exact[0]
        assert p[0] == pytest.approx(2 * stats.norm.sf((s - 1) / math.sqrt(variance)), abs=0.01)


def test_distribution_of_a_long_series_is_refused_rather_than_slow():
    assert trend_distribution(np.ones(401, dtype=int)) is None


def test_orders():
    assert orders(np.array([[2, 1], [4, 0]])).tolist() == [3, 1]
    assert orders(np.ones((1, 25), dtype=int))[0] == pytest.approx(math.factorial(25), rel=1e-12, abs=0)


def test_unknown_alternative():
    for call in (trend_p, smallest_trend_p):
        with pytest.raises(ValueError, match="alternative must be one of"):
            call(np.array([[1, 1]]), *([np.array([1])] if call is trend_p else []), "greater")
