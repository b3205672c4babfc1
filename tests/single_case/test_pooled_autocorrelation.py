"""Autocorrelation pooled over a caseload: its expectation exactly, its bias and coverage by simulation."""

import math

import numpy as np
import pytest
from rungwise.series.batch import SeriesBatch
from rungwise.series.caseload import read_caseload
from rungwise.series.phase_series import PhaseSeries
from rungwise.simulate.ratings import simulate_ratings
from rungwise.single_case import pooled_autocorrelation as module
from rungwise.single_case.pooled_autocorrelation import caseload_autocorrelation, pooled_autocorrelation
from statsmodels.regression.linear_model import OLS

SETTINGS = {"children": 30, "phases": {(3, 8): 0.06, (5, 10): 0.04, (8, 20): 0.03}}


def simulated(rng, phi, lengths, **options):
    return simulate_ratings(rng, SETTINGS["children"], *lengths, phi=phi, **options).batch()


@pytest.mark.parametrize("phi", [0.0, 0.2, 0.4, 0.6])
@pytest.mark.parametrize("lengths", SETTINGS["phases"])
def test_short_series_of_whole_ratings_give_the_true_value_on_average(lengths, phi):
    rng = np.random.default_rng(20)
    found = [pooled_autocorrelation(simulated(rng, phi, lengths, level_change=-1.5)) for _ in range(60)]
    values = np.array([one.value for one in found])
    error = values.std() / math.sqrt(len(values))
    assert abs(values.mean() - phi) < SETTINGS["phases"][lengths] + 2 * error
    covered = np.mean([one.ci_low <= phi <= one.ci_high for one in found])
    assert covered >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / 60)


def test_left_alone_the_plain_lag_1_is_far_too_low():
    """What is corrected is no trifle: around its own line a phase of eight looks negative at 0."""
    values = simulated(np.random.default_rng(1), 0.0, (8, 8)).values[:, :8]
    design = np.column_stack([np.ones(8), np.arange(8)])
    left = np.array([OLS(row, design).fit().resid for row in values])
    plain = (left[:, 1:] * left[:, :-1]).sum() / (left**2).sum()
    assert plain < -0.15


@pytest.mark.parametrize("phi", [-0.4, 0.0, 0.3, 0.7])
@pytest.mark.parametrize("places", [(0, 1, 2, 3, 4), (0, 1, 3, 4, 5, 9, 10)])
def test_the_expected_ratio_is_that_of_many_simulated_phases(places, phi):
    rng = np.random.default_rng(3)
    lags = np.abs(np.subtract.outer(places, places))
    noise = rng.multivariate_normal(np.zeros(len(places)), float(phi) ** lags, 200_000, method="cholesky")
    at = np.array(places, dtype=float)
    design = np.column_stack([np.ones_like(at), at])
    left = noise - noise @ design @ np.linalg.inv(design.T @ design) @ design.T
    close = np.diff(places) == 1
    product = (left[:, 1:] * left[:, :-1])[:, close].sum(axis=1).mean()
    assert module._ratio(places, phi) == pytest.approx(product / (left**2).sum(axis=1).mean(), abs=0.01)


def test_rounding_is_taken_off_and_the_step_of_the_scale_makes_no_difference():
    batch = simulated(np.random.default_rng(4), 0.6, (8, 20), sd=0.7)
    tens = SeriesBatch.from_arrays(batch.values * 10, 8, floor=0, ceiling=100)
    ours = pooled_autocorrelation(batch)
    assert pooled_autocorrelation(tens).value == pytest.approx(ours.value, rel=1e-9)
    tenths = SeriesBatch.from_arrays(batch.values + 0.05, 8)
    assert ours.value > pooled_autocorrelation(tenths).value + 0.02


def test_series_of_one_child_stand_together_in_the_interval():
    batch = simulated(np.random.default_rng(5), 0.3, (6, 12))
    apart = pooled_autocorrelation(batch)
    together = pooled_autocorrelation(batch, [i // 3 for i in range(30)])
    assert together.value == apart.value
    assert (apart.counts["children"], together.counts["children"]) == (30, 10)
    assert (together.ci_low, together.ci_high) != (apart.ci_low, apart.ci_high)
    with pytest.raises(ValueError, match=r"children must be one per series \(30\); got 2\."):
        pooled_autocorrelation(batch, ["a", "b"])


def test_gaps_declines_and_several_ratings_a_day():
    plain = PhaseSeries.from_phases([7, 8, 7, 6, 8, 7], [6, 5, 6, 4, 3, 4], times=[*range(12)])
    doubled = PhaseSeries.from_phases(
        [7, 3, 8, 7, 6, 8, 7], [6, 5, 6, 4, 3, 4], times=[0, 0, *range(1, 12)]
    )
    first, second = (pooled_autocorrelation(SeriesBatch.of(one)) for one in (plain, doubled))
    assert (first.value, first.counts["pairs"]) == (second.value, second.counts["pairs"] == 10 and 10)
    gap = PhaseSeries.from_phases([7, 8, None, 6, 8, 7], [6, 5, 6, 4, 3, 4], times=[*range(12)])
    assert pooled_autocorrelation(SeriesBatch.of(gap)).counts["pairs"] == 8


def test_nothing_to_say_and_few_children_are_said():
    constant = SeriesBatch.of(PhaseSeries.from_phases([5] * 6, [5] * 8))
    nothing = pooled_autocorrelation(constant)
    assert math.isnan(nothing.value)
    assert module.NO_PHASE in nothing.cautions
    alone = pooled_autocorrelation(SeriesBatch.of(PhaseSeries.from_phases([7, 8, 6, 8, 7, 6], [5, 4])))
    assert math.isnan(alone.ci_low)
    assert module.FEW_CHILDREN in alone.cautions
    assert module.NOT_ONE_CHILD in alone.cautions


def test_a_caseload_is_pooled_over_its_children(tmp_path):
    rng = np.random.default_rng(6)
    lines = ["child,occasion,phase,rating"]
    simulated_rows = simulate_ratings(rng, 12, 8, 16, phi=0.4).values
    for child, values in enumerate(simulated_rows):
        for day, rating in enumerate(values.tolist()):
            lines.append(f"C{child:02d},{day + 1},{'baseline' if day < 8 else 'exposure'},{rating}")
    (tmp_path / "ratings.csv").write_text("\n".join(lines).replace("child,", "child_id,"), "utf-8")
    pooled = caseload_autocorrelation(read_caseload(tmp_path / "ratings.csv"))
    direct = pooled_autocorrelation(SeriesBatch.from_arrays(simulated_rows, 8))
    assert pooled.counts["children"] == 12
    assert pooled.value == pytest.approx(direct.value, abs=1e-9)


def test_an_estimate_past_what_is_looked_for_has_all_beyond_in_its_interval():
    """Ratings that alternate exactly lie below -0.9: what is not looked at is not rejected."""
    rows = ([5, 6] * 4, [4, 3] * 5), ([5, 6] * 4, [4, 2] * 5), ([5, 7] * 4, [4, 3] * 5)
    pooled = pooled_autocorrelation(SeriesBatch.of(*(PhaseSeries.from_phases(*row) for row in rows)))
    assert module.AT_LIMIT in pooled.cautions
    assert (pooled.ci_low, pooled.value) == (-1.0, module.LIMITS[0])
    assert pooled.ci_high == pytest.approx(module.LIMITS[0], abs=1e-6)
