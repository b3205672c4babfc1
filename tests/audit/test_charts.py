import math

import pytest
from rungwise.audit.charts import (
    ONE_SIDE,
    RUN_QUARTERS,
    limit_signals,
    run_signals,
)

NAN = math.nan


def test_a_shift_needs_twelve_quarters_and_six_on_one_side():
    low, high = [0.4, 0.5, 0.3, 0.5, 0.4, 0.3], [0.7, 0.8, 0.7, 0.8, 0.7, 0.8]
    assert RUN_QUARTERS == 12
    assert run_signals([*low, *high]) == {
        5: "6 in a row below the median", 11: "6 in a row above the median",
    }  # fmt: skip
    assert run_signals([*low, *high[:5]]) == {}
    mixed = [*low[:5], 0.9, 0.2, *high[:5]]
    assert run_signals(mixed) == {}
    # A value on the median neither breaks a run nor belongs to it.
    assert run_signals([*low[:3], 0.6, *low[3:], *high]) == {
        6: "6 in a row below the median", 12: "6 in a row above the median",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("values", "found"),
    [
        ([5, 4, 3, 2, 1], {4: "5 in a row falling"}),
        ([1, 2, 3, 4], {}),
        ([1, 2, 2, NAN, 3, 4, 5, 1], {6: "5 in a row rising"}),
        ([1, 2, 3, 2, 4, 5], {}),
    ],
)
def test_a_trend_is_five_in_a_row(values, found):
    assert run_signals([float(value) for value in values]) == found


def test_eight_on_one_side_of_the_center_are_a_signal():
    limits = [0.0] * 10, [1.0] * 10
    values = [0.4, *[0.6] * ONE_SIDE, NAN]
    assert limit_signals(values, 0.5, *limits) == {ONE_SIDE: f"{ONE_SIDE} in a row above the center"}
    assert limit_signals([0.4, *[0.6] * (ONE_SIDE - 1), 0.4], 0.5, *limits) == {}
