"""Every statistic of one series is checked three ways, and this list says by what.

An outside value (topic and the beginning of its name among the published checks), a general-purpose
library, and an identity or slow twin on generated data. Where there is none, the reason stands instead.
"""

import ast
from pathlib import Path

import pytest
from rungwise import _HOMES
from rungwise.published.listing import checks

ROOM = Path(__file__).parents[1]
NO_OUTSIDE = "no worked example is known to us: "
NO_LIBRARY = "no general-purpose library has it: "
SCIPY, STATSMODELS = "scipy", "statsmodels"

WAYS = {
    "pnd": (("overlap", "PND"), NO_LIBRARY + "a count", "test_overlap.py:pnd_and_pem_equal_counting"),
    "pem": (("overlap", "PEM"), NO_LIBRARY + "a count", "test_overlap.py:pnd_and_pem_equal_counting"),
    "pand": (
        ("overlap", "PAND"),
        NO_LIBRARY + "a smallest removal",
        "test_overlap.py:pand_and_ird_equal_removal_by_trial",
    ),
    "ird": (
        ("overlap", "IRD"),
        NO_LIBRARY + "a smallest removal",
        "test_overlap.py:pand_and_ird_equal_removal_by_trial",
    ),
    "nap": (
        ("ranks", "NAP"),
        "test_nap.py:value_is_the_mann_whitney_u_of_scipy_over_the_pairs",
        "test_nap.py:turning_the_scale_round_turns_the_result_round",
    ),
    "tau": (
        ("ranks", "Tau"),
        "test_tau.py:tau_b_of_scipy_with_the_phase_code_holds_the_same_s",
        "test_tau.py:batch_of_a_thousand_equals_the_naive_double_loop",
    ),
    "tau_u": (
        ("ranks", "Tau-U"),
        NO_LIBRARY + "four counts of pairs",
        "test_tau_u.py:hand_counted_cases",
    ),
    "baseline_corrected_tau": (
        ("ranks", "baseline-corrected"),
        "test_corrected_tau.py:the_slope_is_the_theil_sen_slope",
        "test_corrected_tau.py:equals_the_twin_in_fractions",
    ),
    "stratified_tau": (
        NO_OUTSIDE + "the combination is the project's own",
        NO_LIBRARY + "whole days permuted",
        "test_stratified.py:p_is_the_share_of_all_assignments",
    ),
    "mann_kendall": (
        ("trends", "Mann-Kendall"),
        "test_trend.py:tau_b_agrees_with_scipy",
        "test_trend.py:p_is_the_share_of_all_orders",
    ),
    "hamed_rao": (
        ("trends", "Hamed-Rao"),
        NO_LIBRARY + "the ones that do are made for water records",
        "test_hamed_rao.py:factor_and_p_equal_a_naive_twin",
    ),
    "theil_sen": (
        ("trends", "Theil"),
        "test_theil_sen.py:slope_and_intercepts_equal_scipy_exactly",
        "test_theil_sen.py:exact_limits_are_the_slopes_the_critical_value_points_to",
    ),
    "split_middle": (
        ("decision_rules", "binomial tail"),
        "test_split_middle.py:tail_of_fair_tosses_is_exact_and_never_zero",
        "test_split_middle.py:line_and_count_equal_a_step_by_step_twin",
    ),
    "autocorrelation": (
        ("trends", "lag-1"),
        "test_autocorrelation.py:agrees_with_statsmodels",
        "test_autocorrelation.py:the_bias_correction_takes_the_mean_of_independent_series_to_zero",
    ),
    "level_and_slope_change": (
        ("models", "Autocorrelation, ML"),
        "../models/test_gls.py:optimum_equals_the_matrix_twin",
        "test_level.py:at_end_is_the_distance_between_the_two_lines_there",
    ),
    "level_and_slope_newey_west": (
        NO_OUTSIDE + "the variance is checked against a library instead",
        "../models/test_newey_west.py:equals_statsmodels",
        "test_level_newey_west.py:the_numbers_are_contrasts_of_the_fit",
    ),
    "mean_difference_ar1": (
        ("models", "Change between phases, AR(1)"),
        "../models/test_gls.py:optimum_equals_the_matrix_twin",
        "test_level.py:mean_difference_with_no_autocorrelation_is_the_difference_of_means",
    ),
    "standardized_mean_difference": (
        ("overlap", "mean difference over"),
        "test_standardized_difference.py:pooled_difference_agrees_with_pingouin",
        "test_standardized_difference.py:interval_solves_the_noncentral_t",
    ),
    "log_response_ratio": (
        ("overlap", "log response ratio"),
        "test_magnitude.py:ratio_interval_uses_welch_s_degrees_of_freedom",
        "test_magnitude.py:ratio_equals_its_formula_and_turns_with_the_direction",
    ),
    "percent_of_goal": (
        NO_OUTSIDE + "a share of a distance",
        NO_LIBRARY + "a share of a distance",
        "test_magnitude.py:percent_of_goal_at_its_marks",
    ),
    "mean_baseline_change": (
        NO_OUTSIDE + "a ratio of means",
        NO_LIBRARY + "a ratio of means",
        "test_magnitude.py:mean_baseline_change_has_a_sign_and_needs_a_baseline_above_zero",
    ),
    "dual_criterion": (
        ("decision_rules", "occasions beyond both lines"),
        "test_units.py:tails_and_required_counts_of_long_phases_are_the_binomial_ones",
        "test_decision_rules.py:dual_criterion_equals_a_least_squares_twin",
    ),
    "conservative_dual_criterion": (
        ("decision_rules", "occasions required"),
        "test_units.py:tails_and_required_counts_of_long_phases_are_the_binomial_ones",
        "test_decision_rules.py:the_conservative_lines_are_harder_to_cross",
    ),
    "deviation_band": (
        ("decision_rules", "upper end of the two-deviation band"),
        NO_LIBRARY + "a count of runs",
        "test_decision_rules.py:deviation_band_equals_a_twin",
    ),
    "stability_envelope": (
        ("decision_rules", "share inside the stability envelope"),
        NO_LIBRARY + "a count",
        "test_decision_rules.py:stability_envelope_equals_counting",
    ),
    "visual_features": (
        NO_OUTSIDE + "its parts are checked each by itself",
        "test_visual.py:every_feature_equals_its_definition",
        "test_visual.py:consistency_is_the_largest_difference_between_like_runs",
    ),
    "pooled_autocorrelation": (
        NO_OUTSIDE + "the estimator is the project's own",
        "test_pooled_autocorrelation.py:left_alone_the_plain_lag_1_is_far_too_low",
        "test_pooled_autocorrelation.py:the_expected_ratio_is_that_of_many_simulated_phases",
    ),
    "randomization_test": (
        ("randomization", "two-sample permutation p"),
        "test_randomization.py:unrestricted_order_agrees_with_scipy",
        "test_randomization.py:staggered_starts_equal_brute_force_listed_and_met_in_the_middle",
    ),
}
NO_STATISTICS = {
    "RandomStart", "StaggeredStarts", "Alternating", "RandomChanges", "PermittedAssignments",
    "calibration_card", "child_answer", "effects", "verdict", "caseload_verdicts", "verdicts",
    "verdict_codes", "Rule", "effect_files", "caseload_autocorrelation",
}  # fmt: skip


def functions(file):
    tree = ast.parse((ROOM / "single_case" / file).resolve().read_text(encoding="utf-8"))
    return {node.name.removeprefix("test_") for node in tree.body if isinstance(node, ast.FunctionDef)}


def test_every_public_statistic_of_one_series_is_in_the_list():
    public = {name for name, home in _HOMES.items() if home.startswith("single_case.")}
    assert public - NO_STATISTICS <= set(WAYS)


@pytest.mark.parametrize("name", WAYS)
def test_what_the_list_names_is_there(name):
    outside, library, identity = WAYS[name]
    if isinstance(outside, tuple):
        topic, begins = outside
        assert any(check.statistic.startswith(begins) for check in checks(topic))
    else:
        assert outside.startswith(NO_OUTSIDE)
    for way, allowed in ((library, NO_LIBRARY), (identity, None)):
        if allowed is not None and way.startswith(allowed):
            continue
        file, _, function = way.partition(":")
        assert function in functions(file)
    if not library.startswith(NO_LIBRARY):
        text = (ROOM / "single_case" / library.partition(":")[0]).resolve().read_text(encoding="utf-8")
        assert any(package in text for package in ("scipy", "statsmodels", "pingouin"))


def test_few_have_no_outside_value():
    without = [name for name, ways in WAYS.items() if isinstance(ways[0], str)]
    assert len(without) <= 6
