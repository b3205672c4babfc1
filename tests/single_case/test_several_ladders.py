"""One verdict over several ladders of one child."""

import numpy as np
import pytest
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.several_ladders import OPPOSITE_WAYS, SCALES_DIFFER, verdict_over_ladders
from rungwise.single_case.verdict import verdict as verdict_of
from rungwise.single_case.verdict import verdicts

SCALE = {"floor": 0, "ceiling": 10}
RNG = np.random.default_rng


def ladders(*pairs):
    return verdicts(
        SeriesBatch.of(
            *(PhaseSeries.from_phases(a, b, label=str(i), **SCALE) for i, (a, b) in enumerate(pairs))
        )
    )


def series(baseline, exposure, label="", **options):
    return PhaseSeries.from_phases(baseline, exposure, label=label, **{**SCALE, **options})


DOWN = ([7, 7, 8, 7, 7, 8], [4, 4, 5, 4, 4, 4, 5, 4, 4, 5])
UP = ([4, 4, 5, 4, 4, 5], [7, 7, 8, 7, 7, 7, 8, 7, 7, 8])


def test_one_ladder_twice_is_no_more_evidence_than_once():
    pair = ([7, 8, 7, 8, 6], [6, 7, 7, 6, 7, 6])
    alone = verdict_of(PhaseSeries.from_phases(*pair, **SCALE))
    twice = verdict_over_ladders(ladders(pair, pair), RNG(1))
    assert twice.fell.p_value == pytest.approx(alone.fell.p_value)
    assert twice.beyond_baseline.value == pytest.approx(alone.beyond_baseline.value)
    assert twice.code == alone.code


def test_several_ladders_give_one_verdict():
    fell = ([7, 8, 7, 8, 7, 8], [6, 6, 5, 5, 4, 4, 3, 3, 2, 2])
    flat = ([7, 7, 8, 7, 8, 7], [8, 7, 7, 8, 7, 7, 8, 7, 8, 7])
    assert verdict_over_ladders(ladders(fell, fell), RNG(1)).code == "fell_beyond_baseline"
    mixed = verdict_over_ladders(ladders(fell, flat), RNG(1))
    assert (
        -4
        < mixed.beyond_baseline.value
        < verdict_of(PhaseSeries.from_phases(*fell)).beyond_baseline.value / 2 + 1
    )
    assert np.isnan(mixed.size.ci_low)
    assert "Ladders" not in mixed.words


def test_a_ladder_too_short_for_question_c_is_left_out_and_said():
    fell = ([7, 8, 7, 8, 7, 8], [6, 6, 5, 5, 4, 4, 3, 3, 2, 2])
    together = verdict_over_ladders(ladders(fell, ([8], [5, 4])), RNG(1))
    assert "1 ladder had too few ratings for this." in together.cautions


def test_a_decline_counts_over_several_ladders_too():
    values = [9, 9, 8, 9, 9, 8, None, 5, 4, 4, 3, 3, 2, 2, 2, 1]
    phases = ["baseline"] * 6 + ["exposure"] * 10
    one_ladder = PhaseSeries(values, phases, declined=[x is None for x in values], **SCALE)
    each = verdicts(SeriesBatch.of(one_ladder, one_ladder))
    verdict = verdict_over_ladders(each, RNG(1))
    assert verdict.without_declines is not None
    assert verdict.beyond_with_declines is not None


def test_ladders_that_went_opposite_ways_are_not_the_same():
    verdict = verdict_over_ladders(ladders(DOWN, UP), RNG(1))
    assert verdict.code == "no_clear_change"
    assert verdict.cautions[0] == OPPOSITE_WAYS


def test_ladders_on_different_scales_are_not_averaged_in_points():
    tall = series([70, 70, 80, 70, 70, 80], [40, 40, 50, 40, 40, 40, 50, 40, 40, 50], ceiling=100)
    each = verdicts(SeriesBatch.of(series(*DOWN), tall))
    verdict = verdict_over_ladders(each, RNG(1))
    assert np.isnan(verdict.beyond_baseline.value)
    assert verdict.beyond_baseline.cautions == (SCALES_DIFFER,)
    assert SCALES_DIFFER in verdict.cautions


def test_one_ladder_must_be_long_enough_by_itself():
    each = verdicts(SeriesBatch.of(series([7, 8, 7], [3]), series([8], [3, 2, 3, 2, 1])))
    assert verdict_over_ladders(each, RNG(1)).code == "too_few"


def test_two_constant_ladders_stayed_the_same():
    each = verdicts(SeriesBatch.of(series([5] * 6, [5] * 12), series([6] * 6, [6] * 12)))
    assert verdict_over_ladders(each, RNG(1)).code == "about_the_same"


def test_the_averaged_limits_are_the_means_of_the_limits():
    other = ([8, 8, 9, 8, 8, 9], [6, 5, 6, 5, 6, 5, 6, 5, 6, 5])
    each = ladders(DOWN, other)
    verdict = verdict_over_ladders(each, RNG(1))
    for name in ("value", "ci_low", "ci_high"):
        mean = np.mean([getattr(one, name) for one in each.beyond_baseline])
        assert getattr(verdict.beyond_baseline, name) == pytest.approx(mean)
