"""Scenarios: the children they make, and what they refuse."""

import numpy as np
import pytest
from rungwise.study.scenario import Scenario


def test_scenarios_refuse_negative_spread():
    with pytest.raises(ValueError, match="sd_change must be 0 or more; got -1"):
        Scenario(sd_change=-1)


def test_children_differ_by_the_spread_supposed_and_without_an_effect_in_nothing_but_the_start():
    supposed = Scenario(start=50, level_change=-20, sd=0.01, sd_start=3, sd_change=4, ceiling=100)

    def changes(scenario):
        values = scenario.simulate(np.random.default_rng(5), 4_000, 1, 1).values.astype(float)
        return values[:, 0], values[:, 1] - values[:, 0]

    start, change = changes(supposed)
    # Ratings are whole, which adds a variance of 1/12 to each.
    assert (start.mean(), start.std()) == (pytest.approx(50, abs=0.2), pytest.approx(3.01, abs=0.15))
    assert (change.mean(), change.std()) == (pytest.approx(-20, abs=0.3), pytest.approx(4.02, abs=0.2))
    start, change = changes(supposed.without_effect())
    assert start.std() == pytest.approx(3.01, abs=0.15)
    assert np.abs(change).max() <= 1
