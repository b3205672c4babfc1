import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rungwise.change.goals import (
    goal_attainment_change,
    goal_attainment_change_batch,
    goal_attainment_t,
    goal_attainment_t_batch,
)

LEVELS = st.lists(st.integers(-2, 2), min_size=1, max_size=8)


@given(LEVELS, st.floats(0, 1))
def test_equal_weights_reduce_to_the_short_formula(levels, rho):
    n = len(levels)
    expected = 50 + 10 * sum(levels) / math.sqrt((1 - rho) * n + rho * n**2)
    assert goal_attainment_t(levels, rho=rho).value == pytest.approx(expected)


@given(LEVELS.flatmap(lambda x: st.tuples(st.just(x), st.permutations(range(len(x))))), st.floats(0.1, 50))
def test_order_and_unit_of_weights_do_not_matter(case, factor):
    levels, order = case
    weights = np.arange(1.0, len(levels) + 1)
    first = goal_attainment_t(levels, weights).value
    again = goal_attainment_t([levels[i] for i in order], factor * weights[list(order)]).value
    assert again == pytest.approx(first)
    assert goal_attainment_t([-x for x in levels], weights).value == pytest.approx(100 - first)


def test_t_has_mean_fifty_and_sd_ten_under_its_own_assumption():
    # Goals with variance 1 and correlation rho, as the formula supposes; clipping would change both.
    rho, weights = 0.3, np.array([1.0, 2.0, 3.0])
    covariance = np.full((3, 3), rho) + (1 - rho) * np.eye(3)
    spread = math.sqrt(weights @ covariance @ weights)
    one_each = [goal_attainment_t(row, weights).value - 50 for row in np.eye(3)]
    assert one_each == pytest.approx(10 * weights / spread)


def test_missing_goals_are_left_out_and_said():
    partly = goal_attainment_t([1, None, -2], [2, 5, 1])
    assert partly.value == goal_attainment_t([1, -2], [2, 1]).value
    assert (partly.n, partly.counts["goals"], partly.counts["missing"]) == (2, 3, 1)
    assert partly.cautions == ("Goals without a level are left out, and the rest stand for all.",)


def test_a_goal_of_weight_zero_does_not_count_as_missing():
    estimate = goal_attainment_t([1, None], [1, 0])
    assert estimate.value == 60
    assert estimate.counts["missing"] == 0
    assert estimate.cautions == ()


@pytest.mark.parametrize(
    ("levels", "weights", "words"),
    [
        ([None, math.nan], None, "No goal has a level"),
        ([], None, "No goal has a level"),
        ([1, 2], [0, 0], "All goals with a level have weight 0"),
    ],
)
def test_nothing_to_give(levels, weights, words):
    estimate = goal_attainment_t(levels, weights)
    assert math.isnan(estimate.value)
    assert estimate.cautions[0].startswith(words)


def test_change_uses_goals_rated_on_both_days():
    change = goal_attainment_change([-1, -2, -1, None], [1, None, 0, 2], [1, 2, 3, 4])
    start = goal_attainment_t([-1, -1], [1, 3]).value
    end = goal_attainment_t([1, 0], [1, 3]).value
    assert change.value == pytest.approx(end - start)
    assert change.n == 2
    assert change.favors == "improvement"
    assert change.cautions == ("Goals with a level on one day only are left out.",)


def test_a_goal_never_rated_is_not_called_rated_once():
    change = goal_attainment_change([-1, None], [1, None])
    assert change.cautions == ()
    assert change.counts["missing"] == 1


def test_no_common_goal_is_no_change():
    change = goal_attainment_change([-1, None], [None, 0])
    assert math.isnan(change.value)
    assert change.favors == ""
    assert change.cautions == ("No goal has a level on both days, so there is no change to give.",)


def test_batch_equals_the_children_one_by_one():
    levels = [[1, 0, -1], [2, None, None], [None, None, None]]
    weights = [[1, 2, 3], [1, 1, 1], [1, 1, 1]]
    many = goal_attainment_t_batch(levels, weights)
    for row, w, one in zip(levels, weights, many, strict=True):
        alone = goal_attainment_t(row, w)
        assert one.value == pytest.approx(alone.value, nan_ok=True)
        assert one.cautions == alone.cautions
    changes = goal_attainment_change_batch([[-1, -1]] * 2, [[0, 1], [-2, None]])
    assert changes.value[1] == pytest.approx(-10)
    assert changes[1].favors == "worsening"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: goal_attainment_t([3]), "levels must lie between -2 and 2; got 3."),
        (lambda: goal_attainment_t([1], [-1]), "weights must be 0 or more; got -1."),
        (lambda: goal_attainment_t([1], [None]), "weights must be 0 or more; got nan."),
        (lambda: goal_attainment_t([1, 2], [1]), "weights must be one per goal, shape (1, 2); got (1, 1)."),
        (lambda: goal_attainment_t([1], rho=1.5), "rho must be a number between 0 and 1; got 1.5."),
        (
            lambda: goal_attainment_t_batch([[1, 2], [1]]),
            "levels must have as many goals for every child; fill up with NaN.",
        ),
        (
            lambda: goal_attainment_change([1, 2], [1]),
            "end must have the shape of start (1, 2); got (1, 1).",
        ),
    ],
)
def test_wrong_arguments_are_named(call, message):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value) == message
