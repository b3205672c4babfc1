"""A share quarter by quarter, with its interval and the number it rests on."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from rungwise.basis.page_numbers import of_hundred
from rungwise.figures.style import PALETTE, blank_axes, styled

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


# Quarters up to which the number judged stands at each mark; more would run into each other.
ROOMY = 8


@styled
def run_chart(history: pd.DataFrame, *, width: float = 7.0, height: float = 2.9) -> Axes:
    """Draw the share of each quarter with its interval; quarters without children stay empty.

    Marks are joined only between neighboring quarters, so that a gap is seen. The center and limits of
    a control chart, and the median (dotted), are drawn only where the table has them. A rise or fall
    between two quarters says little: read the intervals. The number judged stands at the marks of up to
    `ROOMY` quarters.

    Parameters
    ----------
    history : DataFrame
        ``quarter, judged, share, ci_low, ci_high, center, limit_low, limit_high``, one row a quarter;
        a quarter with children but without a share is one that is not shown. ``median`` may stand beside.
    width, height : float
        Inches.
    """
    ax = blank_axes(width, height)
    places = range(len(history))
    rows: list[Any] = list(history.itertuples(index=False))
    shares = [row.share for row in rows]
    ax.plot(places, shares, color=PALETTE["shoal"], linewidth=1.2, zorder=2, gid="run")
    roomy = len(rows) <= ROOMY
    for place, row in zip(places, rows, strict=True):
        if math.isnan(row.share) and not roomy:
            continue
        if math.isnan(row.share):
            ax.annotate(_gap(row.judged), (place, 0.03), ha="center", fontsize=8, color=PALETTE["soft"])
            continue
        now = place == len(rows) - 1
        ax.plot([place, place], [row.ci_low, row.ci_high], color=PALETTE["tide"], linewidth=1.4, zorder=3,
                solid_capstyle="butt", gid="interval")  # fmt: skip
        ax.plot(
            [place], [row.share], marker="o", markersize=8 if now else 6,
            markerfacecolor=PALETTE["tide" if now else "paper"], markeredgecolor=PALETTE["tide"],
            markeredgewidth=1.4, linestyle="none", zorder=4, gid="share",
        )  # fmt: skip
        if roomy:
            ax.annotate(
                f"{row.judged:g}", (place, row.share), xytext=(8, 0), textcoords="offset points",
                va="center", fontsize=8.5, zorder=5, gid="judged",
                bbox={"facecolor": PALETTE["paper"], "edgecolor": "none", "pad": 0.6},
            )  # fmt: skip
    if not history["center"].isna().all():
        step: dict[str, Any] = {"color": PALETTE["slate"], "linewidth": 1.0, "where": "mid", "zorder": 1}
        ax.step(places, history["center"], **step, gid="center")
        for limit in ("limit_low", "limit_high"):
            ax.step(places, history[limit], **step, linestyle=(0, (4, 3)), gid="limit")
    if "median" in history and not history["median"].isna().all():
        median: dict[str, Any] = {"color": PALETTE["slate"], "linewidth": 1.4, "linestyle": (0, (1, 2))}
        ax.plot(places, history["median"], **median, zorder=1, gid="median")
    quarter_axis(ax, list(history["quarter"]), width)
    ax.set_ylim(-0.02, 1.02)
    ax.set_yticks([0, 0.25, 0.5, 0.75, 1], ["0%", "25%", "50%", "75%", "100%"])
    ax.set_ylabel("Share that fell")
    return ax


def quarter_axis(ax: Axes, quarters: list[str], width: float) -> None:
    """Write the quarters along the bottom, slanted where there are many, and every second where narrow."""
    narrow = width < 5
    many = len(quarters) > ROOMY or (narrow and len(quarters) > 5)
    # Counted from the end, so that the last quarter always has its name.
    places = range(len(quarters))[:: -2 if narrow and len(quarters) > ROOMY else -1][::-1]
    ax.set_xlim(-0.5, len(quarters) - 0.5)
    ax.set_xticks(
        list(places),
        [quarters[place] for place in places],
        rotation=45 if many else 0,
        ha="right" if many else "center",
        rotation_mode="anchor" if many else "default",
    )


def describe_run_chart(history: pd.DataFrame) -> str:
    """Say in words what the chart shows, for those who do not see it.

    Examples
    --------
    >>> import pandas as pd
    >>> describe_run_chart(pd.DataFrame({"quarter": ["2026Q2", "2026Q3"], "judged": [0, 4],
    ...                                  "share": [float("nan"), 0.5]}))
    'Share that fell, quarter by quarter: 2026Q2 none judged, 2026Q3 50% of 4.'
    """
    parts = [
        f"{row['quarter']} {_gap(row['judged'])}"
        if math.isnan(row["share"])
        else f"{row['quarter']} {of_hundred(row['share'])}% of {row['judged']:g}"
        for row in history.to_dict("records")
    ]
    return f"Share that fell, quarter by quarter: {', '.join(parts)}."


def _gap(judged: float) -> str:
    return "none judged" if judged == 0 else "not shown"
