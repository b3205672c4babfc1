"""The statistic of simulated series under every start, against slow twins."""

import numpy as np
import pytest
from rungwise.simulate.ratings import simulate_ratings
from rungwise.single_case.randomization import STATISTICS
from rungwise.study import simulated_terms
from rungwise.study.scenario import Scenario
from rungwise.study.simulated_terms import terms_at_starts

HARD = Scenario(decline_at=8.5, missed=0.1, dropout=0.02, baseline_slope=-0.05, level_change=-1.5)


def test_terms_of_series_with_gaps_equal_a_slow_twin():
    rng = np.random.default_rng(3)
    simulated = HARD.simulate(rng, 60, 6, 9)
    starts = np.array([4, 7, 10])
    for statistic in STATISTICS:
        fast = terms_at_starts(simulated, starts, statistic).divided()
        for row in range(60):
            declined = np.inf if statistic == "tau" else np.nan
            values = np.where(simulated.declined[row], declined, simulated.values[row].astype(float))
            for place, start in enumerate(starts):
                before, after = values[: start - 1], values[start - 1 :]
                before, after = before[~np.isnan(before)], after[~np.isnan(after)]
                if not len(before) or not len(after):
                    assert np.isnan(fast[place, row])
                    continue
                if statistic == "tau":
                    slow = np.mean([[(b < a) * 1.0 - (b > a) * 1.0 for b in after] for a in before])
                elif statistic == "mean_difference":
                    slow = before.mean() - after.mean()
                else:
                    slow = before[-3:].mean() - after[:3].mean()
                assert fast[place, row] == pytest.approx(slow, abs=1e-12)


@pytest.mark.parametrize("occasions", [20, 127, 128, 300])
@pytest.mark.parametrize("ceiling", [4, 20, 127])
@pytest.mark.parametrize("gaps", [{}, {"decline_at": 3.0, "missed": 0.1}])
def test_merits_by_levels_by_pairs_and_one_by_one_are_the_same(monkeypatch, occasions, ceiling, gaps):
    rng = np.random.default_rng(6)
    simulated = simulate_ratings(
        rng, 5, 4, occasions - 4, start=ceiling / 2, sd=ceiling, ceiling=ceiling, **gaps
    )
    rank = np.where(simulated.declined, np.inf, simulated.values.astype(float))[:, :, None]
    # Missed occasions are NaN, neither above nor below.
    better = (rank < rank.swapaxes(1, 2)).astype(int) - (rank > rank.swapaxes(1, 2))
    slow = better.sum(axis=2).T
    arrays = simulated.underlying.T, simulated.declined.T, simulated.missed.T
    found = [simulated_terms._merits(*arrays)]
    by_pairs = simulated_terms._by_pairs
    by_levels = simulated_terms._by_levels
    monkeypatch.setattr(
        simulated_terms, "_by_levels", lambda ranked, low, top, kind: by_pairs(ranked, kind)
    )
    found.append(simulated_terms._merits(*arrays))
    monkeypatch.setattr(simulated_terms, "_by_levels", by_levels)
    monkeypatch.setattr(
        simulated_terms,
        "_by_pairs",
        lambda ranked, kind: by_levels(ranked, int(ranked.min()), int(ranked.max()), kind),
    )
    found.append(simulated_terms._merits(*arrays))
    for merits in found:
        assert merits.tolist() == slow.tolist()


def test_ratings_with_decimals_are_refused():
    decimals = simulate_ratings(np.random.default_rng(1), 3, 4, 6, whole=False)
    with pytest.raises(ValueError, match="simulated must hold whole ratings; got float64"):
        terms_at_starts(decimals, np.array([5]), "tau")
