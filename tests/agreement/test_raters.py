"""Raters compared: against ordinary formulas, variance components, and through a read caseload."""

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from rungwise.agreement.raters import compare_effects, paired_ratings, rater_difference, rater_effects
from rungwise.series.caseload import read_caseload
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.tau import tau
from scipy import stats


def test_one_occasion_a_child_is_the_ordinary_comparison():
    rng = np.random.default_rng(1)
    a, b = rng.normal(6, 2, 17), rng.normal(5, 2, 17)
    result = rater_difference(a, b)
    expected = stats.ttest_rel(a, b).confidence_interval(0.95)
    assert (result.ci_low, result.ci_high) == pytest.approx((expected.low, expected.high))
    sd = np.std(a - b, ddof=1)
    assert result.counts["sd"] == pytest.approx(sd)
    reach = stats.norm.ppf(0.975) * sd
    assert result.counts["limit_low"] == pytest.approx(np.mean(a - b) - reach)
    assert result.counts["limit_high"] == pytest.approx(np.mean(a - b) + reach)
    assert rater_difference(b, a).value == pytest.approx(-result.value)


def test_several_occasions_a_child_add_both_spreads():
    rng = np.random.default_rng(2)
    children = np.repeat([f"C{i}" for i in range(12)], 6)
    d = np.repeat(rng.normal(1, 1.5, 12), 6) + rng.normal(0, 0.8, 72)
    b = rng.normal(5, 2, 72)
    result = rater_difference(b + d, b, children)
    # With equal numbers a child the components equal those of REML.
    fit = smf.mixedlm("d ~ 1", pd.DataFrame({"d": d}), groups=children).fit(reml=True)
    assert result.counts["sd"] ** 2 == pytest.approx(float(fit.cov_re.iloc[0, 0]) + fit.scale, rel=1e-3)
    means = d.reshape(12, 6).mean(axis=1)
    expected = stats.ttest_1samp(means, 0).confidence_interval(0.95)
    assert (result.ci_low, result.ci_high) == pytest.approx((expected.low, expected.high))
    assert (result.counts["children"], result.counts["pairs"]) == (12, 72)


def test_spread_of_single_differences_with_very_unequal_numbers():
    rng = np.random.default_rng(7)
    children = np.repeat(np.arange(6), [20, 1, 1, 2, 1, 9])
    variances = []
    for _ in range(300):
        d = rng.normal(0, 2, 6)[children] + rng.normal(0, 1, len(children))
        variances.append(rater_difference(d, np.zeros(len(d)), children).counts["sd"] ** 2)
    assert np.mean(variances) == pytest.approx(5, rel=0.1)


def test_interval_over_children_covers_with_unequal_numbers():
    rng = np.random.default_rng(3)
    children = np.repeat(np.arange(20), rng.integers(2, 9, 20))
    covered = 0
    for _ in range(400):
        d = rng.normal(1, 1.5, 20)[children] + rng.normal(0, 1, len(children))
        result = rater_difference(d, np.zeros(len(d)), children)
        covered += result.ci_low <= 1 <= result.ci_high
    assert 0.92 <= covered / 400 <= 0.98


def test_one_child_has_limits_and_no_interval():
    result = rater_difference([5, 6, 7, 3], [4, 4, 4, None], ["C1"] * 4)
    assert result.value == 2
    assert result.counts["missing"] == 1
    assert math.isnan(result.ci_low)
    assert result.counts["limit_low"] < 2 < result.counts["limit_high"]
    assert result.cautions[0].startswith("All occasions are of one child")


@pytest.mark.parametrize(
    ("a", "b", "words"),
    [([], [], "No occasion"), ([1, None], [None, 2], "No occasion"), ([1], [2], "One occasion")],
)
def test_too_little_to_compare(a, b, words):
    result = rater_difference(a, b)
    assert math.isnan(result.counts["sd"])
    assert math.isnan(result.ci_low)
    assert result.cautions[0].startswith(words)


BY_CHILD = PhaseSeries.from_phases([8, 8, 7, 8, 7], [5, 4, 4, 3, 2, 2])
FLAT = PhaseSeries.from_phases([6, 5, 7, 6, 6], [6, 6, 5, 7, 6, 6])
RISING = PhaseSeries.from_phases([2, 3, 2, 2, 3], [5, 6, 6, 7, 7, 8])


def test_an_effect_seen_by_all_needs_no_caution():
    seen = compare_effects({"child": BY_CHILD, "parent": BY_CHILD})
    assert seen.cautions == ()
    assert seen.effects["child"].value == tau(BY_CHILD).value


def test_an_effect_that_rests_on_one_kind_of_rater_is_said():
    assert "nobody else's view" in compare_effects({"parent": BY_CHILD}).cautions[0]
    weak = PhaseSeries.from_phases([6, 5, 7, 6, 6], [6, 5, 5, 6, 6, 5])
    for other in (FLAT, RISING, weak):
        (words,) = compare_effects({"child": BY_CHILD, "parent": other}).cautions
        assert words.startswith("Ratings by the parent do not show the change that those by the child show")
    short = PhaseSeries.from_phases([], [1])
    (words,) = compare_effects({"child": BY_CHILD, "therapist": short}).cautions
    assert words.endswith("(too few to say).")
    assert compare_effects({"child": FLAT, "parent": BY_CHILD}).cautions == ()
    assert compare_effects({"not recorded": FLAT}).cautions == ("Who gave the ratings is not recorded.",)
    with pytest.raises(ValueError, match="series must hold at least one series"):
        compare_effects({})


@pytest.fixture
def caseload(tmp_path):
    rows = ["child_id,date,phase,rating,rated_by,outcome"]
    child = [8, 8, 7, 8, 7, 5, 4, 4, 3, 2, 2]
    parent = [6, 5, 7, None, 6, 6, 6, 5, 7, 6, None]
    for i, (one, two) in enumerate(zip(child, parent, strict=True)):
        phase = "baseline" if i < 5 else "exposure"
        rows.append(f"C1,2026-01-{i + 1:02d},{phase},{one},child,fear")
        rows.append(f"C1,2026-01-{i + 1:02d},{phase},9,therapist,fear")
        rows.append(f"C1,2026-01-{i + 1:02d},{phase},0,parent,worry")
        if two is not None:
            rows.append(f"C1,2026-01-{i + 1:02d},{phase},{two},parent,fear")
    path = tmp_path / "ratings.csv"
    path.write_text("\n".join(rows) + "\n")
    return read_caseload(path)


def test_ratings_of_one_day_are_paired(caseload):
    _, none_given, _ = paired_ratings(caseload, "parent", "observer")
    assert len(none_given) == 9
    assert np.isnan(none_given).all()
    a, b, children = paired_ratings(caseload, "child", "parent")
    assert len(a) == 11
    assert np.isnan(b).sum() == 2
    assert set(children) == {"C1"}
    difference = rater_difference(a, b, children)
    assert difference.counts["missing"] == 2
    assert difference.value == pytest.approx(np.mean([2, 3, 0, 1, -1, -2, -1, -4, -4]))
    own, _, _ = paired_ratings(caseload, "child", "parent", child_id="C1")
    assert own.tolist() == a.tolist()
    nobody, _, _ = paired_ratings(caseload, "child", "parent", child_id="C2")
    elsewhere, _, _ = paired_ratings(caseload, "child", "parent", child_id="C1", ladder_id="wall")
    assert len(nobody) == len(elsewhere) == 0


def test_effects_from_a_caseload_keep_raters_apart(caseload):
    seen = rater_effects(caseload, "C1")
    assert list(seen.effects) == ["child", "parent", "therapist"]
    assert seen.effects["parent"].n == 9
    assert seen.effects["child"].value == 1
    assert seen.cautions[0].startswith("Ratings by the parent do not show")


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: rater_difference([1], [1, 2]), "b must be one rating per rating of a (1); got 2."),
        (lambda: rater_difference([1], [2], ["a", "b"]), "child_ids must be one per rating (1); got 2."),
        (lambda: rater_difference([math.inf], [2]), "a and b must be finite; got an infinite rating."),
    ],
)
def test_wrong_arguments_are_named(call, message):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value) == message
