import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rungwise.agreement.several_observers import fleiss_kappa
from statsmodels.stats.inter_rater import aggregate_raters
from statsmodels.stats.inter_rater import fleiss_kappa as statsmodels_fleiss

RATINGS = st.integers(2, 5).flatmap(
    lambda k: st.lists(st.lists(st.integers(0, 3), min_size=k, max_size=k), min_size=2, max_size=12)
)


@given(RATINGS.filter(lambda rows: len({entry for row in rows for entry in row}) > 1))
def test_equals_statsmodels(rows):
    table, _ = aggregate_raters(np.array(rows))
    assert fleiss_kappa(rows).value == pytest.approx(statsmodels_fleiss(table), abs=1e-12)


@given(RATINGS.filter(lambda rows: len({entry for row in rows for entry in row}) > 1))
def test_value_is_the_weighted_mean_of_the_categories(rows):
    estimate = fleiss_kappa(rows, categories=[0, 1, 2, 3])
    share = np.array([np.mean(np.array(rows) == category) for category in range(4)])
    spread = share * (1 - share)
    each = np.array([estimate.counts[f"category {category}"] for category in range(4)])
    used = spread > 0
    assert estimate.value == pytest.approx((each[used] * spread[used]).sum() / spread.sum(), abs=1e-12)
    assert np.isnan(each[share == 0]).all()


def test_null_error_equals_the_spread_under_chance():
    rng = np.random.default_rng(2)
    samples = rng.choice(3, p=[0.5, 0.3, 0.2], size=(3000, 40, 4))
    values = [fleiss_kappa(one, categories=[0, 1, 2]).value for one in samples[:1500]]
    errors = [fleiss_kappa(one, categories=[0, 1, 2]).counts["null_standard_error"] for one in samples[:50]]
    assert np.std(values) == pytest.approx(np.mean(errors), rel=0.06)


def test_incomplete_trials_are_left_out_and_counted():
    rows = [["a", "a", "b"], ["b", "b", "b"], ["a", None, "a"], ["a", "a", "a"]]
    estimate = fleiss_kappa(rows)
    assert estimate.value == fleiss_kappa([rows[0], rows[1], rows[3]]).value
    assert (estimate.n, estimate.counts["missing"]) == (3, 1)


@pytest.mark.parametrize(
    ("rows", "words"),
    [([["a", "a"]] * 5, "one and the same category"), ([["a", None]] * 5, "No trial was recorded by all")],
)
def test_undefined(rows, words):
    estimate = fleiss_kappa(rows)
    assert math.isnan(estimate.value)
    assert words in estimate.cautions[0]


@pytest.mark.parametrize("rows", [[], [["a"]], [["a", "b"], ["a"]]])
def test_too_few_observers(rows):
    with pytest.raises(ValueError, match="ratings must have at least two observers for every trial"):
        fleiss_kappa(rows)
