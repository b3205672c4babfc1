import itertools
import math
import warnings
from dataclasses import replace

import numpy as np
import pytest
from rungwise.audit.case_mix import (
    PER_COEFFICIENT,
    RARE,
    baseline_levels,
    case_mix,
    expected_count,
)
from scipy.stats import binom


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


def test_limits_of_a_sum_of_unlike_chances_are_exact(rng):
    """Against every way in which eleven children can fall or not, counted one by one."""
    chances = rng.uniform(0.05, 0.95, 11)
    ways = np.array(list(itertools.product([0, 1], repeat=11)))
    weight = np.where(ways, chances, 1 - chances).prod(axis=1)
    falls = ways.sum(axis=1)
    for outside in (0.3, 0.05, 0.002):
        expected, low, high = expected_count(chances, outside)
        assert expected == pytest.approx(chances.sum())
        assert weight[falls < low].sum() <= outside / 2 < weight[falls <= low].sum()
        assert weight[falls > high].sum() <= outside / 2 < weight[falls >= high].sum()
    assert expected_count(np.full(40, 0.3), 0.05)[1:] == tuple(binom(40, 0.3).ppf([0.025, 0.975]))


def test_a_group_lies_nearer_to_what_its_own_children_helped_to_expect(rng):
    """Falls less expected, in standard deviations of chance: the variance of O - E is V1 V2 / (V1 + V2).

    From the least-squares identity (O1 - E1) = (V2 O1 - V1 O2) / (V1 + V2) of a model without groups.
    """
    beyond, apart = 0, []
    for _ in range(300):
        level = rng.uniform(0, 1, 80)
        fell = rng.random(80) < 1 / (1 + np.exp(-(level - 0.2)))
        model = case_mix(fell.tolist(), {"baseline_level": level.tolist()})
        chances = model.chances[:40]
        expected, low, high = expected_count(chances, 0.05)
        apart.append((fell[:40].sum() - expected) / np.sqrt((chances * (1 - chances)).sum()))
        beyond += not low <= fell[:40].sum() <= high
    assert np.std(apart) == pytest.approx(np.sqrt(0.5), abs=0.1)
    assert beyond / 300 < 0.02
    assert "too wide" in " ".join(expected_count.__doc__.split())


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
