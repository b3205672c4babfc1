"""Tau-U: hand-counted cases, every coefficient and denominator, corrections, and what it must say."""

import math

import numpy as np
import pytest
from cases import CASES
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case import tau_u as module
from rungwise.single_case.nap import EMPTY_CAUTION
from rungwise.single_case.tau import tau
from rungwise.single_case.tau_u import DENOMINATORS, TRENDS, tau_u, tau_u_batch


def pairs_in_order(times):
    return sum(times[j] > times[i] for i in range(len(times)) for j in range(i + 1, len(times)))


@pytest.mark.parametrize("trend", TRENDS)
@pytest.mark.parametrize("denominator", DENOMINATORS)
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_hand_counted_cases(case, trend, denominator):
    result = tau_u(case.series, trend, denominator)
    if not case.estimable:
        assert math.isnan(result.value)
        assert math.isnan(result.p_value)
        assert EMPTY_CAUTION in result.cautions
        return
    usable = case.series.usable
    own = case.n_a * case.n_b
    s = case.better - case.worse
    if trend != "exposure":
        s -= case.s_a
        own += pairs_in_order(case.series.times[usable & (case.series.phases == "baseline")])
    if trend != "baseline":
        s += case.s_b
        own += pairs_in_order(case.series.times[usable & (case.series.phases == "exposure")])
    divisor = own if denominator == "own_pairs" else case.n_a * case.n_b
    assert result.value == s / divisor
    assert (result.counts["numerator"], result.counts["denominator"]) == (s, divisor)
    assert 0 < result.p_value <= 1
    assert math.isnan(result.ci_low)
    assert module.NO_INTERVAL in result.cautions
    assert module.NEVER_DECIDES in result.cautions
    assert (module.UNBOUNDED in result.cautions) == (denominator == "cross_pairs")
    if denominator == "own_pairs":
        assert -1 <= result.value <= 1


def test_the_method_says_numerator_denominator_and_how_p_was_found():
    series = PhaseSeries.from_phases([7, 8, 6], [6, 5, 7, 3, 8])
    assert tau_u(series).method == (
        "S_AB - S_A over all pairs that enter it; exact p over all orders of the ratings"
    )
    assert tau_u(series, "exposure", "cross_pairs").method.startswith(
        "S_AB + S_B over baseline-exposure pairs"
    )
    assert tau_u(series, "both").method.startswith("S_AB + S_B - S_A over")


class TestCorrection:
    improving = PhaseSeries.from_phases([9, 8, 7, 6, 5], [5, 4, 4, 3, 2, 2])
    worsening = PhaseSeries.from_phases([5, 6, 7, 8, 9], [5, 4, 4, 3, 2, 2])
    unclear = PhaseSeries.from_phases([7, 6, 7, 6, 7], [5, 4, 4, 3, 2, 2])

    def test_only_if_improving(self):
        assert tau_u(self.improving, correct="improving").value == tau_u(self.improving).value
        plain = tau_u(self.worsening, correct="improving")
        assert plain.value == tau(self.worsening).value
        assert "baseline trend not taken away" in plain.method

    def test_only_if_significant(self):
        # Five occasions in order: 2 of 120 orders.
        assert tau_u(self.improving, correct="significant").value == tau_u(self.improving).value
        assert tau_u(self.improving, correct="significant", level=0.01).value == tau(self.improving).value
        assert tau_u(self.unclear, correct="significant").value == tau(self.unclear).value

    def test_a_choice_made_by_the_data_has_no_p(self):
        for correct in ("improving", "significant"):
            result = tau_u(self.improving, correct=correct)
            assert math.isnan(result.p_value)
            assert module.CHOSEN in result.cautions
        assert not math.isnan(tau_u(self.improving, "exposure", correct="improving").p_value)

    def test_taking_away_a_worsening_baseline_raises_it_and_says_so(self):
        always = tau_u(self.worsening, denominator="cross_pairs")
        assert always.value > tau(self.worsening).value
        assert module.INCREASED in always.cautions
        assert module.INCREASED not in tau_u(self.improving).cautions


def test_batch_equals_one_by_one_even_with_shared_days():
    for trend in TRENDS:
        together = tau_u_batch(SeriesBatch.of(*(case.series for case in CASES)), trend)
        for case, ours in zip(CASES, together, strict=True):
            alone = tau_u(case.series, trend)
            assert ours.value == pytest.approx(alone.value, nan_ok=True)
            assert ours.p_value == pytest.approx(alone.p_value, rel=1e-12, nan_ok=True)
            assert ours.cautions == alone.cautions
            assert ours.method == alone.method


def test_why_it_never_decides():
    # A falling baseline that simply goes on, no effect: improvement is found far too often.
    rng = np.random.default_rng(3)
    latent = rng.normal(8 - 0.3 * np.arange(15), 1.2, (400, 15))
    batch = SeriesBatch.from_arrays(np.clip(np.rint(latent), 0, 10).astype(np.int8), 5)
    result = tau_u_batch(batch)
    assert np.mean((result.p_value <= 0.05) & (result.value > 0)) > 0.33


@pytest.mark.parametrize(
    ("call", "message"),
    [
        ({"trend": "A"}, "trend must be one of 'baseline', 'exposure', 'both'; got 'A'"),
        ({"denominator": "own"}, "denominator must be one of 'own_pairs', 'cross_pairs'; got 'own'"),
        ({"correct": "never"}, "correct must be one of 'always', 'improving', 'significant'; got 'never'"),
        ({"alternative": "up"}, "alternative must be one of"),
        ({"level": 5}, "level must be a number between 0 and 1; got 5"),
    ],
)
def test_refusals(call, message):
    with pytest.raises(ValueError, match=message):
        tau_u(PhaseSeries.from_phases([7, 8, 6], [6, 5, 7, 3, 8]), **call)
