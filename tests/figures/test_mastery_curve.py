import math

import numpy as np
import pytest
from rungwise.figures.mastery_curve import describe_mastery_curve, mastery_curve
from rungwise.ladders.mastery import LEFT, MASTERED
from rungwise.ladders.survival import cumulative_incidence

TIME = [2, 2, 3, 4, 5, 5, 6, 7, 8, 9]
FOLLOWED = np.array(TIME)
RESULT = [MASTERED, MASTERED, LEFT, MASTERED, None, MASTERED, MASTERED, None, MASTERED, None]


def curves(result=RESULT):
    return cumulative_incidence(TIME, result, [MASTERED, LEFT])


def drawn(ax, kind):
    return [line for line in ax.lines if line.get_gid() == kind]


def test_each_curve_starts_at_nothing_and_is_the_incidence():
    made = curves()
    ax = mastery_curve(made, FOLLOWED)
    for name in (MASTERED, LEFT):
        (line,) = drawn(ax, name)
        assert (line.get_xdata()[0], line.get_ydata()[0]) == (0, 0)
        assert line.get_drawstyle() == "steps-post"
        np.testing.assert_allclose(line.get_ydata()[1:-1], made[name].value)
    assert {text.get_text() for text in ax.get_legend().get_texts()} == {
        "Mastered", "Left because of fear",
    }  # fmt: skip


def test_leaving_is_drawn_only_where_somebody_left():
    nobody = [None if one == LEFT else one for one in RESULT]
    ax = mastery_curve(curves(nobody), FOLLOWED)
    assert not drawn(ax, LEFT)
    assert len(ax.get_legend().get_texts()) == 1


def test_the_half_is_marked_at_the_median():
    made = curves()
    ax = mastery_curve(made, FOLLOWED)
    (half,) = drawn(ax, "half")
    assert list(half.get_xdata()) == [0, made[MASTERED].median, made[MASTERED].median]
    assert any(text.get_text() == f"half by occasion {made[MASTERED].median:g}" for text in ax.texts)
    few = curves([MASTERED, MASTERED] + [None] * 8)
    assert math.isnan(few[MASTERED].median)
    assert not drawn(mastery_curve(few, FOLLOWED), "half")


def test_the_steps_still_followed_stand_under_the_axis():
    ax = mastery_curve(curves(), FOLLOWED, until=8)
    under = {
        float(tick): label.get_text().split("\n")[1]
        for tick, label in zip(ax.get_xticks(), ax.get_xticklabels(), strict=True)
    }
    by_hand = {tick: sum(time >= tick for time in TIME) for tick in under}
    assert {tick: int(n) for tick, n in under.items()} == by_hand


def test_the_axis_ends_where_few_are_followed():
    many = cumulative_incidence(list(range(1, 101)), [MASTERED] * 100, [MASTERED, LEFT])
    assert mastery_curve(many, np.arange(1, 101)).get_xlim() == (0, 91)


def test_wrong_calls_name_the_argument():
    with pytest.raises(ValueError, match="scale must be one of 'occasions', 'days'"):
        mastery_curve(curves(), FOLLOWED, scale="weeks")
    with pytest.raises(ValueError, match="curves must rest on at least one step"):
        mastery_curve(cumulative_incidence([], [], [MASTERED, LEFT]), np.zeros(0))


def test_the_words_say_what_is_drawn():
    said = describe_mastery_curve(curves(), scale="days")
    made = curves()
    assert f"half were mastered by day {made[MASTERED].median:g}." in said
    assert "10% were left because of fear." in said
    few = describe_mastery_curve(curves([MASTERED] + [None] * 9))
    assert "fewer than half" in few
    assert "left because" not in few
