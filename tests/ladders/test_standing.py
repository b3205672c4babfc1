"""Where a child stands, told from records made by hand."""

import numpy as np
import pytest
from rungwise.ladders.standing import NO_INCIDENTS_TABLE, occasions_needed, standing, standing_sentences


def only(records):
    (stands,) = standing(records.read())
    return stands


def test_the_step_is_the_one_last_practiced_and_the_run_ends_now(records):
    records.ladder(6)
    for day, step, peak in ((0, 2, 2), (3, 3, 6), (7, 3, 3), (10, 3, 2), (12, 5, 9)):
        records.trial(day, step, peak, kind="approach" if step == 5 else "practice")
    stands = only(records)
    assert (stands.step, stands.steps, stands.activity, str(stands.on)) == (3, 6, "rung 3", "2026-01-11")
    assert (stands.occasions_at_step, stands.in_a_row, stands.needed) == (3, 2, 2)
    assert stands.criterion_met
    assert not stands.rose_sharply


def test_a_run_that_was_broken_is_not_met(records):
    for day, peak in ((0, 2), (3, 3), (7, 4)):
        records.trial(day, 3, peak)
    stands = only(records)
    assert (stands.in_a_row, stands.criterion_met) == (0, False)


def test_the_criterion_is_the_practice_s_own(records):
    records.toml = "[mastery]\nrating_at_most = 5\noccasions_in_a_row = 3\n"
    for day, peak in ((0, 5), (3, 4), (7, 5)):
        records.trial(day, 3, peak)
    stands = only(records)
    assert (stands.in_a_row, stands.criterion_met) == (3, True)
    assert "(5 or less on 3 occasions in a row) is met" in standing_sentences(stands)[1]


@pytest.mark.parametrize(("last", "sharp"), [(4, False), (5, True), (9, True)])
def test_a_sharp_rise_is_three_points_from_the_occasion_before(records, last, sharp):
    records.trial(0, 3, 2, number=1)
    records.trial(0, 3, 1, number=2)
    records.trial(3, 3, 1, number=1)
    records.trial(3, 3, last, number=2)
    stands = only(records)
    assert (stands.last_rating, stands.rating_before, stands.rose_sharply) == (last, 2, sharp)
    assert ("no sharp rise" in " ".join(standing_sentences(stands))) is not sharp


def test_a_decline_after_the_step_was_done_counts_as_a_sharp_rise(records):
    records.trial(0, 3, 2)
    records.trial(3, 3, "declined")
    stands = only(records)
    assert stands.last_declined
    assert stands.rose_sharply
    assert standing_sentences(stands)[2] == (
        "The step was declined on its last occasion after having been done before."
    )


def test_a_decline_of_a_step_never_done_is_no_rise(records):
    records.trial(0, 3, "declined")
    stands = only(records)
    assert stands.last_declined
    assert not stands.rose_sharply
    assert np.isnan(stands.last_rating)


def test_incidents_at_this_step_only_and_not_recorded_is_not_none(records):
    records.trial(0, 3, 2)
    assert only(records).incidents is None
    assert NO_INCIDENTS_TABLE in standing_sentences(only(records))
    records.incident(0, step=3, severity="serious")
    records.incident(2, step=3)
    records.incident(2, step=2)
    records.incident(2, step=3, child="C2")
    records.incident(2, step="")
    records.tables["incidents"].append("C1,2026-01-03,fall,minor,,")
    records.trial(0, 1, 2, child="C2")
    first = standing(records.read())[0]
    assert (first.incidents, first.serious, first.unplaced) == (2, 1, 2)
    assert "2 incidents recorded at this step, 1 of them serious." in standing_sentences(first)


def test_occasions_still_needed_are_those_of_the_probe_step(records):
    records.phase_from(0, "baseline")
    records.exposure_from(21)
    records.plan(3)
    for day in (0, 7, 14, 21, 28):
        records.trial(day, 3, 6, kind="probe")
    records.trial(21, 4, 6, kind="probe", number=2)
    records.trial(28, 2, 3, number=2)
    stands = only(records)
    assert (stands.baseline_needed, stands.exposure_needed) == (0, 3)
    assert standing_sentences(stands)[-1] == (
        "3 more exposure occasions of the probe step are needed before any answer is possible."
    )


def test_a_short_baseline_is_over_and_said(records):
    records.exposure_from(7)
    records.plan(3)
    for day in range(0, 84, 7):
        records.trial(day, 3, 6, kind="probe")
    records.trial(80, 2, 3)
    stands = only(records)
    assert (stands.baseline_needed, stands.exposure_needed) == (2, 0)
    assert "2 occasions short" in standing_sentences(stands)[-1]


def test_needed_occasions_are_the_first_that_reach_the_level():
    rule = {"minimum_baseline": 3, "minimum_exposure": 5}
    assert occasions_needed(5, 10, alpha=0.05, **rule) == (0, 0)
    assert occasions_needed(1, 0, alpha=0.05, **rule) == (2, 5)
    # 3 + 11: 2/364 > .005; 3 + 12: 2/455 < .005.
    assert occasions_needed(3, 5, alpha=0.005, **rule) == (0, 7)
    assert occasions_needed(0, 5, alpha=0.05, minimum_baseline=0, minimum_exposure=5) == (0, None)
    with pytest.raises(ValueError, match="alpha must be a number between 0 and 1"):
        occasions_needed(5, 5, alpha=5, **rule)


def test_where_nothing_was_practiced_nobody_stands_anywhere(records):
    records.trial(0, 3, 6, kind="probe")
    assert standing(records.read()) == ()
