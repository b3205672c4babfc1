"""Exact null when whole days trade places: every assignment listed, and the drawn one near it."""

import math
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.basis import null_days as module
from rungwise.basis.null_days import day_distribution, day_p
from rungwise.basis.null_two_phase import ALTERNATIVES


def all_sums(scores, kinds):
    labels = np.repeat(np.arange(len(kinds)), kinds).tolist()
    return np.array(
        [sum(row[k] for row, k in zip(scores, order, strict=True)) for order in permutations(labels)]
    )


@st.composite
def days(draw):
    kinds = draw(st.lists(st.integers(1, 3), min_size=1, max_size=3))
    n = sum(kinds)
    scores = draw(
        st.lists(
            st.lists(st.integers(-9, 9), min_size=len(kinds), max_size=len(kinds)), min_size=n, max_size=n
        )
    )
    return np.array(scores), np.array(kinds)


@settings(max_examples=60)
@given(days())
def test_distribution_and_p_equal_all_assignments(case):
    scores, kinds = case
    sums = all_sums(scores.tolist(), kinds)
    total, share = day_distribution(scores, kinds)
    values, numbers = np.unique(sums, return_counts=True)
    assert total.tolist() == values.tolist()
    np.testing.assert_allclose(share, numbers / len(sums), rtol=1e-12)
    observed = int(sums[0])
    expected = {
        "two-sided": lambda at: np.mean(abs(sums) >= abs(at)),
        "improvement": lambda at: np.mean(sums >= at),
        "worsening": lambda at: np.mean(sums <= at),
    }
    for alternative in ALTERNATIVES:
        p, smallest, error = day_p(scores, kinds, observed, alternative)
        assert p == pytest.approx(expected[alternative](observed), rel=1e-14, abs=0)
        assert smallest == pytest.approx(
            min(expected[alternative](int(at)) for at in values), rel=1e-14, abs=0
        )
        assert error == 0


def test_drawn_p_is_near_the_counted_one_and_repeats(monkeypatch):
    rng = np.random.default_rng(1)
    scores = np.stack([np.zeros(20, dtype=int), rng.integers(-9, 10, 20)], axis=1)
    kinds = np.array([8, 12])
    counted, _, _ = day_p(scores, kinds, 30)
    monkeypatch.setattr(module, "_LIMIT", 0)
    drawn, smallest, error = day_p(scores, kinds, 30, rng=np.random.default_rng(2), draws=20_000)
    assert error == pytest.approx(math.sqrt(drawn * (1 - drawn) / 20_000))
    assert abs(drawn - counted) < 4 * error
    assert math.isnan(smallest)
    again, _, _ = day_p(scores, kinds, 30, rng=np.random.default_rng(2), draws=20_000)
    assert again == drawn


def test_a_drawn_p_is_never_0(monkeypatch):
    monkeypatch.setattr(module, "_LIMIT", 0)
    scores = np.stack([np.zeros(40, dtype=int), np.repeat([0, 1], 20)], axis=1)
    p, _, _ = day_p(scores, np.array([20, 20]), 20, "improvement", rng=np.random.default_rng(1), draws=99)
    assert p == 1 / 100


def test_drawing_needs_a_generator(monkeypatch):
    monkeypatch.setattr(module, "_LIMIT", 0)
    with pytest.raises(ValueError, match="rng must be a numpy Generator: the assignments are too many"):
        day_p(np.zeros((4, 2), dtype=int), np.array([2, 2]), 0)


def test_many_days_do_not_overflow():
    scores = np.stack([np.zeros(400, dtype=int), np.tile([-1, 1], 200)], axis=1)
    total, share = day_distribution(scores, np.array([200, 200]))
    assert share.sum() == pytest.approx(1.0)
    assert float(np.sum(total * share)) == pytest.approx(0.0, abs=1e-9)
    p, _, _ = day_p(scores, np.array([200, 200]), 200, "improvement")
    assert p == pytest.approx(1 / math.comb(400, 200), rel=1e-9, abs=0)


def test_unknown_alternative():
    with pytest.raises(ValueError, match="alternative must be one of"):
        day_p(np.zeros((2, 2), dtype=int), np.array([1, 1]), 0, "up")
