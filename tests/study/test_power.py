"""Power against the test itself, replication by replication, and against what must hold."""

from dataclasses import replace

import numpy as np
import pytest
from rungwise.single_case.designs import Alternating, RandomStart
from rungwise.single_case.randomization import randomization_test
from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.study import power as pw
from rungwise.study.plan import staggered_windows

HARD = pw.Scenario(decline_at=8.5, missed=0.1, dropout=0.02, baseline_slope=-0.05, level_change=-1.5)
DESIGNS = {
    "shuffled": StaggeredStarts(((4, 5), (7, 8), (10, 11)), True, "random"),
    "in windows": StaggeredStarts(((4, 5, 6), (8, 9), (11,)), False, "random"),
    "random starts": [RandomStart(4, 9, "random"), RandomStart(5, 11, "random")],
}


def by_the_test(design, simulated, statistic, alternative):
    """p of every replication by the public test."""
    p = []
    for row in range(len(simulated[0])):
        series = [one.series(row) for one in simulated]
        test = randomization_test(
            series, design=design, statistic=statistic, alternative=alternative, interval=False
        )
        p.append(test.p_value)
    return p


@pytest.mark.parametrize("statistic", pw.STATISTICS)
@pytest.mark.parametrize("alternative", ["improvement", "worsening", "two-sided"])
@pytest.mark.parametrize("name", DESIGNS)
def test_p_is_that_of_the_test_the_study_will_use(monkeypatch, name, statistic, alternative):
    design = DESIGNS[name]
    kept = []
    real = pw.terms_at_starts

    def keep(simulated, starts, how):
        kept.append(simulated)
        return real(simulated, starts, how)

    monkeypatch.setattr(pw, "terms_at_starts", keep)
    scenario = pw.Scenario(decline_at=8.5, missed=0.05, level_change=-1.0)
    compared = 0
    for seed in range(12):
        kept.clear()
        rng = np.random.default_rng(seed)
        setting = pw._Setting.of(design, 14, rng, 99)
        (p,) = pw._p_values(setting, scenario, 1, rng, statistic, alternative)
        if not np.isnan(p):
            assert p == pytest.approx(by_the_test(design, kept, statistic, alternative)[0], abs=1e-12)
            compared += 1
    assert compared > 5


def test_terms_of_series_with_gaps_equal_a_slow_twin():
    rng = np.random.default_rng(3)
    simulated = HARD.simulate(rng, 60, 6, 9)
    starts = np.array([4, 7, 10])
    for statistic in pw.STATISTICS:
        fast = pw.terms_at_starts(simulated, starts, statistic)
        for row in range(60):
            values = np.where(simulated.declined[row], np.inf, simulated.values[row].astype(float))
            if statistic == "mean_difference":
                values = np.where(simulated.declined[row], np.nan, values)
            for place, start in enumerate(starts):
                before, after = values[: start - 1], values[start - 1 :]
                before, after = before[~np.isnan(before)], after[~np.isnan(after)]
                if not len(before) or not len(after):
                    assert np.isnan(fast[place, row])
                    continue
                if statistic == "tau":
                    slow = np.mean([[(b < a) * 1.0 - (b > a) * 1.0 for b in after] for a in before])
                else:
                    slow = before.mean() - after.mean()
                assert fast[place, row] == pytest.approx(slow, abs=1e-12)


@pytest.mark.parametrize("statistic", pw.STATISTICS)
def test_without_an_effect_the_test_keeps_its_level_whatever_trend_and_autocorrelation(statistic):
    scenario = pw.Scenario(phi=0.6, baseline_slope=-0.1).without_effect()
    result = pw.power(
        DESIGNS["shuffled"], 14, scenario, rng=np.random.default_rng(5), statistic=statistic,
        alpha=0.10, replications=4000,
    )  # fmt: skip
    assert result.power <= 0.10 + 3 * (0.1 * 0.9 / 4000) ** 0.5
    assert result.power > 0.05


def test_where_assignments_are_drawn_power_is_about_the_same():
    design = DESIGNS["shuffled"]
    settings = {"scenario": pw.Scenario(level_change=-1.2), "alpha": 0.1, "replications": 3000}
    exact = pw.power(design, 14, rng=np.random.default_rng(1), **settings)
    real, pw.MOST_LISTED = pw.MOST_LISTED, 10
    try:
        drawn = pw.power(design, 14, rng=np.random.default_rng(1), draws=1999, **settings)
    finally:
        pw.MOST_LISTED = real
    assert (exact.counted, drawn.counted) == (48, 1999)
    assert drawn.power == pytest.approx(exact.power, abs=0.05)


def test_a_p_counted_from_draws_is_never_below_one_in_draws_and_one(monkeypatch):
    monkeypatch.setattr(pw, "MOST_LISTED", 10)
    strong = pw.Scenario(level_change=-6, sd=0.3, sd_start=0, sd_change=0)
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

    scenario = pw.Scenario(level_change=-0.9, sd_change=0)
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

    plain = pw.Scenario(level_change=-1.2, phi=0.0, sd=1.3)
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

    curve = pw.power_curve(make, (3,), (12, 24), pw.Scenario(), seed=1, replications=50)
    assert np.isnan(curve["power"][0])
    assert "must leave room for 3 windows of 3" in curve["reason"][0]
    assert curve["power"][1] > 0


def test_a_row_of_the_curve_does_not_change_when_others_are_added():
    def make(m, n):
        return StaggeredStarts(staggered_windows(m, n), True, "random")

    scenario = pw.Scenario(level_change=-1.3)
    few = pw.power_curve(make, (3, 4), (24, 28), scenario, seed=9, replications=900)
    many = pw.power_curve(make, (2, 3, 4), (20, 24, 28), scenario, seed=9, replications=900)
    chosen = many[many["children"].isin((3, 4)) & many["occasions"].isin((24, 28))]
    assert chosen["power"].tolist() == few["power"].tolist()


def test_declines_and_missed_probes_are_ranked_and_left_out_not_dropped():
    never = pw.Scenario(dropout=0.9)
    result = pw.power(
        [RandomStart(4, 12, "random")], 14, never, rng=np.random.default_rng(2), replications=300
    )
    assert result.not_testable > 0.8
    assert result.power == 0


def test_the_smallest_p_is_stated_and_nothing_beats_it():
    design = StaggeredStarts(((5,), (8,), (11,)), True, "random")
    result = pw.power(
        design, 16, pw.Scenario(level_change=-6, sd=0.5), rng=np.random.default_rng(1), replications=200
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
    call = {"design": DESIGNS["shuffled"], "occasions": 14, "scenario": pw.Scenario()} | changes
    with pytest.raises(ValueError, match=told):
        pw.power(rng=np.random.default_rng(1), **call)


def test_scenarios_refuse_negative_spread():
    with pytest.raises(ValueError, match="sd_change must be 0 or more; got -1"):
        pw.Scenario(sd_change=-1)


@pytest.mark.parametrize(
    "design",
    [
        [RandomStart(4, 9, "random")],
        [RandomStart(4, 4, "random"), RandomStart(4, 12, "random"), RandomStart(3, 13, "random")],
        StaggeredStarts(((4,), (6,), (8,), (9,), (11,)), True, "random"),
        StaggeredStarts(((4, 6), (4, 5, 6), (5, 9)), True, "random"),
        StaggeredStarts(((4, 6), (4, 5, 6), (5, 9)), False, "random"),
    ],
)
def test_the_halves_hold_every_assignment_once(design):
    rng = np.random.default_rng(9)
    setting = pw._Setting.of(design, 15, rng, 99)
    terms = [rng.integers(-9, 10, (len(one), 40)).astype(float) for one in setting.open_to]
    sums = np.array(
        [sum(one[place] for one, place in zip(terms, row, strict=True)) for row in setting.listed.tolist()]
    )
    bound = rng.integers(-9, 10, 40).astype(float)
    assert setting.at_least(bound, terms).tolist() == (sums >= bound).sum(axis=0).tolist()
    assert len(setting.listed) == setting.total


def test_unequal_windows_do_not_take_unbounded_memory():
    design = [RandomStart(2, 2, "random"), *[RandomStart(2, 900, "random")] * 2]
    setting = pw._Setting.of(design, 900, np.random.default_rng(1), 99)
    assert setting.together * 899**2 <= max(pw._MOST_SUMS, 899**2)
