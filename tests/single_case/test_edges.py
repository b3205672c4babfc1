"""The table of edge cases, held against every statistic of trend, overlap, magnitude and rule."""

import math
from functools import partial

import numpy as np
import pytest
from cases import CASES
from rungwise.basis.errors import NotEnoughData
from rungwise.basis.estimate import ROW_FIELDS
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.autocorrelation import autocorrelation_batch
from rungwise.single_case.corrected_tau import baseline_corrected_tau_batch
from rungwise.single_case.decision_rules import (
    deviation_band_batch,
    dual_criterion_batch,
    stability_envelope_batch,
)
from rungwise.single_case.designs import PermittedAssignments, RandomStart
from rungwise.single_case.hamed_rao import hamed_rao_batch
from rungwise.single_case.level import level_and_slope_change_batch, mean_difference_ar1_batch
from rungwise.single_case.magnitude import (
    log_response_ratio_batch,
    mean_baseline_change_batch,
    percent_of_goal_batch,
)
from rungwise.single_case.nap import AT_ONCE_CAUTION, DECLINED_CAUTION, MISSING_CAUTION, nap_batch
from rungwise.single_case.overlap import ird_batch, pand_batch, pem_batch, pnd_batch
from rungwise.single_case.randomization import DECLINES_LEFT_OUT, randomization_test
from rungwise.single_case.split_middle import split_middle_batch
from rungwise.single_case.standardized_difference import standardized_mean_difference_batch
from rungwise.single_case.tau import tau_batch
from rungwise.single_case.tau_u import tau_u_batch
from rungwise.single_case.theil_sen import theil_sen_batch
from rungwise.single_case.trend import mann_kendall_batch
from rungwise.single_case.verdict import VERDICTS, verdict
from rungwise.single_case.visual import visual_features


def _level_part(batch, part):
    return getattr(level_and_slope_change_batch(batch), part)


OVERLAP = {"pnd": pnd_batch, "pem": pem_batch, "pand": pand_batch, "ird": ird_batch}
BY_PHASE = {
    "mann_kendall": mann_kendall_batch,
    "hamed_rao": hamed_rao_batch,
    "theil_sen": theil_sen_batch,
    "autocorrelation": autocorrelation_batch,
}
STATISTICS = {
    **OVERLAP,
    **{
        f"{name} of {phase or 'both'}": partial(function, phase=phase)
        for name, function in BY_PHASE.items()
        for phase in ("baseline", "exposure", None)
    },
    "standardized_mean_difference": standardized_mean_difference_batch,
    "by baseline SD": partial(standardized_mean_difference_batch, standardizer="baseline"),
    "log_response_ratio": log_response_ratio_batch,
    "mean_baseline_change": mean_baseline_change_batch,
    "percent_of_goal": partial(percent_of_goal_batch, goal=2),
    "split_middle": split_middle_batch,
    "dual_criterion": dual_criterion_batch,
    "conservative": partial(dual_criterion_batch, shift=0.25),
    "deviation_band": deviation_band_batch,
    "nap": nap_batch,
    "tau": tau_batch,
    **{
        f"tau_u, {trend} trend, {denominator}": partial(tau_u_batch, trend=trend, denominator=denominator)
        for trend in ("baseline", "exposure", "both")
        for denominator in ("own_pairs", "cross_pairs")
    },
    "corrected tau if significant": baseline_corrected_tau_batch,
    "corrected tau always": partial(baseline_corrected_tau_batch, when="always"),
    **{
        f"level and slope, {part}": partial(_level_part, part=part)
        for part in ("level", "slope", "at_end", "on_average")
    },
    "mean difference allowing for autocorrelation": mean_difference_ar1_batch,
    "stability_envelope": stability_envelope_batch,
    "envelope of exposure": partial(stability_envelope_batch, phase="exposure", around="trend"),
}
each_statistic = pytest.mark.parametrize("name", STATISTICS)
each_case = pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)


@each_statistic
@each_case
def test_every_result_is_a_number_or_nan_with_a_reason(name, case):
    ours = STATISTICS[name](SeriesBatch.of(case.series))[0]
    assert not math.isinf(ours.value)
    assert math.isfinite(ours.value) or ours.cautions
    assert math.isnan(ours.p_value) or 0 < ours.p_value <= 1
    assert math.isnan(ours.ci_low) == math.isnan(ours.ci_high)
    assert math.isnan(ours.ci_low) or ours.ci_low <= ours.ci_high
    assert ours.favors in ("improvement", "worsening", "neither", "")
    assert all(sentence.endswith(".") for sentence in ours.cautions)
    assert set(ROW_FIELDS) <= set(ours.as_row())
    if case.missing:
        assert MISSING_CAUTION in ours.cautions
    # Models average ratings of one time and say so; everything else counts each and says so.
    told = AT_ONCE_CAUTION in ours.cautions or any("averaged" in said for said in ours.cautions)
    assert told == (case.at_once and math.isfinite(ours.value)) or math.isnan(ours.value)


RANDOM = ("mean_difference", "tau", "immediate_change")


@pytest.mark.parametrize("statistic", RANDOM)
@each_case
def test_a_randomization_test_is_a_number_or_says_why_not(case, statistic):
    mask = case.series.only("baseline", "exposure").phases == "exposure"
    if not len(mask) or mask.all() or not mask.any():
        design = RandomStart(2, 2, "random")
    else:
        design = PermittedAssignments([mask, ~mask[::-1], mask], "random")
    rated = [
        (~np.isnan(case.series.values) & (case.series.phases == phase)).any()
        for phase in ("baseline", "exposure")
    ]
    if not case.estimable or (statistic != "tau" and not all(rated)):
        with pytest.raises(NotEnoughData, match=r"no usable occasion in|leave a phase without a rating"):
            randomization_test(case.series, design=design, statistic=statistic)
        return
    try:
        ours = randomization_test(case.series, design=design, statistic=statistic)
    except NotEnoughData as problem:
        assert "leave a phase without a rating" in str(problem)  # noqa: PT017
        assert case.missing or case.declined
        return
    assert math.isfinite(ours.value)
    assert 0 < ours.p_value <= 1
    assert ours.n == (case.n_a + case.n_b if statistic == "tau" else ours.n)
    assert math.isnan(ours.ci_low) == math.isnan(ours.ci_high)
    assert (MISSING_CAUTION in ours.cautions) == (case.missing > 0)
    assert (AT_ONCE_CAUTION in ours.cautions) == case.at_once
    about_declines = DECLINED_CAUTION if statistic == "tau" else DECLINES_LEFT_OUT
    assert (about_declines in ours.cautions) == (case.declined > 0)
    if case.better == case.worse == 0:
        assert ours.p_value == 1


@each_case
def test_a_verdict_is_one_of_the_eight_and_says_what_it_left_out(case):
    ours = verdict(case.series)
    assert ours.code in VERDICTS
    assert (ours.code == "too_few") or (case.n_a >= 3 and case.n_b >= 5) or case.name == "constant"
    assert (AT_ONCE_CAUTION in ours.cautions) == (case.at_once and case.estimable)
    if case.missing and case.estimable:
        assert MISSING_CAUTION in ours.cautions


@each_statistic
def test_a_batch_of_all_edges_equals_one_by_one(name):
    together = STATISTICS[name](SeriesBatch.of(*(case.series for case in CASES)))
    for case, row in zip(CASES, together, strict=True):
        alone = STATISTICS[name](SeriesBatch.of(case.series))[0]
        for part in ("value", "ci_low", "ci_high", "p_value"):
            expected = getattr(alone, part)
            assert getattr(row, part) == pytest.approx(expected, rel=1e-9, abs=1e-12, nan_ok=True), part
        assert (row.n, row.favors, row.method) == (alone.n, alone.favors, alone.method)
        assert set(row.cautions) == set(alone.cautions)


@each_statistic
def test_an_empty_batch_gives_no_rows(name):
    assert len(STATISTICS[name](SeriesBatch.of())) == 0


@each_case
def test_kendall_s_is_the_one_counted_by_hand(case):
    batch = SeriesBatch.of(case.series)
    assert mann_kendall_batch(batch, "baseline")[0].counts["S"] == case.s_a
    assert mann_kendall_batch(batch, "exposure")[0].counts["S"] == case.s_b
    assert mann_kendall_batch(batch, "baseline")[0].n == case.n_a


@each_case
def test_overlap_agrees_with_the_pairs_counted_by_hand(case):
    batch = SeriesBatch.of(case.series)
    for name, statistic in OVERLAP.items():
        ours = statistic(batch)[0]
        assert math.isfinite(ours.value) == case.estimable, name
        assert ours.n == case.n_a + case.n_b
        assert (DECLINED_CAUTION in ours.cautions) == (case.declined > 0)
        if case.estimable and case.better == case.n_a * case.n_b:
            assert ours.value == (1 if name == "ird" else 100)
        if case.estimable and case.better == 0 and name == "pnd":
            assert ours.value == 0


@each_case
def test_visual_features_describe_every_edge(case):
    features = visual_features(case.series)
    assert (features.baseline.n, features.exposure.n) == (case.n_a, case.n_b)
    assert features.baseline.declined + features.exposure.declined == case.declined
    assert "nan" not in features.description
    assert features.description.endswith(".")
    assert (MISSING_CAUTION in features.cautions) == (case.missing > 0)


@each_statistic
def test_a_batch_made_of_arrays_equals_one_made_of_series(name):
    values = np.random.default_rng(1).integers(0, 11, (20, 15))
    arrays = STATISTICS[name](SeriesBatch.from_arrays(values, 6, floor=0, ceiling=10))
    series = SeriesBatch.of(
        *(PhaseSeries.from_phases(row[:6], row[6:], floor=0, ceiling=10) for row in values)
    )
    for row, one in zip(arrays, STATISTICS[name](series), strict=True):
        assert row.value == pytest.approx(one.value, rel=1e-12, nan_ok=True)
        assert row.p_value == pytest.approx(one.p_value, rel=1e-9, nan_ok=True)
        assert row.cautions == one.cautions
