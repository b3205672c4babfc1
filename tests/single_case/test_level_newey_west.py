"""Level-and-slope change with Newey-West errors."""

import numpy as np
import pytest
from rungwise.models.newey_west import fit_newey_west
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case import level_newey_west as nw
from rungwise.single_case.level_model import ONE_CHANGE, TOO_SHORT

FALLING = PhaseSeries.from_phases([7, 8, 7, 8, 7], [6, 6, 5, 5, 4, 3, 3, 2, 2, 1], floor=0, ceiling=10)


def test_the_numbers_are_contrasts_of_the_fit():
    t = np.arange(15.0)
    phase = (t >= 5) * 1.0
    fit = fit_newey_west(FALLING.values, np.column_stack([np.ones(15), t, phase, phase * (t - 5)]))
    change = nw.level_and_slope_newey_west(FALLING)
    for estimate, weights in (
        (change.level, [0, 0, 1, 0]), (change.slope, [0, 0, 0, 1]), (change.at_end, [0, 0, 1, 9]),
    ):  # fmt: skip
        mixture = fit.contrast(weights)
        assert estimate.value == pytest.approx(mixture.value[0], rel=1e-9)
        assert estimate.p_value == pytest.approx(mixture.p_value("two-sided")[0], rel=1e-8)
        assert estimate.ci_low == pytest.approx(mixture.limits(0.95)[0][0], rel=1e-8)
        assert nw.TOO_LIBERAL in estimate.cautions
    assert change.at_end.counts["lags"] == 2
    assert change.at_end.favors == "improvement"


def test_a_batch_is_its_series_and_reasons_stand_beside_them():
    short = PhaseSeries.from_phases([7, 8], [5, 4, 3, 2])
    uneven = PhaseSeries(
        FALLING.values, FALLING.phases, [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 21]
    )
    back = PhaseSeries([7, 8, 7, 5, 4, 5, 8], ["baseline"] * 3 + ["exposure"] * 3 + ["baseline"])
    many = nw.level_and_slope_newey_west_batch(SeriesBatch.of(FALLING, short, uneven, back))
    assert len(many) == 4
    assert many[0].at_end.p_value == pytest.approx(nw.level_and_slope_newey_west(FALLING).at_end.p_value)
    assert many[1].at_end.cautions == (TOO_SHORT,)
    assert nw.GAPS_IGNORED in many[2].at_end.cautions
    assert nw.GAPS_IGNORED not in many[0].at_end.cautions
    assert many[3].level.cautions == (ONE_CHANGE,)
    assert np.isnan(many[1].at_end.value)


def test_it_rejects_too_often_as_its_caution_says():
    rng = np.random.default_rng(3)
    e = rng.normal(size=(2000, 15))
    for t in range(1, 15):
        e[:, t] = 0.4 * e[:, t - 1] + np.sqrt(1 - 0.16) * e[:, t]
    change = nw.level_and_slope_newey_west_batch(
        SeriesBatch.from_arrays(e, 5), alternative="improvement", intervals=False
    )
    assert np.mean(change.at_end.p_value < 0.025) > 0.08
