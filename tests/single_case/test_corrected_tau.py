"""Baseline-corrected Tau: an exact twin in fractions, scipy's tau-b, and true ties that stay ties."""

import math
import statistics
from fractions import Fraction

import numpy as np
import pytest
from cases import CASES
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case import corrected_tau as module
from rungwise.single_case.corrected_tau import baseline_corrected_tau, baseline_corrected_tau_batch
from rungwise.single_case.theil_sen import theil_sen
from rungwise.single_case.trend import mann_kendall
from scipy import stats

STEEP = PhaseSeries.from_phases([3, 4, 4, 5, 6, 6, 7], [8, 7, 9, 9, 10, 12, 11, 12], better="higher")


def as_written(number):
    return Fraction(repr(float(number)))


def in_fractions(series):
    """S and the dense ranks of the corrected ratings, in exact arithmetic; None without a slope."""
    y = [None if gone else as_written(v) for v, gone in zip(series.values, series.declined, strict=True)]
    t = [as_written(time) for time in series.times]
    in_a = series.phases == "baseline"
    rated = [i for i in range(len(y)) if in_a[i] and y[i] is not None]
    slopes = [(y[j] - y[i]) / (t[j] - t[i]) for i in rated for j in rated if t[j] > t[i]]
    if not slopes:
        return None
    slope = statistics.median(slopes)
    sign = 1 if series.better == "higher" else -1
    rest = [None if v is None else sign * (v - slope * time) for v, time in zip(y, t, strict=True)]
    order = {v: rank for rank, v in enumerate(sorted({v for v in rest if v is not None}), start=1)}
    ranks = np.array([order.get(v, 0) for v in rest])
    s = int(np.sign(ranks[~in_a] - ranks[in_a][:, None]).sum())
    return s, ranks, float(slope)


@st.composite
def decimal_series(draw):
    n_a, n_b = draw(st.integers(2, 7)), draw(st.integers(1, 7))
    n = n_a + n_b
    rating_step, time_step = draw(st.sampled_from([1, 2, 10])), draw(st.sampled_from([1, 4, 10]))
    values = [v / rating_step for v in draw(st.lists(st.integers(0, 12), min_size=n, max_size=n))]
    gaps = draw(st.lists(st.integers(0, 3), min_size=n, max_size=n))
    return PhaseSeries(
        values,
        ["baseline"] * n_a + ["exposure"] * n_b,
        np.cumsum(gaps) / time_step,
        draw(st.lists(st.sampled_from([False] * 6 + [True]), min_size=n, max_size=n)),
        draw(st.sampled_from(["lower", "higher"])),
    )


@settings(max_examples=200)
@given(decimal_series())
def test_equals_the_twin_in_fractions(series):
    result = baseline_corrected_tau(series, "always")
    expected = in_fractions(series)
    if expected is None:
        assert module.NO_SLOPE in result.cautions
        assert math.isnan(result.counts["baseline_slope"])
        return
    s, ranks, slope = expected
    assert result.counts["s"] == s
    assert result.counts["baseline_slope"] == pytest.approx(slope, rel=1e-12, abs=1e-15)
    assert result.counts["corrected"]
    if len(set(ranks.tolist())) == 1:
        assert math.isnan(result.value)
        assert module.ONE_RATING in result.cautions
    else:
        theirs = stats.kendalltau(ranks, series.phases == "exposure").statistic
        assert result.value == pytest.approx(theirs, abs=1e-12)


def test_true_ties_stay_ties_where_floating_point_breaks_them():
    s, _, _ = in_fractions(STEEP)
    assert s == baseline_corrected_tau(STEEP).counts["s"] == -19
    for first in (0, 1):
        t = np.arange(first, first + 15)
        floating = STEEP.values - (2 / 3) * t
        broken = np.sign(floating[7:] - floating[:7, None]).sum()
        assert broken != -19


def test_the_place_of_time_zero_changes_nothing():
    for start in (0, 1, 0.1, 20000, 738000.25):
        moved = PhaseSeries(STEEP.values, STEEP.phases, STEEP.times + start, better="higher")
        assert baseline_corrected_tau(moved).counts["s"] == -19


def test_the_slope_is_the_theil_sen_slope():
    rng = np.random.default_rng(1)
    for _ in range(30):
        series = PhaseSeries.from_phases(rng.integers(0, 11, 7).tolist(), rng.integers(0, 11, 9).tolist())
        ours = baseline_corrected_tau(series, "always").counts["baseline_slope"]
        assert ours == pytest.approx(theil_sen(series, "baseline").value, abs=1e-15)


def test_corrects_only_a_significant_baseline_trend_unless_told_to():
    flat = PhaseSeries.from_phases([7, 8, 7, 8], [6, 5, 5, 4, 4])
    assert mann_kendall(flat, "baseline").p_value > 0.05
    result = baseline_corrected_tau(flat)
    assert not result.counts["corrected"]
    assert "as they are" in result.method
    assert baseline_corrected_tau(flat, "always").counts["corrected"]
    assert baseline_corrected_tau(STEEP).counts["baseline_p"] == mann_kendall(STEEP, "baseline").p_value
    assert not baseline_corrected_tau(STEEP, level=0.0001).counts["corrected"]


def test_the_ceiling():
    separated = PhaseSeries.from_phases([9, 9, 8, 9, 8], [3, 2, 4, 1, 3, 2, 1, 4, 3, 2])
    result = baseline_corrected_tau(separated, level=1e-6)
    assert result.counts["tau_of_pairs"] == 1
    assert result.counts["ceiling"] == pytest.approx(math.sqrt(50 / 105))
    untied = baseline_corrected_tau(PhaseSeries.from_phases([9, 8, 10], [1, 2, 3, 4]), level=1e-6)
    assert untied.value == pytest.approx(untied.counts["ceiling"])


def test_numbers_too_fine_for_whole_arithmetic_are_said_to_be_rounded():
    # Sixteen decimals in the ratings: no power of ten within reach makes them whole.
    values = (np.array([7.0, 6, 5, 5, 3, 2]) + np.sqrt(2) * 1e-3).tolist()
    result = baseline_corrected_tau(PhaseSeries.from_phases(values[:3], values[3:]), "always")
    assert module.ROUNDED in result.cautions
    exact = baseline_corrected_tau(PhaseSeries.from_phases([7, 6, 5], [5, 3, 2]), "always")
    assert result.counts["s"] == exact.counts["s"]
    assert module.ROUNDED not in exact.cautions


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
@pytest.mark.parametrize("when", ["always", "significant"])
def test_cases_at_the_edges(case, when):
    result = baseline_corrected_tau(case.series, when)
    assert (result.counts["declined"], result.counts["missing"]) == (case.declined, case.missing)
    if case.estimable:
        assert math.isnan(result.ci_low)
        assert module.NEVER_DECIDES in result.cautions
        if not result.counts["corrected"]:
            assert result.counts["s"] == case.better - case.worse
    else:
        assert math.isnan(result.value)
        assert math.isnan(result.p_value)


def test_batch_equals_one_by_one():
    together = baseline_corrected_tau_batch(SeriesBatch.of(*(case.series for case in CASES)), "always")
    for case, ours in zip(CASES, together, strict=True):
        alone = baseline_corrected_tau(case.series, "always")
        assert ours.value == pytest.approx(alone.value, nan_ok=True)
        assert ours.counts["s"] == alone.counts["s"]
        assert ours.p_value == pytest.approx(alone.p_value, nan_ok=True)


def test_why_it_never_decides():
    # No trend and no effect at all, and still improvement in far more than the nominal 2.5 %.
    rng = np.random.default_rng(5)
    latent = rng.normal(7, 1.2, (2000, 15))
    batch = SeriesBatch.from_arrays(np.clip(np.rint(latent), 0, 10).astype(np.int8), 5)
    result = baseline_corrected_tau_batch(batch, "always")
    assert np.nanmean((result.p_value <= 0.05) & (result.value > 0)) > 0.2


@pytest.mark.parametrize(
    ("call", "message"),
    [
        ({"when": "never"}, "when must be one of 'significant', 'always'; got 'never'"),
        ({"alternative": "up"}, "alternative must be one of"),
        ({"level": 0}, "level must be a number between 0 and 1; got 0"),
    ],
)
def test_refusals(call, message):
    with pytest.raises(ValueError, match=message):
        baseline_corrected_tau(STEEP, **call)
