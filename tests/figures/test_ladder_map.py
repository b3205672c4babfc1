from dataclasses import replace

import numpy as np
import pytest
from rungwise.figures.ladder_map import describe_ladder_map, ladder_map
from rungwise.ladders.mastery import Episodes
from rungwise.ladders.trials import Trials
from rungwise.tables.practice import Mastery

NAN = float("nan")
# Day, step, kind, outcome, peak, phase.
ROWS = [
    (0, 3, "probe", "completed", 8, "baseline"),
    (0, 1, "approach", "completed", 4, "baseline"),
    (0, 2, "approach", "declined", NAN, "baseline"),
    (7, 3, "probe", "declined", NAN, "exposure"),
    (7, 1, "practice", "completed", 4, "exposure"),
    (7, 1, "practice", "completed", 6, "exposure"),
    (14, 2, "practice", "declined", NAN, "exposure"),
    (14, 2, "practice", "completed", 5, "exposure"),
    (21, 3, "probe", "completed", 0, "exposure"),
    (21, 3, "practice", "completed", NAN, "exposure"),
]


def trials(rows=ROWS):
    n = len(rows)
    day, step, kind, outcome, peak, phase = zip(*rows, strict=True)
    nothing = np.full(n, NAN)
    return Trials(
        child_id=np.array(["C1"] * n, dtype=object),
        ladder_id=np.array(["wall"] * n, dtype=object),
        day=np.datetime64("2026-03-02") + np.array(day),
        trial=np.arange(1.0, n + 1),
        step=np.array(step, dtype=float),
        kind=np.array(kind, dtype=object),
        outcome=np.array(outcome, dtype=object),
        before=nothing,
        peak=np.array(peak, dtype=float),
        end=nothing,
        rated_by=np.array(["child"] * n, dtype=object),
        phase=np.array(phase, dtype=object),
    )


def episodes(*mastered, child="C1", lost=()):
    n = len(mastered)
    days = np.full(n, np.datetime64("2026-03-02"))
    lost_on = np.array(
        [np.datetime64("2026-04-01" if step in lost else "NaT") for step in mastered], dtype="M8[D]"
    )
    return Episodes(
        np.array([child] * n, dtype=object), np.array(["wall"] * n, dtype=object),
        np.array(mastered, dtype=float), days, days, np.full(n, 2), np.full(n, 7.0),
        np.array(["mastered"] * n, dtype=object), np.zeros(n, dtype=bool), lost_on, np.zeros(n, dtype=int),
        np.ones(n, dtype=bool),
        Mastery(),
    )  # fmt: skip


def at(ax, kind):
    return [(line.get_xdata()[0], line.get_ydata()[0]) for line in ax.lines if line.get_gid() == kind]


def written(ax, kind):
    return [text.get_text() for text in ax.texts if text.get_gid() == kind]


def test_every_step_of_a_day_has_one_mark_with_its_worst_rating():
    ax = ladder_map(trials())
    assert at(ax, "probe") == [(0, 3), (3, 3.2)]
    assert at(ax, "practice") == [(1, 1), (3, 2.8)]
    assert written(ax, "number") == ["8", "6", "0"]


def test_declines_stand_out_whatever_else_happened_that_day():
    ax = ladder_map(trials())
    assert at(ax, "declined probe") == [(1, 3)]
    assert at(ax, "declined practice") == [(2, 2)]


def test_worse_ratings_are_darker_and_the_better_end_may_be_the_upper_one():
    def lightness(ax, kind="probe"):
        from matplotlib.colors import to_rgb

        lines = [line for line in ax.lines if line.get_gid() == kind]
        return [sum(to_rgb(line.get_markerfacecolor())) for line in lines]

    eight, zero = lightness(ladder_map(trials()))
    assert eight < zero
    eight, zero = lightness(ladder_map(trials(), better="higher"))
    assert eight > zero


def test_the_highest_step_done_on_an_approach_occasion_is_a_bar_above_it():
    ax = ladder_map(trials())
    (bar,) = [line for line in ax.lines if line.get_gid() == "approach"]
    assert list(bar.get_ydata()) == [1.5, 1.5]
    rows = [row for row in ROWS if row[:3] != (0, 1, "approach")]
    (bar,) = [line for line in ladder_map(trials(rows)).lines if line.get_gid() == "approach"]
    assert list(bar.get_ydata()) == [0.5, 0.5]


def test_phases_are_parted_and_named_once():
    ax = ladder_map(trials())
    assert at(ax, "phase line") == [(0.5, 0)]
    assert written(ax, "phase label") == ["baseline", "exposure"]


def test_mastered_steps_are_ticked_for_this_child_alone():
    ax = ladder_map(trials(), episodes(1, 2, lost=(2,)))
    assert written(ax, "mastered") == ["✓"]
    assert written(ax, "lost again") == ["(✓)"]
    assert not written(ladder_map(trials(), episodes(1, child="C2")), "mastered")


def test_only_the_latest_days_where_asked():
    ax = ladder_map(trials(), last=2)
    assert at(ax, "practice") == [(1, 2.8)]
    assert not at(ax, "approach")
    assert [label.get_text() for label in ax.get_xticklabels()] == ["16 Mar\n2026", "23 Mar"]


def test_numbers_that_do_not_fit_are_left_out_and_said():
    many = [(day, 1, "practice", "completed", 5, "exposure") for day in range(70)]
    ax = ladder_map(trials(many))
    assert not written(ax, "number")
    assert "Too many days" in ax.get_legend().get_title().get_text()


def test_no_trial_no_map():
    with pytest.raises(ValueError, match="trials must hold at least one trial"):
        ladder_map(trials().where(np.zeros(len(ROWS), dtype=bool)))


def test_the_words_say_what_is_drawn():
    said = describe_ladder_map(trials(), episodes(1, 2, lost=(2,)))
    assert said == (
        "Map of 10 trials on 4 days. Practice began at step 1, reached step 3 at most, and was last at "
        "step 3. 3 trials declined, at step 2, 3. Mastered: step 1. Mastered and lost again: step 2."
    )
    probes = replace(trials(ROWS[:1]))
    assert describe_ladder_map(probes) == "Map of 1 trial on 1 day."
