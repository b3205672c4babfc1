"""How the children came out, as shares with their intervals; numbers that are hidden stay hidden."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rungwise.basis.page_numbers import of_hundred
from rungwise.figures.style import PALETTE, blank_axes, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class OutcomeShare:
    """One outcome: `count` of `n` children, their share and its interval; None and NaN where hidden."""

    words: str
    count: int | None
    n: int
    share: float = math.nan
    low: float = math.nan
    high: float = math.nan


@styled
def outcome_shares(
    outcomes: Sequence[OutcomeShare], *, width: float = 7.0, height: float | None = None
) -> Axes:
    """Draw each outcome's share of the children as a bar with its interval and its numbers in words.

    A hidden number has no bar, no interval and no place along the scale. It misleads where most
    numbers are hidden: what is drawn is then no picture of the whole.

    Parameters
    ----------
    outcomes : sequence of OutcomeShare
        From top to bottom.
    width, height : float
        Inches.

    Raises
    ------
    ValueError
        If there is no outcome.
    """
    if not outcomes:
        raise ValueError("outcomes must hold at least one outcome; got none.")
    narrow = width < 5
    each = 0.62 if narrow else 0.42
    ax = blank_axes(width, 0.55 + each * len(outcomes) if height is None else height)
    for place, one in enumerate(outcomes):
        if narrow:
            ax.annotate(one.words, (0, place - 0.36), va="center", fontsize=8.5, annotation_clip=False)
        if one.count is None:
            ax.annotate("not shown", (0.01, place), va="center", fontsize=8.5, color=PALETTE["soft"],
                        gid="hidden")  # fmt: skip
            continue
        ax.barh(place, one.share, height=0.34, color=PALETTE["shoal"], edgecolor=PALETTE["tide"],
                linewidth=0.8, gid="share")  # fmt: skip
        if not math.isnan(one.low):
            ax.plot([one.low, one.high], [place, place], color=PALETTE["ink"], linewidth=1.4,
                    solid_capstyle="butt", gid="interval")  # fmt: skip
        reach = one.share if math.isnan(one.high) else max(one.high, one.share)
        ax.annotate(f"{one.count} of {one.n}", (reach, place), xytext=(5, 0), textcoords="offset points",
                    va="center", fontsize=8.5, annotation_clip=False)  # fmt: skip
    ax.set_ylim(len(outcomes) - 0.4, -0.7 if narrow else -0.6)
    ax.set_xlim(0, 1.12)
    ax.set_yticks([] if narrow else range(len(outcomes)),
                  [] if narrow else [one.words for one in outcomes])  # fmt: skip
    ax.tick_params(axis="y", length=0)
    ax.set_xticks([0, 0.25, 0.5, 0.75, 1], ["0%", "25%", "50%", "75%", "100%"])
    ax.set_xlabel("Share of the children judged")
    return ax


def describe_outcome_shares(outcomes: Sequence[OutcomeShare]) -> str:
    """Say in words what `outcome_shares` shows.

    Examples
    --------
    >>> shown, hidden = OutcomeShare("Fell", 6, 12, 0.5, 0.25, 0.75), OutcomeShare("Rose", None, 12)
    >>> describe_outcome_shares([shown, hidden])
    'Share of the children judged, by outcome: Fell 50% (6 of 12), Rose not shown.'
    """
    parts = [
        f"{one.words} not shown"
        if one.count is None
        else f"{one.words} {of_hundred(one.share)}% ({one.count} of {one.n})"
        for one in outcomes
    ]
    return f"Share of the children judged, by outcome: {', '.join(parts)}."
