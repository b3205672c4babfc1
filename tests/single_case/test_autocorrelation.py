"""Lag-1 autocorrelation: against statsmodels, a gap-wise twin, and its edges."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.autocorrelation import (
    BOTH_PHASES,
    GAPS,
    ONE_RATING,
    TOO_FEW,
    UNCERTAIN,
    autocorrelation,
    autocorrelation_batch,
)
from statsmodels.tsa.stattools import acf


def one_phase(values, times=None, declined=None):
    return PhaseSeries(values, ["baseline"] * len(values), times, declined)


@settings(max_examples=60)
@given(st.lists(st.integers(0, 10), min_size=3, max_size=40))
def test_agrees_with_statsmodels(values):
    ours = autocorrelation(one_phase(values), "baseline")
    if len(set(values)) == 1:
        assert math.isnan(ours.value)
        assert ONE_RATING in ours.cautions
        return
    assert ours.value == pytest.approx(acf(values, nlags=1, fft=False)[1], rel=1e-10, abs=1e-12)
    assert ours.counts["bias_corrected"] == pytest.approx(ours.value + 1 / len(values))


def naive_with_gaps(values, times):
    d = np.array(values) - np.mean(values)
    gaps = np.diff(times)
    usual = sorted(gaps)[(len(gaps) - 1) // 2]
    pairs = [d[i] * d[i + 1] for i in range(len(d) - 1) if 0 < gaps[i] <= 1.5 * usual]
    return (sum(pairs) / (len(pairs) + 1)) / (sum(d**2) / len(d))


@settings(max_examples=60)
@given(st.lists(st.integers(0, 10), min_size=6, max_size=20), st.data())
def test_pairs_across_gaps_are_left_out(values, data):
    steps = data.draw(st.lists(st.sampled_from([7, 7, 7, 14]), min_size=len(values), max_size=len(values)))
    times = np.cumsum(steps)
    ours = autocorrelation(one_phase(values, times), "baseline")
    if len(set(values)) > 1:
        assert ours.value == pytest.approx(naive_with_gaps(values, times), rel=1e-10, abs=1e-12)
        assert (GAPS in ours.cautions) == (ours.counts["pairs"] < len(values) - 1)


def test_a_decline_parts_its_neighbors():
    values, declined = [5, 6, None, 6, 5, 4, 5], [False, False, True, False, False, False, False]
    ours = autocorrelation(one_phase(values, declined=declined), "baseline")
    assert (ours.n, ours.counts["pairs"], ours.counts["declined"]) == (6, 4, 1)
    assert GAPS in ours.cautions
    times = [1, 2, 4, 5, 6, 7]
    assert ours.value == pytest.approx(naive_with_gaps([5, 6, 6, 5, 4, 5], times))


def test_two_phases_as_one_are_cautioned_and_a_step_looks_like_autocorrelation():
    rng = np.random.default_rng(4)
    values = np.concatenate([rng.normal(8, 1, 30), rng.normal(3, 1, 30)])
    series = PhaseSeries(values, ["baseline"] * 30 + ["exposure"] * 30)
    whole = autocorrelation(series)
    assert whole.value > 0.7
    assert BOTH_PHASES in whole.cautions
    assert autocorrelation(series, "baseline").value < 0.3
    assert BOTH_PHASES not in autocorrelation(series, "exposure").cautions


def test_the_bias_correction_takes_the_mean_of_independent_series_to_zero():
    values = np.random.default_rng(10).normal(size=(20000, 12))
    many = autocorrelation_batch(SeriesBatch.from_arrays(values, 4))
    assert many.value.mean() == pytest.approx(-1 / 12, abs=0.006)
    assert many.counts["bias_corrected"].mean() == pytest.approx(0, abs=0.006)


def test_does_not_depend_on_direction_or_scale():
    values = [3, 5, 4, 6, 8, 7, 7]
    plain = autocorrelation(one_phase(values), "baseline").value
    turned = autocorrelation(one_phase([100 - 10 * v for v in values]), "baseline").value
    assert turned == pytest.approx(plain, rel=1e-12)


@pytest.mark.parametrize("values", [[], [4], [4, 5]])
def test_too_few_ratings_have_none(values):
    ours = autocorrelation(PhaseSeries.from_phases(values, [1, 2, 3]), "baseline")
    assert math.isnan(ours.value)
    assert ours.cautions == (TOO_FEW,)


def test_a_short_series_is_said_to_be_no_guide():
    assert UNCERTAIN in autocorrelation(one_phase([5, 6, 6, 5, 4, 4, 5]), "baseline").cautions


def test_ragged_batch_equals_its_series_one_by_one():
    rng = np.random.default_rng(7)
    several = []
    for a, b in rng.integers(0, 14, (30, 2)):
        phases = ["baseline"] * a + ["exposure"] * b
        values = rng.integers(0, 11, a + b).astype(float)
        times, declined = np.cumsum(rng.integers(0, 3, a + b)), rng.random(a + b) < 0.1
        several.append(PhaseSeries(values, phases, times, declined))
    for phase in ("baseline", "exposure", None):
        together = autocorrelation_batch(SeriesBatch.of(*several), phase)
        for one, row in zip(several, together, strict=True):
            alone = autocorrelation(one, phase)
            assert row.value == pytest.approx(alone.value, rel=1e-12, abs=1e-12, nan_ok=True)
            assert row.cautions == alone.cautions
