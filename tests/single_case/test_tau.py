"""Tau: the identity with NAP, hand-counted cases, scipy's Kendall count."""

import math

import numpy as np
import pytest
from cases import CASES
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.nap import nap
from rungwise.single_case.tau import tau, tau_batch
from scipy import stats


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_hand_counted_cases(case):
    result = tau(case.series)
    if not case.estimable:
        assert math.isnan(result.value)
        assert math.isnan(result.p_value)
        return
    assert result.value == (case.better - case.worse) / (case.n_a * case.n_b)
    expected = np.sign(case.better - case.worse)
    assert result.favors == {1: "improvement", 0: "neither", -1: "worsening"}[int(expected)]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_is_nap_on_another_scale(case):
    ours, other = tau(case.series, "improvement", 0.9), nap(case.series, "improvement", 0.9)
    assert ours.value == pytest.approx(2 * other.value - 1, nan_ok=True)
    assert ours.ci_low == pytest.approx(2 * other.ci_low - 1, nan_ok=True)
    assert ours.ci_high == pytest.approx(2 * other.ci_high - 1, nan_ok=True)
    assert ours.p_value == pytest.approx(other.p_value, nan_ok=True)
    assert dict(ours.counts) == pytest.approx(dict(other.counts), nan_ok=True)
    assert (ours.cautions, ours.method, ours.confidence) == (other.cautions, other.method, 0.9)
    assert (ours.statistic, other.statistic) == ("Tau", "NAP")


ratings = st.lists(st.integers(0, 6), min_size=1, max_size=9)


@settings(max_examples=100)
@given(ratings, ratings)
def test_tau_b_of_scipy_with_the_phase_code_holds_the_same_s(baseline, exposure):
    pooled = np.array(baseline + exposure)
    if len(set(pooled.tolist())) == 1:
        return
    phase = np.repeat([0, 1], [len(baseline), len(exposure)])
    n = len(pooled)
    tied = sum(k * (k - 1) // 2 for k in np.unique(pooled, return_counts=True)[1])
    scale = math.sqrt(len(baseline) * len(exposure) * (n * (n - 1) // 2 - tied))
    result = tau(PhaseSeries.from_phases(baseline, exposure, better="higher"))
    s = result.value * len(baseline) * len(exposure)
    assert s / scale == pytest.approx(stats.kendalltau(phase, pooled).statistic)


def test_one_sided_p_of_both_directions_overlap_at_the_observed_value():
    series = PhaseSeries.from_phases([7, 8, 6, 7], [6, 5, 7, 3, 8])
    up, down = tau(series, "improvement").p_value, tau(series, "worsening").p_value
    assert up + down > 1
    assert up < 0.5 < down


def test_batch_of_a_thousand_equals_the_naive_double_loop():
    rng = np.random.default_rng(11)
    values = rng.integers(0, 11, (1000, 13))
    found = tau_batch(SeriesBatch.from_arrays(values, 5), p_value="none", interval=False).value
    naive = [sum(int(np.sign(a - b)) for a in row[:5] for b in row[5:]) / 40 for row in values.tolist()]
    assert found.tolist() == naive


def test_a_row_for_tables():
    row = tau(PhaseSeries.from_phases([7, 8, 6], [6, 5, 7, 3, 8])).as_row()
    assert row["statistic"] == "Tau"
    assert row["count_n_baseline"] == 3
    assert row["null"] == "exchangeable"
    assert row["unit"] == ""
