"""Simulated tests against the public test, replication by replication, and against slow twins."""

import numpy as np
import pytest
from rungwise.single_case.designs import RandomStart
from rungwise.single_case.randomization import STATISTICS, randomization_test
from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.study import simulated_designs, simulated_tests
from rungwise.study.scenario import Scenario
from rungwise.study.simulated_designs import Setting
from rungwise.study.simulated_tests import reaching

HARD = Scenario(decline_at=8.5, missed=0.1, dropout=0.02, baseline_slope=-0.05, level_change=-1.5)
DESIGNS = {
    "shuffled": StaggeredStarts(((4, 5), (7, 8), (10, 11)), True, "random"),
    "in windows": StaggeredStarts(((4, 5, 6), (8, 9), (11,)), False, "random"),
    "random starts": [RandomStart(4, 9, "random"), RandomStart(5, 11, "random")],
}


def p_values(setting, scenario, replications, rng, statistic, alternative):
    """p of every replication, none of them spared."""
    cases = simulated_tests._simulate(setting, scenario, replications, rng, statistic)
    return simulated_tests._p_of(setting, cases, np.arange(replications), alternative)


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


LEVELS = (0.01, 0.05, 0.125, 0.5, 1.0)
SCENARIOS = {
    "complete": Scenario(level_change=-1.0),
    "gaps": HARD,
    "ratings from 100 on": Scenario(
        floor=100, ceiling=104, start=103, sd=1.0, level_change=-0.5, missed=0.05
    ),
    "nearly all alike": Scenario(floor=0, ceiling=1, start=0.8, level_change=-0.4, sd=0.4, missed=0.02),
    "up to 127": Scenario(ceiling=127, start=118, sd=6, level_change=-5, decline_at=125, missed=0.05),
}


@pytest.mark.parametrize("statistic", STATISTICS)
@pytest.mark.parametrize("alternative", ["improvement", "worsening", "two-sided"])
@pytest.mark.parametrize("name", SCENARIOS)
@pytest.mark.parametrize("most_listed", [1_000_000, 5])
def test_who_reaches_a_level_is_who_has_such_a_p(monkeypatch, statistic, alternative, name, most_listed):
    monkeypatch.setattr(simulated_designs, "MOST_LISTED", most_listed)
    for design in (*DESIGNS.values(), [RandomStart(4, 9, "random")]):
        runs = []
        for alpha in (None, *LEVELS):
            rng = np.random.default_rng(7)
            setting = Setting.of(design, 14, rng, 39)
            run = (setting, SCENARIOS[name], 400, rng, statistic, alternative)
            runs.append(p_values(*run) if alpha is None else reaching(*run, alpha))
        p = runs[0]
        assert np.isfinite(p).any()
        for alpha, (reached, without) in zip(LEVELS, runs[1:], strict=True):
            assert without.tolist() == np.isnan(p).tolist()
            assert reached.tolist() == (p <= alpha * (1 + simulated_tests.TIE)).tolist()


def test_few_replications_are_in_doubt(monkeypatch):
    """Otherwise rounding the terms would spare nothing."""
    exact = []
    real = simulated_tests._p_of

    def watch(setting, cases, *others):
        exact.append(len(others[0]))
        return real(setting, cases, *others)

    monkeypatch.setattr(simulated_tests, "_p_of", watch)
    rng = np.random.default_rng(3)
    setting = Setting.of(DESIGNS["shuffled"], 14, rng, 99)
    for statistic in STATISTICS:
        reaching(setting, Scenario(level_change=-1.0), 4_000, rng, statistic, "improvement", 0.1)
    assert 0 < sum(exact) < 0.2 * 12_000


@pytest.mark.parametrize("sides", [1, 2])
@pytest.mark.parametrize("extra", [0, 1])
def test_the_largest_count_a_level_allows(sides, extra):
    for total in (1, 6, 20, 48, 1000):
        for alpha in (1e-6, 0.01, 0.05, 1 / 20, 1 / 6, 0.5, 0.999, 1.0):
            counts = np.arange(1 - extra, total - extra + 1)
            p = np.minimum(1.0, sides * ((counts + extra) / total))
            allowed = counts[p <= alpha * (1 + simulated_tests.TIE)]
            most = simulated_tests._most_allowed(total, extra, alpha, sides)
            if len(allowed):
                assert most == allowed.max()
            else:
                assert most < counts.min()
