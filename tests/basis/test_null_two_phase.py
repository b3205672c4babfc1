"""Exact null of two phases: all splits listed, scipy where it is exact, and the smallest p."""

import math
from itertools import combinations as subsets

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.basis import null_two_phase as module
from rungwise.basis.null_two_phase import (
    ALTERNATIVES,
    combinations,
    normal_upper,
    smallest_two_phase_p,
    two_phase_counts,
    two_phase_normal_p,
    two_phase_p,
    two_phase_ps,
    whole_share,
)
from scipy import stats


def all_splits(ratings, n_a):
    """S of every split of the ratings, one by one."""
    ratings = np.asarray(ratings)
    found = []
    for chosen in subsets(range(len(ratings)), n_a):
        in_a = np.zeros(len(ratings), dtype=bool)
        in_a[list(chosen)] = True
        found.append(int(np.sign(ratings[~in_a][:, None] - ratings[in_a]).sum()))
    return np.array(found)


def share(null, s, alternative):
    if alternative == "two-sided":
        return np.mean(abs(null) >= abs(s))
    return np.mean(null >= s) if alternative == "improvement" else np.mean(null <= s)


@st.composite
def tied_samples(draw):
    n_a, n_b = draw(st.integers(1, 5)), draw(st.integers(1, 6))
    highest = draw(st.integers(0, 6))
    ratings = draw(st.lists(st.integers(0, highest), min_size=n_a + n_b, max_size=n_a + n_b))
    return ratings, n_a


def observed(ratings, n_a):
    a, b = np.array(ratings[:n_a]), np.array(ratings[n_a:])
    return int(np.sign(b[:, None] - a).sum())


@settings(max_examples=150)
@given(tied_samples(), st.sampled_from(ALTERNATIVES))
def test_p_is_the_share_of_all_splits(sample, alternative):
    ratings, n_a = sample
    null, s = all_splits(ratings, n_a), observed(ratings, n_a)
    counts = np.bincount(ratings)[None]
    p, exact = two_phase_p(counts, np.array([n_a]), np.array([s]), alternative)
    assert exact[0]
    # Equal to the last bit: shares of countable cases are rounded to whole counts.
    assert p[0] == share(null, s, alternative)
    smallest = smallest_two_phase_p(counts, np.array([n_a]), alternative)[0]
    assert smallest == pytest.approx(
        min(share(null, end, alternative) for end in set(null.tolist())), rel=1e-14
    )


@settings(max_examples=60)
@given(tied_samples())
def test_counts_are_the_counts_of_all_splits(sample):
    ratings, n_a = sample
    values, numbers = np.unique(all_splits(ratings, n_a), return_counts=True)
    s, number = two_phase_counts(np.bincount(ratings), n_a)
    assert s.tolist() == values.tolist()
    assert number.tolist() == numbers.tolist()


@pytest.mark.parametrize("alternative", ALTERNATIVES)
def test_a_ragged_batch_equals_its_series_one_by_one(alternative):
    rng = np.random.default_rng(1)
    rows = []
    for _ in range(300):
        n_a, n_b = rng.integers(1, 25, 2)
        ratings = rng.integers(0, rng.integers(1, 11), n_a + n_b)
        rows.append((np.bincount(ratings, minlength=11), n_a, observed(ratings.tolist(), n_a)))
    counts, n_a, s = (np.array(column) for column in zip(*rows, strict=True))
    together, _ = two_phase_p(counts, n_a, s, alternative)
    alone = [
        two_phase_p(counts[i : i + 1], n_a[i : i + 1], s[i : i + 1], alternative)[0][0]
        for i in range(len(rows))
    ]
    splits = combinations(counts.sum(axis=1), n_a)
    whole = splits < 1e12
    assert together[whole].tolist() == np.array(alone)[whole].tolist()
    np.testing.assert_allclose(together, alone, rtol=1e-7)


@pytest.mark.parametrize(("n_a", "n_b"), [(8, 20), (20, 8), (14, 14), (30, 30), (50, 50), (3, 90)])
def test_the_two_routes_agree_at_lengths_beyond_listing(n_a, n_b):
    rng = np.random.default_rng(n_a)
    for highest in (2, 10, 1000):
        ratings = rng.integers(0, highest, n_a + n_b)
        _, codes = np.unique(ratings, return_inverse=True)
        counts = np.bincount(codes)
        support, number = two_phase_counts(counts, n_a)
        for s in (observed(ratings.tolist(), n_a), int(support[-1]), int(support[len(support) // 4])):
            p, exact = two_phase_p(counts[None], np.array([n_a]), np.array([s]))
            assert exact[0]
            assert p[0] == pytest.approx(
                number[abs(support) >= abs(s)].sum() / number.sum(), rel=1e-8, abs=0
            )


@pytest.mark.parametrize(("n_a", "n_b"), [(4, 5), (8, 20), (12, 12)])
def test_untied_p_equals_scipy_exact(n_a, n_b):
    rng = np.random.default_rng(2)
    for _ in range(20):
        a, b = rng.normal(size=n_a), rng.normal(size=n_b)
        s = int(np.sign(b[:, None] - a).sum())
        ties = np.ones((1, n_a + n_b), dtype=int)
        for ours, theirs in zip(ALTERNATIVES, ("two-sided", "greater", "less"), strict=True):
            p, _ = two_phase_p(ties, np.array([n_a]), np.array([s]), ours)
            assert p[0] == pytest.approx(
                stats.mannwhitneyu(b, a, alternative=theirs, method="exact").pvalue, rel=1e-10
            )


def test_tiny_p_keeps_its_relative_accuracy():
    n = 60
    p, exact = two_phase_p(np.ones((1, n), dtype=int), np.array([30]), np.array([900]))
    assert exact[0]
    assert p[0] == pytest.approx(2 / math.comb(60, 30), rel=1e-12, abs=0)
    p, _ = two_phase_p(np.ones((1, n), dtype=int), np.array([30]), np.array([898]), "improvement")
    assert p[0] == pytest.approx(2 / math.comb(60, 30), rel=1e-12, abs=0)


def test_two_sided_counts_by_distance_not_by_doubling():
    # Unequal lengths and one high rating among many low ones make the null lopsided.
    ratings, n_a = [0, 2, 0, 0, 1, 0], 2
    null, s = all_splits(ratings, n_a), observed(ratings, n_a)
    p, _ = two_phase_p(np.bincount(ratings)[None], np.array([n_a]), np.array([s]))
    doubled = min(1.0, 2 * min(np.mean(null >= s), np.mean(null <= s)))
    assert p[0] == np.mean(abs(null) >= abs(s))
    assert p[0] != doubled


def test_a_p_of_exactly_one_twentieth_is_not_above_it():
    # 3 and 3 untied: complete separation has 1 split of 20.
    p, _ = two_phase_p(np.ones((1, 6), dtype=int), np.array([3]), np.array([9]), "improvement")
    assert p[0] == 0.05


def test_all_equal_and_empty_phases():
    p, exact = two_phase_p(np.array([[5], [3], [3]]), np.array([2, 0, 3]), np.array([0, 0, 0]))
    assert p[0] == 1.0
    assert np.isnan(p[1:]).all()
    assert exact.tolist() == [True, False, False]
    smallest = smallest_two_phase_p(np.array([[5], [3], [3]]), np.array([2, 0, 3]))
    assert smallest[0] == 1.0
    assert np.isnan(smallest[1:]).all()


def test_no_untied_split_of_three_and_four_reaches_the_usual_level():
    smallest = smallest_two_phase_p(np.ones((1, 7), dtype=int), np.array([3]))
    assert smallest[0] == pytest.approx(2 / 35)
    assert smallest[0] > 0.05


def test_smallest_p_of_very_long_series():
    smallest = smallest_two_phase_p(np.array([[700, 800]]), np.array([700]), "improvement")[0]
    assert smallest == module.SMALLEST
    smallest = smallest_two_phase_p(np.array([[1998, 2]]), np.array([1998]), "improvement")[0]
    assert smallest == pytest.approx(1 / math.comb(2000, 2), rel=1e-10, abs=0)


def test_series_too_long_to_count_say_so_and_come_close():
    rng = np.random.default_rng(3)
    ratings = rng.integers(0, 11, 600)
    s = observed(ratings.tolist(), 300)
    p, exact = two_phase_p(np.bincount(ratings)[None], np.array([300]), np.array([s]))
    assert not exact[0]
    theirs = stats.mannwhitneyu(ratings[300:], ratings[:300], method="asymptotic").pvalue
    assert p[0] == pytest.approx(theirs, rel=1e-12, abs=0)


@pytest.mark.parametrize("rows", [3, 500])
def test_normal_p_equals_scipy_asymptotic(rows):
    rng = np.random.default_rng(4)
    a, b = rng.integers(0, 11, (rows, 8)), rng.integers(0, 11, (rows, 20))
    counts = np.stack([((a == v).sum(axis=1) + (b == v).sum(axis=1)) for v in range(11)], axis=1)
    s = np.sign(b[:, None, :] - a[:, :, None]).sum(axis=(1, 2))
    for ours, theirs in zip(ALTERNATIVES, ("two-sided", "greater", "less"), strict=True):
        p = two_phase_normal_p(counts, np.full(rows, 8), s, ours)
        expected = stats.mannwhitneyu(b, a, alternative=theirs, axis=1, method="asymptotic").pvalue
        np.testing.assert_allclose(p, expected, rtol=1e-10)


def test_normal_tail_is_the_same_for_few_and_many():
    z = np.linspace(-6, 6, 200)
    np.testing.assert_allclose(
        normal_upper(z), np.concatenate([normal_upper(z[:60]), normal_upper(z[60:])])
    )
    np.testing.assert_allclose(normal_upper(z), stats.norm.sf(z), rtol=1e-13)


def test_whole_shares():
    found = whole_share(np.array([1 / 3 + 1e-15, 0.123]), np.array([3.0, 1e14]))
    assert found.tolist() == [1 / 3, 0.123]


def test_unknown_alternative():
    with pytest.raises(
        ValueError, match="alternative must be one of 'two-sided', 'improvement', 'worsening'"
    ):
        two_phase_p(np.array([[2, 2]]), np.array([2]), np.array([4]), "greater")
    with pytest.raises(ValueError, match="alternative must be one of"):
        smallest_two_phase_p(np.array([[2, 2]]), np.array([2]), "less")


def test_several_alternatives_in_one_go_are_those_of_each_alone():
    rng = np.random.default_rng(20261129)
    for n_a, n_b in ((3, 5), (8, 20), (30, 40)):
        ratings = rng.integers(0, 8, (40, n_a + n_b))
        ratings[0] = np.sort(ratings[0])
        counts = np.stack([(ratings == code).sum(axis=1) for code in range(8)], axis=1)
        s = np.sign(ratings[:, None, n_a:] - ratings[:, :n_a, None]).sum(axis=(1, 2))
        together = two_phase_ps(counts, np.full(40, n_a), s)
        for alternative in ("two-sided", "improvement", "worsening"):
            alone = two_phase_p(counts, np.full(40, n_a), s, alternative)
            assert np.array_equal(together[alternative][0], alone[0])
            assert np.array_equal(together[alternative][1], alone[1])
