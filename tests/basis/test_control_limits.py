import math

import numpy as np
import pytest
from rungwise.basis.control_limits import D2, D4, share_limits, value_limits
from scipy import integrate, stats


def test_factors_are_moments_of_the_range_of_two():
    density = stats.norm(scale=math.sqrt(2))
    mean = integrate.quad(lambda r: 2 * r * density.pdf(r), 0, np.inf)[0]
    square = integrate.quad(lambda r: 2 * r**2 * density.pdf(r), 0, np.inf)[0]
    assert pytest.approx(mean) == D2
    assert pytest.approx(1 + 3 * math.sqrt(square - mean**2) / mean) == D4
    assert pytest.approx(3.266532, abs=5e-7) == D4


def test_share_limits_point_by_point():
    counts, n = np.array([2, 9, 1, 5]), np.array([10, 12, 10, 40])
    limits = share_limits(counts, n)
    center = 17 / 72
    for x, size, low, high, outside in zip(counts, n, limits.low, limits.high, limits.outside, strict=True):
        reach = 3 * math.sqrt(center * (1 - center) / size)
        assert (low, high) == pytest.approx((max(0, center - reach), min(1, center + reach)))
        assert outside == (not low <= x / size <= high)
    assert limits.outside.tolist() == [False, True, False, False]
    assert limits.cautions


def test_excluded_points_move_the_center_and_are_still_judged():
    limits = share_limits([12, 15, 8, 40], 50, exclude=[False, False, False, True])
    assert limits.center == pytest.approx(35 / 150)
    assert limits.outside.tolist() == [False, False, False, True]


def test_limits_stay_within_0_and_1():
    limits = share_limits([0, 1, 0], 5)
    assert (limits.low == 0).all()
    assert (limits.high <= 1).all()
    none = share_limits([0, 0, 0], 5)
    assert none.center == 0
    assert not none.outside.any()


def test_spread_of_values_comes_from_neighbors():
    rng = np.random.default_rng(1)
    x = rng.normal(10, 2, 20_000)
    limits = value_limits(x)
    assert (limits.high[0] - limits.center) / 3 == pytest.approx(2, rel=0.02)
    assert limits.outside.mean() == pytest.approx(0.0027, abs=0.0012)
    # A drift far beyond chance does not widen the limits.
    drifting = value_limits(np.arange(50) + rng.normal(0, 1, 50))
    assert drifting.outside.sum() > 20


def test_missing_and_excluded_values():
    limits = value_limits([5, np.nan, 7, 30, 6], exclude=[False, False, False, True, False])
    assert limits.center == 6
    assert limits.range_high == pytest.approx(D4 * 1.5)
    assert limits.outside.tolist() == [False, False, False, True, False]
    single = value_limits([5.0])
    assert math.isnan(single.low[0])
    assert single.cautions == ("One value has no neighbor, so no limits can be given.",)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: share_limits([5], 4), "counts must lie between 0 and n; got 5."),
        (lambda: share_limits([0], 0), "n must be at least 1; got 0."),
        (lambda: share_limits([1], 2, exclude=[True]), "exclude must leave at least one point."),
        (lambda: value_limits([1, 2], exclude=[True]), "exclude must be one entry per point (2); got 1."),
        (
            lambda: value_limits([np.nan]),
            "values must have at least one point that is neither missing nor excluded.",
        ),
    ],
)
def test_wrong_arguments_are_named(call, message):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value) == message
