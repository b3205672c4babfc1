"""The generator gives what its parameters say: moments, autocorrelation, declines, gaps, bytes."""

import numpy as np
import pytest
from rungwise.series.batch import SeriesBatch
from rungwise.simulate.ratings import CHUNK, SimulatedRatings, simulate_ratings

FREE = {"floor": -1e6, "ceiling": 1e6, "whole": False}


def make(seed: int = 1, replications: int = 20_000, **keywords: object) -> SimulatedRatings:
    settings = {"n_baseline": 6, "n_exposure": 10, **keywords}
    return simulate_ratings(np.random.default_rng(seed), replications, **settings)


def test_the_latent_course_is_level_slope_and_their_changes():
    values = make(
        start=7, baseline_slope=-0.2, level_change=-1.5, slope_change=-0.3, sd=1.0, phi=0.4, **FREE
    ).values
    t = np.arange(16)
    expected = 7 - 0.2 * t + np.where(t >= 6, -1.5 - 0.3 * (t - 6), 0)
    # Standard error 1/sqrt(20,000) = 0.0071; four of them.
    np.testing.assert_allclose(values.mean(axis=0), expected, atol=0.0284)


@pytest.mark.parametrize("phi", [0.0, 0.2, 0.6, 0.95])
def test_the_latent_noise_is_stationary_with_the_stated_autocorrelation(phi):
    noise = make(sd=1.3, phi=phi, **FREE).values - 7
    # The variance of a normal sample variance gives a relative standard error of sqrt(2/20,000) = .01.
    np.testing.assert_allclose(noise.var(axis=0), 1.69, rtol=0.04)
    lag_1 = np.mean(noise[:, 1:] * noise[:, :-1]) / np.mean(noise**2)
    lag_3 = np.mean(noise[:, 3:] * noise[:, :-3]) / np.mean(noise**2)
    assert lag_1 == pytest.approx(phi, abs=0.015)
    assert lag_3 == pytest.approx(phi**3, abs=0.02)


def test_autocorrelation_decays_over_the_real_gaps():
    times = np.array([0, 1, 1.5, 4, 8, 9], dtype=float)
    noise = make(n_baseline=3, n_exposure=3, phi=0.7, sd=1, times=times, **FREE).values - 7
    correlation = np.corrcoef(noise.T)
    expected = 0.7 ** np.abs(times[:, None] - times)
    np.testing.assert_allclose(correlation, expected, atol=0.03)


def test_slopes_are_per_unit_of_time():
    times = np.array([0, 7, 14, 28, 35, 63], dtype=float)
    values = make(
        n_baseline=3, n_exposure=3, baseline_slope=-0.1, slope_change=0.05, sd=0, times=times, **FREE
    ).values
    np.testing.assert_allclose(values[0], [7, 6.3, 5.6, 4.2, 3.85, 2.45], atol=1e-12)


def test_whole_ratings_are_the_latent_rounded_and_clipped():
    start = np.array([-0.4, 0.4, 0.6, 7.4, 7.6, 9.7, 12.0])
    recorded = make(replications=7, start=start, sd=0).values
    assert recorded.dtype == np.int8
    assert recorded[:, 0].tolist() == [0, 0, 1, 7, 8, 10, 10]
    wide = make(replications=7, start=start, sd=0, floor=-1, ceiling=11).values
    assert wide[:, 0].tolist() == [0, 0, 1, 7, 8, 10, 11]


def test_without_rounding_values_keep_decimals_within_the_scale():
    values = make(start=9, sd=2, whole=False).values
    assert values.dtype == np.float64
    assert values.min() >= 0
    assert values.max() == 10
    assert np.mean(values == np.rint(values)) < 0.4


def test_courses_may_differ_between_children():
    start = np.linspace(2, 8, CHUNK + 5)
    values = make(replications=CHUNK + 5, start=start, sd=0, **FREE).values
    np.testing.assert_allclose(values, np.repeat(start[:, None], 16, axis=1))


def test_the_share_declined_follows_the_logistic_rule():
    simulated = make(start=9, sd=0, decline_at=9.5, decline_softness=0.5, missed=0)
    assert simulated.declined.mean() == pytest.approx(1 / (1 + np.exp(1)), abs=0.004)
    assert np.array_equal(np.isnan(simulated.values), simulated.declined)


def test_declining_rises_steeply_near_the_ceiling():
    shares = [make(start=start, sd=0.5, decline_at=9.5).declined.mean() for start in (6, 8, 9, 9.5, 10, 11)]
    assert np.all(np.diff(shares) > 0)
    assert shares[0] < 0.005
    assert shares[3] == pytest.approx(0.5, abs=0.01)
    assert shares[-1] > 0.9


def test_a_sharp_threshold_declines_exactly_above_it():
    simulated = make(start=9.4, sd=0, decline_at=9.5, decline_softness=0)
    assert not simulated.declined.any()
    assert make(start=9.6, sd=0, decline_at=9.5, decline_softness=0).declined.all()


def test_missed_occasions_are_missed_at_the_stated_rate_and_never_also_declined():
    simulated = make(start=9.5, missed=0.2, decline_at=9.5)
    assert simulated.missed.mean() == pytest.approx(0.2, abs=0.004)
    assert not (simulated.missed & simulated.declined).any()
    assert np.array_equal(np.isnan(simulated.values), simulated.missed | simulated.declined)


def test_a_child_who_left_does_not_come_back():
    simulated = make(dropout=0.1)
    assert not simulated.missed[:, :7].any()
    gone = simulated.missed[:, 7:]
    assert np.array_equal(gone, np.logical_or.accumulate(gone, axis=1))
    assert gone[:, -1].mean() == pytest.approx(1 - 0.9**9, abs=0.015)


def test_the_same_seed_gives_the_same_bytes_and_another_seed_does_not():
    settings = {"phi": 0.3, "decline_at": 9.0, "missed": 0.1, "dropout": 0.02, "replications": CHUNK + 17}
    first, again, other = make(7, **settings), make(7, **settings), make(8, **settings)
    for name in ("values", "declined", "missed"):
        assert getattr(first, name).tobytes() == getattr(again, name).tobytes()
    assert first.values.tobytes() != other.values.tobytes()


@pytest.mark.parametrize(
    "gaps", [{}, {"missed": 0.25}, {"decline_at": 8.0}, {"missed": 0.25, "decline_at": 8.0}]
)
def test_the_batch_equals_the_series_laid_side_by_side(gaps):
    simulated = make(replications=60, start=7.5, times=np.cumsum(np.arange(1.0, 17)), **gaps)
    batch = simulated.batch()
    slow = SeriesBatch.of(*(simulated.series(i) for i in range(60)))
    places = slow.values.shape[1]
    for name in ("values", "times", "declined"):
        np.testing.assert_array_equal(getattr(batch, name)[:, :places], getattr(slow, name), err_msg=name)
    for name in ("n_a", "n_b", "n_missing", "sign", "floor", "ceiling"):
        np.testing.assert_array_equal(getattr(batch, name), getattr(slow, name), err_msg=name)
    # Codes are comparable within a series only.
    for row in range(60):
        ours, theirs = batch.codes[row, :places].astype(int), slow.codes[row].astype(int)
        np.testing.assert_array_equal(np.sign(ours[:, None] - ours), np.sign(theirs[:, None] - theirs))


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"replications": 0}, "replications must be a whole number of at least 1; got 0."),
        ({"n_baseline": -1}, "n_baseline must be a whole number of at least 0; got -1."),
        ({"n_baseline": 2.5}, "n_baseline must be a whole number of at least 0; got 2.5."),
        ({"phi": 1.0}, "phi must be from 0 up to but excluding 1; got 1.0."),
        ({"phi": -0.1}, "phi must be from 0 up to but excluding 1; got -0.1."),
        ({"missed": 1.2}, "missed must be a probability from 0 to 1; got 1.2."),
        ({"dropout": float("nan")}, "dropout must be a probability from 0 to 1; got nan."),
        ({"floor": 10}, "ceiling must be above floor (10); got 10.0."),
        ({"ceiling": 200}, "whole ratings must lie between -128 and 127; got 0.0 to 200."),
        ({"ceiling": 9.5}, "floor and ceiling must be whole numbers when whole=True; got 0.0 and 9.5."),
        ({"sd": -1}, "sd must be 0 or more; got -1."),
        ({"start": float("inf")}, "start must be finite; got inf."),
        ({"start": [1, 2]}, "start must be one number or one per replication (20000); got shape (2,)."),
        ({"times": [1, 2]}, "times must be one entry per occasion (16); got 2."),
        ({"times": [1] * 16}, "times must be finite and strictly increasing."),
        ({"decline_softness": -0.1}, "decline_softness must be 0 or more; got -0.1."),
    ],
)  # fmt: skip
def test_a_wrong_argument_is_named_with_what_is_allowed(wrong, message):
    with pytest.raises(ValueError) as caught:
        make(**wrong)
    assert str(caught.value) == message
