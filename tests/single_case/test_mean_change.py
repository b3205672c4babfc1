"""The difference of means is that of the rated occasions, averaged over ladders."""

from __future__ import annotations

import math

import pytest
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.mean_change import METHOD, OVER_LADDERS, mean_change
from rungwise.single_case.rated import LEFT_OUT

PHASES = ["baseline"] * 3 + ["exposure"] * 3 + ["maintenance"]


def test_it_is_the_difference_of_the_phase_means_and_maintenance_is_no_exposure():
    made = mean_change(PhaseSeries([8, 7, 9, 5, 4, 3, 0], PHASES))
    assert (made.value, made.n, made.method) == (pytest.approx(-4), 6, METHOD)
    assert math.isnan(made.ci_low)


def test_declined_and_missing_occasions_are_left_out_and_declines_are_said():
    made = mean_change(PhaseSeries([8, None, 9, 5, None, 3, 0], PHASES, None, [0, 1, 0, 0, 0, 0, 0]))
    assert (made.value, made.n) == (pytest.approx(4 - 8.5), 4)
    assert made.cautions == (LEFT_OUT,)


def test_over_ladders_it_is_the_mean_of_their_differences_not_of_the_pooled_ratings():
    one = PhaseSeries.from_phases([8, 8], [4, 4, 4, 4, 4, 4])
    two = PhaseSeries.from_phases([2, 2, 2, 2, 2, 2], [0, 0])
    made = mean_change(one, two)
    assert (made.value, made.method) == (pytest.approx(-3), OVER_LADDERS)


def test_a_ladder_without_exposure_says_nothing_and_alone_gives_no_number():
    only_baseline = PhaseSeries.from_phases([8, 8], [])
    assert mean_change(only_baseline, PhaseSeries.from_phases([8], [5])).value == pytest.approx(-3)
    assert math.isnan(mean_change(only_baseline).value)
