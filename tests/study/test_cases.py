"""Cases of a study laid under each other."""

import numpy as np
import pytest
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.study.cases import Cases


def test_rows_keep_their_case_time_and_phase():
    first = PhaseSeries([7, None, 5, 4], ["baseline"] * 2 + ["exposure"] * 2, [1, 4, 6, 9], label="gangway")
    second = PhaseSeries.from_phases([8, 8], [6])
    cases = Cases.of(SeriesBatch.of(first, second), "leave_out")
    assert cases.values.tolist() == [7, 5, 4, 8, 8, 6]
    assert cases.times.tolist() == [1, 6, 9, 1, 2, 3]
    assert cases.exposure.tolist() == [0, 1, 1, 0, 0, 1]
    assert cases.case.tolist() == [0, 0, 0, 1, 1, 1]
    assert cases.labels == ("gangway", "case 2")
    assert (cases.m, cases.sign, cases.cautions) == (
        2,
        -1.0,
        ("Occasions with neither a rating nor a decline were left out.",),
    )


def test_cases_without_a_phase_are_left_out_and_said():
    none = PhaseSeries([7, 8], ["baseline"] * 2)
    both = PhaseSeries([7, 8, 6], ["baseline", "baseline", "exposure"], [1, 2, 2])
    good = PhaseSeries.from_phases([8, 8], [6])
    cases = Cases.of(SeriesBatch.of(none, good, both), "leave_out")
    assert cases.labels == ("case 2",)
    assert cases.cautions == (
        "2 of 3 cases lack ratings in a phase, or have a time in both, and are left out.",
    )


def test_declines_are_settled_and_said():
    series = PhaseSeries(
        [7, None, 5, 4], ["baseline"] * 2 + ["exposure"] * 2, declined=[False, True, False, False],
        floor=0, ceiling=10,
    )  # fmt: skip
    out = Cases.of(SeriesBatch.of(series), "leave_out")
    worst = Cases.of(SeriesBatch.of(series), "ceiling")
    assert (out.values.tolist(), worst.values.tolist()) == ([7, 5, 4], [7, 10, 5, 4])
    assert "left out" in out.cautions[0]
    assert "worst rating" in worst.cautions[0]


def test_scales_are_never_pooled():
    lower, higher = PhaseSeries.from_phases([8], [6]), PhaseSeries.from_phases([8], [6], better="higher")
    with pytest.raises(ValueError, match="one scale; the direction of improvement differs"):
        Cases.of(SeriesBatch.of(lower, higher), "leave_out")
    wide = PhaseSeries.from_phases([8], [6], floor=0, ceiling=100)
    with pytest.raises(ValueError, match="the floor of the scale differs"):
        Cases.of(SeriesBatch.of(lower, wide), "leave_out")
    with pytest.raises(ValueError, match="declines must be one of"):
        Cases.of(SeriesBatch.of(lower), "drop")


def test_no_cases_at_all():
    cases = Cases.of(SeriesBatch.of(), "leave_out")
    assert cases.m == 0
    assert np.size(cases.values) == 0
