"""The cases of a study under one another on one time axis, with their phase lines joined in steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from rungwise.figures.single_case_graph import WORDS, describe_graph, single_case_graph
from rungwise.figures.style import PALETTE, styled
from rungwise.series.phase_series import PhaseSeries

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_DASHES = (0, (5, 3))
# Inches around and between the panels.
_LEFT, _RIGHT, _TOP, _BOTTOM, _GAP = 1.0, 0.12, 0.48, 0.5, 0.26
_LEGEND = 0.28
_PANEL, _PAGE = 1.7, 8.4
# Points by which the phases' names stand above the name of the first case.
_ROW = 14


@styled
def stacked_cases(
    cases: Sequence[PhaseSeries],
    *,
    time: str = "Planned occasion",
    rating: str = "Fear",
    words: Mapping[str, str] = WORDS,
    width: float = 7.0,
    height: float | None = None,
) -> Axes:
    """Draw cases under one another, so that it is seen who was still in baseline when another started.

    Parameters
    ----------
    cases : sequence of PhaseSeries
        On one time axis, in the order in which they are to stand; usually by their start of exposure.
    time, rating : str
        What the axes show.
    words : mapping
        As for `single_case_graph`.
    width : float
        Inches of the figure.
    height : float, optional
        Inches of one panel; default 1.7, or what lets all panels stand on one page.

    Returns
    -------
    matplotlib.axes.Axes
        The top panel; the others are its figure's further axes.

    Raises
    ------
    ValueError
        If there is no case.

    Examples
    --------
    >>> early = PhaseSeries.from_phases([7, 8], [5, 4, 3], label="A")
    >>> late = PhaseSeries.from_phases([8, 8, 7], [6, 5], label="B")
    >>> len(stacked_cases([early, late]).get_figure(root=True).axes)
    2
    """
    from matplotlib.figure import Figure

    if not cases:
        raise ValueError("cases must be one or more; got none.")
    m = len(cases)
    if height is None:
        height = min(_PANEL, (_PAGE - _TOP - _BOTTOM - _LEGEND) / m - _GAP)
    missing = any(not one.usable.all() for one in cases)
    foot = _BOTTOM + (_LEGEND if missing else 0)
    tall = _TOP + m * height + (m - 1) * _GAP + foot
    figure = Figure(figsize=(width, tall))
    low = min(float(one.times[0]) for one in cases)
    high = max(float(one.times[-1]) for one in cases)
    pad = max(0.03 * (high - low), 0.4)
    panels: list[Axes] = []
    for place, series in enumerate(cases):
        bottom = (foot + (m - 1 - place) * (height + _GAP)) / tall
        box = (_LEFT / width, bottom, 1 - (_LEFT + _RIGHT) / width, height / tall)
        ax = figure.add_axes(box)
        single_case_graph(series, ax, title="", rating=rating, words=words)
        _tidy(ax, place, m, (low - pad, high + pad), time)
        ax.annotate(
            series.label,
            (0, 1),
            xycoords="axes fraction",
            xytext=(0, 3),
            textcoords="offset points",
            va="bottom",
            fontweight="bold",
            gid="case",
        )
        panels.append(ax)
    _join_starts(figure, panels, cases)
    if missing:
        entries = {
            label: handle
            for ax in panels
            for handle, label in zip(*ax.get_legend_handles_labels(), strict=True)
        }
        figure.legend(
            entries.values(), entries.keys(), loc="lower left", bbox_to_anchor=(_LEFT / width, 0.02 / tall)
        )
    return panels[0]


def describe_cases(cases: Sequence[PhaseSeries], *, rating: str = "fear") -> str:
    """Say in words what the figure shows, case by case.

    Examples
    --------
    >>> describe_cases([PhaseSeries.from_phases([7, 8], [5, 4], label="A")])
    'Cases under one another on one time axis. A: Graph of fear by occasion. Baseline: 2 occasions, fear between 7 and 8, first 7, last 8. Exposure: 2 occasions, fear between 4 and 5, first 5, last 4.'
    """  # noqa: E501
    told = [f"{one.label}: {describe_graph(one, rating=rating)}" for one in cases]
    return " ".join(["Cases under one another on one time axis.", *told])


def _tidy(ax: Axes, place: int, m: int, limits: tuple[float, float], time: str) -> None:
    """Give all panels one time axis, and its labels to the last alone."""
    from matplotlib.ticker import MaxNLocator

    ax.set_xlim(*limits)
    ax.xaxis.set_major_locator(MaxNLocator(nbins=10, integer=True))
    legend = ax.get_legend()
    if legend is not None:
        legend.remove()
    if place < m - 1:
        ax.set_xlabel("")
        ax.tick_params(axis="x", labelbottom=False)
    else:
        ax.set_xlabel(time)
    for text in [text for text in ax.texts if text.get_gid() == "phase label"]:
        if place:
            text.remove()
        else:
            text.set_position((0, text.get_position()[1] + _ROW))


def _join_starts(figure: Figure, panels: Sequence[Axes], cases: Sequence[PhaseSeries]) -> None:
    """Lead the line at the start of exposure from one panel to the next."""
    from matplotlib.lines import Line2D

    edges = [_start_edge(series) for series in cases]
    for above, below, here, there in zip(panels, panels[1:], edges, edges[1:], strict=False):
        if here is None or there is None:
            continue
        foot, head = above.get_position().y0, below.get_position().y1
        middle = (foot + head) / 2
        x = [_in_figure(above, here), _in_figure(below, there)]
        line = Line2D([x[0], x[0], x[1], x[1]], [foot, middle, middle, head], transform=figure.transFigure)
        line.set(color=PALETTE["ink"], linewidth=1.0, linestyle=_DASHES, gid="joined start")
        figure.add_artist(line)


def _start_edge(series: PhaseSeries) -> float | None:
    starts = np.flatnonzero((series.phases[1:] == "exposure") & (series.phases[:-1] == "baseline"))
    if not len(starts):
        return None
    return float(series.times[starts[0]] + series.times[starts[0] + 1]) / 2


def _in_figure(ax: Axes, x: float) -> float:
    left, right = ax.get_xlim()
    box = ax.get_position()
    return float(box.x0 + box.width * (x - left) / (right - left))
