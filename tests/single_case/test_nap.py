"""NAP: hand-counted cases, scipy, the interval's score equation, and its shipped coverage table."""

import csv
import math
from importlib import resources

import numpy as np
import pytest
from cases import CASES
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case import nap as module
from rungwise.single_case.nap import nap, nap_batch, nap_interval
from rungwise.single_case.pairs import pair_counts
from scipy import stats


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_hand_counted_cases(case):
    result = nap(case.series)
    assert (result.counts["n_baseline"], result.counts["n_exposure"]) == (case.n_a, case.n_b)
    assert (result.counts["missing"], result.counts["declined"]) == (case.missing, case.declined)
    assert (result.counts["concordant"], result.counts["discordant"]) == (case.better, case.worse)
    assert result.n == case.n_a + case.n_b
    assert (module.MISSING_CAUTION in result.cautions) == (case.missing > 0)
    assert (module.DECLINED_CAUTION in result.cautions) == (case.declined > 0)
    if not case.estimable:
        assert math.isnan(result.value)
        assert math.isnan(result.p_value)
        assert math.isnan(result.ci_low)
        assert result.favors == ""
        assert module.EMPTY_CAUTION in result.cautions
        return
    pairs = case.n_a * case.n_b
    tied = pairs - case.better - case.worse
    assert result.value == pytest.approx((case.better + tied / 2) / pairs)
    assert 0 < result.p_value <= 1
    assert (module.SHORT_CAUTION in result.cautions) == (case.n_a < 3 or case.n_b < 5)
    assert module.NULL_CAUTION in result.cautions
    if min(case.n_a, case.n_b) >= 3:
        assert 0 <= result.ci_low <= result.value <= result.ci_high <= 1
        assert result.ci_high - result.ci_low > 0.1
    else:
        assert math.isnan(result.ci_low)
        assert module.NO_INTERVAL_CAUTION in result.cautions


def test_all_ratings_equal_say_so():
    result = nap(PhaseSeries.from_phases([5] * 4, [5] * 6))
    assert (result.value, result.p_value, result.favors) == (0.5, 1.0, "neither")
    assert module.TIED_CAUTION in result.cautions


tied_ratings = st.lists(st.integers(0, 5), min_size=1, max_size=8)


@settings(max_examples=100)
@given(tied_ratings, tied_ratings)
def test_value_is_the_mann_whitney_u_of_scipy_over_the_pairs(baseline, exposure):
    series = PhaseSeries.from_phases(baseline, exposure, better="higher")
    u = stats.mannwhitneyu(exposure, baseline, method="asymptotic").statistic
    assert nap(series).value == pytest.approx(u / (len(baseline) * len(exposure)))


@settings(max_examples=100)
@given(tied_ratings, tied_ratings)
def test_turning_the_scale_round_turns_the_result_round(baseline, exposure):
    lower = nap(PhaseSeries.from_phases(baseline, exposure))
    higher = nap(PhaseSeries.from_phases(baseline, exposure, better="higher"))
    assert lower.value == pytest.approx(1 - higher.value)
    assert lower.p_value == higher.p_value
    if min(len(baseline), len(exposure)) >= 3:
        assert lower.ci_low == pytest.approx(1 - higher.ci_high, abs=1e-12)


def test_declines_rank_worst_and_leaving_them_out_is_another_number():
    series = PhaseSeries.from_phases(
        [8, 9, None], [7, 6, 8, 5, 7], declined=[False, False, True, *[False] * 5]
    )
    with_declines = nap(series)
    without = nap_batch(SeriesBatch.of(series).without_declines())[0]
    assert with_declines.counts["concordant"] == 4 + 5 + 5
    assert without.n == with_declines.n - 1
    assert without.counts["missing"] == 1


class TestInterval:
    @pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
    def test_limits_solve_the_score_equation(self, confidence):
        series = PhaseSeries.from_phases([7, 8, 6, 7, 9], [6, 5, 7, 3, 8, 2, 4])
        result = nap(series, confidence=confidence)
        z = stats.norm.ppf((1 + confidence) / 2)
        a, b = np.array([7, 8, 6, 7, 9]), np.array([6, 5, 7, 3, 8, 2, 4])
        wins = (b < a[:, None]) + 0.5 * (b == a[:, None])
        spread = wins.mean(axis=1).var(ddof=1) / 5 + wins.mean(axis=0).var(ddof=1) / 7

        def variance(theta):
            core = 1 + (6 - 1) * ((1 - theta) / (2 - theta) + theta / (1 + theta))
            return theta * (1 - theta) * core / 35

        wider = max(1.0, spread / variance(result.value))
        for limit in (result.ci_low, result.ci_high):
            assert abs(limit - result.value) == pytest.approx(
                z * math.sqrt(wider * variance(limit)), rel=1e-9
            )

    def test_placement_variance_is_delongs(self):
        # Standard error from memory of the paper's data, recomputed in R and in Python: .11040.
        batch = SeriesBatch.of(PhaseSeries.from_phases([2, 3, 5, 3], [4, 5, 5, 7, 6], better="higher"))
        found = module._placement_variance(pair_counts(batch), np.array([0]))[0]
        assert math.sqrt(found) == pytest.approx(0.11040, abs=5e-6)

    def test_complete_separation_keeps_a_width_that_shrinks_with_length(self):
        widths = []
        for n_a, n_b in ((3, 5), (5, 10), (10, 30)):
            result = nap(PhaseSeries.from_phases([9] * n_a, [2] * n_b))
            assert result.ci_high == 1.0
            widths.append(result.ci_high - result.ci_low)
        assert widths[0] > widths[1] > widths[2] > 0.1

    def test_a_wider_placement_variance_widens_the_interval(self):
        even = nap(PhaseSeries.from_phases([5, 6, 7, 8], [5, 6, 7, 8]))
        split = nap(PhaseSeries.from_phases([0, 10, 0, 10], [5, 5, 5, 5]))
        assert split.value == even.value == 0.5
        assert split.ci_high - split.ci_low > 1.1 * (even.ci_high - even.ci_low)

    def test_higher_confidence_is_wider(self):
        series = PhaseSeries.from_phases([7, 8, 6], [6, 5, 7, 3, 8])
        assert nap(series, confidence=0.99).ci_low < nap(series, confidence=0.9).ci_low

    def test_too_few_in_a_phase(self):
        low, high = nap_interval(pair_counts(SeriesBatch.of(PhaseSeries.from_phases([5, 4], [3, 2, 1]))))
        assert np.isnan(low).all()
        assert np.isnan(high).all()

    def test_can_be_left_out(self):
        result = nap(PhaseSeries.from_phases([7, 8, 6], [6, 5, 7, 3, 8]), interval=False)
        assert math.isnan(result.ci_low)
        assert module.INTERVAL_CAUTION not in result.cautions


def coverage_rows():
    table = resources.files("rungwise") / "data" / "nap_coverage.csv"
    lines = [line for line in table.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


class TestCoverageTable:
    rows = coverage_rows()

    def covered(self, phi, spread):
        return [float(row["coverage"]) for row in self.rows if (row["phi"], row["spread"]) == (phi, spread)]

    def test_what_the_documentation_claims(self):
        assert min(self.covered("0.0", "alike") + self.covered("0.0", "exposure varies more")) >= 0.93
        lowest = min((float(row["coverage"]), row) for row in self.rows if row["phi"] == "0.0")
        assert round(lowest[0], 2) == 0.86
        assert (lowest[1]["n_baseline"], lowest[1]["spread"]) == ("3", "baseline varies more")
        means = [round(float(np.mean(self.covered(phi, "alike"))), 2) for phi in ("0.2", "0.4", "0.6")]
        assert means == [0.95, 0.92, 0.87]

    def test_it_names_its_seed_versions_and_command(self):
        text = (resources.files("rungwise") / "data" / "nap_coverage.csv").read_text(encoding="utf-8")
        assert "Made by: python benchmarks/nap_coverage.py" in text
        assert "Seed 20261001" in text
        assert "numpy" in text

    def test_a_fresh_simulation_agrees_with_a_row(self):
        # A fall of one point, 5 and 10 occasions.
        cell = {"n_baseline": "5", "n_exposure": "10", "phi": "0.0", "spread": "alike"}
        row = [row for row in self.rows if cell.items() <= row.items()][1]
        rng = np.random.default_rng(4)
        latent = rng.normal([7.0] * 5 + [6.0] * 10, 1.5, (4000, 15))
        ratings = np.clip(np.rint(latent), 0, 10).astype(np.int8)
        low, high = nap_interval(pair_counts(SeriesBatch.from_arrays(ratings, 5)))
        truth = float(row["true_nap"])
        assert np.mean((low <= truth) & (truth <= high)) == pytest.approx(float(row["coverage"]), abs=0.015)


class TestBatch:
    def test_equals_one_by_one(self):
        together = nap_batch(SeriesBatch.of(*(case.series for case in CASES)))
        for case, ours in zip(CASES, together, strict=True):
            alone = nap(case.series)
            for name in ("value", "ci_low", "ci_high", "p_value"):
                assert getattr(ours, name) == pytest.approx(getattr(alone, name), rel=1e-12, nan_ok=True)
            assert ours.cautions == alone.cautions
            assert ours.method == alone.method
            assert dict(ours.counts) == pytest.approx(dict(alone.counts), nan_ok=True)

    def test_no_series(self):
        assert len(nap_batch(SeriesBatch.of())) == 0

    def test_normal_p_is_named(self):
        result = nap(PhaseSeries.from_phases([7, 8, 6], [6, 5, 7, 3, 8]), p_value="normal")
        assert "tie-corrected normal p" in result.method
        assert "smallest_p" not in result.counts

    def test_no_p(self):
        result = nap(PhaseSeries.from_phases([7, 8, 6], [6, 5, 7, 3, 8]), p_value="none")
        assert math.isnan(result.p_value)
        assert (result.null, result.alternative) == ("", "")
        assert module.NULL_CAUTION not in result.cautions

    def test_too_long_to_count_is_named_per_series(self):
        rng = np.random.default_rng(1)
        long = PhaseSeries.from_phases(rng.integers(0, 11, 300).tolist(), rng.integers(0, 11, 300).tolist())
        short = PhaseSeries.from_phases([7, 8, 6], [6, 5, 7, 3, 8])
        result = nap_batch(SeriesBatch.of(long, short))
        assert "too long to count" in result[0].method
        assert "exact p" in result[1].method


def test_out_of_reach_is_said():
    # 3 and 4 untied: no order reaches .05 two-sided, complete separation reaches it one-sided.
    series = PhaseSeries.from_phases([7, 8, 9], [1, 2, 3, 4])
    caution = "With these lengths and ties no order of the ratings has p ≤ 0.05."
    assert caution in nap(series).cautions
    assert nap(series).counts["smallest_p"] == pytest.approx(2 / 35)
    assert caution not in nap(series, "improvement").cautions
    # 3 and 3 one-sided: exactly 1 of 20 is within reach.
    assert caution not in nap(PhaseSeries.from_phases([7, 8, 9], [1, 2, 3]), "improvement").cautions
    assert "p ≤ 0.1." not in " ".join(
        nap(PhaseSeries.from_phases([7, 8, 9], [1, 2, 3]), confidence=0.9).cautions
    )


@pytest.mark.parametrize(
    ("call", "message"),
    [
        ({"alternative": "greater"}, "alternative must be one of 'two-sided', 'improvement', 'worsening'"),
        ({"confidence": 95}, "confidence must be a number between 0 and 1; got 95"),
        ({"p_value": "asymptotic"}, "p_value must be one of 'exact', 'normal', 'none'; got 'asymptotic'"),
    ],
)
def test_refusals(call, message):
    with pytest.raises(ValueError, match=message):
        nap(PhaseSeries.from_phases([7, 8, 6], [6, 5, 7, 3, 8]), **call)
