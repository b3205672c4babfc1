"""How soon steps are mastered: the share mastered, and left because of fear, with their bands."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.basis.page_numbers import of_hundred
from rungwise.figures.ladder_words import WORDS, count
from rungwise.figures.style import PALETTE, blank_axes, styled
from rungwise.ladders.mastery import LEFT, MASTERED, SCALES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from rungwise.ladders.survival import Curve

# Told apart by line, mark and shade before color.
_LOOK = {MASTERED: (PALETTE["tide"], "-", 2.0), LEFT: (PALETTE["brick"], (0, (4, 2)), 1.6)}
_WORD = {MASTERED: "mastery.mastered", LEFT: "mastery.left"}
_NARROW = 5.0


@styled
def mastery_curve(
    curves: Mapping[str, Curve],
    followed: np.ndarray,
    *,
    scale: str = "occasions",
    until: float | None = None,
    words: Mapping[str, str] = WORDS,
    width: float = 7.0,
    height: float = 3.4,
) -> Axes:
    """Draw the share of steps mastered over occasions or days, and the share left because of fear.

    What is left up to the top is not there yet. The bands are pointwise. Under the axis stands how many
    steps were still followed: where they are few, the curve says little.

    Parameters
    ----------
    curves : mapping of str to Curve
        From `rungwise.ladders.mastery.mastery_curves`.
    followed : ndarray
        How long each step was followed: the occasions or days of the same episodes.
    scale : {"occasions", "days"}
        What the curves' times are.
    until : float, optional
        Where the axis ends; default where a tenth of the steps is still followed, or the last step of a
        curve.
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
        If `scale` is neither, or there is no step.
    """
    check_choice("scale", scale, SCALES)
    mastered = curves[MASTERED]
    if not mastered.n:
        raise ValueError("curves must rest on at least one step; these have none.")
    ax = blank_axes(width, height)
    end = _end(curves[MASTERED], followed) if until is None else until
    for name, curve in curves.items():
        if name != MASTERED and not curve.events.sum():
            continue
        color, style, line = _LOOK[name]
        time = np.concatenate([[0.0], curve.time, [max(end, curve.time[-1] if len(curve.time) else 0)]])
        value = np.concatenate([[0.0], curve.value, curve.value[-1:] if len(curve.value) else [0.0]])
        ax.step(time, value, where="post", color=color, linewidth=line, linestyle=style, zorder=4,
                label=words[_WORD[name]], gid=name)  # fmt: skip
        known = ~np.isnan(curve.ci_low)
        if known.any():
            low, high = curve.ci_low[known], curve.ci_high[known]
            when = np.concatenate([curve.time[known], [time[-1]]])
            ax.fill_between(
                when, np.append(low, low[-1]), np.append(high, high[-1]), step="post", facecolor=color,
                alpha=0.14, edgecolor=color, linewidth=0.5, linestyle=style, zorder=2, gid=f"band {name}",
            )  # fmt: skip
    _half(ax, mastered, end, words[f"mastery.half.{scale}"])
    ax.set_xlim(0, end)
    ax.set_ylim(0, 1.02)
    ax.set_yticks([0, 0.25, 0.5, 0.75, 1], ["0%", "25%", "50%", "75%", "100%"])
    ax.set_ylabel(words["mastery.share"])
    narrow = width < _NARROW
    _followed(ax, followed, end, scale, words, narrow=narrow)
    ax.legend(loc="lower right" if mastered.at(0.5 * end) > 0.6 else "upper left", fontsize=8.5)
    return ax


def describe_mastery_curve(
    curves: Mapping[str, Curve], *, scale: str = "occasions", words: Mapping[str, str] = WORDS
) -> str:
    """Say in words what the curves show, for those who do not see them.

    Examples
    --------
    >>> from rungwise.ladders.survival import cumulative_incidence
    >>> curves = cumulative_incidence([2, 3, 3, 5], [MASTERED, MASTERED, LEFT, None], [MASTERED, LEFT])
    >>> describe_mastery_curve(curves)
    'Curves over occasions of 4 steps: half were mastered by occasion 3. By occasion 3, the last rise with a tenth still followed, 50% were mastered. 25% were left because of fear.'
    """  # noqa: E501
    mastered = curves[MASTERED]
    parts = [words[f"mastery.counted.{scale}"].format(steps=count(words, "steps", mastered.n))]
    median = mastered.median
    parts.append(
        words["mastery.fewer"]
        if math.isnan(median)
        else words[f"mastery.median.{scale}"].format(n=f"{median:g}")
    )
    if len(mastered.time):
        rises = mastered.time[(mastered.events > 0) & (mastered.at_risk >= 0.1 * mastered.n)]
        if len(rises):
            share = of_hundred(mastered.at(float(rises[-1])))
            parts.append(words[f"mastery.rise.{scale}"].format(n=f"{rises[-1]:g}", share=share))
    left = curves.get(LEFT)
    if left is not None and left.events.sum():
        parts.append(words["mastery.left_share"].format(share=of_hundred(float(left.value[-1]))))
    return " ".join(parts)


def _end(mastered: Curve, followed: np.ndarray) -> float:
    """Give the last step of the curve at which a tenth of all steps is still followed."""
    still = [time for time in mastered.time.tolist() if np.sum(followed >= time) >= 0.1 * mastered.n]
    return max([1.0, *still])


def _half(ax: Axes, mastered: Curve, end: float, words: str) -> None:
    """Mark where half are mastered."""
    if math.isnan(mastered.median) or mastered.median > end:
        return
    late = mastered.median > 0.6 * end
    ax.plot([0, mastered.median, mastered.median], [0.5, 0.5, 0], color=PALETTE["soft"], linewidth=0.8,
            linestyle=(0, (1, 2)), zorder=3, gid="half")  # fmt: skip
    ax.annotate(
        words.format(n=f"{mastered.median:g}"), (mastered.median, 0.0),
        xytext=(-4 if late else 4, 5), ha="right" if late else "left", textcoords="offset points",
        fontsize=8.5, color=PALETTE["ink"], zorder=6, gid="half label",
        bbox={"facecolor": PALETTE["paper"], "edgecolor": "none", "pad": 0.8, "alpha": 0.85},
    )  # fmt: skip


def _followed(
    ax: Axes, followed: np.ndarray, end: float, scale: str, words: Mapping[str, str], *, narrow: bool
) -> None:
    """Write under each tick how many steps were still followed just before it."""
    from matplotlib.ticker import MaxNLocator

    ticks = [
        tick
        for tick in MaxNLocator(5 if narrow else 9, integer=True).tick_values(0, end)
        if 0 <= tick <= end
    ]
    labels = [f"{tick:g}\n{np.sum(followed >= tick)}" for tick in ticks]
    ax.set_xticks(ticks, labels)
    between = "\n" if narrow else "; "
    ax.set_xlabel(f"{words[f'mastery.{scale}']}{between}{words['mastery.followed']}")
