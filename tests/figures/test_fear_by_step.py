"""Early and late ratings of each step, and the pairs without the run."""

import math

import pytest
from rungwise.figures.fear_by_step import describe_fear_by_step, fear_by_step

NAN = math.nan
ROWS = [
    {"step": 2, "trials": 6, "declined": 0, "early": 5.0, "late": 2.0, "run": 2,
     "early_without_run": 5.5, "late_without_run": 5.0},
    {"step": 3, "trials": 1, "declined": 0, "early": NAN, "late": NAN, "run": 0,
     "early_without_run": NAN, "late_without_run": NAN},
    {"step": 5, "trials": 4, "declined": 2, "early": 7.0, "late": 7.0, "run": 0,
     "early_without_run": 7.0, "late_without_run": 7.0},
]  # fmt: skip


def drawn(ax, kind):
    return [(round(float(line.get_xdata()[0])), float(line.get_ydata()[0])) for line in ax.lines
            if line.get_gid() == kind]  # fmt: skip


def test_each_step_has_its_two_halves_where_it_has_any():
    ax = fear_by_step(ROWS)
    assert drawn(ax, "early all") == [(2, 5.0), (5, 7.0)]
    assert drawn(ax, "late all") == [(2, 2.0), (5, 7.0)]


def test_the_pair_without_the_run_stands_only_where_a_run_was_taken_off():
    ax = fear_by_step(ROWS)
    assert drawn(ax, "early kept") == [(2, 5.5)]
    assert drawn(ax, "late kept") == [(2, 5.0)]
    assert not drawn(fear_by_step(ROWS[2:]), "early kept")


def test_declines_are_marked_above_the_scale_with_their_number():
    ax = fear_by_step(ROWS, scale=(0, 10))
    ((step, height),) = drawn(ax, "declined")
    assert (step, height > 10) == (5, True)
    assert [text.get_text() for text in ax.texts if text.get_gid() == "declines"] == ["2"]


def test_under_each_step_stand_its_trials():
    ax = fear_by_step(ROWS)
    assert [label.get_text() for label in ax.get_xticklabels()] == ["2\n6", "3\n1", "4\n0", "5\n4"]


def test_the_words_say_what_is_drawn():
    said = describe_fear_by_step(ROWS)
    assert "Step 2: 5.0, then 2.0." in said
    assert "Step 3" not in said
    assert "Declined: 2 at step 5." in said


def test_nothing_to_draw_is_refused():
    with pytest.raises(ValueError, match="rows must hold at least one step; got none"):
        fear_by_step([])
