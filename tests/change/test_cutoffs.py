import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rungwise.change.cutoffs import clinical_cutoffs

GROUPS = {"clinical_mean": 23.0, "clinical_sd": 8.0, "functional_mean": 7.0, "functional_sd": 4.0}


@given(st.floats(0, 50), st.floats(0.5, 10), st.floats(1, 50), st.floats(0.5, 10))
def test_c_is_equally_far_from_both_groups(clinical, s1, ahead, s0):
    cutoffs = clinical_cutoffs(
        clinical_mean=clinical, clinical_sd=s1, functional_mean=clinical + ahead, functional_sd=s0,
        better="higher",
    )  # fmt: skip
    c = cutoffs.c.value
    assert (c - clinical) / s1 == pytest.approx((clinical + ahead - c) / s0)
    assert cutoffs.a.value == pytest.approx(clinical + 2 * s1)
    assert cutoffs.b.value == pytest.approx(clinical + ahead - 2 * s0)
    # No score is more than 2 SD beyond both groups' sides exactly when the groups hardly overlap.
    assert bool(cutoffs.c.cautions) == (cutoffs.b.value > cutoffs.a.value)


def test_lower_is_the_mirror_image():
    lower = clinical_cutoffs(**GROUPS, better="lower")
    mirrored = clinical_cutoffs(
        clinical_mean=-23.0, clinical_sd=8.0, functional_mean=-7.0, functional_sd=4.0, better="higher"
    )
    for name in "abc":
        assert lower[name].value == -mirrored[name].value


def test_a_score_on_the_cutoff_is_not_beyond_it():
    lower = clinical_cutoffs(**GROUPS, better="lower")
    assert lower.b.value == 15.0
    assert lower.functional(np.array([15.0, 14.9, 15.1, np.nan]), "b").tolist() == [
        False,
        True,
        False,
        False,
    ]
    higher = clinical_cutoffs(functional_mean=60, functional_sd=5, better="higher")
    assert higher.functional(np.array([50.0, 50.1]), "b").tolist() == [False, True]


@pytest.mark.parametrize("absent", GROUPS)
def test_absent_reference_values_cannot_be_said(absent):
    cutoffs = clinical_cutoffs(**{**GROUPS, absent: None}, better="lower")
    group, other = absent.split("_")[0], {"clinical": "b", "functional": "a"}[absent.split("_")[0]]
    for name in {"a", "b", "c"} - {other}:
        assert math.isnan(cutoffs[name].value)
        assert f"{group} group's" in cutoffs[name].cautions[0]
    assert not math.isnan(cutoffs[other].value)
    assert not cutoffs.functional(np.array([0.0, 100.0])).any()


def test_wrong_arguments_are_named():
    with pytest.raises(ValueError, match=r"functional_mean must be lower than clinical_mean \(7\)"):
        clinical_cutoffs(clinical_mean=7, functional_mean=23, better="lower")
    with pytest.raises(ValueError, match="functional_mean must be higher"):
        clinical_cutoffs(clinical_mean=7, functional_mean=7, better="higher")
    with pytest.raises(ValueError, match="sd must be a number above 0"):
        clinical_cutoffs(clinical_sd=0, better="lower")
    with pytest.raises(ValueError, match="cutoff must be one of 'a', 'b', 'c'; got 'd'"):
        clinical_cutoffs(better="lower")["d"]
