"""Many results at once, and some of them."""

from __future__ import annotations

import numpy as np
from rungwise.basis.estimate import Estimates

MANY = Estimates(
    "tau", value=np.array([0.8, -0.2, 0.1]), n=np.array([9, 12, 7]), ci_low=np.array([0.5, -0.6, -0.4]),
    counts={"pairs": np.array([20, 35, 12])}, favors=np.array(["improvement", "worsening", "improvement"]),
    method="exact", cautions={"Short.": np.array([True, False, True])},
)  # fmt: skip


def test_taking_some_gives_the_same_entries_in_the_order_asked_for():
    some = MANY.take([2, 0])
    for ours, theirs in zip(some, (MANY[2], MANY[0]), strict=True):
        assert {**ours.as_row(), "p_value": 0, "ci_high": 0} == {
            **theirs.as_row(),
            "p_value": 0,
            "ci_high": 0,
        }
        assert ours.counts == theirs.counts
    assert len(MANY.take([])) == 0
