"""Dose counted day by day, against the plan and beside progress."""

import numpy as np
import pytest
from rungwise.ladders.dose import (
    NOT_CAUSAL,
    TOO_FEW,
    dose,
    dose_and_progress,
    dose_sentences,
    exposure_spans,
)


@pytest.fixture
def program(records):
    """Baseline on days 0 and 7, exposure from 14, maintenance from 42."""
    records.exposure_from(14)
    records.phase_from(42, "maintenance")
    records.plan(3, per_week=1)
    for day in (0, 7, 14, 21, 28, 42):
        records.trial(day, 3, 5, kind="probe")
    for number in (1, 2):
        records.trial(21, 2, 4, number=number)
    records.trial(28, 2, "declined")
    records.trial(42, 2, 1)
    for day, attended, minutes in (
        (7, "yes", 5), (14, "yes", 30), (21, "yes", ""), (28, "yes", 20), (35, "missed", ""),
        (38, "cancelled", ""), (42, "yes", 60),
    ):  # fmt: skip
        records.session(day, attended, minutes)
    return records


def test_only_exposure_is_counted(program):
    (row,) = dose(program.read()).to_dict("records")
    assert [str(row[name])[:10] for name in ("exposure_from", "exposure_to")] == [
        "2026-01-15",
        "2026-02-11",
    ]
    assert row["weeks"] == 4
    assert (row["probes_planned"], row["probes_done"]) == (4, 3)
    assert (row["practice_days"], row["practice_trials"]) == (2, 3)
    assert [row[name] for name in ("contacts", "attended", "cancelled", "missed")] == [5, 3, 1, 1]
    assert (row["minutes"], row["minutes_missing"]) == (50, 1)
    assert dose_sentences(row) == [
        "Exposure lasted 4.0 weeks.",
        "3 of about 4 planned probes were made.",
        "3 practice trials on 2 days.",
        "Of 5 planned contacts 3 took place, 1 were called off and 1 missed.",
        "About 12 minutes of exposure a week; 1 contact had none recorded.",
    ]


def test_exposure_still_open_ends_with_the_last_record_or_the_program(program):
    program.tables["phases"] = program.tables["phases"][:2]
    assert str(exposure_spans(program.read())["C1", "wall"][1]) == "2026-02-12"
    program.child("C1", "2026-02-01", "moved")
    assert str(exposure_spans(program.read())["C1", "wall"][1]) == "2026-02-01"


def test_untrained_ladders_and_other_steps_are_not_the_plan(program):
    program.plan(2, ladder="slope", trained="no", per_week=3)
    program.plan(5, primary="no", per_week=2)
    program.trial(21, 5, 9, kind="probe", number=5)
    (row,) = dose(program.read()).to_dict("records")
    assert (row["probes_planned"], row["probes_done"]) == (4, 3)


def test_what_was_not_recorded_is_not_zero(records):
    records.exposure_from(14)
    for day in (0, 14, 21):
        records.trial(day, 3, 5, kind="probe")
    (row,) = dose(records.read()).to_dict("records")
    assert np.isnan([row[name] for name in ("probes_planned", "contacts", "minutes")]).all()
    assert (row["practice_days"], row["practice_trials"]) == (0, 0)
    assert len(dose_sentences(row)) == 2


def test_a_child_still_in_baseline_has_no_dose(records):
    records.phase_from(0, "baseline")
    records.trial(0, 3, 5, kind="probe")
    assert dose(records.read()).empty


def test_dose_beside_progress_is_a_rank_correlation_with_its_warning(records):
    for number, practice in enumerate([1, 2, 3, 4, 5, 6]):
        child = f"C{number}"
        records.exposure_from(14, child)
        records.plan(3, child=child)
        for day in (0, 7):
            records.trial(day, 3, 6, kind="probe", child=child)
        # Maintenance is no progress made in exposure.
        records.phase_from(60, "maintenance", child)
        records.trial(61, 3, 1, kind="probe", child=child)
        # More practice, more progress, but for the last child.
        better = 1 if number == 5 else number + 1
        for place, day in enumerate(range(14, 56, 7)):
            records.trial(day, 3, 4 if place < better else 8, kind="probe", child=child)
            if place < practice:
                records.trial(day, 2, 4, child=child, number=2)
    frame, estimates = dose_and_progress(records.read())
    assert frame["nap"].round(3).tolist() == [0.167, 0.333, 0.5, 0.667, 0.833, 0.167]
    by_name = dict(zip(("minutes", "practice", "weeks"), estimates, strict=True))
    from scipy.stats import spearmanr

    expected = spearmanr([1, 2, 3, 4, 5, 6], [1, 2, 3, 4, 5, 1]).statistic
    assert by_name["practice"].value == pytest.approx(expected)
    assert by_name["practice"].n == 6
    assert NOT_CAUSAL in by_name["practice"].cautions
    assert np.isnan(by_name["practice"].p_value)
    assert np.isnan(by_name["minutes"].value)
    assert TOO_FEW in by_name["minutes"].cautions
    assert np.isnan(by_name["weeks"].value)  # all alike
