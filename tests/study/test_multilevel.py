"""The average change over children."""

import pickle

import numpy as np
import pytest
from rungwise.models.two_level import fit_two_level
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.study import multilevel as ml


def study(seed, m=6, effect=-2.0, differ=0.5, floor=None):
    rng = np.random.default_rng(seed)
    series = []
    for i in range(m):
        n_a = 5 + 2 * (i % 3)
        y = 7 + rng.normal() + rng.normal(size=20)
        y[n_a:] += effect + differ * rng.normal()
        times = np.cumsum(rng.integers(1, 4, 20)).astype(float)
        phases = ["baseline"] * n_a + ["exposure"] * (20 - n_a)
        series.append(PhaseSeries(y, phases, times, label=f"C{i}", floor=floor))
    return series


def test_it_is_the_two_level_fit_of_the_cases():
    series = study(1)
    result = ml.multilevel_change(SeriesBatch.of(*series))
    y = np.concatenate([one.values for one in series])
    x = np.column_stack([np.ones(len(y)), np.concatenate([one.phases == "exposure" for one in series])])
    times = np.concatenate([one.times for one in series])
    groups = np.repeat(np.arange(6), 20)
    fit = fit_two_level(
        y, x.astype(float), groups, random=x.astype(float), times=times, autocorrelation=True
    )
    value, error, df = fit.contrast([0, 1])
    assert result.change.value == pytest.approx(value, rel=1e-9)
    assert result.change.counts["standard_error"] == pytest.approx(error, rel=1e-6)
    assert result.change.counts["df"] == pytest.approx(df, rel=1e-4)
    assert result.change.ci_low < value < result.change.ci_high
    assert result.change.favors == "improvement"
    assert result.sd_between == pytest.approx(np.sqrt(fit.random_covariance[1, 1]), rel=1e-5)
    assert list(result.children) == [f"C{i}" for i in range(6)]
    assert result.slope is None
    assert ml.FEW_CASES in result.change.cautions


def test_children_are_drawn_toward_the_average():
    series = study(2, m=9, differ=1.5)
    result = ml.multilevel_change(SeriesBatch.of(*series), autocorrelation=False)
    own = np.array([np.mean(one.of("exposure")) - np.mean(one.of("baseline")) for one in series])
    drawn = np.array(list(result.children.values()))
    assert np.std(drawn) < np.std(own)
    assert np.corrcoef(drawn, own)[0, 1] > 0.9


def test_level_and_slope_finds_a_change_of_slope():
    rng = np.random.default_rng(3)
    series = []
    for _ in range(8):
        t = np.arange(24.0)
        y = 8 + rng.normal() + 0.3 * rng.normal(size=24) - 0.2 * np.maximum(0, t - 8)
        series.append(PhaseSeries(y, ["baseline"] * 8 + ["exposure"] * 16, t))
    result = ml.multilevel_change(SeriesBatch.of(*series), shape="level_and_slope")
    assert result.slope.value == pytest.approx(-0.2, abs=0.03)
    assert result.slope.p_value < 0.001
    assert abs(result.change.value) < 0.4
    assert result.slope.unit == "points per unit of time"


def test_children_alike_are_said_to_be_no_proof():
    alike = [PhaseSeries.from_phases([7, 8, 7, 8, 7, 8], [4, 5, 4, 5, 4, 5]) for _ in range(8)]
    result = ml.multilevel_change(SeriesBatch.of(*alike), autocorrelation=False)
    assert result.sd_between == 0
    assert ml.NO_SPREAD in result.change.cautions
    assert result.change.value == pytest.approx(-3, abs=1e-9)


@pytest.mark.parametrize(
    ("series", "reason"),
    [
        ([], ml.TOO_FEW),
        (study(4, m=2), ml.TOO_FEW),
        ([PhaseSeries.from_phases([7, 7, 7], [4, 4, 4])] * 3, "do not vary"),
    ],
)
def test_what_cannot_be_estimated_is_missing_with_its_reason(series, reason):
    for shape in ml.SHAPES:
        result = ml.multilevel_change(SeriesBatch.of(*series), shape=shape)
        assert np.isnan([result.change.value, result.change.p_value, result.sd_between]).all()
        assert any(reason in sentence for sentence in result.change.cautions)
        assert (result.slope is None) == (shape == "level")


@pytest.mark.parametrize("phases", [([8, 7, 8, 9], [5]), ([8], [5, 4, 3, 4])])
def test_slopes_that_cannot_be_told_from_the_change_are_missing_with_the_reason(phases):
    rows = [[np.add(phase, k * (k + place) / 2) for place, phase in enumerate(phases)] for k in range(4)]
    batch = SeriesBatch.of(*(PhaseSeries.from_phases(*row) for row in rows))
    result = ml.multilevel_change(batch, shape="level_and_slope")
    for estimate in (result.change, result.slope):
        assert np.isnan(estimate.value)
        assert estimate.cautions[0] == ml.NO_TREND
    assert np.isfinite(ml.multilevel_change(batch).change.value)


def test_results_travel_between_processes():
    result = ml.multilevel_change(SeriesBatch.of(*study(6)))
    again = pickle.loads(pickle.dumps(result))
    assert again.children == result.children
    assert again.fit.contrast([0, 1]) == result.fit.contrast([0, 1])


def test_wrong_options_say_what_is_allowed():
    batch = SeriesBatch.of(*study(5))
    with pytest.raises(ValueError, match="shape must be one of 'level', 'level_and_slope'; got 'line'"):
        ml.multilevel_change(batch, shape="line")
    with pytest.raises(ValueError, match="covariance must be one of"):
        ml.multilevel_change(batch, covariance="ar1")
    with pytest.raises(ValueError, match="method must be one of"):
        ml.multilevel_change(batch, method="mle")
