"""Intraclass correlations against pingouin, variance components, simulation, and at their edges."""

import math

import numpy as np
import pandas as pd
import pingouin
import pytest
from rungwise.agreement.icc import icc, mean_squares

FORMS = ("1,1", "2,1", "3,1", "1,k", "2,k", "3,k")
PINGOUIN = dict(
    zip(FORMS, ("ICC(1,1)", "ICC(A,1)", "ICC(C,1)", "ICC(1,k)", "ICC(A,k)", "ICC(C,k)"), strict=True)
)


def _table(seed, n=12, k=3):
    rng = np.random.default_rng(seed)
    return rng.normal(0, 2, n)[:, None] + rng.normal(0, 1, k) + rng.normal(0, 1.5, (n, k))


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_equals_pingouin(form, seed):
    table = _table(seed)
    n, k = table.shape
    long = pd.DataFrame(
        {"target": np.repeat(np.arange(n), k), "rater": np.tile(np.arange(k), n), "score": table.ravel()}
    )
    theirs = pingouin.intraclass_corr(long, targets="target", raters="rater", ratings="score")
    theirs = theirs.set_index("Type").loc[PINGOUIN[form]]
    ours = icc(table, form)
    assert ours.value == pytest.approx(theirs["ICC"], abs=1e-9)
    # pingouin 0.7 rounds its limits to two decimals, and steps ICC(A,k) up as we do.
    assert (ours.ci_low, ours.ci_high) == pytest.approx(tuple(theirs["CI95"]), abs=0.0051)


@pytest.mark.parametrize("k", [2, 4])
def test_mean_squares_equal_sums_written_out(k):
    table = _table(7, n=5, k=k)
    squares = mean_squares(table)
    grand = table.mean()
    between = sum(k * (row.mean() - grand) ** 2 for row in table) / 4
    raters = sum(5 * (column.mean() - grand) ** 2 for column in table.T) / (k - 1)
    total = sum((entry - grand) ** 2 for entry in table.ravel())
    assert squares.between == pytest.approx(between)
    assert squares.raters == pytest.approx(raters)
    assert squares.residual == pytest.approx((total - 4 * between - (k - 1) * raters) / (4 * (k - 1)))
    assert squares.within == pytest.approx((total - 4 * between) / (5 * (k - 1)))


@pytest.mark.parametrize(("single", "mean"), [("1,1", "1,k"), ("2,1", "2,k"), ("3,1", "3,k")])
def test_mean_of_raters_is_the_single_one_stepped_up(single, mean):
    one, many = icc(_table(4), single), icc(_table(4), mean)
    for a, b in zip(
        (one.value, one.ci_low, one.ci_high), (many.value, many.ci_low, many.ci_high), strict=True
    ):
        assert b == pytest.approx(3 * a / (1 + 2 * a))


def test_shifting_a_rater_leaves_consistency_alone():
    table = _table(5)
    shifted = table + np.array([0.0, 4.0, 0.0])
    assert icc(shifted, "3,1").value == pytest.approx(icc(table, "3,1").value)
    assert icc(shifted, "2,1").value < icc(table, "2,1").value


@pytest.mark.parametrize("form", ["1,1", "2,1", "3,1"])
def test_interval_covers(form):
    rng = np.random.default_rng(30)
    n, k, runs = 25, 4, 1500
    between, raters, noise = 4.0, (0.0 if form == "1,1" else 1.0), 2.0
    truth = between / (between + (0 if form == "3,1" else raters) + noise)
    covered = 0
    for _ in range(runs):
        table = rng.normal(0, between**0.5, n)[:, None] + rng.normal(0, raters**0.5, k)
        estimate = icc(table + rng.normal(0, noise**0.5, (n, k)), form)
        covered += estimate.ci_low <= truth <= estimate.ci_high
    assert 0.93 <= covered / runs <= 0.975


def test_below_zero_is_said():
    table = np.array([[1.0, 9.0], [9.0, 1.0], [2.0, 8.0], [8.0, 3.0]])
    estimate = icc(table, "1,1")
    assert estimate.value < -0.5
    assert any(words.startswith("Below 0") for words in estimate.cautions)
    assert icc(table, "1,k").value < -10


def test_a_limit_too_low_to_step_up_is_without_bound():
    table = [[1, 9, 4], [9, 1, 6], [2, 8, 5], [8, 3, 5.5]]
    single, mean = icc(table, "2,1", confidence=0.99), icc(table, "2,k", confidence=0.99)
    assert single.ci_low < -0.5
    assert mean.ci_low == -math.inf


def test_incomplete_targets_are_left_out_and_counted():
    table = _table(6).tolist()
    table[2][1] = None
    estimate = icc(table, "2,1")
    assert estimate.value == icc([row for i, row in enumerate(table) if i != 2], "2,1").value
    assert (estimate.n, estimate.counts["missing"]) == (11, 1)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("rows", [[[3, 3], [3, 3]], [[1, 2]], [[1, None], [2, 3]]])
def test_nothing_to_estimate_from(form, rows):
    estimate = icc(rows, form)
    assert math.isnan(estimate.value)
    assert math.isnan(estimate.ci_low)
    assert len(estimate.cautions) == 1


def test_targets_that_do_not_differ_leave_a_mean_without_reliability():
    rows = [[1, 5], [1, 5], [1, 5]]
    assert math.isnan(icc(rows, "2,k").value)
    assert icc([[1, 5], [5, 1]], "1,1").value == -1


@pytest.mark.parametrize(
    ("rows", "form"),
    [([[1, 2], [2, 1]], "2,1"), ([[1, 2], [1, 2], [1, 2]], "3,1"), ([[1, 2], [2, 1], [1, 2]], "2,1")],
)
def test_tables_without_targets_that_differ_give_no_limits_and_a_reason(rows, form):
    estimate = icc(rows, form)
    assert math.isnan(estimate.ci_low)
    assert math.isnan(estimate.ci_high)
    assert estimate.cautions


def test_full_agreement_has_no_interval():
    estimate = icc([[1, 1], [4, 4], [6, 6]], "2,1")
    assert estimate.value == pytest.approx(1)
    assert math.isnan(estimate.ci_low)
    assert estimate.cautions == (
        "Nothing is left to vary between raters, so no interval can be estimated.",
    )


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: icc([[1, 2], [2, 3]], "2"),
            "form must be one of '1,1', '2,1', '3,1', '1,k', '2,k', '3,k'",
        ),
        (lambda: icc([[1], [2]], "2,1"), "ratings must have at least two raters for every target; got 1."),
        (
            lambda: icc([[1, 2], [2]], "2,1"),
            "ratings must have at least two raters for every target; got 2.",
        ),
        (lambda: icc([[1, 2], [2, math.inf]], "2,1"), "ratings must be finite; got an infinite one."),
    ],
)
def test_wrong_arguments_are_named(call, message):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value).startswith(message)
