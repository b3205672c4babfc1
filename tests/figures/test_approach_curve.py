"""The highest step done on each approach occasion."""

import numpy as np
import pytest
from rungwise.figures.approach_curve import approach_curve, describe_approach_curve
from rungwise.ladders.approach import Approach
from rungwise.series.phase_series import PhaseSeries

DAYS = np.array(["2026-01-05", "2026-01-19", "2026-02-09", "2026-03-02"], dtype="datetime64[D]")


def approach(scores=(1, 2, 4, 0), cut_short=(False, False, True, False), ceiling=6.0):
    times = (DAYS - DAYS[0]).astype(float)
    phases = ["baseline", "baseline", "exposure", "exposure"]
    series = PhaseSeries(list(map(float, scores)), phases, times, better="higher", ceiling=ceiling)
    return Approach("C1", "wall", series, DAYS, np.array(cut_short), ())


def drawn(ax, kind):
    return [line for line in ax.lines if line.get_gid() == kind]


def test_every_score_stands_at_its_day_and_phases_are_not_joined():
    ax = approach_curve(approach())
    for phase, days, scores in (("baseline", [0, 14], [1, 2]), ("exposure", [35, 56], [4, 0])):
        (line,) = drawn(ax, phase)
        assert line.get_xdata().tolist() == days
        assert line.get_ydata().tolist() == scores
    assert len(drawn(ax, "top")) == 1
    assert not drawn(approach_curve(approach(ceiling=None)), "top")


def test_the_line_between_phases_stands_where_exposure_began():
    half_way = drawn(approach_curve(approach()), "phase line")[0].get_xdata()[0]
    ax = approach_curve(approach(), exposure_from=np.datetime64("2026-01-26"))
    assert (half_way, drawn(ax, "phase line")[0].get_xdata()[0]) == (24.5, 20.5)


def test_an_occasion_that_ended_early_has_an_arrow():
    ax = approach_curve(approach())
    (arrow,) = [text for text in ax.texts if text.get_gid() == "cut short"]
    assert arrow.xyann == (35, 4.2)
    never = approach_curve(approach(cut_short=[False] * 4))
    assert not [text for text in never.texts if text.get_gid() == "cut short"]


def test_the_probe_step_is_marked_where_it_is_known():
    assert drawn(approach_curve(approach(), probe_step=3), "probe step")[0].get_ydata()[0] == 3
    assert not drawn(approach_curve(approach(), probe_step=np.nan), "probe step")


def test_the_words_say_every_score():
    said = describe_approach_curve(approach())
    assert said == "Highest step done on 4 approach occasions. Baseline: 1, 2. Exposure: 4, 0."


def test_nothing_to_draw_is_refused():
    empty = PhaseSeries([], [], [], better="higher")
    with pytest.raises(ValueError, match="approach must hold at least one occasion; got none"):
        approach_curve(Approach("C1", "wall", empty, DAYS[:0], np.zeros(0, bool), ()))
