"""Every child with two scores is drawn once, on the right side of the band and the cutoff."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
import pytest
from rungwise.change.classify import classify_changes
from rungwise.change.cutoffs import clinical_cutoffs
from rungwise.change.reference import Reference
from rungwise.change.reliable_change import METHODS, reliable_change_batch
from rungwise.figures.change_scatter import (
    CHANGE_MARKS,
    change_scatter,
    describe_change_scatter,
    side_by_side,
)
from rungwise.figures.style import picture_bytes

KNOWN = Reference(
    sd=5, reliability=0.92, mean=20, post_sd=6, post_mean=18, retest_correlation=0.7, practice_effect=-1,
    n=60,
)  # fmt: skip
CUTOFFS = clinical_cutoffs(
    clinical_mean=20, clinical_sd=5, functional_mean=10, functional_sd=5, better="lower"
)
RNG = np.random.default_rng(3)
PRE = np.rint(RNG.normal(20, 5, 80))
POST = np.where(RNG.random(80) < 0.1, np.nan, np.rint(RNG.normal(15, 7, 80)))


def classes(method="jacobson_truax", cutoffs=CUTOFFS, pre=PRE, post=POST, reference=KNOWN):
    changes = reliable_change_batch(pre, post, reference, better="lower", method=method)
    return classify_changes(changes, cutoffs)


def lines(ax, name):
    return [artist for artist in ax.lines if artist.get_gid() == name]


def band(ax):
    [found] = [artist for artist in ax.collections if artist.get_gid() == "band"]
    return found.get_paths()[0]


@pytest.mark.parametrize("method", METHODS)
def test_marks_lie_inside_the_band_exactly_when_unchanged(method):
    judged = classes(method)
    ax = change_scatter(judged, better="lower", scale=(0, 40))
    path = band(ax)
    drawn = 0
    for category in CHANGE_MARKS:
        for line in lines(ax, category):
            members = np.flatnonzero(judged.categories == category)
            assert line.get_ydata().tolist() == POST[members].tolist()
            drawn += len(members)
            for i in members:
                assert path.contains_point((PRE[i], POST[i]), radius=0) == (category == "unchanged")
    assert drawn == 80 - np.isnan(POST).sum()


def test_the_cutoff_stands_at_both_occasions():
    ax = change_scatter(classes(), better="lower")
    horizontal, vertical = lines(ax, "cutoff")
    assert set(horizontal.get_ydata()) == {15.0}
    assert set(vertical.get_xdata()) == {15.0}
    assert lines(change_scatter(classes(cutoffs=None), better="lower"), "cutoff") == []


def test_the_legend_counts_everybody():
    judged = classes()
    ax = change_scatter(judged, better="lower")
    texts = [text.get_text() for text in ax.figure.legends[0].get_texts()]
    assert f"unchanged ({judged.count('unchanged')})" in texts
    assert f"not drawn, cannot be said ({judged.count('cannot_be_said')})" in texts
    assert "cutoff 15.0" in texts
    without = change_scatter(classes(cutoffs=None), better="lower")
    words = [text.get_text() for text in without.figure.legends[0].get_texts()]
    improved = judged.count("improved") + judged.count("recovered")
    assert f"improved ({improved})" in words
    assert not any(word.startswith("recovered") for word in words)


def test_equal_scores_stand_side_by_side():
    x = np.array([3.0, 3, 3, 5, np.nan])
    places = side_by_side(x, np.array([1.0, 1, 2, 1, 1]), 0.2)
    assert places[:4].tolist() == pytest.approx([2.9, 3.1, 3.0, 5.0])
    ax = change_scatter(classes(pre=[20, 20], post=[19, 19]), better="lower")
    first, second = lines(ax, "unchanged")[0].get_xdata()
    assert first < 20 < second


@pytest.mark.parametrize(("better", "corner"), [("lower", (0.98, 0.03)), ("higher", (0.02, 0.97))])
def test_the_better_side_is_said(better, corner):
    ax = change_scatter(classes(), better=better)
    [words] = [text for text in ax.texts if text.get_gid() == "better"]
    assert words.xy == corner


def test_without_reliability_there_is_no_band_and_nobody_is_drawn():
    judged = classes(reference=Reference(sd=5))
    ax = change_scatter(judged, better="lower")
    assert [artist for artist in ax.collections if artist.get_gid() == "band"] == []
    assert not any(lines(ax, category) for category in CHANGE_MARKS)
    assert describe_change_scatter(judged, better="lower").endswith("Of 80 children it cannot be said.")


def test_the_description_says_what_is_drawn():
    judged = classes(pre=[20, 20, 20, 20], post=[10, 16, 20, None])
    assert describe_change_scatter(judged, better="lower") == (
        "First against second scores of 3 children; 2 moved in the better direction (lower). "
        "Recovered: 1; improved, not recovered: 1; unchanged: 1. The cutoff stands at 15.0. "
        "Of 1 child it cannot be said."
    )


@pytest.mark.parametrize("width", [3.6, 6.2])
def test_the_axes_fill_the_width_and_leave_settings_alone(width):
    before = dict(mpl.rcParams)
    ax = change_scatter(classes(cutoffs=None), better="lower", scale=(0, 40), width=width)
    picture_bytes(ax.figure)
    assert ax.get_position().width > (0.7 if width < 5 else 0.8)
    assert dict(mpl.rcParams) == before
