import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rungwise.agreement.percent import occurrence_agreement, percent_agreement
from rungwise.basis.intervals import share_interval

ENTRIES = st.lists(st.tuples(st.integers(0, 10), st.integers(0, 10)), min_size=1, max_size=30)


@given(ENTRIES, st.integers(0, 3))
def test_equals_counting_one_by_one(pairs, within):
    a, b = zip(*pairs, strict=True)
    agreement = percent_agreement(a, b, within=within)
    count = sum(1 for x, y in pairs if abs(x - y) <= within)
    expected = share_interval(count, len(pairs))
    assert (agreement.value, agreement.ci_low, agreement.ci_high) == (
        expected.value, expected.ci_low, expected.ci_high,
    )  # fmt: skip
    assert percent_agreement(b, a, within=within).value == agreement.value


def test_one_point_apart_in_tenths_is_within_one():
    assert percent_agreement([0.3, 4.1], [1.3, 5.1], within=1).value == 1
    assert percent_agreement([0.3], [1.31], within=1).value == 0
    assert percent_agreement([0.1 + 0.2], [0.3]).value == 1


def test_trials_seen_by_one_observer_are_left_out_and_counted():
    agreement = percent_agreement(["done", None, "done", "done"], ["done", "done", math.nan, "declined"])
    assert agreement.value == 0.5
    assert (agreement.n, agreement.counts["agreements"], agreement.counts["missing"]) == (2, 1, 2)


def test_nothing_seen_by_both():
    agreement = percent_agreement([1, None], [None, 2])
    assert math.isnan(agreement.value)
    assert math.isnan(agreement.ci_low)
    assert agreement.cautions == ("No trial was recorded by both observers.",)


@given(st.lists(st.tuples(st.sampled_from("cpd"), st.sampled_from("cpd")), min_size=1, max_size=30))
def test_occurrence_agreement_counts_the_category_alone(pairs):
    a, b = zip(*pairs, strict=True)
    either = [(x, y) for x, y in pairs if "d" in (x, y)]
    agreement = occurrence_agreement(a, b, "d")
    if either:
        assert agreement.value == pytest.approx(sum(x == y for x, y in either) / len(either))
    else:
        assert math.isnan(agreement.value)
        assert agreement.cautions[0].startswith("Neither observer recorded the category")


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: percent_agreement([1], [1, 2]), "b must be one entry per entry of a (1); got 2."),
        (lambda: percent_agreement([1], [1], within=-1), "within must be 0 or more; got -1."),
        (
            lambda: percent_agreement(["a"], ["a"], within=1),
            "within must be 0 for categories, which have no distance; got 1.",
        ),
        (
            lambda: percent_agreement([1, 2], [1, "x"]),
            "a and b must be all numbers or all categories; got 'x' among numbers.",
        ),
    ],
)
def test_wrong_arguments_are_named(call, message):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value) == message
