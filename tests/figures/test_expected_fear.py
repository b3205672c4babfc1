"""Expected fear with its band, and the probes really made."""

import numpy as np
from rungwise.figures.expected_fear import describe_expected_fear, expected_fear
from rungwise.ladders.step_adjusted import ExpectedFear
from rungwise.ladders.trials import Trials

DAYS = np.array(["2026-01-05", "2026-01-12", "2026-02-02"], dtype="datetime64[D]")
EXPECTED = ExpectedFear(
    DAYS, np.array([6.0, 5.5, 4.0]), np.array([4.0, 4.5, 2.0]), np.array([8.0, 6.5, 6.0])
)


def probes():
    text = np.full(3, "x", dtype=object)
    return Trials(
        child_id=text, ladder_id=text, day=DAYS, trial=np.ones(3), step=np.full(3, 4.0), kind=text,
        outcome=np.array(["completed", "declined", "completed"], dtype=object),
        before=np.array([9.0, 9.0, 9.0]), peak=np.array([7.0, np.nan, 3.0]), end=np.full(3, np.nan),
        rated_by=text, phase=text,
    )  # fmt: skip


def drawn(ax, kind):
    return [line for line in ax.lines if line.get_gid() == kind]


def test_the_line_and_its_band_are_the_estimate():
    ax = expected_fear(EXPECTED)
    (line,) = drawn(ax, "expected")
    assert line.get_xdata().tolist() == [0, 7, 28]
    assert line.get_ydata().tolist() == [6.0, 5.5, 4.0]
    (band,) = [one for one in ax.collections if one.get_gid() == "band"]
    corners = {tuple(corner) for corner in band.get_paths()[0].vertices}
    assert {(0.0, 4.0), (0.0, 8.0), (28.0, 2.0), (28.0, 6.0)} <= corners


def test_probes_stand_beside_it_and_a_declined_one_above_the_scale():
    ax = expected_fear(EXPECTED, probes(), scale=(0, 10))
    assert drawn(ax, "probe")[0].get_ydata()[[0, 2]].tolist() == [7.0, 3.0]
    (cross,) = drawn(ax, "declined")
    assert (cross.get_xdata().tolist(), cross.get_ydata()[0] > 10) == ([7.0], True)
    before = expected_fear(EXPECTED, probes(), before=True)
    assert drawn(before, "probe")[0].get_ydata()[0] == 9.0


def test_the_words_say_where_it_begins_and_ends():
    said = describe_expected_fear(EXPECTED)
    assert said == "Fear expected at the probe step: 6.0 on 2026-01-05, 4.0 on 2026-02-02."
