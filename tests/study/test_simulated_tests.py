"""Simulated tests against the public test, replication by replication, and against slow twins."""

import numpy as np
import pytest
from rungwise.single_case.designs import RandomStart
from rungwise.single_case.randomization import randomization_test
from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.study import simulated_tests
from rungwise.study.scenario import Scenario
from rungwise.study.simulated_tests import STATISTICS, Setting, p_values, terms_at_starts

HARD = Scenario(decline_at=8.5, missed=0.1, dropout=0.02, baseline_slope=-0.05, level_change=-1.5)
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


@pytest.mark.parametrize("statistic", STATISTICS)
@pytest.mark.parametrize("alternative", ["improvement", "worsening", "two-sided"])
@pytest.mark.parametrize("name", DESIGNS)
def test_p_is_that_of_the_test_the_study_will_use(monkeypatch, name, statistic, alternative):
    design = DESIGNS[name]
    kept = []
    real = simulated_tests.terms_at_starts

    def keep(simulated, starts, how):
        kept.append(simulated)
        return real(simulated, starts, how)

    monkeypatch.setattr(simulated_tests, "terms_at_starts", keep)
    scenario = Scenario(decline_at=8.5, missed=0.05, level_change=-1.0)
    compared = 0
    for seed in range(12):
        kept.clear()
        rng = np.random.default_rng(seed)
        setting = Setting.of(design, 14, rng, 99)
        (p,) = p_values(setting, scenario, 1, rng, statistic, alternative)
        if not np.isnan(p):
            assert p == pytest.approx(by_the_test(design, kept, statistic, alternative)[0], abs=1e-12)
            compared += 1
    assert compared > 5


def test_terms_of_series_with_gaps_equal_a_slow_twin():
    rng = np.random.default_rng(3)
    simulated = HARD.simulate(rng, 60, 6, 9)
    starts = np.array([4, 7, 10])
    for statistic in STATISTICS:
        fast = terms_at_starts(simulated, starts, statistic)
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
    setting = Setting.of(design, 15, rng, 99)
    terms = [rng.integers(-9, 10, (len(one), 40)).astype(float) for one in setting.open_to]
    sums = np.array(
        [sum(one[place] for one, place in zip(terms, row, strict=True)) for row in setting.listed.tolist()]
    )
    bound = rng.integers(-9, 10, 40).astype(float)
    assert setting.at_least(bound, terms).tolist() == (sums >= bound).sum(axis=0).tolist()
    assert len(setting.listed) == setting.total


def test_unequal_windows_do_not_take_unbounded_memory():
    design = [RandomStart(2, 2, "random"), *[RandomStart(2, 900, "random")] * 2]
    setting = Setting.of(design, 900, np.random.default_rng(1), 99)
    assert setting.together * 899**2 <= max(simulated_tests._MOST_SUMS, 899**2)
