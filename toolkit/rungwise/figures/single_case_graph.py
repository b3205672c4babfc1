"""The graph of one child's planned ratings, by the conventions of single-case research."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.basis.page_numbers import format_number
from rungwise.figures.style import DECLINED, PALETTE, PHASE_MARKS, blank_axes, styled
from rungwise.series.phase_series import PhaseSeries, check_series

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from rungwise.single_case.verdict import Verdict

LINES = (None, "median", "theil_sen")
# Every word on the graph and in its description, beside the title and the name of the rating.
WORDS = {
    "baseline": "baseline",
    "exposure": "exposure",
    "maintenance": "maintenance",
    "follow_up": "follow-up",
    "declined": "declined",
    "missing": "planned, not recorded",
    "day": "Day",
    "occasion": "Occasion",
    "projection": "baseline's course, carried on",
    "band": "its 95% band",
    "median": "median of the phase",
    "theil_sen": "Theil–Sen line of the phase",
    "rating": "{rating} ({low} to {high})",
    "months": "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec",
    "date": "{month} {day}",
    "by_occasion": "Graph of {rating} by occasion.",
    "by_day": "Graph of {rating} by day.",
    "verdict": "Verdict: {verdict}.",
    "occasions.one": "{n} occasion",
    "occasions.many": "{n} occasions",
    "between": "{rating} between {low} and {high}",
    "ends": "first {first}, last {last}",
    "n_declined": "{n} declined",
    "n_missing": "{n} missing",
}
# The free strip between the scale and the row of declines, and that row: shares of the scale's height,
# and the inches below which their labels would touch.
_STRIP, _STRIP_INCHES = 0.035, 0.06
_ROW, _ROW_INCHES = 0.11, 0.2
_NARROW = 5.0
# What the axis leaves the legend of the figure's width.
_LEGEND_SHARE = 0.85
_PROJECTED_POINTS = 41


@dataclass(frozen=True)
class Projection:
    """The baseline's course carried on, as the graph draws it.

    Attributes
    ----------
    times, value, ci_low, ci_high : ndarray
        The line and its band, in the series' own times and units.
    """

    times: np.ndarray
    value: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray


@dataclass(frozen=True)
class _Run:
    """Consecutive occasions of one phase."""

    phase: str
    start: int
    stop: int


@styled
def single_case_graph(
    series: PhaseSeries,
    ax: Axes | None = None,
    *,
    answer: Verdict | None = None,
    lines: str | None = None,
    projection: Projection | bool = False,
    starts_on: date | None = None,
    title: str | None = None,
    rating: str = "Rating",
    words: Mapping[str, str] = WORDS,
    width: float = 7.0,
    height: float = 3.4,
) -> Axes:
    """Draw one series: ratings by day, phases apart, declines in a row of their own.

    Baseline ratings are open circles, exposure ratings filled ones. Ratings of one phase are joined;
    phases are not, nor is a path drawn across a missing or declined occasion. Declined occasions
    stand in a row at the worse end, off the scale, because a decline is no rating. A planned occasion
    without either is a short stroke at the foot of the graph.

    Parameters
    ----------
    series : PhaseSeries
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure otherwise, known to no plotting session.
    answer : Verdict, optional
        Puts the verdict in words beside the title.
    lines : {None, "median", "theil_sen"}
        A line through the ratings of each phase: at their median, or their Theil–Sen line. Declined
        occasions have no rating and do not move it.
    projection : bool or Projection
        The baseline's course carried on through exposure with its band: True takes it from
        `level_and_slope_change`; nothing is drawn where that model cannot project.
    starts_on : datetime.date, optional
        The date of time 0, if times are days: the axis then shows dates.
    title : str, optional
        Default: the series' label.
    rating : str
        What was rated, for the axis.
    words : mapping
        The graph's words, with the keys of `WORDS`, for other readers or another language.
    width, height : float
        Inches of a new figure; below 5 wide, the graph thins out its ticks.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    ValueError
        For an unknown choice of `lines`, or a series without any occasion.

    Examples
    --------
    >>> series = PhaseSeries.from_phases([7, 8, 7], [6, None, 5, 3, 2], floor=0, ceiling=10)
    >>> ax = single_case_graph(series)
    >>> [line.get_xdata().tolist() for line in ax.lines if line.get_gid() == "path"]
    [[1.0, 2.0, 3.0], [4.0], [6.0, 7.0, 8.0]]
    """
    check_choice("lines", lines, LINES)
    if not len(check_series(series)):
        raise ValueError("series must hold at least one occasion; got none.")
    if ax is None:
        ax = blank_axes(width, height)
    narrow = ax.get_figure(root=True).get_figwidth() < _NARROW  # type: ignore[union-attr]
    low, high = _scale(series)
    runs = list(_runs(series))
    _time_axis(ax, series, starts_on, words, narrow)
    _rating_axis(ax, series, low, high, rating, words)
    label_rows = _phase_lines(ax, series, runs, words)
    if projection is not False:
        _draw_projection(ax, series, projection, low, high, words)
    for run in runs:
        if lines is not None:
            _draw_line(ax, series, run, lines, words)
        _draw_run(ax, series, run)
    _draw_declined_and_missing(ax, series, low, high, words)
    _titles(ax, series, answer, title, label_rows)
    _legend(ax, narrow)
    return ax


def describe_graph(
    series: PhaseSeries,
    *,
    rating: str = "rating",
    answer: Verdict | None = None,
    verdict: str = "",
    words: Mapping[str, str] = WORDS,
) -> str:
    """Say in words what the graph shows, for those who do not see it.

    `verdict` stands for the words of `answer`, where they are wanted in another language.

    Examples
    --------
    >>> describe_graph(PhaseSeries.from_phases([7, 8, 7], [6, None, 5, 3, 2]), rating="fear")
    'Graph of fear by occasion. Baseline: 3 occasions, fear between 7 and 8, first 7, last 7. Exposure: 5 occasions, fear between 2 and 6, first 6, last 2, 1 missing.'
    """  # noqa: E501
    sentences = [words["by_occasion" if _numbered(series) else "by_day"].format(rating=rating)]
    if answer is not None:
        sentences.append(words["verdict"].format(verdict=verdict or answer.words))
    for run in _runs(series):
        values = series.values[run.start : run.stop]
        rated = values[~np.isnan(values)]
        declined = int(series.declined[run.start : run.stop].sum())
        missing = len(values) - len(rated) - declined
        parts = [words["occasions.one" if len(values) == 1 else "occasions.many"].format(n=len(values))]
        if len(rated):
            low, high, first, last = map(_plain, (rated.min(), rated.max(), rated[0], rated[-1]))
            parts.append(words["between"].format(rating=rating, low=low, high=high))
            parts.append(words["ends"].format(first=first, last=last))
        if declined:
            parts.append(words["n_declined"].format(n=declined))
        if missing:
            parts.append(words["n_missing"].format(n=missing))
        sentences.append(f"{words[run.phase].capitalize()}: {', '.join(parts)}.")
    return " ".join(sentences)


def _runs(series: PhaseSeries) -> Iterator[_Run]:
    start = 0
    for i in range(1, len(series) + 1):
        if i == len(series) or series.phases[i] != series.phases[start]:
            yield _Run(str(series.phases[start]), start, i)
            start = i


def _scale(series: PhaseSeries) -> tuple[float, float]:
    """Ends of the rating axis: the scale's own where known, else whole numbers around the data."""
    rated = series.values[~np.isnan(series.values)]
    low = series.floor if series.floor is not None else (math.floor(rated.min()) if len(rated) else 0)
    high = series.ceiling if series.ceiling is not None else (math.ceil(rated.max()) if len(rated) else 10)
    return (float(low), float(high)) if high > low else (low - 1.0, high + 1.0)


def _decline_row(ax: Axes, series: PhaseSeries, low: float, high: float) -> tuple[float, float]:
    """Ends of the row of declines, off the worse end of the scale."""
    inches = ax.get_position().height * ax.get_figure(root=True).get_figheight()  # type: ignore[union-attr]
    strip = max(_STRIP, _STRIP_INCHES / inches) * (high - low)
    row = max(_ROW, _ROW_INCHES / inches) * (high - low)
    if series.better == "lower":
        return high + strip, high + strip + row
    return low - strip - row, low - strip


def _rating_axis(
    ax: Axes, series: PhaseSeries, low: float, high: float, rating: str, words: Mapping[str, str]
) -> None:
    from matplotlib.ticker import FixedLocator, MaxNLocator

    pad = 0.045 * (high - low)
    bottom, top = low - pad, high + pad
    steps = MaxNLocator(nbins=6, integer=True, steps=[1, 2, 5, 10]).tick_values(low, high)
    ticks = [tick for tick in steps if low <= tick <= high]
    labels = [_plain(tick) for tick in ticks]
    if series.declined.any():
        edges = _decline_row(ax, series, low, high)
        bottom, top = min(bottom, edges[0] - pad / 2), max(top, edges[1] + pad / 2)
        ax.axhspan(*edges, facecolor=PALETTE["wash"], edgecolor="none", zorder=0, gid="decline row")
        ticks.append(sum(edges) / 2)
        labels.append(words["declined"])
    ax.set_ylim(bottom, top)
    ax.set_yticks(ticks, labels)
    if high - low <= 12:
        ax.yaxis.set_minor_locator(FixedLocator(np.arange(math.ceil(low), high + 1).tolist()))
        ax.tick_params(axis="y", which="minor", length=2)
    ax.spines["left"].set_bounds(low, high)
    known = series.ceiling is not None
    ax.set_ylabel(
        words["rating"].format(rating=rating, low=_plain(low), high=_plain(high)) if known else rating
    )


def _time_axis(
    ax: Axes, series: PhaseSeries, starts_on: date | None, words: Mapping[str, str], narrow: bool
) -> None:
    from matplotlib.ticker import MaxNLocator

    first, last = float(series.times[0]), float(series.times[-1])
    pad = max(0.03 * (last - first), 0.4)
    ax.set_xlim(first - pad, last + pad)
    if starts_on is None:
        ax.xaxis.set_major_locator(MaxNLocator(nbins=5 if narrow else 9, integer=True))
        ax.set_xlabel(words["occasion" if _numbered(series) else "day"])
        return
    ticks = _date_ticks(starts_on, first, last, most=4 if narrow else 8)
    months = words["months"].split()
    labels = []
    for i, day in enumerate(ticks):
        new_year = i == 0 or day.year != ticks[i - 1].year
        label = words["date"].format(month=months[day.month - 1], day=day.day)
        labels.append(label + (f"\n{day.year}" if new_year else ""))
    ax.set_xticks([(day - starts_on).days for day in ticks], labels)


def _date_ticks(starts_on: date, first: float, last: float, most: int) -> list[date]:
    """First days of months, or every so many weeks when the series is short."""
    begin, end = starts_on + timedelta(days=first), starts_on + timedelta(days=last)
    for months in (1, 2, 3, 6, 12):
        ticks = []
        day = date(begin.year, begin.month, 1)
        while day <= end:
            if day >= begin and (day.month - 1) % months == 0:
                ticks.append(day)
            day = date(day.year + day.month // 12, day.month % 12 + 1, 1)
        if 3 <= len(ticks) <= most:
            return ticks
        if len(ticks) < 3:
            break
    days = max(math.ceil((last - first) / 7 / (most - 1)), 1) * 7
    return [begin + timedelta(days=step) for step in range(0, int(last - first) + 1, days)]


def _phase_lines(ax: Axes, series: PhaseSeries, runs: list[_Run], words: Mapping[str, str]) -> int:
    """Draw lines and labels between phases; give how many rows the labels take."""
    edges = [ax.get_xlim()[0]]
    for before, after in pairwise(runs):
        edges.append(float(series.times[before.stop - 1] + series.times[after.start]) / 2)
        ax.axvline(edges[-1], color=PALETTE["ink"], linewidth=1.0, linestyle=(0, (5, 3)), gid="phase line")
    edges.append(ax.get_xlim()[1])
    figure = ax.get_figure(root=True)
    inches = 0.86 * figure.get_figwidth() / (edges[-1] - edges[0])  # type: ignore[union-attr]
    taken: list[float] = []
    for run, left, right in zip(runs, edges, edges[1:], strict=False):
        word = words[run.phase]
        half = 0.5 * (0.078 * len(word) + 0.08) / inches
        center = (left + right) / 2
        center = min(max(center, edges[0] + half), edges[-1] - half)
        # Labels too wide for their phase go up a row rather than into their neighbor's.
        row = next((r for r, end in enumerate(taken) if center - half > end), len(taken))
        taken[row : row + 1] = [center + half]
        ax.annotate(
            word, (center, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 4 + 11 * row),
            textcoords="offset points", ha="center", va="bottom", color=PALETTE["ink"], gid="phase label",
        )  # fmt: skip
    return len(taken)


def _draw_run(ax: Axes, series: PhaseSeries, run: _Run) -> None:
    mark = PHASE_MARKS[run.phase]
    times, values = series.times[run.start : run.stop], series.values[run.start : run.stop]
    breaks = np.flatnonzero(np.isnan(values))
    for part in np.split(np.arange(len(values)), breaks):
        part = part[~np.isnan(values[part])]
        if len(part):
            ax.plot(
                times[part], values[part], color=mark.color, linewidth=1.3, marker=mark.marker,
                markersize=mark.size, markerfacecolor=mark.face, markeredgecolor=mark.color,
                markeredgewidth=1.3, zorder=4, clip_on=False, gid="path",
            )  # fmt: skip


def _draw_declined_and_missing(
    ax: Axes, series: PhaseSeries, low: float, high: float, words: Mapping[str, str]
) -> None:
    if series.declined.any():
        times = series.times[series.declined]
        ax.plot(
            times, np.full(len(times), sum(_decline_row(ax, series, low, high)) / 2), linestyle="none",
            marker=DECLINED.marker, markersize=DECLINED.size, markerfacecolor=DECLINED.face,
            markeredgecolor=PALETTE["paper"], markeredgewidth=0.6, zorder=5, gid="declined",
        )  # fmt: skip
    absent = series.times[~series.usable]
    if len(absent):
        ax.plot(
            absent, np.full(len(absent), 0.035), linestyle="none", marker="|", markersize=6.5,
            markeredgewidth=1.6, color=PALETTE["soft"], transform=ax.get_xaxis_transform(), zorder=3,
            label=words["missing"], gid="missing",
        )  # fmt: skip


def _draw_line(ax: Axes, series: PhaseSeries, run: _Run, kind: str, words: Mapping[str, str]) -> None:
    """Draw the line of a phase, if its ratings are enough for one."""
    part = series.where((np.arange(len(series)) >= run.start) & (np.arange(len(series)) < run.stop))
    ends = part.times[[0, -1]]
    rated = part.values[~np.isnan(part.values)]
    if kind == "median":
        heights = np.full(2, np.median(rated) if len(rated) else np.nan)
    else:
        from rungwise.single_case.theil_sen import theil_sen

        slope = theil_sen(part, run.phase)
        heights = slope.counts["intercept"] + slope.value * ends
    if np.isnan(heights).any():
        return
    shown = ax.get_legend_handles_labels()[1]
    ax.plot(
        ends, heights, color=PALETTE["ochre"], linewidth=1.6, linestyle=(0, (1.5, 1.2)), zorder=3,
        label=None if words[kind] in shown else words[kind], gid="phase summary",
    )  # fmt: skip


def _draw_projection(
    ax: Axes,
    series: PhaseSeries,
    projection: Projection | Any,
    low: float,
    high: float,
    words: Mapping[str, str],
) -> None:
    """Draw the line and its band as far as they stay on the scale: no rating lies beyond it."""
    if projection is True:
        projection = _projected(series)
    if projection is None or np.isnan(projection.value).all():
        return
    times = projection.times
    dashes = (0, (6, 2))
    for heights, width, style, gid in (
        (projection.value, 1.7, dashes, "projection"),
        (projection.ci_low, 0.7, "-", "band edge"),
        (projection.ci_high, 0.7, "-", "band edge"),
    ):
        inside = np.where((heights >= low) & (heights <= high), heights, np.nan)
        label = words["projection"] if gid == "projection" else None
        ax.plot(times, inside, color=PALETTE["ochre"], linewidth=width, linestyle=style, zorder=2,
                label=label, gid=gid)  # fmt: skip
    ax.fill_between(
        times, np.clip(projection.ci_low, low, high), np.clip(projection.ci_high, low, high),
        facecolor=PALETTE["ochre"], alpha=0.12, edgecolor="none", linewidth=0, zorder=1,
        label=words["band"], gid="projection band",
    )  # fmt: skip


def _projected(series: PhaseSeries) -> Projection | None:
    from rungwise.single_case.level import level_and_slope_change

    baseline, exposure = (series.times[series.phases == phase] for phase in ("baseline", "exposure"))
    if not len(baseline) or not len(exposure):
        return None
    times = np.linspace(baseline[0], exposure[-1], _PROJECTED_POINTS)
    return Projection(times, *level_and_slope_change(series).projection(times))


def _titles(
    ax: Axes, series: PhaseSeries, answer: Verdict | None, title: str | None, label_rows: int
) -> None:
    text = series.label if title is None else title
    if answer is not None:
        words = answer.words
        text = f"{text}: {words}" if text else words[0].upper() + words[1:]
    if text:
        letters = int(10.8 * (ax.get_figure(root=True).get_figwidth() - 0.9))  # type: ignore[union-attr]
        ax.set_title(textwrap.fill(text, letters), pad=8 + 11 * label_rows)


def _legend(ax: Axes, narrow: bool) -> None:
    """Put the legend under the axis, clear of two lines of tick labels."""
    from matplotlib.transforms import ScaledTranslation

    handles, labels = ax.get_legend_handles_labels()
    if not handles:
        return
    figure = ax.get_figure(root=True)
    below = ScaledTranslation(0, -37 / 72, figure.dpi_scale_trans)  # type: ignore[union-attr]
    for columns in (1,) if narrow else (3, 2):
        legend = ax.legend(
            handles, labels, loc="upper left", bbox_to_anchor=(0, 0), bbox_transform=ax.transAxes + below,
            borderaxespad=0, borderpad=0, ncols=columns, handlelength=2.4, columnspacing=1.8,
        )  # fmt: skip
        if legend.get_window_extent().width <= _LEGEND_SHARE * figure.bbox.width:  # type: ignore[union-attr]
            return


def _numbered(series: PhaseSeries) -> bool:
    """Whether times are mere occasion numbers."""
    return bool(np.array_equal(series.times, np.arange(1.0, len(series) + 1)))


def _plain(value: float) -> str:
    return format_number(float(value), 0 if float(value).is_integer() else 1)
