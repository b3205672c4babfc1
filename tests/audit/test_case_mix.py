import math
import warnings
from dataclasses import replace

import numpy as np
import pytest
from rungwise.audit.case_mix import (
    PER_COEFFICIENT,
    RARE,
    CaseMix,
    baseline_levels,
    case_mix,
    expected_count,
)
from scipy.stats import norm


@pytest.fixture
def rng():
    return np.random.default_rng(811)


def test_with_one_word_the_chances_are_the_shares_themselves():
    """A logistic model with one factor reproduces the share of each of its levels (identity)."""
    fell = [True] * 21 + [False] * 9 + [True] * 6 + [False] * 24
    model = case_mix(fell, {"referral_reason": ["heights"] * 30 + ["vehicles"] * 30})
    np.testing.assert_allclose(model.chances, [0.7] * 30 + [0.2] * 30, atol=1e-9)
    assert model.adjusted_for == ("referral reason",)
    assert model.why == ""


def test_expected_falls_add_up_to_the_falls(rng):
    """The score equation of the intercept: fitted chances sum to the count."""
    level = rng.uniform(0, 1, 200)
    age = rng.choice(["under 6 years", "6 to 9 years"], 200)
    fell = rng.random(200) < 1 / (1 + np.exp(-(2 * level - 1)))
    model = case_mix(fell.tolist(), {"baseline_level": level.tolist(), "age_band": age.tolist()})
    assert model.chances.sum() == pytest.approx(fell.sum(), abs=1e-6)
    assert np.corrcoef(model.chances, level)[0, 1] > 0.9


def made(rng, groups, *, level, slope, size):
    """Children of groups alike in their work, who come at levels that differ by group."""
    group = np.arange(size) % groups
    severity = rng.normal(size=size) + 0.3 * group
    fell = rng.random(size) < 1 / (1 + np.exp(-(level + slope * severity)))
    return group, case_mix(fell.tolist(), {"baseline_level": severity.tolist()}), fell


def apart(rng, times, **how):
    """Observed less expected falls of every group, with the ends of their limits."""
    found = []
    for _ in range(times):
        group, model, fell = made(rng, **how)
        for one in range(how["groups"]) if not model.why else ():
            mine = group == one
            expected, *limits = expected_count(model, mine, 0.05)
            found.append((fell[mine].sum() - expected, *(limit - expected for limit in limits)))
    return np.array(found)


@pytest.mark.parametrize(
    ("groups", "level", "slope", "size"), [(2, 0.3, 0.8, 80), (4, 0.3, 0.8, 160), (3, 1.8, 0.5, 120)]
)
def test_limits_of_groups_alike_in_their_work_are_left_as_often_as_they_say(groups, level, slope, size):
    """Simulated: of groups that differ in who came alone, 5 % lie outside limits meant for 5 %."""
    off = apart(np.random.default_rng(4), 400, groups=groups, level=level, slope=slope, size=size)
    assert len(off) > 380 * groups
    outside = ((off[:, 0] < off[:, 1]) | (off[:, 0] > off[:, 2])).mean()
    assert 0.04 < outside < 0.065
    assert np.std(off[:, 0]) == pytest.approx(np.mean(off[:, 2]) / norm.ppf(0.975), rel=0.06)


def test_two_groups_and_nothing_else_in_the_model_have_the_known_variance(rng):
    """With the intercept alone beside the groups: V1 V2 / (V1 + V2), from least squares."""
    fell = rng.random(70) < 0.6
    chances = np.full(70, fell.mean())
    model = CaseMix(chances, np.ones((70, 1)), ())
    mine = np.arange(70) < 30
    expected, low, high = expected_count(model, mine, 0.05)
    one, two = ((chances * (1 - chances))[part].sum() for part in (mine, ~mine))
    assert expected == pytest.approx(30 * fell.mean())
    assert high - expected == pytest.approx(norm.ppf(0.975) * np.sqrt(one * two / (one + two)))
    assert expected - low == pytest.approx(high - expected)


def test_the_variance_is_what_a_weighted_regression_of_the_group_leaves(rng):
    group, model, _ = made(rng, 3, level=0.2, slope=0.7, size=90)
    root = np.sqrt(model.chances * (1 - model.chances))
    mine = group == 2
    (left,) = np.linalg.lstsq(root[:, None] * model.design, root * mine, rcond=None)[1]
    _, low, high = expected_count(model, mine, 0.002)
    assert high - low == pytest.approx(2 * norm.ppf(0.999) * np.sqrt(left))


def test_a_group_that_the_model_tells_apart_has_no_limits(rng):
    fell = rng.random(80) < 0.6
    kind = ["older" if i < 40 else "younger" for i in range(80)]
    model = case_mix(fell.tolist(), {"age_band": kind})
    mine = np.arange(80) < 40
    expected, low, high = expected_count(model, mine, 0.05)
    assert expected == pytest.approx(fell[mine].sum())
    assert math.isnan(low)
    assert math.isnan(high)


def test_limits_never_leave_the_number_of_children(rng):
    model = CaseMix(np.full(20, 0.97), np.ones((20, 1)), ())
    few = np.arange(20) < 4
    assert expected_count(model, few, 0.002)[2] == 4
    model = CaseMix(np.full(20, 0.03), np.ones((20, 1)), ())
    assert expected_count(model, few, 0.002)[1] == 0


def test_characteristics_enter_as_long_as_there_are_children_for_them(rng):
    many = rng.choice(list("abcdef"), 80).tolist()
    fell = ([True] * 3 + [False]) * 20
    entry = {
        "baseline_level": rng.random(80).tolist(),
        "age_band": many,
        "referral_reason": rng.choice(["x", "y"], 80).tolist(),
    }
    assert 20 // PER_COEFFICIENT < 1 + 5
    model = case_mix(fell, entry)
    assert model.adjusted_for == ("baseline level", "referral reason")
    assert model.left_out == ("age at entry",)
    none = case_mix([True] * 78 + [False] * 2, entry)
    assert none.chances.size == 0
    assert none.why.startswith(f"A model needs {PER_COEFFICIENT} children of the rarer outcome")


def test_rare_words_are_put_together():
    words = ["a"] * 30 + ["b"] * (RARE - 1) + ["c"] * (RARE - 1)
    # One of four and three of four: together they fell in half of the eight.
    fell = [i % 2 == 0 for i in range(30)] + [False, False, False, True, True, True, True, False]
    together = case_mix(fell, {"referral_reason": words}).chances[30:]
    np.testing.assert_allclose(together, 0.5, atol=1e-9)
    few = ["a"] * 30 + ["b"] * (RARE - 1) + ["c"] * 20
    model = case_mix([i % 2 == 0 or i > 46 for i in range(len(few))], {"referral_reason": few})
    assert model.chances[0] == pytest.approx(model.chances[30])
    assert model.chances[0] != pytest.approx(model.chances[-1])


@pytest.mark.parametrize(
    ("values", "why"),
    [
        (["a"] * 40, "Nothing that was recorded"),
        (["a"] * 20 + ["b"] * 20, "tells some outcomes apart completely"),
    ],
)
def test_without_a_model_a_sentence_says_why(values, why):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        model = case_mix([True] * 20 + [False] * 20, {"age_band": values})
    assert model.chances.size == 0
    assert why in model.why
    missing = case_mix([True, False] * 20, {"baseline_level": [math.nan, *[0.5, 0.7, 0.2] * 13]})
    assert "Nothing that was recorded" in missing.why


def test_a_baseline_level_is_a_place_on_the_scale(outcome):
    lower, higher = outcome("C01"), outcome("C02", better="higher")
    assert np.isnan(baseline_levels([lower])).all()
    for one in (lower, higher):
        (ladder,) = one.answer.ladders
        declined = np.zeros(len(ladder.series.values), dtype=bool)
        declined[:3] = one is higher
        series = replace(ladder.series, floor=0.0, ceiling=10.0, declined=declined)
        object.__setattr__(one.answer, "ladders", (replace(ladder, series=series),))
    assert baseline_levels([lower, higher, outcome("C03", "")])[:2] == [0.7, 1.0]
