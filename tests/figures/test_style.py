"""Figures leave no trace in anyone's settings, and the same figure gives the same bytes."""

from __future__ import annotations

import subprocess
import sys

import matplotlib
import pytest
from rungwise.figures.style import PALETTE, PHASE_MARKS, VERDICT_MARKS, blank_axes, picture_bytes, styled


def gray(color: str) -> float:
    red, green, blue = (int(color[i : i + 2], 16) for i in (1, 3, 5))
    return (0.299 * red + 0.587 * green + 0.114 * blue) / 255


def test_settings_are_put_back_even_after_an_error():
    before = dict(matplotlib.rcParams)

    @styled
    def broken():
        assert matplotlib.rcParams["font.family"] == ["DejaVu Sans"]
        raise KeyError("broken on purpose")

    with pytest.raises(KeyError):
        broken()
    assert dict(matplotlib.rcParams) == before


def test_a_personal_style_does_not_change_a_figure():
    @styled
    def drawn():
        ax = blank_axes(2, 1)
        ax.plot([1, 2])
        return picture_bytes(ax.figure, dpi=40)

    plain = drawn()
    with matplotlib.rc_context({"axes.grid": True, "lines.linewidth": 9, "savefig.facecolor": "red"}):
        assert drawn() == plain


def test_drawing_needs_no_plotting_session():
    program = (
        "import sys; from rungwise.figures.style import blank_axes, picture_bytes; "
        "picture_bytes(blank_axes(2, 1).figure); assert 'matplotlib.pyplot' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", program], check=True)


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_the_same_figure_gives_the_same_bytes(kind):
    def drawn():
        ax = blank_axes(2, 1)
        ax.plot([1, 2], label="x")
        ax.legend()
        return picture_bytes(ax.figure, kind, dpi=40)

    assert drawn() == drawn()


def test_phases_and_verdicts_differ_by_shape_or_lightness_without_any_color():
    for marks in (PHASE_MARKS, VERDICT_MARKS):
        looks = [(mark.marker, round(gray(mark.face), 1)) for mark in marks.values()]
        assert len(set(looks)) == len(looks)


def test_the_two_series_colors_differ_in_lightness():
    assert abs(gray(PALETTE["tide"]) - gray(PALETTE["slate"])) > 0.12
    assert abs(gray(PALETTE["tide"]) - gray(PALETTE["ochre"])) > 0.12
