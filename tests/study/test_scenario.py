"""Scenarios: the children they make, and what they refuse."""

import numpy as np
import pytest
from rungwise.simulate.ratings import CHUNK
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


@pytest.mark.parametrize(
    "scenario",
    [
        Scenario(phi=0.3, sd_start=0, sd_change=0, slope_change=-0.1),
        Scenario(phi=0.3, decline_at=8.5, missed=0.1, dropout=0.05, baseline_slope=-0.05),
    ],
)
def test_groups_with_different_starts_are_what_they_would_have_been_one_after_another(scenario):
    groups = [(5, 40), (3, CHUNK + 9), (12, 1), (11, 300), (0, 20), (4, CHUNK - 1)]
    rng, again = np.random.default_rng(4), np.random.default_rng(4)
    together = scenario.simulate_starts(rng, groups, 12)
    first = 0
    for n_baseline, size in groups:
        alone = scenario.simulate(again, size, n_baseline, 12 - n_baseline)
        part = together.some(slice(first, first + size))
        for name in ("underlying", "declined", "missed", "values"):
            assert np.array_equal(getattr(part, name), getattr(alone, name), equal_nan=name == "values")
        if n_baseline:
            assert part.series(0).phases.tolist() == alone.series(0).phases.tolist()
        first += size
    assert rng.random() == again.random()
    # Cases of the first, second and fourth group.
    few = together.some(np.array([0, 41, CHUNK + 51]))
    batch = few.batch()
    assert (batch.n_a + batch.n_b + batch.n_missing).tolist() == [12] * 3
    for row, n_baseline in enumerate((5, 3, 11)):
        assert few.series(row).phases.tolist() == ["baseline"] * n_baseline + ["exposure"] * (
            12 - n_baseline
        )
        assert batch.n_a[row] == np.sum(~few.missed[row, :n_baseline])
