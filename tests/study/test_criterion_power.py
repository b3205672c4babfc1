"""Power of the test of a changing criterion, against the test itself and against what must hold."""

from dataclasses import replace

import numpy as np
import pytest
from rungwise.basis.errors import NotEnoughData
from rungwise.study import criterion_power as cp
from rungwise.study.changing_criterion import ChangingCriterion, combined_criterion_test
from rungwise.study.scenario import Scenario

DESIGN = ChangingCriterion(14, (6, 4, 2), 3, "random")
HARD = Scenario(missed=0.3, dropout=0.1, decline_at=7.5, phi=0.3)


def test_power_is_the_share_of_tests_that_reach_the_level(monkeypatch):
    """Every simulated study, tested again by the public test."""
    seen = []
    real = cp._ratings

    def kept(design, drawn, *rest):
        values = real(design, drawn, *rest)
        seen.append((values, drawn))
        return values

    monkeypatch.setattr(cp, "_ratings", kept)
    result = cp.criterion_power(DESIGN, 2, HARD, rng=np.random.default_rng(3), replications=120)
    reached = untestable = 0
    for row in range(120):
        try:
            test = combined_criterion_test(
                [values[row] for values, _ in seen], [drawn[row] for _, drawn in seen], design=DESIGN
            )
        except NotEnoughData:
            untestable += 1
            continue
        reached += test.p_value <= 0.05
    assert result.power == reached / 120
    assert result.not_testable == untestable / 120
    assert 0 < untestable < 100
    assert 0 < reached < 60


def test_without_following_the_test_keeps_its_level_whatever_trend_and_autocorrelation():
    scenario = Scenario(baseline_slope=-0.3, phi=0.6, missed=0.1)
    result = cp.criterion_power(
        DESIGN, 3, scenario, rng=np.random.default_rng(5), follow=0, replications=1_500
    )
    assert result.power <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 1_500)


LONGER = ChangingCriterion(24, (6, 4, 2), 4, "random")


@pytest.mark.parametrize(
    ("change", "least_loss"),
    [
        ({"missed": 0.4}, 0.15),
        ({"dropout": 0.1}, 0.4),
        ({"decline_at": 4.0}, 0.3),
        ({"phi": 0.7}, 0.05),
        ({"baseline_slope": -0.3}, 0.3),
        ({"sd": 2.5}, 0.25),
    ],
)
def test_each_thing_supposed_acts(change, least_loss):
    plain = Scenario(phi=0.0, start=8.0)
    before, after = (
        cp.criterion_power(LONGER, 2, scenario, rng=np.random.default_rng(2), replications=800).power
        for scenario in (plain, replace(plain, **change))
    )
    assert before - after > least_loss


def test_more_children_and_closer_following_give_more_power():
    def share(cases, follow):
        return cp.criterion_power(
            LONGER, cases, Scenario(), rng=np.random.default_rng(4), follow=follow, replications=600
        ).power

    assert share(1, 1.0) + 0.2 < share(2, 1.0) < share(3, 1.0) - 0.1
    assert share(3, 0.5) + 0.1 < share(3, 0.75) < share(3, 1.0) - 0.2


def test_where_combinations_are_drawn_power_is_about_the_same(monkeypatch):
    def result():
        return cp.criterion_power(LONGER, 2, Scenario(), rng=np.random.default_rng(6), replications=600)

    counted = result()
    monkeypatch.setattr(cp, "MOST_COMBINED", 1)
    drawn = result()
    assert (counted.counted, drawn.counted) == (counted.assignments, 999)
    assert abs(counted.power - drawn.power) < 0.06


def test_the_curve_has_a_row_for_each_and_says_what_does_not_fit():
    curve = cp.criterion_power_curve((6, 4, 2), 4, (1, 2), (12, 20), Scenario(), seed=1, replications=50)
    assert curve["children"].tolist() == [1, 1, 2, 2]
    assert curve["power"].isna().tolist() == [True, False, True, False]
    assert curve["reason"][0]
    alone = cp.criterion_power_curve((6, 4, 2), 4, (2,), (20,), Scenario(), seed=1, replications=50)
    assert alone["power"][0] == curve["power"][3]


def test_wrong_arguments_say_what_is_allowed():
    for changes, told in (
        ({"follow": 1.2}, "follow must be a share"),
        ({"replications": 0}, "replications must be 1 or more"),
        ({"cases": 0}, "cases must be 1 or more"),
        ({"alpha": 1.5}, "alpha"),
    ):
        call = {"cases": 2, "follow": 1.0} | changes
        with pytest.raises(ValueError, match=told):
            cp.criterion_power(DESIGN, call.pop("cases"), Scenario(), rng=np.random.default_rng(1), **call)
