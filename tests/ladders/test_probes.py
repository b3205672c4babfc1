"""Probe contrasts: what counts toward the verdict, and what stands beside it."""

import numpy as np
import pytest
from rungwise.ladders.probes import (
    FEW,
    NOT_EXPOSURE,
    UNTRAINED,
    planned_steps_trend,
    probe_contrasts,
    probe_frame,
)
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.child_answer import child_answer
from rungwise.single_case.tau import tau


@pytest.fixture
def caseload(records):
    """A child with a practiced ladder probed at two steps, and one that is never practiced."""
    records.ladder(6)
    records.ladder(4, "slope")
    records.phase_from(0, "baseline")
    records.exposure_from(21)
    records.phase_from(60, "maintenance")
    records.phase_from(74, "follow_up")
    records.plan(4)
    records.plan(6, primary="no")
    records.plan(2, ladder="slope", trained="no")
    for place, day in enumerate(range(0, 60, 5)):
        records.trial(day, 4, 8 - place // 2, kind="probe")
        records.trial(day, 6, "declined" if place < 6 else 9, kind="probe", number=2)
    for day in (0, 7, 30, 50):
        records.trial(day, 2, 6, kind="probe", ladder="slope")
    for day in (60, 67):
        records.trial(day, 4, 2, kind="probe")
    records.trial(80, 4, 9, kind="probe")
    return records.read()


def test_every_contrast_stands_by_itself_in_order(caseload):
    found = probe_contrasts(caseload)
    assert [(one.ladder_id, one.probe_step, one.role, one.contrast) for one in found] == [
        ("wall", 4, "primary", "exposure"),
        ("wall", 4, "primary", "maintenance"),
        ("wall", 4, "primary", "follow_up"),
        ("wall", 6, "other_step", "exposure"),
        ("slope", 2, "generalization", "exposure"),
    ]
    assert [one.counted for one in found] == [True, False, False, False, False]
    assert [(one.n_baseline, one.n_later) for one in found] == [(5, 7), (5, 2), (5, 1), (5, 7), (2, 2)]


def test_maintenance_and_follow_up_are_held_against_baseline_alone(caseload):
    exposure, maintenance, follow_up, *_ = probe_contrasts(caseload)
    baseline = [8, 8, 7, 7, 6]
    for one, later in ((exposure, [6, 5, 5, 4, 4, 3, 3]), (maintenance, [2, 2]), (follow_up, [9])):
        by_hand = tau(PhaseSeries.from_phases(baseline, later))
        assert one.tau.value == pytest.approx(by_hand.value)
        assert one.tau.p_value == pytest.approx(by_hand.p_value)
    assert follow_up.tau.value == -1
    assert NOT_EXPOSURE in maintenance.cautions
    assert NOT_EXPOSURE not in exposure.cautions
    assert FEW.format(n="1 occasion") in follow_up.cautions
    assert not any("Only" in caution for caution in exposure.cautions)


def test_declines_rank_worst_and_stand_in_the_medians(caseload):
    other = probe_contrasts(caseload)[3]
    assert (other.declined_baseline, other.declined_later) == (5, 1)
    assert other.median_baseline == np.inf
    assert other.median_later == 9
    # 5 declines against 6 ratings and 1 decline: 30 better, 5 tied of 35.
    assert other.tau.value == pytest.approx(30 / 35)


def test_the_untrained_ladder_is_named_and_never_counted(caseload):
    untrained = probe_contrasts(caseload)[4]
    assert UNTRAINED in untrained.cautions
    answer = child_answer(caseload, "C1")
    assert [one.ladder_id for one in answer.ladders] == ["wall"]
    assert answer.verdict.fell.value == pytest.approx(probe_contrasts(caseload)[0].tau.value)


def test_without_plans_every_series_is_primary(records):
    records.exposure_from(10)
    for day in (0, 5, 10, 15):
        records.trial(day, 4, 5, kind="probe")
    (only,) = probe_contrasts(records.read())
    assert (only.role, only.probe_step, only.tau.value) == ("primary", 4, 0)


def test_one_row_per_contrast(caseload):
    frame = probe_frame(probe_contrasts(caseload, "C1"))
    assert len(frame) == 5
    assert frame.loc[frame["counted"], "contrast"].tolist() == ["exposure"]
    assert probe_frame(()).empty
    with pytest.raises(ValueError, match="child_id must be one of 'C1'"):
        probe_contrasts(caseload, "C7")


def test_planned_probes_of_several_steps_are_tested_for_one_trend(records):
    for step in (1, 3):
        records.plan(step, primary="yes" if step == 1 else "no")
    records.plan(2, ladder="net")
    records.phase_from(0, "baseline")
    records.exposure_from(14)
    for place, (low, high) in enumerate([(5, 9), (5, 8), (4, 8), (3, 7), (2, "declined")]):
        # The steps are probed on days of their own, the harder one a day later.
        records.trial(7 * place, 1, low, kind="probe")
        records.trial(7 * place + 1, 3, high, kind="probe")
        records.trial(7 * place, 2, low, kind="probe", ladder="net")
    ((ladder, steps, trend),) = planned_steps_trend(records.read(), "C1")
    assert (ladder, steps) == ("wall", (1, 3))
    # By hand: 9 falls and a tie at step 1; at step 3 5 falls, a tie, and 4 rises to the decline, the worst.
    assert trend.counts["S"] == 9 + (5 - 4)
    assert trend.counts["days"] == 10
    assert trend.value == 10 / 18
