"""Every judged child is drawn once, in the stated order, on pages that can be read."""

from __future__ import annotations

import math

import numpy as np
import pytest
from rungwise.basis.estimate import Estimate
from rungwise.figures.caterpillar import Judged, caterpillar, describe_caterpillar, in_order
from rungwise.figures.style import VERDICT_MARKS
from rungwise.single_case.verdict import VERDICTS


def child(code, value, verdict, half=0.1):
    return Judged(code, Estimate("nap", value, value - half, value + half), verdict)


def many(n):
    codes = list(VERDICTS)
    rng = np.random.default_rng(n)
    return [
        child(f"C{i:03d}", float(rng.uniform(0.2, 0.8)), codes[int(rng.integers(len(codes)))])
        for i in range(n)
    ]


def named(ax):
    return [label.get_text() for label in ax.get_yticklabels()]


def drawn(ax, name):
    return [artist for artist in ax.lines if artist.get_gid() == name]


FEW = [
    child("C5", 0.2, "rose"),
    child("C2", 0.9, "fell_beyond_baseline"),
    child("C9", 0.7, "no_clear_change"),
    child("C1", 0.9, "fell_beyond_baseline"),
    child("C3", 0.95, "fell_beyond_baseline"),
    Judged("C4", Estimate("nap", math.nan), "no_clear_change"),
]


def test_the_order_is_verdict_then_size_then_code_and_the_unknown_last():
    assert [one.child_id for one in in_order(FEW)] == ["C3", "C1", "C2", "C9", "C4", "C5"]


def test_the_order_of_the_input_does_not_matter():
    assert in_order(FEW[::-1]) == in_order(FEW)


def test_estimates_and_intervals_stand_on_their_childs_line():
    [ax] = caterpillar(FEW)
    places = dict(zip(named(ax), ax.get_yticks(), strict=True))
    estimates = {line.get_ydata()[0]: line.get_xdata()[0] for line in drawn(ax, "estimate")}
    assert estimates == {places[one.child_id]: one.estimate.value for one in FEW if one.child_id != "C4"}
    intervals = {line.get_ydata()[0]: tuple(line.get_xdata()) for line in drawn(ax, "interval")}
    assert intervals[places["C5"]] == (pytest.approx(0.1), pytest.approx(0.3))


def test_a_child_without_an_estimate_keeps_its_line_and_says_so():
    [ax] = caterpillar(FEW)
    [words] = [text for text in ax.texts if text.get_gid() == "no estimate"]
    assert words.xy[1] == dict(zip(named(ax), ax.get_yticks(), strict=True))["C4"]


def test_an_estimate_without_interval_is_a_mark_alone():
    [ax] = caterpillar([Judged("C1", Estimate("nap", 0.8), "rose")])
    assert len(drawn(ax, "estimate")) == 1
    assert drawn(ax, "interval") == []


def test_marks_follow_the_verdict():
    [ax] = caterpillar(FEW)
    marks = [line.get_marker() for line in drawn(ax, "estimate")]
    assert marks == [VERDICT_MARKS[one.verdict].marker for one in in_order(FEW) if one.child_id != "C4"]


def test_groups_are_headed_with_their_verdict_and_count():
    [ax] = caterpillar(FEW)
    assert [text.get_text() for text in ax.texts if text.get_gid() == "verdict"] == [
        "Fell, beyond the baseline's own course (3)", "No clear change (2)", "Rose (1)",
    ]  # fmt: skip


@pytest.mark.parametrize("n", [1, 10, 43, 60, 150])
def test_everyone_is_drawn_once_however_many_pages_it_takes(n):
    pages = caterpillar(many(n), per_page=40)
    everyone = [code for ax in pages for code in named(ax)]
    assert everyone == [one.child_id for one in in_order(many(n))]
    for ax in pages:
        headings = sum(text.get_gid() == "verdict" for text in ax.texts)
        assert len(named(ax)) + headings <= 40


def test_pages_are_of_about_equal_length():
    sizes = [len(named(ax)) for ax in caterpillar(many(150), per_page=50)]
    assert max(sizes) - min(sizes) <= 8


def test_a_group_that_goes_on_says_so():
    pages = caterpillar([child(f"C{i}", 0.5, "rose") for i in range(12)], per_page=8)
    headings = [[text.get_text() for text in ax.texts] for ax in pages]
    assert headings == [["Rose (12)"], ["Rose (continued)"]]


def test_a_heading_counts_as_a_line_and_takes_its_first_child_along():
    children = [child(f"A{i}", 0.9, "fell_beyond_baseline") for i in range(4)] + [child("B", 0.2, "rose")]
    pages = caterpillar(children, per_page=6)
    assert [len(named(ax)) + sum(t.get_gid() == "verdict" for t in ax.texts) for ax in pages] == [4, 4]


def test_a_long_heading_does_not_narrow_the_axes():
    wide = []
    for verdict in ("rose", "fell_short_baseline"):
        [ax] = caterpillar([child("C1", 0.5, verdict)], width=2.6)
        ax.get_figure().draw_without_rendering()
        wide.append(ax.get_position().width)
    assert wide[0] == pytest.approx(wide[1])


def test_nobody_judged_gives_no_figure():
    assert caterpillar([]) == []


def test_an_unknown_verdict_is_refused():
    with pytest.raises(
        ValueError, match=r"verdict must be one of 'fell_beyond_baseline', .*; got 'better'"
    ):
        caterpillar([child("C1", 0.5, "better")])


def test_too_few_lines_a_page_are_refused():
    with pytest.raises(ValueError, match=r"per_page must be 3 or more; got 2\."):
        caterpillar(FEW, per_page=2)


def test_the_description_counts_everyone():
    assert describe_caterpillar(FEW) == (
        "Estimates of 6 judged children with their intervals, grouped by verdict. "
        "Fell, beyond the baseline's own course: 3 children, estimates from .90 to .95. "
        "No clear change: 2 children, estimate .70. Rose: 1 child, estimate .20."
    )
