"""First against second scores, with the band of no reliable change and the cutoff."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, cast

import numpy as np

from rungwise.basis.page_numbers import format_number
from rungwise.change.classify import CATEGORIES, ChangeClasses
from rungwise.figures.style import PALETTE, Mark, blank_axes, styled

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

CHANGE_MARKS = {
    "recovered": Mark("o", PALETTE["tide"], PALETTE["tide"], 6.2),
    "improved": Mark("o", PALETTE["tide"], PALETTE["shoal"], 6.2),
    "unchanged": Mark("D", PALETTE["slate"], PALETTE["paper"], 4.6),
    "deteriorated": Mark("^", PALETTE["brick"], PALETTE["brick"], 6.8),
}
WORDS = {
    "first": "Score at intake",
    "second": "Later score",
    "better": "better",
    "worse": "worse",
    "improved_unsaid": "improved",
    "band": "no reliable change",
    "cutoff": "cutoff {cutoff}",
    "not_drawn": "not drawn, cannot be said ({n})",
    "scores.one": "First against second scores of {n} child",
    "scores.many": "First against second scores of {n} children",
    "moved": "{scores}; {n} moved in the better direction ({better}).",
    "alt_cutoff": "The cutoff stands at {cutoff}.",
    "unsaid.one": "Of {n} child it cannot be said.",
    "unsaid.many": "Of {n} children it cannot be said.",
    "lower": "lower",
    "higher": "higher",
    **{name: words for name, words in CATEGORIES.items() if name != "cannot_be_said"},
}
_NARROW = 5.0
# Marks of equal scores stand side by side, this share of the axis apart.
_STEP = 0.011


@styled
def change_scatter(
    classes: ChangeClasses,
    *,
    better: str,
    scale: tuple[float, float] | None = None,
    words: Mapping[str, str] = WORDS,
    width: float = 6.2,
) -> Axes:
    """Draw every child's first and second score, with the band within which no change is reliable.

    On the diagonal nothing changed. Marks inside the band moved less than measurement error explains;
    the dotted lines are the cutoff, at both occasions. Distance from the diagonal is change, so a
    child far from it at a high first score is no better off than one near it at a low one.

    Parameters
    ----------
    classes : ChangeClasses
        From `classify_changes`.
    better : {"lower", "higher"}
        Direction of improvement.
    scale : tuple of float, optional
        Ends of the instrument; default the range of the scores.
    words : mapping of str
        The words of the figure, as in `WORDS`, in the page's language.
    width : float
        Inches.

    Returns
    -------
    matplotlib.axes.Axes
    """
    narrow = width < _NARROW
    ax = blank_axes(width, width)
    figure = cast("Figure", ax.figure)
    pre, post = classes.changes.counts["pre"], classes.changes.counts["post"]
    low, high = _limits(pre, post, scale)
    ax.set_xlim(low, high)
    ax.set_ylim(low, high)
    ax.set_aspect("equal")
    ax.plot([low, high], [low, high], color=PALETTE["soft"], linewidth=1.0, zorder=2, gid="no change")
    _draw_band(ax, classes, low, high)
    if not np.isnan(classes.cutoff.value):
        for draw in (ax.axhline, ax.axvline):
            draw(
                classes.cutoff.value, color=PALETTE["ochre"], linewidth=1.3, linestyle=(0, (1, 1.6)),
                zorder=2, gid="cutoff",
            )  # fmt: skip
    places = side_by_side(pre, post, _STEP * (high - low))
    for category, mark in CHANGE_MARKS.items():
        here = classes.categories == category
        if not here.any():
            continue
        ax.plot(
            places[here], post[here], linestyle="none", marker=mark.marker, markersize=mark.size,
            markerfacecolor=mark.face, markeredgecolor=mark.color, markeredgewidth=1.1, zorder=4,
            clip_on=False, gid=category, label=f"{_words(classes, category, words)} ({int(here.sum())})",
        )  # fmt: skip
    _say_where(ax, better, words)
    ax.set_xlabel(words["first"])
    ax.set_ylabel(words["second"])
    handles, labels = _legend(ax, classes, words)
    columns = 1 if narrow else 2
    # The axes are square; the legend below them takes the height its lines need.
    figure.set_size_inches(width, 0.96 * width + 0.2 * math.ceil(len(labels) / columns))
    figure.legend(handles, labels, loc="outside lower left", ncols=columns, handletextpad=0.6)
    return ax


def describe_change_scatter(
    classes: ChangeClasses, *, better: str, words: Mapping[str, str] = WORDS
) -> str:
    """Say in words what the figure shows, for those who do not see it."""
    pre, post = classes.changes.counts["pre"], classes.changes.counts["post"]
    both = ~np.isnan(pre) & ~np.isnan(post)
    closer = post < pre if better == "lower" else post > pre
    parts = [
        f"{_words(classes, category, words)}: {classes.count(category)}"
        for category in CHANGE_MARKS
        if classes.count(category)
    ]
    scores = _counted("scores", int(both.sum()), words)
    sentences = [words["moved"].format(scores=scores, n=int(np.sum(closer & both)), better=words[better])]
    if parts:
        sentences.append(f"{'; '.join(parts)[0].upper()}{'; '.join(parts)[1:]}.")
    if not np.isnan(classes.cutoff.value):
        sentences.append(words["alt_cutoff"].format(cutoff=format_number(classes.cutoff.value)))
    unsaid = classes.count("cannot_be_said")
    if unsaid:
        sentences.append(_counted("unsaid", unsaid, words))
    return " ".join(sentences)


def _counted(key: str, number: int, words: Mapping[str, str]) -> str:
    return words[f"{key}.{'one' if number == 1 else 'many'}"].format(n=number)


def side_by_side(x: np.ndarray, y: np.ndarray, step: float) -> np.ndarray:
    """Give horizontal places in which marks at the same point stand side by side, centered on it.

    Examples
    --------
    >>> side_by_side(np.array([5.0, 5.0, 7.0]), np.array([2.0, 2.0, 2.0]), 0.1).tolist()
    [4.95, 5.05, 7.0]
    """
    places = np.array(x, dtype=float)
    together: dict[tuple[float, float], list[int]] = {}
    for i, point in enumerate(zip(x.tolist(), y.tolist(), strict=True)):
        together.setdefault(point, []).append(i)
    for members in together.values():
        places[members] += step * (np.arange(len(members)) - (len(members) - 1) / 2)
    return places


def _limits(pre: np.ndarray, post: np.ndarray, scale: tuple[float, float] | None) -> tuple[float, float]:
    if scale is not None:
        pad = 0.02 * (scale[1] - scale[0])
        return scale[0] - pad, scale[1] + pad
    seen = np.concatenate([pre, post])
    seen = seen[~np.isnan(seen)]
    if not len(seen):
        return 0.0, 1.0
    pad = 0.06 * float(np.ptp(seen)) or 1.0
    return float(seen.min()) - pad, float(seen.max()) + pad


def _draw_band(ax: Axes, classes: ChangeClasses, low: float, high: float) -> None:
    counts = classes.changes.counts
    known = ~np.isnan(counts["expected"] * counts["standard_error"])
    if not known.any():
        return
    pre, order = np.unique(counts["pre"][known], return_index=True)
    expected = counts["expected"][known][order]
    reach = (counts["critical"] * counts["standard_error"])[known][order]
    if np.ptp(reach) < 1e-9 * reach[0]:
        # A straight band goes on to the ends of the scale; one that widens is drawn where it is known.
        slope = (expected[-1] - expected[0]) / (pre[-1] - pre[0]) if len(pre) > 1 else 1.0
        ends = np.array([low, high])
        expected, reach, pre = expected[0] + slope * (ends - pre[0]), np.full(2, reach[0]), ends
    ax.fill_between(
        pre, expected - reach, expected + reach, facecolor=PALETTE["wash"], edgecolor=PALETTE["hair"],
        linewidth=0.9, zorder=1, gid="band",
    )  # fmt: skip


def _words(classes: ChangeClasses, category: str, words: Mapping[str, str]) -> str:
    if category == "improved" and np.isnan(classes.cutoff.value):
        return words["improved_unsaid"]
    return words[category]


def _say_where(ax: Axes, better: str, words: Mapping[str, str]) -> None:
    corner = {"better": (0.98, 0.03), "worse": (0.02, 0.97)}
    if better == "higher":
        corner = {"better": (0.02, 0.97), "worse": (0.98, 0.03)}
    for name, (x, y) in corner.items():
        ax.annotate(
            words[name], (x, y), xycoords="axes fraction", ha="right" if x > 0.5 else "left",
            va="top" if y > 0.5 else "bottom", fontsize=9, style="italic", color=PALETTE["soft"],
            zorder=3, gid=name,
        )  # fmt: skip


def _legend(ax: Axes, classes: ChangeClasses, words: Mapping[str, str]) -> tuple[list[Artist], list[str]]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles, labels = ax.get_legend_handles_labels()
    entries: list[tuple[Artist, str]] = list(zip(handles, labels, strict=True))
    if any(collection.get_gid() == "band" for collection in ax.collections):
        entries.append((Patch(facecolor=PALETTE["wash"], edgecolor=PALETTE["hair"]), words["band"]))
    if not np.isnan(classes.cutoff.value):
        line = Line2D([], [], color=PALETTE["ochre"], linewidth=1.3, linestyle=(0, (1, 1.6)))
        cutoff = format_number(classes.cutoff.value)
        entries.append((line, words["cutoff"].format(cutoff=cutoff)))
    unsaid = classes.count("cannot_be_said")
    if unsaid:
        entries.append((Line2D([], [], linestyle="none"), words["not_drawn"].format(n=unsaid)))
    return [handle for handle, _ in entries], [label for _, label in entries]
