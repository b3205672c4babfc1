"""How far up the ladder a child went on each approach occasion."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from rungwise.figures.ladder_words import WORDS, count
from rungwise.figures.style import PALETTE, PHASE_MARKS, blank_axes, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from rungwise.ladders.approach import Approach

_NARROW = 5.0


@styled
def approach_curve(
    approach: Approach,
    *,
    probe_step: float | None = None,
    exposure_from: np.datetime64 | None = None,
    words: Mapping[str, str] = WORDS,
    width: float = 7.0,
    height: float = 2.8,
) -> Axes:
    """Draw the highest step done on each approach occasion, by date.

    Occasions of one phase are joined, those of two phases never. An arrow says that the occasion ended
    without a decline below the last step, so that the child might have gone on.

    Parameters
    ----------
    approach : Approach
        Of one child and ladder, from `rungwise.ladders.approach.approach_scores`.
    probe_step : float, optional
        Marked by a thin line.
    exposure_from : datetime64[D], optional
        First day of exposure; without it the line between phases stands half way.
    words : mapping
        Words of the figure.
    width, height : float
        Inches.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    ValueError
        Without any occasion.
    """
    series, score = approach.series, approach.series.values
    if not len(score):
        raise ValueError("approach must hold at least one occasion; got none.")
    ax = blank_axes(width, height)
    top = float(score.max()) if series.ceiling is None else series.ceiling
    when = series.times
    margin = max(3.0, 0.04 * float(when[-1]))
    ax.set_xlim(-margin, float(when[-1]) + margin)
    ax.set_ylim(-0.5, top + 1.1)
    if series.ceiling is not None:
        ax.axhline(top, color=PALETTE["soft"], linewidth=0.9, zorder=1, gid="top")
    if probe_step is not None and not np.isnan(probe_step):
        ax.axhline(probe_step, color=PALETTE["soft"], linewidth=0.9, linestyle=(0, (1, 2)), zorder=1,
                   gid="probe step")  # fmt: skip
    starts = np.flatnonzero(series.phases[1:] != series.phases[:-1]) + 1
    for begin, end in zip([0, *starts], [*starts, len(score)], strict=True):
        phase = str(series.phases[begin])
        mark = PHASE_MARKS[phase]
        ax.plot(
            when[begin:end], score[begin:end], color=mark.color, linewidth=1.2, marker=mark.marker,
            markersize=mark.size, markerfacecolor=mark.face, markeredgecolor=mark.color, zorder=3,
            gid=phase,
        )  # fmt: skip
        if begin:
            line = 0.5 * (when[begin - 1] + when[begin])
            if phase == "exposure" and exposure_from is not None:
                line = float((exposure_from - approach.days[0]).astype(int)) - 0.5
            ax.axvline(line, color=PALETTE["ink"], linewidth=1.0,
                       linestyle=(0, (5, 3)), zorder=1, gid="phase line")  # fmt: skip
    for place in np.flatnonzero(approach.cut_short):
        ax.annotate("", (when[place], score[place] + 0.75), (when[place], score[place] + 0.2),
                    arrowprops={"arrowstyle": "->", "color": PALETTE["ink"]}, gid="cut short")  # fmt: skip
    ax.set_ylabel(words["highest"])
    ax.set_yticks(range(0, int(top) + 1, 1 if top <= 10 else 2))
    dates(ax, approach.days, words, most=4 if width < _NARROW else 8)
    _legend(ax, approach, probe_step, words, narrow=width < _NARROW)
    return ax


def describe_approach_curve(approach: Approach, words: Mapping[str, str] = WORDS) -> str:
    """Say in words what the curve shows, for those who do not see it."""
    series = approach.series
    told = [
        words["approach.phase"].format(
            phase=words[phase], scores=", ".join(f"{score:g}" for score in series.of(phase))
        )
        for phase in PHASE_MARKS
        if len(series.of(phase))
    ]
    counted = words["approach.counted"].format(occasions=count(words, "occasions", len(series.values)))
    return " ".join([counted, *(f"{one[0].upper()}{one[1:]}" for one in told)])


def dates(ax: Axes, days: np.ndarray, words: Mapping[str, str], most: int) -> None:
    """Write dates under an axis that counts days from the first of `days`."""
    months = words["months"].split()
    span = int((days[-1] - days[0]).astype(int))
    places = np.unique(np.linspace(0, span, min(most, span + 1)).astype(int)).tolist()
    labels, year = [], None
    for place in places:
        day = (days[0] + np.timedelta64(place, "D")).astype(object)
        labels.append(f"{day.day} {months[day.month - 1]}" + (f"\n{day.year}" if day.year != year else ""))
        year = day.year
    ax.set_xticks(places, labels)


def _legend(
    ax: Axes, approach: Approach, probe_step: float | None, words: Mapping[str, str], *, narrow: bool
) -> None:
    from matplotlib.lines import Line2D

    phases = [phase for phase in PHASE_MARKS if (approach.series.phases == phase).any()]
    handles = [
        Line2D([], [], color=mark.color, linewidth=1.2, marker=mark.marker, markersize=mark.size,
               markerfacecolor=mark.face, markeredgecolor=mark.color, label=words[phase])
        for phase, mark in ((phase, PHASE_MARKS[phase]) for phase in phases)
    ]  # fmt: skip
    if approach.series.ceiling is not None:
        handles.append(Line2D([], [], color=PALETTE["soft"], linewidth=0.9, label=words["top"]))
    if probe_step is not None and not np.isnan(probe_step):
        handles.append(
            Line2D([], [], color=PALETTE["soft"], linewidth=0.9, linestyle=(0, (1, 2)),
                   label=words["probe_step"])
        )  # fmt: skip
    if approach.cut_short.any():
        handles.append(
            Line2D([], [], linestyle="none", marker=r"$\uparrow$", markersize=7,
                   markerfacecolor=PALETTE["ink"], markeredgecolor="none", label=words["cut_short"])
        )  # fmt: skip
    ax.get_figure(root=True).legend(  # type: ignore[union-attr]
        handles=handles, loc="outside lower left", ncols=2 if narrow else 4, handlelength=1.6,
        columnspacing=1.3, borderpad=0,
    )  # fmt: skip
