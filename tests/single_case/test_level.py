"""Level-and-slope change: the model against a twin, its edges, and what it says beside a number."""

import pickle

import numpy as np
import pytest
from rungwise.models.gls import fit_ar1
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case import level as lv

FALLING = PhaseSeries.from_phases(
    [7, 8, 7, 8, 7], [6, 6, 5, 5, 4, 3, 3, 2, 2, 1], better="lower", floor=0, ceiling=10
)


def test_the_three_numbers_are_contrasts_of_one_fit():
    t = np.arange(1.0, 16)
    phase = (t > 5) * 1.0
    x = np.column_stack([np.ones(15), t, phase, phase * (t - 6)])
    fit = fit_ar1(FALLING.values, x, t)
    change = lv.level_and_slope_change(FALLING)
    for estimate, weights in (
        (change.level, [0, 0, 1, 0]),
        (change.slope, [0, 0, 0, 1]),
        (change.at_end, [0, 0, 1, 9]),
    ):
        mixture = fit.contrast(weights)
        assert estimate.value == pytest.approx(mixture.value[0], rel=1e-9)
        low, high = mixture.limits(0.95)
        assert (estimate.ci_low, estimate.ci_high) == pytest.approx((low[0], high[0]), rel=1e-8)
        assert estimate.p_value == pytest.approx(mixture.p_value("two-sided")[0], rel=1e-8)
    assert change.at_end.counts["n_baseline"] == 5
    assert change.at_end.counts["df"] == 11
    assert change.at_end.favors == "improvement"
    assert change.at_end.unit == "points"


def test_at_end_is_the_distance_between_the_two_lines_there():
    change = lv.level_and_slope_change(FALLING)
    mean, low, high = change.projection([15])
    assert change.exposure_line([15])[0] - mean[0] == pytest.approx(change.at_end.value, rel=1e-9)
    assert change.at_end.counts["projected"] == pytest.approx(mean[0], rel=1e-9)
    assert low[0] < mean[0] < high[0]
    widths = np.subtract(*change.projection([3, 8, 15])[:0:-1])
    assert widths[0] < widths[1] < widths[2]


def test_one_sided_p_follows_the_direction_of_improvement():
    higher = PhaseSeries(10 - FALLING.values, FALLING.phases, better="higher")
    for series in (FALLING, higher):
        better = lv.level_and_slope_change(series, alternative="improvement").at_end.p_value
        worse = lv.level_and_slope_change(series, alternative="worsening").at_end.p_value
        both = lv.level_and_slope_change(series).at_end.p_value
        assert better + worse == pytest.approx(1, abs=1e-12)
        assert both == pytest.approx(2 * better, rel=1e-12)
        assert better < 0.05


def test_a_mixed_batch_is_its_series_one_by_one():
    rng = np.random.default_rng(1)
    series = []
    for n_a, n_b in ((3, 5), (6, 9), (8, 20), (2, 4), (5, 12)):
        values = list(rng.integers(2, 9, n_a + n_b).astype(float))
        times = np.sort(rng.choice(90, n_a + n_b, replace=False)).astype(float)
        phases = ["baseline"] * n_a + ["exposure"] * n_b
        series.append(PhaseSeries(values, phases, times, better="higher" if n_a == 6 else "lower"))
    batch = SeriesBatch.of(*series)
    many, means = lv.level_and_slope_change_batch(batch), lv.mean_difference_ar1_batch(batch)
    for i, one in enumerate(series):
        alone = lv.level_and_slope_change(one)
        for name in ("level", "slope", "at_end"):
            ours, theirs = getattr(many[i], name), getattr(alone, name)
            np.testing.assert_allclose(
                [ours.value, ours.ci_low, ours.ci_high, ours.p_value],
                [theirs.value, theirs.ci_low, theirs.ci_high, theirs.p_value],
                rtol=1e-7,
            )
            assert ours.cautions == theirs.cautions
        assert means[i].value == pytest.approx(lv.mean_difference_ar1(one).value, rel=1e-9)
    assert np.isnan(many.at_end.value[3])
    assert many[3].at_end.cautions == (lv.TOO_SHORT,)


def test_equal_lengths_take_the_shared_design_and_agree():
    values = np.random.default_rng(2).integers(0, 11, size=(40, 15)).astype(float)
    shared = lv.level_and_slope_change_batch(SeriesBatch.from_arrays(values, 5))
    assert shared._rated.shared
    for i in (0, 39):
        alone = lv.level_and_slope_change(PhaseSeries.from_phases(values[i, :5], values[i, 5:]))
        assert shared.at_end.value[i] == pytest.approx(alone.at_end.value, rel=1e-9)
        assert shared.at_end.p_value[i] == pytest.approx(alone.at_end.p_value, rel=1e-7)


def test_declines_are_left_out_or_worst_and_said():
    phases = ["baseline"] * 5 + ["exposure"] * 6
    values = [7, 8, None, 7, 8, 6, None, 5, 4, 4, 3]
    declined = [False, False, True] + [False] * 3 + [True] + [False] * 4
    series = PhaseSeries(values, phases, declined=declined, floor=0, ceiling=10)
    out = lv.level_and_slope_change(series).at_end
    worst = lv.level_and_slope_change(series, declines="ceiling").at_end
    filled = PhaseSeries([10 if v is None else v for v in values], phases, floor=0, ceiling=10)
    assert worst.value == pytest.approx(lv.level_and_slope_change(filled).at_end.value, rel=1e-9)
    assert (out.n, worst.n) == (9, 11)
    assert any("left out" in sentence for sentence in out.cautions)
    assert any("worst rating" in sentence for sentence in worst.cautions)
    unknown = PhaseSeries(values, phases, declined=declined, label="gangway")
    with pytest.raises(
        ValueError, match=r"needs the worst end of the rating scale .* not given for gangway"
    ):
        lv.level_and_slope_change(unknown, declines="ceiling")


def test_where_higher_is_better_the_worst_end_is_the_floor():
    values = [2, 3, None, 2, 3, 5, 6, 6]
    series = PhaseSeries(
        values, ["baseline"] * 5 + ["exposure"] * 3, declined=[v is None for v in values],
        better="higher", floor=0, ceiling=10,
    )  # fmt: skip
    filled = PhaseSeries([0 if v is None else v for v in values], series.phases, better="higher")
    ours = lv.mean_difference_ar1(series, declines="ceiling").value
    assert ours == pytest.approx(lv.mean_difference_ar1(filled).value, rel=1e-9)


def test_several_ratings_at_one_time_are_averaged_and_said():
    phases = ["baseline"] * 5 + ["exposure"] * 5
    series = PhaseSeries([7, 8, 7, 6, 8, 4, 3, 5, 2, 2], phases, [1, 1, 2, 5, 7, 8, 9, 9, 12, 14])
    merged = PhaseSeries(
        [7.5, 7, 6, 8, 4, 4, 2, 2], ["baseline"] * 4 + ["exposure"] * 4, [1, 2, 5, 7, 8, 9, 12, 14]
    )
    ours, theirs = lv.level_and_slope_change(series).at_end, lv.level_and_slope_change(merged).at_end
    assert (ours.value, ours.p_value) == pytest.approx((theirs.value, theirs.p_value), rel=1e-9)
    assert ours.n == 8
    assert any("averaged" in sentence for sentence in ours.cautions)


@pytest.mark.parametrize(
    ("series", "reason"),
    [
        (PhaseSeries.from_phases([7, 8], [5, 4, 3, 2]), lv.TOO_SHORT),
        (PhaseSeries.from_phases([7, 8, 7, 6], [5, None, 3]), lv.TOO_SHORT),
        (PhaseSeries.from_phases([7] * 5, [3] * 8), "do not vary"),
        (PhaseSeries.from_phases([], [3, 4, 3, 5]), lv.TOO_SHORT),
        (PhaseSeries([5, 6, 7], ["maintenance"] * 3), lv.TOO_SHORT),
        (
            PhaseSeries([7, 8, 7, 5, 4, 5, 8, 7], ["baseline"] * 3 + ["exposure"] * 3 + ["baseline"] * 2),
            "Baseline occasions lie after exposure started",
        ),
    ],
)
def test_what_cannot_be_estimated_is_missing_with_its_reason(series, reason):
    change = lv.level_and_slope_change(series)
    for estimate in (change.level, change.slope, change.at_end):
        assert np.isnan([estimate.value, estimate.ci_low, estimate.ci_high, estimate.p_value]).all()
        assert any(reason in sentence for sentence in estimate.cautions)
        assert estimate.favors == ""
    assert np.isnan(change.projection([1, 2, 3])).all()
    assert np.isnan(change.exposure_line([4])).all()


def test_an_uncertain_or_impossible_projection_is_said():
    noisy = PhaseSeries.from_phases([2, 9, 4], [5, 4, 3, 4, 5, 3], floor=0, ceiling=10)
    assert lv.TOO_NOISY in lv.level_and_slope_change(noisy).at_end.cautions
    steep = PhaseSeries.from_phases([9, 8, 7, 6, 5, 4], [3, 2, 2, 1, 1, 0, 1, 0, 0, 0], floor=0, ceiling=10)
    assert lv.OFF_SCALE in lv.level_and_slope_change(steep).at_end.cautions
    calm = lv.level_and_slope_change(
        PhaseSeries.from_phases([7, 6, 7, 7, 6, 7, 6, 7, 7, 6, 7, 6], [6, 5, 5, 6, 5], floor=0, ceiling=10)
    )
    assert calm.at_end.cautions == ()


def test_mean_difference_with_no_autocorrelation_is_the_difference_of_means():
    alternating = [6, 8] * 5 + [3, 5] * 6
    series = PhaseSeries.from_phases(alternating[:10], alternating[10:])
    plug_in = lv.mean_difference_ar1(series, inference="plug_in")
    assert plug_in.counts["phi"] == 0
    assert plug_in.value == pytest.approx(-3, abs=1e-12)
    assert plug_in.favors == "improvement"


def test_mean_difference_refuses_one_time_in_two_phases():
    series = PhaseSeries([7, 8, 7, 5, 4, 5], ["baseline"] * 3 + ["exposure"] * 3, [1, 2, 3, 3, 4, 5])
    estimate = lv.mean_difference_ar1(series)
    assert np.isnan(estimate.value)
    assert estimate.cautions == ("A baseline and an exposure occasion share one time.",)
    assert np.isnan(lv.level_and_slope_change(series).at_end.value)


def test_mean_difference_takes_phases_that_alternate():
    series = PhaseSeries(
        [7, 8, 7, 5, 4, 5, 8, 7, 4], ["baseline"] * 3 + ["exposure"] * 3 + ["baseline"] * 2 + ["exposure"]
    )
    phase = (series.phases == "exposure") * 1.0
    fit = fit_ar1(series.values, np.column_stack([np.ones(9), phase]), series.times)
    ours = lv.mean_difference_ar1(series).value
    assert ours == pytest.approx(fit.contrast([0, 1]).value[0], rel=1e-9)


def test_wrong_options_say_what_is_allowed():
    for option, value in (
        ("inference", "bayes"), ("method", "mle"), ("alternative", "less"), ("declines", "drop"),
    ):  # fmt: skip
        with pytest.raises(ValueError, match=f"{option} must be one of .* got '{value}'"):
            lv.level_and_slope_change(FALLING, **{option: value})
    with pytest.raises(ValueError, match="confidence must be a number between 0 and 1; got 95"):
        lv.level_and_slope_change(FALLING, confidence=95)


def test_results_travel_between_processes():
    change = pickle.loads(pickle.dumps(lv.level_and_slope_change(FALLING)))
    assert change.projection([15])[0][0] == pytest.approx(change.at_end.counts["projected"])
