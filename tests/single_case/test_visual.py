"""Visual features: each against its definition, and the description in full."""

import math
import statistics

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case import visual
from rungwise.single_case.decision_rules import NEAR_ZERO
from rungwise.single_case.visual import visual_features
from scipy import stats

phase = st.lists(st.integers(0, 10), min_size=3, max_size=9)


@settings(max_examples=50)
@given(phase, phase)
def test_every_feature_equals_its_definition(a, b):
    ours = visual_features(PhaseSeries.from_phases(a, b))
    assert ours.baseline.median == statistics.median(a)
    assert ours.exposure.mean == pytest.approx(statistics.fmean(b))
    assert ours.exposure.sd == pytest.approx(statistics.stdev(b))
    assert (ours.baseline.lowest, ours.baseline.highest) == (min(a), max(a))
    with np.errstate(invalid="ignore"):
        assert ours.baseline.slope == stats.theilslopes(a).slope
    assert ours.level_change == statistics.median(b) - statistics.median(a)
    assert ours.absolute_change == b[0] - a[-1]
    relative = statistics.median(b[: (len(b) + 1) // 2]) - statistics.median(a[len(a) // 2 :])
    assert ours.relative_change == relative
    assert ours.immediacy == pytest.approx(statistics.fmean(b[:3]) - statistics.fmean(a[-3:]))
    lower = sum((y < x) + (y == x) / 2 for x in a for y in b) / (len(a) * len(b))
    assert ours.overlap_nap == pytest.approx(lower)
    assert ours.overlap_pnd == pytest.approx(100 * sum(y < min(a) for y in b) / len(b))
    assert math.isnan(ours.consistency)
    assert visual.NO_REPEAT in ours.cautions


def test_consistency_is_the_largest_difference_between_like_runs():
    phases = ["baseline"] * 3 + ["exposure"] * 3 + ["baseline"] * 3 + ["exposure"] * 3
    ours = visual_features(PhaseSeries([8, 8, 9, 5, 4, 4, 7, 7, 6, 2, 2, 3], phases))
    assert ours.consistency == 2
    assert (ours.immediacy, ours.absolute_change) == (pytest.approx(13 / 3 - 25 / 3), -4)
    assert visual.FIRST_CHANGE in ours.cautions
    assert visual.NO_REPEAT not in ours.cautions


def test_description_in_full():
    series = PhaseSeries.from_phases(
        [8, 7, 8, 7, 8], [6, None, 5, 4, 4, 3], declined=[False] * 6 + [True] + [False] * 4
    )
    assert visual_features(series).description == (
        "Baseline: 5 occasions, ratings from 7 to 8 with median 8, neither rising nor falling. "
        "Exposure: 6 occasions, 1 declined, ratings from 3 to 6 with median 4, "
        "falling by 0.6 a unit of time. "
        "From the last three baseline to the first three exposure occasions the mean went down by 2.2. "
        "In 83 of 100 pairs of a baseline and an exposure occasion the exposure one is lower, "
        "ties counted half."
    )
    assert {visual.DECLINED, visual.DECLINED_NEAR} <= set(visual_features(series).cautions)


def test_description_where_higher_is_better_and_nothing_varies():
    text = visual_features(PhaseSeries.from_phases([4, 4], [4, 4], better="higher")).description
    assert text == (
        "Baseline: 2 occasions, every rating 4, neither rising nor falling. "
        "Exposure: 2 occasions, every rating 4, neither rising nor falling. "
        "From the last two baseline to the first two exposure occasions the mean stayed the same. "
        "In 50 of 100 pairs of a baseline and an exposure occasion the exposure one is higher, "
        "ties counted half."
    )


def test_slow_slopes_over_days_keep_their_digits():
    series = PhaseSeries([8, 7, 6, 5], ["baseline"] * 4, times=[0, 30, 60, 90])
    assert "falling by 0.033 a unit of time" in visual_features(series).description


@pytest.mark.parametrize(("a", "b"), [([], []), ([5, 4], []), ([], [5, 4])])
def test_an_empty_phase_gives_nan_and_no_false_sentence(a, b):
    ours = visual_features(PhaseSeries.from_phases(a, b))
    assert math.isnan(ours.immediacy)
    assert math.isnan(ours.level_change)
    assert math.isnan(ours.overlap_nap)
    assert "no occasion" in ours.description
    assert "pairs" not in ours.description


def test_cautions_about_length_and_the_bottom_of_the_scale():
    ours = visual_features(PhaseSeries.from_phases([1, 0, 1], [0, 0, 0, 0, 0]))
    assert {visual.FEW, NEAR_ZERO, visual.NOT_A_TEST} <= set(ours.cautions)


def test_frame_holds_every_feature_once():
    frame = visual_features(PhaseSeries.from_phases([8, 7, 8], [6, 5, 4])).frame()
    assert not frame.duplicated(["feature", "phase"]).any()
    assert set(frame["phase"]) == {"baseline", "exposure", "between"}
    row = frame[(frame["feature"] == "immediacy") & (frame["phase"] == "between")]
    assert row["value"].item() == pytest.approx(5 - 23 / 3)
