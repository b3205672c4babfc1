import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rungwise.basis.multiplicity import benjamini_hochberg
from scipy.stats import false_discovery_control
from statsmodels.stats.multitest import multipletests

P_VALUES = st.lists(st.floats(0, 1), min_size=1, max_size=25)


@given(P_VALUES)
def test_equals_scipy_and_statsmodels(p):
    ours = benjamini_hochberg(p)
    assert ours == pytest.approx(false_discovery_control(p), abs=1e-12)
    assert ours == pytest.approx(multipletests(p, method="fdr_bh")[1], abs=1e-12)


@given(P_VALUES, st.floats(0.001, 0.5))
def test_rejects_as_the_step_up_rule_does(p, q):
    ranked = np.sort(p)
    passing = np.flatnonzero(ranked <= np.arange(1, len(p) + 1) * q / len(p))
    rejected = 0 if len(passing) == 0 else passing[-1] + 1
    # Values at the edge to the last binary digit may fall either way.
    edge = np.isclose(ranked * len(p), np.arange(1, len(p) + 1) * q, rtol=1e-12).any()
    assert edge or np.sum(benjamini_hochberg(p) <= q) == rejected


def test_missing_p_values_do_not_count():
    adjusted = benjamini_hochberg([0.01, np.nan, 0.02])
    assert np.isnan(adjusted[1])
    assert adjusted[[0, 2]] == pytest.approx([0.02, 0.02])
    assert benjamini_hochberg([]).tolist() == []


def test_wrong_arguments_are_named():
    with pytest.raises(ValueError, match=r"p_values must lie between 0 and 1; got 1\.2"):
        benjamini_hochberg([0.1, 1.2])
    with pytest.raises(ValueError, match="one row of numbers; got 2 dimensions"):
        benjamini_hochberg([[0.1]])
