"""Fear expected at the probe step over exposure, with its band, from all rated trials."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from rungwise.basis.page_numbers import format_number
from rungwise.figures.approach_curve import dates
from rungwise.figures.ladder_words import WORDS
from rungwise.figures.style import DECLINED, PALETTE, PHASE_MARKS, blank_axes, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from rungwise.ladders.step_adjusted import ExpectedFear
    from rungwise.ladders.trials import Trials

_NARROW = 5.0


@styled
def expected_fear(
    expected: ExpectedFear,
    probes: Trials | None = None,
    *,
    scale: tuple[float, float] = (0.0, 10.0),
    rating: str = "fear",
    before: bool = False,
    words: Mapping[str, str] = WORDS,
    width: float = 7.0,
    height: float = 2.8,
) -> Axes:
    """Draw fear expected at the probe step, day by day, with the probes that were really made there.

    The band holds for each day by itself and is for the expected rating, not for single ratings, which
    scatter more.

    Parameters
    ----------
    expected : ExpectedFear
        From `rungwise.ladders.step_adjusted.step_adjusted_fear`.
    probes : Trials, optional
        Probes of the probe step in exposure.
    scale : tuple of float
        Ends of the rating scale; band and line are cut there.
    rating : str
        What was rated.
    before : bool
        Whether the rating before the trial is the one that counts.
    words : mapping
        Words of the figure.
    width, height : float
        Inches.

    Returns
    -------
    matplotlib.axes.Axes
    """
    ax = blank_axes(width, height)
    low, high = scale
    first = expected.day[0]
    when = (expected.day - first).astype(float)
    ax.fill_between(when, expected.ci_low, expected.ci_high, facecolor=PALETTE["shoal"], alpha=0.35,
                    edgecolor="none", label=words["band"], zorder=1, gid="band")  # fmt: skip
    ax.plot(when, expected.value, color=PALETTE["tide"], linewidth=1.8, label=words["expected"], zorder=2,
            gid="expected")  # fmt: skip
    if probes is not None and len(probes):
        mark = PHASE_MARKS["exposure"]
        ratings = probes.before if before else probes.peak
        ax.plot((probes.day - first).astype(float), ratings, linestyle="none", marker=mark.marker,
                markersize=5, markerfacecolor=mark.face, markeredgecolor=PALETTE["paper"], zorder=3,
                label=words["probe"], gid="probe")  # fmt: skip
        no = probes.declined
        if no.any():
            ax.plot((probes.day[no] - first).astype(float), np.full(no.sum(), high + 0.06 * (high - low)),
                    linestyle="none", marker=DECLINED.marker, markersize=6.5, markerfacecolor=DECLINED.face,
                    markeredgecolor=PALETTE["paper"], label=words["declined"], zorder=3,
                    gid="declined")  # fmt: skip
    ax.set_ylim(low - 0.03 * (high - low), high + 0.13 * (high - low))
    ax.set_yticks(np.linspace(low, high, 6))
    margin = max(2.0, 0.03 * float(when[-1]))
    ax.set_xlim(-margin, float(when[-1]) + margin)
    name = words["expected_axis"].format(rating=rating)
    ax.set_ylabel(f"{name[0].upper()}{name[1:]}")
    dates(ax, expected.day, words, most=4 if width < _NARROW else 8)
    ax.get_figure(root=True).legend(  # type: ignore[union-attr]
        loc="outside lower left", ncols=2 if width < _NARROW else 4, handlelength=1.6, columnspacing=1.3,
        borderpad=0,
    )  # fmt: skip
    return ax


def describe_expected_fear(expected: ExpectedFear, words: Mapping[str, str] = WORDS) -> str:
    """Say in words where the line begins and ends, for those who do not see it."""
    return words["expected.said"].format(
        first=format_number(expected.value[0]), begin=expected.day[0],
        last=format_number(expected.value[-1]), end=expected.day[-1],
    )  # fmt: skip
