"""Exact funnel limits against a count by hand and against what limits have to be."""

import re
from fractions import Fraction
from math import comb

import numpy as np
import pytest
from rungwise.basis.funnel_limits import funnel_limits


def by_hand(n, center, p):
    """Limit in exact fractions: first count whose cumulative probability reaches p, less the overshoot."""
    theta, below = Fraction(center), Fraction(0)
    for r in range(n + 1):
        at = comb(n, r) * theta**r * (1 - theta) ** (n - r)
        if below + at >= Fraction(p):
            return float((r - (below + at - Fraction(p)) / at) / n)
        below += at
    return 1.0


@pytest.mark.parametrize(("n", "center"), [(30, "0.6"), (41, "0.9"), (200, "0.05")])
def test_limits_are_those_counted_in_fractions(n, center):
    limits = funnel_limits(n, float(center))
    found = [limits.inner_low, limits.inner_high, limits.outer_low, limits.outer_high]
    wanted = [by_hand(n, center, p) for p in ("0.025", "0.975", "0.001", "0.999")]
    assert np.concatenate(found).tolist() == pytest.approx([max(w, 0) for w in wanted], abs=1e-12)


def test_the_funnel_narrows_and_holds_its_center():
    limits = funnel_limits(np.arange(30, 400), 0.63)
    for low, high in ((limits.inner_low, limits.inner_high), (limits.outer_low, limits.outer_high)):
        assert (np.diff(high - low) < 0).mean() > 0.95
        assert ((low < 0.63) & (high > 0.63)).all()
    assert (limits.outer_low < limits.inner_low).all()
    assert (limits.outer_high > limits.inner_high).all()


def test_a_center_at_the_end_of_the_scale_leaves_no_room():
    assert funnel_limits(40, 1.0).inner_high.tolist() == [1.0]
    assert funnel_limits(40, 0.0).outer_low.tolist() == [0.0]


@pytest.mark.parametrize(
    ("n", "center", "message"),
    [
        ([30, 0], 0.5, "n must be at least 1; got 0."),
        (30, 1.2, "center must be a number from 0 to 1; got 1.2."),
        (30, float("nan"), "center must be a number from 0 to 1; got nan."),
    ],
)
def test_a_wrong_call_says_what_is_allowed(n, center, message):
    with pytest.raises(ValueError, match=re.escape(message)):
        funnel_limits(n, center)
