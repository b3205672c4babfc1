"""Practice ratings step by step: the first half of a step's trials beside the second half."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.page_numbers import format_number
from rungwise.figures.ladder_words import WORDS, count
from rungwise.figures.style import DECLINED, PALETTE, blank_axes, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_NARROW = 5.0
# How far beside the step its two pairs stand.
_ASIDE = 0.17


@styled
def fear_by_step(
    rows: Sequence[Mapping[str, Any]],
    *,
    scale: tuple[float, float] = (0.0, 10.0),
    rating: str = "fear",
    words: Mapping[str, str] = WORDS,
    width: float = 7.0,
    height: float = 3.2,
) -> Axes:
    """Draw the mean rating of the first and of the second half of the practice trials of every step.

    A pair of circles joined by a line is all rated trials of the step; the pair of squares beside it
    leaves out the run that led upward, which is low because it made the child step up. Where the two
    pairs differ, the fall seen in the circles is owed to that run. Never tested, for the same reason.

    Parameters
    ----------
    rows : sequence of mapping
        Of one child and ladder, as in `rungwise.ladders.practice_ratings.practice_ratings`.
    scale : tuple of float
        Ends of the rating scale.
    rating : str
        What was rated.
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
        Without any step.
    """
    if not rows:
        raise ValueError("rows must hold at least one step; got none.")
    ax = blank_axes(width, height)
    low, high = scale
    for row in rows:
        step = float(row["step"])
        _pair(ax, step - _ASIDE, row["early"], row["late"], "o", "-", "all")
        if row["run"]:
            # Without a run both pairs are the same.
            _pair(
                ax,
                step + _ASIDE,
                row["early_without_run"],
                row["late_without_run"],
                "s",
                (0, (2, 2)),
                "kept",
            )
        if row["declined"]:
            ax.plot([step], [high + 0.06 * (high - low)], linestyle="none", marker=DECLINED.marker,
                    markersize=6.5, markerfacecolor=DECLINED.face, markeredgecolor=PALETTE["paper"],
                    clip_on=False, gid="declined")  # fmt: skip
            ax.annotate(f"{row['declined']}", (step, high + 0.06 * (high - low)), xytext=(6, 0),
                        textcoords="offset points", va="center", fontsize=8, gid="declines")  # fmt: skip
    ax.set_ylim(low - 0.03 * (high - low), high + 0.13 * (high - low))
    ax.set_yticks(np.linspace(low, high, 6))
    steps = [int(row["step"]) for row in rows]
    ax.set_xlim(min(steps) - 0.6, max(steps) + 0.6)
    by_step = {int(row["step"]): row["trials"] for row in rows}
    ticks = range(min(steps), max(steps) + 1)
    ax.set_xticks(list(ticks), [f"{step}\n{by_step.get(step, 0)}" for step in ticks])
    ax.set_xlabel(words["trials"])
    ax.set_ylabel(words["rating"].format(rating=rating))
    _legend(ax, rows, words, narrow=width < _NARROW)
    return ax


def describe_fear_by_step(rows: Sequence[Mapping[str, Any]], words: Mapping[str, str] = WORDS) -> str:
    """Say in words what the figure shows, for those who do not see it.

    Examples
    --------
    >>> row = {"step": 2, "early": 5.0, "late": 3.5, "declined": 1}
    >>> describe_fear_by_step([row])
    'Mean practice ratings of 1 step, first and second half of the trials. Step 2: 5.0, then 3.5. Declined: 1 at step 2.'
    """  # noqa: E501
    told = [
        words["by_step.one"].format(
            step=int(row["step"]), first=format_number(row["early"]), last=format_number(row["late"])
        )
        for row in rows
        if not math.isnan(row["early"])
    ]
    declined = [
        words["by_step.declined_one"].format(n=row["declined"], step=int(row["step"]))
        for row in rows
        if row["declined"]
    ]
    parts = [words["by_step.counted"].format(steps=count(words, "steps", len(rows))), *told]
    if declined:
        parts.append(words["by_step.declined"].format(told=", ".join(declined)))
    return " ".join(parts)


def _pair(ax: Axes, x: float, early: float, late: float, marker: str, line: Any, gid: str) -> None:
    if math.isnan(early):
        return
    begin, end = x - 0.09, x + 0.09
    color = PALETTE["tide"] if gid == "all" else PALETTE["slate"]
    ax.plot(
        [begin, end], [early, late], color=color, linewidth=1.2, linestyle=line, zorder=2, gid=f"line {gid}"
    )
    for place, value, face, when in ((begin, early, PALETTE["paper"], "early"), (end, late, color, "late")):
        ax.plot([place], [value], linestyle="none", marker=marker, markersize=6 if gid == "all" else 5,
                markerfacecolor=face, markeredgecolor=color, zorder=3, gid=f"{when} {gid}")  # fmt: skip


def _legend(ax: Axes, rows: Sequence[Mapping[str, Any]], words: Mapping[str, str], *, narrow: bool) -> None:
    from matplotlib.lines import Line2D

    def mark(marker: str, color: str, face: str, name: str, edge: str | None = None) -> Line2D:
        return Line2D([], [], linestyle="none", marker=marker, markersize=6, markerfacecolor=face,
                      markeredgecolor=edge or color, label=words[name])  # fmt: skip

    tide, slate, paper = PALETTE["tide"], PALETTE["slate"], PALETTE["paper"]
    handles = [mark("o", tide, paper, "early"), mark("o", tide, tide, "late")]
    if any(row["run"] and not math.isnan(row["early_without_run"]) for row in rows):
        handles += [mark("s", slate, paper, "early_without"), mark("s", slate, slate, "late_without")]
    if any(row["declined"] for row in rows):
        handles.append(mark(DECLINED.marker, paper, DECLINED.face, "declined"))
    ax.get_figure(root=True).legend(  # type: ignore[union-attr]
        handles=handles, loc="outside lower left", ncols=1 if narrow else 2, handlelength=1.2,
        columnspacing=1.3, borderpad=0,
    )  # fmt: skip
