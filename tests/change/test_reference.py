import numpy as np
import pytest
from rungwise.basis.errors import NotEnoughData
from rungwise.change.reference import Reference


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"sd": 0}, "sd must be a number above 0, or None if it is not known; got 0."),
        ({"sd": float("nan")}, "sd must be a number above 0, or None if it is not known; got nan."),
        (
            {"reliability": 1.0},
            "reliability must be a number between 0 and 1, or None if it is not known; got 1.0.",
        ),
        (
            {"reliability": "0.9"},
            "reliability must be a number between 0 and 1, or None if it is not known; got '0.9'.",
        ),
        ({"n": 12.5}, "n must be a whole number of at least 2, or None if it is not known; got 12.5."),
        ({"mean": np.inf}, "mean must be a finite number, or None if it is not known; got inf."),
    ],
)
def test_unsound_values_are_named(values, message):
    with pytest.raises(ValueError) as caught:
        Reference(**values)
    assert str(caught.value) == message


@pytest.mark.parametrize("n", [0, 1, 19])
def test_own_group_below_twenty_is_refused(n):
    with pytest.raises(NotEnoughData, match=f"at least 20 children; there are {n}"):
        Reference.from_own_group(np.arange(n))
    with pytest.raises(NotEnoughData):
        Reference(sd=2.0, n=19, own_group=True)


def test_own_group_counts_only_children_with_scores():
    scores = [*range(19), None, float("nan")]
    with pytest.raises(NotEnoughData, match="there are 19"):
        Reference.from_own_group(scores)


def test_own_group_of_twenty_gives_its_values():
    rng = np.random.default_rng(4)
    first = rng.normal(20, 5, 25)
    second = 0.6 * first + rng.normal(9, 3, 25)
    own = Reference.from_own_group(first, second, reliability=0.8, reliability_kind="test_retest")
    assert own.sd == pytest.approx(np.std(first, ddof=1))
    assert own.post_mean == pytest.approx(second.mean())
    assert own.retest_correlation == pytest.approx(np.corrcoef(first, second)[0, 1])
    assert own.practice_effect == pytest.approx(second.mean() - first.mean())
    assert own.n == 25
    assert any("own 25 children" in words for words in own.cautions(True))


def test_own_group_without_spread_is_refused():
    with pytest.raises(NotEnoughData, match="no spread"):
        Reference.from_own_group([5] * 30)


@pytest.mark.parametrize(
    ("values", "days", "words"),
    [
        ({"reliability_kind": "internal_consistency"}, None, "internal consistency"),
        ({"reliability_kind": "inter_rater"}, None, "between raters"),
        ({}, None, "not known what kind"),
        ({"reliability_kind": "test_retest"}, None, "retest interval of the reliability is not known"),
        ({"reliability_kind": "test_retest", "retest_days": 14}, 90, "over 14 days and the change over 90"),
        ({"score_kind": "raw"}, 60, "Raw scores 60 days apart carry growing up"),
    ],
)
def test_cautions_are_said(values, days, words):
    assert any(words in sentence for sentence in Reference(**values).cautions(True, days))


def test_no_caution_without_cause():
    known = Reference(reliability_kind="test_retest", retest_days=28, score_kind="raw")
    assert known.cautions(True, 42) == ()
    assert Reference().cautions(False) == ()
