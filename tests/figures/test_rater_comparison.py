"""Differences between raters stand where they were, with the lines their statistics say."""

from __future__ import annotations

import numpy as np
import pytest
from rungwise.agreement.raters import rater_difference
from rungwise.figures.rater_comparison import describe_rater_comparison, rater_comparison
from rungwise.figures.style import picture_bytes

RNG = np.random.default_rng(4)
CHILDREN = np.repeat(np.arange(6), 5)
A = np.rint(RNG.uniform(1, 10, 30))
B = np.where(RNG.random(30) < 0.2, np.nan, np.rint(A - 1 + RNG.normal(0, 1, 30)))


def lines(ax, name):
    return [artist for artist in ax.lines if artist.get_gid() == name]


def test_marks_and_lines_stand_where_the_statistics_say():
    ax = rater_comparison(A, B, CHILDREN)
    difference = rater_difference(A, B, CHILDREN)
    [marks] = lines(ax, "occasion")
    both = ~np.isnan(B)
    assert marks.get_ydata().tolist() == (A - B)[both].tolist()
    assert marks.get_xdata() == pytest.approx(((A + B) / 2)[both], abs=0.4)
    [mean] = lines(ax, "mean")
    assert set(mean.get_ydata()) == {difference.value}
    low, high = (line.get_ydata()[0] for line in lines(ax, "limit"))
    assert (low, high) == (difference.counts["limit_low"], difference.counts["limit_high"])
    [interval] = [patch for patch in ax.patches if patch.get_gid() == "interval"]
    box = interval.get_bbox()
    assert (box.y0, box.y1) == (difference.ci_low, difference.ci_high)
    bottom, top = ax.get_ylim()
    assert bottom < min(low, marks.get_ydata().min())
    assert top > max(high, marks.get_ydata().max())


def test_one_child_has_no_shaded_interval():
    ax = rater_comparison(A, B, ["C1"] * 30)
    assert [patch for patch in ax.patches if patch.get_gid() == "interval"] == []
    assert len(lines(ax, "limit")) == 2


@pytest.mark.parametrize(("a", "b"), [([], []), ([1, None], [None, 2]), ([5], [3])])
def test_too_little_to_draw_limits(a, b):
    ax = rater_comparison(a, b, width=3.6)
    assert lines(ax, "limit") == []
    assert len(picture_bytes(ax.figure)) > 1000


def test_raters_are_named():
    ax = rater_comparison(A, B, first="parent", second="therapist", unit="points", width=7)
    assert ax.get_ylabel() == "Parent minus therapist (points)"
    assert {text.get_text() for text in ax.texts} >= {"parent higher", "therapist higher"}


def test_the_description_says_what_is_drawn():
    lower = describe_rater_comparison(
        rater_difference([5, 4, 3], [6, 6, 4]), first="parent", second="child"
    )
    assert lower == (
        "On 3 occasions the parent rated 1.3 points lower than the child on average; single differences "
        "lie between −2.5 and −0.2."
    )
    assert describe_rater_comparison(rater_difference([5], [4])) == (
        "On 1 occasion the child rated 1.0 points higher than the parent."
    )
    assert describe_rater_comparison(rater_difference([], [])) == (
        "No occasion was rated by both child and parent."
    )
