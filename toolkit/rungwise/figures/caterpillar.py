"""All judged children side by side: each one's estimate with its interval, grouped by verdict."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rungwise.basis.errors import check_choice
from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import count_of, format_bounded
from rungwise.figures.style import PALETTE, VERDICT_MARKS, blank_axes, styled
from rungwise.single_case.verdict import VERDICTS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ORDER = (
    "Grouped by verdict; within a verdict the largest improvement comes first, and children with equal "
    "estimates stand in the order of their codes."
)
_ROW_INCHES = 0.175
_NARROW = 5.0


@dataclass(frozen=True)
class Judged:
    """One child's line in the figure.

    Attributes
    ----------
    child_id : str
        The child's code.
    estimate : Estimate
        An estimate between 0 and 1 whose neutral value is one half (NAP).
    verdict : str
        A key of `VERDICTS`.
    """

    child_id: str
    estimate: Estimate
    verdict: str


def in_order(children: Iterable[Judged]) -> list[Judged]:
    """Sort by the rule stated in `ORDER`.

    Raises
    ------
    ValueError
        For a verdict that is none.
    """
    places = {code: place for place, code in enumerate(VERDICTS)}
    children = list(children)
    for child in children:
        check_choice("verdict", child.verdict, VERDICTS)
    return sorted(
        children,
        key=lambda child: (
            places[child.verdict],
            math.inf if math.isnan(child.estimate.value) else -child.estimate.value,
            child.child_id,
        ),
    )


@styled
def caterpillar(
    children: Iterable[Judged],
    *,
    per_page: int = 50,
    width: float = 7.0,
    axis: str = "NAP: share of comparisons in which the exposure rating was the better one",
) -> list[Axes]:
    """Draw every judged child's estimate with its interval, best first within each verdict.

    It shows how much the children differ and how sure each estimate is. It is no ranking: where
    intervals overlap, the order says nothing.

    Parameters
    ----------
    children : iterable of Judged
    per_page : int
        Most lines on one figure, headings of verdicts included; more children give more figures of
        about equal length.
    width : float
        Inches.
    axis : str
        What the estimate is.

    Returns
    -------
    list of matplotlib.axes.Axes
        One for each figure; empty without children. A mark without a line has no interval; a child
        whose estimate is missing has a line of words instead.

    Raises
    ------
    ValueError
        For a verdict that is none, or fewer than 3 lines a page.

    Examples
    --------
    >>> nap = Estimate("nap", 0.9, 0.7, 0.97)
    >>> [ax] = caterpillar([Judged("C2", nap, "no_clear_change"), Judged("C1", nap, "rose")])
    >>> [label.get_text() for label in ax.get_yticklabels()]
    ['C2', 'C1']
    """
    if per_page < 3:
        raise ValueError(f"per_page must be 3 or more; got {per_page!r}.")
    ordered = in_order(children)
    return [_draw_page(page, ordered, width, axis) for page in _pages(ordered, per_page)]


def describe_caterpillar(children: Iterable[Judged]) -> str:
    """Say in words what the figure shows, for those who do not see it.

    Examples
    --------
    >>> describe_caterpillar([Judged("C1", Estimate("nap", 0.4), "rose")])
    'Estimates of 1 judged child with their intervals, grouped by verdict. Rose: 1 child, estimate .40.'
    """
    ordered = in_order(children)
    sentences = [
        f"Estimates of {count_of(len(ordered), 'judged child', 'judged children')} with their intervals, "
        "grouped by verdict."
    ]
    for code, words in VERDICTS.items():
        values = [child.estimate.value for child in ordered if child.verdict == code]
        if not values:
            continue
        known = [value for value in values if not math.isnan(value)]
        spread = ", no estimate"
        if known:
            low, high = format_bounded(min(known)), format_bounded(max(known))
            spread = f", estimate {low}" if low == high else f", estimates from {low} to {high}"
        sentences.append(
            f"{words[0].upper()}{words[1:]}: {count_of(len(values), 'child', 'children')}{spread}."
        )
    return " ".join(sentences)


def _pages(ordered: Sequence[Judged], per_page: int) -> list[list[Judged]]:
    """Cut into as few pages as `per_page` allows, of about equal length."""
    fewest = len(_cut(ordered, per_page))
    for lines in range(3, per_page):
        pages = _cut(ordered, lines)
        if len(pages) == fewest:
            return pages
    return _cut(ordered, per_page)


def _cut(ordered: Sequence[Judged], lines: int) -> list[list[Judged]]:
    """Fill pages of so many lines, counting a heading for each verdict on a page."""
    pages: list[list[Judged]] = []
    room = 0
    for place, child in enumerate(ordered):
        new_group = place == 0 or child.verdict != ordered[place - 1].verdict
        # A heading is never the last line of a page.
        if room < (2 if new_group else 1):
            pages.append([])
            room = lines - 1
        elif new_group:
            room -= 1
        pages[-1].append(child)
        room -= 1
    return pages


def _draw_page(page: list[Judged], everyone: list[Judged], width: float, axis: str) -> Axes:
    narrow = width < _NARROW
    groups = list(dict.fromkeys(child.verdict for child in page))
    rows = len(page) + 1.35 * len(groups)
    ax = blank_axes(width, 0.75 + _ROW_INCHES * rows)
    ax.set_xlim(-0.015, 1.015)
    ax.set_ylim(rows + 0.2, -0.2)
    ax.axvline(0.5, color=PALETTE["ink"], linewidth=1.0, linestyle=(0, (5, 3)), zorder=1, gid="neutral")
    ticks, labels = [], []
    line = 0.0
    for code in groups:
        members = [child for child in page if child.verdict == code]
        everywhere = [child for child in everyone if child.verdict == code]
        going_on = members[0] is not everywhere[0]
        line += 1.35
        words = VERDICTS[code]
        count = "continued" if going_on else len(everywhere)
        title = ax.annotate(
            f"{words[0].upper()}{words[1:]} ({count})", (0.006, line - 0.55),
            xycoords=("figure fraction", "data"), ha="left", va="center",
            fontsize=7.8 if narrow else 9, fontweight="bold", zorder=6, gid="verdict",
            bbox={"facecolor": PALETTE["paper"], "edgecolor": "none", "pad": 1.2},
        )  # fmt: skip
        title.set_in_layout(False)  # a long heading must not narrow the axes
        ax.axhspan(
            line, line + len(members), facecolor=PALETTE["wash"], edgecolor="none", zorder=0, gid="group"
        )
        for child in members:
            _draw_child(ax, child, line + 0.5)
            ticks.append(line + 0.5)
            labels.append(child.child_id)
            line += 1
    ax.set_yticks(ticks, labels, fontsize=8)
    ax.tick_params(axis="y", length=0, pad=5)
    ax.spines["left"].set_visible(False)
    ax.set_xticks([0, 0.25, 0.5, 0.75, 1], ["0", ".25", ".50", ".75", "1"])
    ax.set_xlabel(textwrap.fill(axis, 40) if narrow else axis)
    return ax


def _draw_child(ax: Axes, child: Judged, height: float) -> None:
    mark, estimate = VERDICT_MARKS[child.verdict], child.estimate
    if math.isnan(estimate.value):
        ax.annotate(
            "no estimate", (0.5, height), ha="center", va="center", fontsize=8, color=PALETTE["soft"],
            gid="no estimate", bbox={"facecolor": PALETTE["wash"], "edgecolor": "none", "pad": 0.8},
        )  # fmt: skip
        return
    if not math.isnan(estimate.ci_low):
        ax.plot(
            [estimate.ci_low, estimate.ci_high], [height, height], color=mark.color, linewidth=1.3,
            solid_capstyle="butt", zorder=3, gid="interval",
        )  # fmt: skip
    ax.plot(
        [estimate.value], [height], marker=mark.marker, markersize=mark.size, markerfacecolor=mark.face,
        markeredgecolor=mark.color, markeredgewidth=1.3, linestyle="none", zorder=4, clip_on=False,
        gid="estimate",
    )  # fmt: skip
