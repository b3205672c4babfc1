"""The ladder over time: which step on which day, with fear as shade and number, declines marked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.figures.ladder_words import WORDS, count
from rungwise.figures.style import DECLINED, PALETTE, blank_axes, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from rungwise.ladders.mastery import Episodes
    from rungwise.ladders.trials import Trials

# Inches of a mark; numbers do not fit in smaller ones.
_LARGEST, _WITH_NUMBER = 0.21, 0.135
_NARROW = 5.0
_POINTS = 72.0


@dataclass(frozen=True)
class _Spot:
    """A step on a day: the worst rating of its trials there."""

    day: float
    step: float
    kind: str
    worst: float
    declined: bool
    aside: bool = False


@styled
def ladder_map(
    trials: Trials,
    episodes: Episodes | None = None,
    *,
    steps: int | None = None,
    scale: tuple[float, float] = (0.0, 10.0),
    better: str = "lower",
    rating: str = "fear",
    last: int | None = None,
    words: Mapping[str, str] = WORDS,
    width: float = 7.0,
    height: float = 3.6,
) -> Axes:
    """Draw the trials of one child on one ladder, day by day and step by step.

    Every visit has a column, so days are in order but not to scale. Practice stands in squares, probes in
    circles; the darker, the worse the worst rating of that step on that day, which is also written inside
    where it fits. A cross is a decline, whatever else
    happened there that day. A short bar is the highest step done on an approach occasion, 0 if none. A tick
    at the right edge says that the step was mastered, by the practice's own criterion; a tick in brackets
    that it was lost again.

    Parameters
    ----------
    trials : Trials
        Of one child and ladder, in time order.
    episodes : Episodes, optional
        Mastery of the same child's steps; others are left out.
    steps : int, optional
        Steps of the ladder; default the highest tried.
    scale : tuple of float
        Ends of the rating scale.
    better : {"lower", "higher"}
    rating : str
        What was rated, for the legend.
    last : int, optional
        Only so many of the latest days.
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
        Without any trial.
    """
    if not len(trials):
        raise ValueError("trials must hold at least one trial; got none.")
    ax = blank_axes(width, height)
    top = max(steps or 0, int(trials.step.max()))
    days = np.unique(trials.day)[-last:] if last else np.unique(trials.day)
    shown = trials.where(trials.day >= days[0])
    column = np.searchsorted(days, shown.day).astype(float)
    ax.set_xlim(-0.6, len(days) - 0.4)
    approach = bool((shown.kind == "approach").any())
    ax.set_ylim(0.0 if approach else 0.4, top + 0.75)
    size = min(_LARGEST, 0.92 * (width - 1.1) / (len(days) + 0.2), 0.8 * (height - 1.35) / (top + 0.75))
    narrow = width < _NARROW
    _phases(ax, shown, column, words, narrow=narrow)
    _climb(ax, shown, column)
    for spot in _spots(shown, column, better):
        _draw(ax, spot, size, scale, better)
    _approaches(ax, shown, column)
    _mastery(ax, trials, episodes)
    ax.set_yticks(range(1, top + 1))
    ax.set_ylabel(words["step"])
    _dates(ax, days, words, most=4 if narrow else 8)
    _legend(ax, shown, scale, better, rating, words, numbered=size >= _WITH_NUMBER, narrow=narrow)
    return ax


def describe_ladder_map(
    trials: Trials, episodes: Episodes | None = None, words: Mapping[str, str] = WORDS
) -> str:
    """Say in words what the map shows, for those who do not see it."""
    practice = trials.where(trials.kind == "practice")
    days = count(words, "days", len(np.unique(trials.day)))
    parts = [words["map.counted"].format(trials=count(words, "trials", len(trials)), days=days)]
    if len(practice):
        first, high, last = (
            f"{step:g}" for step in (practice.step[0], practice.step.max(), practice.step[-1])
        )
        parts.append(words["map.climbed"].format(first=first, high=high, last=last))
    if n := int(trials.declined.sum()):
        where = ", ".join(f"{step:g}" for step in np.unique(trials.step[trials.declined]))
        parts.append(words["map.declined"].format(trials=count(words, "trials", n), steps=where))
    mastered = _own(trials, episodes)
    for key, wanted in (("map.mastered", False), ("map.lost", True)):
        if steps := ", ".join(f"{step:g}" for step, lost in mastered if lost is wanted):
            parts.append(words[key].format(steps=steps))
    return " ".join(parts)


def _spots(trials: Trials, column: np.ndarray, better: str) -> list[_Spot]:
    found: dict[tuple[Any, ...], _Spot] = {}
    worse = max if better == "lower" else min
    for day, step, kind, peak, declined in zip(
        column.tolist(), trials.step.tolist(), trials.kind.tolist(),
        trials.peak.tolist(), trials.declined.tolist(), strict=True,
    ):  # fmt: skip
        if kind == "approach":
            continue
        old = found.get((day, step, kind))
        if old is not None:
            peak = old.worst if peak != peak else peak if old.worst != old.worst else worse(peak, old.worst)
            declined = declined or old.declined
        found[day, step, kind] = _Spot(day, step, kind, peak, declined)
    # A step both probed and practiced on one day: half a mark aside each.
    both = {key[:2] for key in found if (*key[:2], "probe") in found and (*key[:2], "practice") in found}
    return [replace(spot, aside=(spot.day, spot.step) in both) for spot in found.values()]


def _draw(ax: Axes, spot: _Spot, size: float, scale: tuple[float, float], better: str) -> None:
    x, y = spot.day, spot.step
    marker = "o" if spot.kind == "probe" else "s"
    points = size * _POINTS
    if spot.aside:
        y += 0.2 if spot.kind == "probe" else -0.2
        points *= 0.75
    if spot.declined:
        ax.plot(
            [x], [y], linestyle="none", marker=DECLINED.marker, markersize=0.85 * points,
            markerfacecolor=DECLINED.face, markeredgecolor=PALETTE["paper"], markeredgewidth=0.5, zorder=5,
            gid=f"declined {spot.kind}",
        )  # fmt: skip
        return
    share = _share(spot.worst, scale, better)
    face = PALETTE["paper"] if np.isnan(share) else _shade(share)
    ax.plot(
        [x], [y], linestyle="none", marker=marker, markersize=points, markerfacecolor=face,
        markeredgecolor=PALETTE["tide"], markeredgewidth=0.7, zorder=4, gid=spot.kind,
    )  # fmt: skip
    if size >= _WITH_NUMBER and not np.isnan(spot.worst):
        ax.annotate(
            f"{spot.worst:g}", (x, y), ha="center", va="center_baseline",
            fontsize=min(7.5, 0.58 * points), color=PALETTE["paper" if share > 0.5 else "ink"], zorder=6,
            gid="number",
        )  # fmt: skip


def _share(value: float, scale: tuple[float, float], better: str) -> float:
    low, high = scale
    share = (value - low) / (high - low)
    return float(np.clip(share if better == "lower" else 1 - share, 0, 1))


def _shade(share: float) -> tuple[float, float, float]:
    """Give a shade that darkens evenly from almost white to the palette's dark end."""
    from matplotlib.colors import to_rgb

    light, dark = np.array(to_rgb(PALETTE["wash"])), np.array(to_rgb(PALETTE["tide"]))
    red, green, blue = (light + share * (dark - light)).tolist()
    return red, green, blue


def _climb(ax: Axes, trials: Trials, column: np.ndarray) -> None:
    """Join the steps practiced, in order, by a thin line behind the marks."""
    practiced = trials.kind == "practice"
    if practiced.any():
        ax.plot(
            column[practiced], trials.step[practiced], color=PALETTE["shoal"], linewidth=1.0, zorder=2,
            gid="climb",
        )  # fmt: skip


def _approaches(ax: Axes, trials: Trials, column: np.ndarray) -> None:
    approach = trials.kind == "approach"
    for place in np.unique(column[approach]).tolist():
        here = trials.where(approach & (column == place))
        done = here.step[here.outcome == "completed"]
        score = float(done.max()) if len(done) else 0.0
        ax.plot(
            [place - 0.45, place + 0.45], [score + 0.5] * 2, color=PALETTE["ink"], linewidth=2.2,
            solid_capstyle="butt", zorder=3, gid="approach",
        )  # fmt: skip


def _own(trials: Trials, episodes: Episodes | None) -> list[tuple[float, bool]]:
    """Give the steps this child mastered on this ladder, and whether they were lost again."""
    if episodes is None:
        return []
    mine = (episodes.child_id == trials.child_id[0]) & (episodes.ladder_id == trials.ladder_id[0])
    own = episodes.where(mine & (episodes.result == "mastered"))
    return sorted(zip(own.step.tolist(), (~np.isnat(own.lost_on)).tolist(), strict=True))


def _mastery(ax: Axes, trials: Trials, episodes: Episodes | None) -> None:
    for step, lost in _own(trials, episodes):
        ax.annotate(
            "(✓)" if lost else "✓", (1.0, step), xycoords=("axes fraction", "data"), xytext=(4, 0),
            textcoords="offset points", va="center", fontsize=9, color=PALETTE["ink"],
            gid="lost again" if lost else "mastered", annotation_clip=False,
        )  # fmt: skip


def _phases(
    ax: Axes, trials: Trials, column: np.ndarray, words: Mapping[str, str], *, narrow: bool
) -> None:
    begun: list[tuple[float, str]] = []
    for place, phase in zip(column.tolist(), trials.phase.tolist(), strict=True):
        if phase is not None and (not begun or phase != begun[-1][1]):
            begun.append((place, phase))
    inches = (3.0 if narrow else 6.0) / (ax.get_xlim()[1] - ax.get_xlim()[0])
    taken: list[float] = []
    for number, (place, phase) in enumerate(begun):
        if number:
            ax.axvline(place - 0.5, color=PALETTE["ink"], linewidth=1.0, linestyle=(0, (5, 3)), zorder=1,
                       gid="phase line")  # fmt: skip
        word = words[phase]
        width = (0.072 * len(word) + 0.1) / inches
        begins = min(place - 0.4, ax.get_xlim()[1] - width)
        # Labels too wide for their phase go up a row rather than into their neighbor's.
        row = next((r for r, end in enumerate(taken) if begins >= end), len(taken))
        taken[row : row + 1] = [begins + width]
        ax.annotate(
            word, (begins, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 4 + 11 * row),
            textcoords="offset points", ha="left", va="bottom", fontsize=8.5, gid="phase label",
        )  # fmt: skip


def _dates(ax: Axes, days: np.ndarray, words: Mapping[str, str], most: int) -> None:
    months = words["months"].split()
    ticks = range(0, len(days), max(1, -(-len(days) // most)))
    labels, year = [], None
    for place in ticks:
        day: date = days[place].astype(object)
        labels.append(f"{day.day} {months[day.month - 1]}" + (f"\n{day.year}" if day.year != year else ""))
        year = day.year
    ax.set_xticks(list(ticks), labels)


def _legend(
    ax: Axes,
    trials: Trials,
    scale: tuple[float, float],
    better: str,
    rating: str,
    words: Mapping[str, str],
    *,
    numbered: bool,
    narrow: bool,
) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.transforms import ScaledTranslation

    def mark(marker: str, face: Any, label: str) -> Line2D:
        return Line2D(
            [], [], linestyle="none", marker=marker, markersize=7, markerfacecolor=face,
            markeredgecolor=PALETTE["tide"], markeredgewidth=0.7, label=label,
        )  # fmt: skip

    low, high = scale if better == "lower" else (scale[1], scale[0])
    handles = []
    kinds = set(trials.kind.tolist())
    if "practice" in kinds:
        handles.append(mark("s", _shade(0.5), words["practice"]))
    if "probe" in kinds:
        handles.append(mark("o", _shade(0.5), words["probe"]))
    handles.append(mark("s", _shade(0.0), words["worst"].format(rating=rating, value=f"{low:g}")))
    handles.append(mark("s", _shade(1.0), words["worst"].format(rating=rating, value=f"{high:g}")))
    if trials.declined.any():
        handles.append(
            Line2D([], [], linestyle="none", marker=DECLINED.marker, markersize=7,
                   markerfacecolor=DECLINED.face, markeredgecolor=PALETTE["paper"], label=words["declined"])
        )  # fmt: skip
    if "approach" in kinds:
        handles.append(Line2D([], [], color=PALETTE["ink"], linewidth=2.2, label=words["approach"]))
    figure = ax.get_figure(root=True)
    below = ScaledTranslation(0, -31 / 72, figure.dpi_scale_trans)  # type: ignore[union-attr]
    ax.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(0, 0), bbox_transform=ax.transAxes + below,
        borderaxespad=0, borderpad=0, ncols=2 if narrow else 3, handlelength=1.4, columnspacing=1.3,
        title=None if numbered else words["too_many"], title_fontsize=8,
        alignment="left",
    )  # fmt: skip
