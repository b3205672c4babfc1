"""Kappa against statsmodels, a naive twin, a parametric bootstrap, and at its edges."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rungwise.agreement.kappa import (
    SMALLEST_FOR_INTERVAL,
    kappa,
    kappa_from_table,
    prevalence_adjusted_kappa,
)
from statsmodels.stats.inter_rater import cohens_kappa

COUNTS = st.lists(st.integers(0, 30), min_size=9, max_size=9).map(lambda x: np.array(x).reshape(3, 3))


def _not_degenerate(table):
    p = table / max(table.sum(), 1)
    return table.sum() > 1 and p.sum(axis=0) @ p.sum(axis=1) < 0.999


@given(COUNTS.filter(_not_degenerate), st.sampled_from([None, "linear", "quadratic"]))
def test_equals_statsmodels(table, weights):
    ours = kappa_from_table(table, weights)
    with np.errstate(all="ignore"):
        theirs = cohens_kappa(table, wt=weights)
    assert ours.value == pytest.approx(theirs.kappa, abs=1e-12)
    assert ours.counts["null_standard_error"] ** 2 == pytest.approx(theirs.var_kappa0, abs=1e-14)
    assert ours.counts["standard_error"] ** 2 == pytest.approx(theirs.var_kappa, abs=1e-14)
    if theirs.var_kappa0 > 1e-12:
        assert ours.p_value == pytest.approx(theirs.pvalue_two_sided, abs=1e-9)


@given(COUNTS.filter(_not_degenerate), st.sampled_from(["linear", "quadratic"]))
def test_equals_pair_by_pair_disagreement(table, weights):
    """Weighted kappa as 1 - mean disagreement of pairs / mean disagreement of all cross-pairs."""
    first = np.repeat(np.arange(3), table.sum(axis=1))
    second = np.concatenate([np.repeat(np.arange(3), row) for row in table])
    power = 1 if weights == "linear" else 2
    seen = np.mean(np.abs(first - second) ** power)
    chance = np.mean(np.abs(first[:, None] - second[None, :]) ** power)
    assert kappa(first, second, weights, categories=[0, 1, 2]).value == pytest.approx(1 - seen / chance)


def test_an_unused_point_of_the_scale_still_counts():
    a, b = [0, 0, 5, 10, 10, 0], [0, 5, 5, 10, 0, 0]
    declared = kappa(a, b, "quadratic", categories=range(11))
    squeezed = kappa([0, 0, 1, 2, 2, 0], [0, 1, 1, 2, 0, 0], "quadratic", categories=range(3))
    assert declared.value == pytest.approx(squeezed.value)  # evenly spaced, so the same
    uneven = kappa([0, 0, 1, 10, 10, 0], [0, 1, 1, 10, 0, 0], "quadratic", categories=range(11))
    assert uneven.value != pytest.approx(squeezed.value, abs=0.01)


def test_standard_error_equals_the_spread_of_samples():
    rng = np.random.default_rng(12)
    shares = np.array([[0.35, 0.05, 0.02], [0.05, 0.20, 0.06], [0.02, 0.05, 0.20]])
    n = 400
    samples = rng.multinomial(n, shares.ravel(), size=3000).reshape(-1, 3, 3)
    asymmetric = [[1, 0.9, 0.0], [0.2, 1, 0.1], [0.0, 0.6, 1]]
    for weights in (None, "quadratic", asymmetric):
        values = [kappa_from_table(table, weights).value for table in samples]
        expected = kappa_from_table(np.rint(shares * n), weights).counts["standard_error"]
        assert np.std(values) == pytest.approx(expected, rel=0.04)


@pytest.mark.parametrize(
    ("true", "n", "at_least"), [(0.6, 50, 0.92), (0.8, 50, 0.93), (0.8, 100, 0.94), (0.9, 100, 0.93)]
)
def test_interval_covers(true, n, at_least):
    rng = np.random.default_rng(5)
    margin = np.array([0.6, 0.1, 0.3])
    shares = true * np.diag(margin) + (1 - true) * np.outer(margin, margin)
    samples = rng.multinomial(n, shares.ravel(), size=3000).reshape(-1, 3, 3)
    results = [kappa_from_table(table) for table in samples]
    given_ = [one for one in results if not math.isnan(one.ci_low)]
    assert len(given_) > 0.8 * len(results)
    covered = np.mean([one.ci_low <= true <= one.ci_high for one in given_])
    assert at_least <= covered <= 0.98
    assert all(one.ci_low <= one.value <= one.ci_high <= 1 for one in given_)


def test_no_interval_from_few_trials():
    few = SMALLEST_FOR_INTERVAL - 1
    below = kappa_from_table([[few - 10, 3], [2, 5]])
    assert math.isnan(below.ci_low)
    assert below.cautions == ("Below 50 trials no interval of kappa holds its coverage, so none is given.",)
    enough = kappa_from_table([[few - 9, 3], [2, 5]])
    assert enough.n == SMALLEST_FOR_INTERVAL
    assert enough.ci_low < enough.value < enough.ci_high
    assert enough.cautions == ()


def test_full_agreement():
    full = kappa_from_table([[40, 0], [0, 60]])
    assert full.value == 1
    assert math.isnan(full.ci_low)
    assert full.counts["standard_error"] == 0
    assert full.p_value < 1e-10
    assert full.cautions[0].startswith("The observers agree fully")


def test_full_disagreement_is_not_called_agreement():
    opposite = kappa_from_table([[0, 30], [30, 0]])
    assert opposite.value == -1
    assert opposite.cautions == (
        "The disagreements leave no spread, so the large-sample interval has no width and is not given.",
    )


@pytest.mark.parametrize("entries", [["done"] * 9, [3] * 9])
def test_one_category_throughout_is_undefined(entries):
    estimate = kappa(entries, entries)
    assert math.isnan(estimate.value)
    assert math.isnan(estimate.p_value)
    assert estimate.cautions[0].startswith("Both observers used one and the same category throughout")


def test_no_trial_by_both():
    estimate = kappa([1, None], [None, 2])
    assert math.isnan(estimate.value)
    assert estimate.counts["missing"] == 2
    assert estimate.cautions == ("No trial was recorded by both observers.",)


def test_low_kappa_with_high_agreement_is_shown_by_adjusting_for_prevalence():
    a, b = ["done"] * 47 + ["declined"] + ["done"] * 2, ["done"] * 47 + ["done"] + ["declined"] * 2
    assert kappa(a, b).value < 0
    assert prevalence_adjusted_kappa(a, b).value == pytest.approx(2 * 0.94 - 1)
    assert math.isnan(prevalence_adjusted_kappa(["x"], ["x"]).value)
    assert prevalence_adjusted_kappa([1, 2, 3], [1, 2, 1], categories=[1, 2, 3]).value == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: kappa([1, 2], [1, 2], "linear"),
            "categories must give the declared scale, in order, when weights are used.",
        ),
        (
            lambda: kappa([1, 2], [1, 5], categories=[1, 2]),
            "b must be one of the categories 1, 2; got 5.0.",
        ),
        (
            lambda: kappa([1, 2], [1, 1], "cubic", [1, 2]),
            "weights must be one of 'linear', 'quadratic'; got 'cubic'.",
        ),
        (
            lambda: kappa_from_table([[1, 2, 3]]),
            "table must have as many rows as columns; got shape (1, 3).",
        ),
        (lambda: kappa_from_table([[1, -2], [0, 3]]), "table must hold counts of at least 0."),
        (
            lambda: kappa_from_table([[1, 2], [0, 3]], np.eye(3)),
            "weights must have one row and column per category (2); got shape (3, 3).",
        ),
        (
            lambda: kappa_from_table([[1, 2], [0, 3]], [[0, 1], [1, 0]]),
            "weights must be 1 on the diagonal and at most 1 elsewhere.",
        ),
        (
            lambda: kappa([1, 1], [1, 1], categories=[1, 1]),
            "categories must differ from each other; got [1, 1].",
        ),
    ],
)
def test_wrong_arguments_are_named(call, message):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value) == message
