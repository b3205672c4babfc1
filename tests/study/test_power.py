"""Power against what must hold whatever the scenario."""

from dataclasses import replace

import numpy as np
import pytest
from rungwise.single_case.designs import Alternating, RandomStart
from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.study import power as pw
from rungwise.study import simulated_designs
from rungwise.study.plan import staggered_windows
from rungwise.study.scenario import Scenario

SHUFFLED = StaggeredStarts(((4, 5), (7, 8), (10, 11)), True, "random")


@pytest.mark.parametrize("statistic", pw.STATISTICS)
def test_without_an_effect_the_test_keeps_its_level_whatever_trend_and_autocorrelation(statistic):
    scenario = Scenario(phi=0.6, baseline_slope=-0.1).without_effect()
    result = pw.power(
        SHUFFLED, 14, scenario, rng=np.random.default_rng(5), statistic=statistic,
        alpha=0.10, replications=4000,
    )  # fmt: skip
    assert result.power <= 0.10 + 3 * (0.1 * 0.9 / 4000) ** 0.5
    assert result.power > 0.05


def test_where_assignments_are_drawn_power_is_about_the_same():
    design = SHUFFLED
    settings = {"scenario": Scenario(level_change=-1.2), "alpha": 0.1, "replications": 3000}
    exact = pw.power(design, 14, rng=np.random.default_rng(1), **settings)
    real, simulated_designs.MOST_LISTED = simulated_designs.MOST_LISTED, 10
    try:
        drawn = pw.power(design, 14, rng=np.random.default_rng(1), draws=1999, **settings)
    finally:
        simulated_designs.MOST_LISTED = real
    assert (exact.counted, drawn.counted) == (48, 1999)
    assert drawn.power == pytest.approx(exact.power, abs=0.05)


def test_a_p_counted_from_draws_is_never_below_one_in_draws_and_one(monkeypatch):
    monkeypatch.setattr(simulated_designs, "MOST_LISTED", 10)
    strong = Scenario(level_change=-6, sd=0.3, sd_start=0, sd_change=0)
    design = StaggeredStarts(staggered_windows(4, 24), True, "random")

    def share(draws):
        return pw.power(
            design, 24, strong, rng=np.random.default_rng(1), replications=300, draws=draws
        ).power

    assert share(18) == 0
    assert share(99) > 0.9


def test_more_children_longer_series_and_larger_effects_give_more_power():
    def make(m, n):
        return StaggeredStarts(staggered_windows(m, n, width=2, fewest_per_phase=4), True, "random")

    scenario = Scenario(level_change=-0.9, sd_change=0)
    curve = pw.power_curve(make, (3, 5), (18, 30), scenario, seed=1, replications=1200)
    power = curve.set_index(["children", "occasions"])["power"]
    assert power[5, 18] > power[3, 18] + 0.1
    assert power[5, 30] > power[5, 18]
    assert (curve["monte_carlo_error"] < 0.0145).all()


@pytest.mark.parametrize(
    ("change", "least_loss", "untestable"),
    [
        ({"phi": 0.6}, 0.05, 0.0),
        ({"baseline_slope": -0.45}, 0.03, 0.0),
        ({"missed": 0.35}, 0.1, 0.01),
        ({"dropout": 0.03}, 0.1, 0.3),
        ({"decline_at": 6.5}, 0.05, 0.0),
    ],
)
def test_autocorrelation_trend_declines_dropout_and_missed_probes_each_cost_power(
    change, least_loss, untestable
):
    """Each thing supposed about the children acts in the curves, alone and in the direction it must."""

    def make(m, n):
        return StaggeredStarts(staggered_windows(m, n), True, "random")

    plain = Scenario(level_change=-1.2, phi=0.0, sd=1.3)
    curves = [
        pw.power_curve(make, (3,), (24,), scenario, seed=1, replications=1_200, statistic="tau")
        for scenario in (plain, replace(plain, **change))
    ]
    (before,), (after,) = (curve["power"] for curve in curves)
    assert before - after > least_loss
    assert curves[0]["not_testable"][0] == 0
    assert (curves[1]["not_testable"][0] > untestable) == (untestable > 0)


def test_a_combination_that_does_not_fit_is_left_blank_with_the_reason():
    def make(m, n):
        return StaggeredStarts(staggered_windows(m, n), True, "random")

    curve = pw.power_curve(make, (3,), (12, 24), Scenario(), seed=1, replications=50)
    assert np.isnan(curve["power"][0])
    assert "must leave room for 3 windows of 3" in curve["reason"][0]
    assert curve["power"][1] > 0


def test_a_row_of_the_curve_does_not_change_when_others_are_added():
    def make(m, n):
        return StaggeredStarts(staggered_windows(m, n), True, "random")

    scenario = Scenario(level_change=-1.3)
    few = pw.power_curve(make, (3, 4), (24, 28), scenario, seed=9, replications=900)
    many = pw.power_curve(make, (2, 3, 4), (20, 24, 28), scenario, seed=9, replications=900)
    chosen = many[many["children"].isin((3, 4)) & many["occasions"].isin((24, 28))]
    assert chosen["power"].tolist() == few["power"].tolist()


def test_declines_and_missed_probes_are_ranked_and_left_out_not_dropped():
    never = Scenario(dropout=0.9)
    result = pw.power(
        [RandomStart(4, 12, "random")], 14, never, rng=np.random.default_rng(2), replications=300
    )
    assert result.not_testable > 0.8
    assert result.power == 0


def test_the_smallest_p_is_stated_and_nothing_beats_it():
    design = StaggeredStarts(((5,), (8,), (11,)), True, "random")
    result = pw.power(
        design, 16, Scenario(level_change=-6, sd=0.5), rng=np.random.default_rng(1), replications=200
    )
    assert result.smallest_p == pytest.approx(1 / 6)
    assert result.power == 0


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"statistic": "nap"}, "statistic must be one of"),
        ({"alpha": 1.2}, "alpha must be a number between 0 and 1"),
        ({"replications": 0}, "replications must be 1 or more"),
        ({"design": Alternating(14, "random")}, "exposure starts once"),
        ({"occasions": 9}, r"reach the latest start \(11\); got 9"),
    ],
)
def test_what_cannot_be_is_refused(changes, told):
    call = {"design": SHUFFLED, "occasions": 14, "scenario": Scenario()} | changes
    with pytest.raises(ValueError, match=told):
        pw.power(rng=np.random.default_rng(1), **call)
