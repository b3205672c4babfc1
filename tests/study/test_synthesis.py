"""Random-effects synthesis against stored metafor output, identities, and its edges."""

import json
from pathlib import Path

import numpy as np
import pytest
from rungwise.basis.estimate import Estimate, Estimates
from rungwise.study.synthesis import FEW_EFFECTS, ONE_LEFT, TOO_ALIKE, TOO_FEW, synthesize, tau2_reml

STORED = json.loads((Path(__file__).parents[1] / "reference" / "r" / "synthesis.json").read_text())


@pytest.mark.parametrize("expected", STORED["sets"], ids=lambda s: s["set"])
def test_equals_metafor(expected):
    ours = synthesize(expected["y"], expected["v"])
    assert ours.tau2 == pytest.approx(expected["tau2"], rel=1e-6, abs=1e-9)
    assert ours.average.value == pytest.approx(expected["mean"], rel=1e-7)
    assert ours.average.counts["standard_error"] == pytest.approx(expected["se"], rel=1e-6)
    assert ours.average.p_value == pytest.approx(expected["p"], rel=1e-5)
    assert (ours.average.ci_low, ours.average.ci_high) == pytest.approx(
        (expected["low"], expected["high"]), rel=1e-5
    )
    assert 100 * ours.i2 == pytest.approx(expected["i2"], rel=1e-5, abs=1e-6)
    assert (ours.q, ours.q_p) == pytest.approx((expected["q"], expected["q_p"]), rel=1e-9)


def test_groups_equal_metafor():
    one = next(s for s in STORED["sets"] if s["set"] == "spread")
    between = STORED["between"]
    ours = synthesize(one["y"], one["v"], groups=between["groups"])
    assert ours.between_p == pytest.approx(between["p"], rel=1e-5)
    assert list(ours.groups) == ["north", "south"]
    north = np.array(between["groups"]) == "north"
    alone = synthesize(np.array(one["y"])[north], np.array(one["v"])[north])
    assert ours.groups["north"].average.value == alone.average.value
    assert np.isnan(ours.groups["north"].weights[~north]).all()


def test_equal_variances_reduce_to_a_t_interval():
    y = np.array([1.0, 2.0, 4.0, 3.5, 2.2])
    ours = synthesize(y, np.full(5, 0.1))
    assert ours.tau2 == pytest.approx(y.var(ddof=1) - 0.1, rel=1e-9)
    assert ours.average.value == pytest.approx(y.mean(), rel=1e-12)
    assert ours.average.counts["standard_error"] == pytest.approx(y.std(ddof=1) / np.sqrt(5), rel=1e-9)
    np.testing.assert_allclose(ours.weights, 0.2)
    assert ours.prediction_low < ours.average.ci_low < ours.average.ci_high < ours.prediction_high


def test_the_highest_of_several_peaks_is_found():
    rng = np.random.default_rng(1)
    for _ in range(40):
        k = rng.integers(3, 9)
        y, v = rng.normal(size=k), rng.choice([0.001, 0.1, 2.0], size=k)

        def height(tau2, y=y, v=v):
            w = 1 / (v + tau2)
            mean = np.sum(w * y) / w.sum()
            return 0.5 * (np.log(w).sum() - np.log(w.sum()) - np.sum(w * (y - mean) ** 2))

        best = max(height(t) for t in np.concatenate([[0], np.logspace(-7, 2, 2000)]))
        assert height(tau2_reml(y, v)) >= best - 1e-9


def test_estimates_bring_their_own_variances():
    y, v = [0.9, 0.4, float("nan"), 0.7], [0.04, 0.05, 0.1, 0.02]
    many = Estimates("NAP", np.array(y), np.full(4, 12), counts={"variance": np.array(v)})
    listed = [Estimate("NAP", a, n=12, counts={"variance": b}) for a, b in zip(y, v, strict=True)]
    plain = synthesize([0.9, 0.4, 0.7], [0.04, 0.05, 0.02])
    for given in (many, listed):
        ours = synthesize(given)
        assert ours.average.value == plain.average.value
        assert ours.average.statistic == "NAP (average)"
        assert ours.average.n == 3
        assert "1 effects could not be estimated and are left out." in ours.average.cautions
        assert np.isnan(ours.weights[2])


def test_an_effect_that_could_not_be_estimated_needs_no_variance():
    listed = [Estimate("d", a, n=12, counts={"variance": 0.04}) for a in (0.9, 0.4, 0.7)]
    ours = synthesize([*listed, Estimate("d", float("nan"), n=3, counts={"cases": 2})])
    assert ours.average.value == synthesize(listed).average.value
    assert "1 effects could not be estimated and are left out." in ours.average.cautions
    with pytest.raises(ValueError, match=r"effect 2 \(d\) holds no sampling variance"):
        synthesize([listed[0], Estimate("d", 0.5, n=3, counts={"cases": 2})])


def test_few_effects_are_said():
    assert synthesize([0.5], [0.1]).average.cautions == (TOO_FEW,)
    assert np.isnan(synthesize([0.5], [0.1]).average.value)
    assert np.isnan(synthesize([], []).average.value)
    two = synthesize([0.5, 0.9], [0.1, 0.1])
    assert {FEW_EFFECTS, ONE_LEFT} <= set(two.average.cautions)
    assert np.isnan(two.prediction_low)
    alike = synthesize([0.5, 0.52, 0.49, 0.51, 0.5], [0.04, 0.05, 0.02, 0.06, 0.04])
    assert TOO_ALIKE in alike.average.cautions
    assert TOO_ALIKE not in synthesize([0.1, 0.9, 0.4, 0.7, 0.2], [0.01] * 5).average.cautions
    same = synthesize([0.5, 0.5, 0.5], [0.1, 0.2, 0.1])
    assert np.isnan(same.average.p_value)
    assert any("All effects are equal" in sentence for sentence in same.average.cautions)


def test_wrong_arguments_say_what_is_allowed():
    with pytest.raises(ValueError, match="variances must be given with plain numbers"):
        synthesize([0.1, 0.2])
    with pytest.raises(ValueError, match=r"effect 1 \(PND\) holds no sampling variance"):
        synthesize([Estimate("PND", 0.4), Estimate("PND", 0.5)])
    with pytest.raises(ValueError, match="two columns of one length"):
        synthesize([0.1, 0.2], [0.1])
    with pytest.raises(ValueError, match="variances must be greater than 0; entry 2 is 0"):
        synthesize([0.1, 0.2], [0.1, 0.0])
    with pytest.raises(ValueError, match=r"groups must be one label per effect \(2\); got 1"):
        synthesize([0.1, 0.2], [0.1, 0.1], groups=["a"])
