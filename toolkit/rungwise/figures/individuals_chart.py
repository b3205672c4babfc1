"""One mean a quarter, as single values within the limits that neighbors set."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from rungwise.basis.page_numbers import format_bounded
from rungwise.figures.run_chart import ROOMY, quarter_axis
from rungwise.figures.style import PALETTE, blank_axes, styled

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@styled
def individuals_chart(history: pd.DataFrame, *, width: float = 7.0, height: float = 2.6) -> Axes:
    """Draw the mean NAP of each quarter with the center and the limits that neighboring quarters set.

    A quarter of few children swings more than one of many, which this chart does not know: the number
    judged stands beside the marks of up to `ROOMY` quarters. It misleads where quarters follow each other
    in a drift.

    Parameters
    ----------
    history : DataFrame
        ``quarter, judged, mean_nap, nap_center, nap_low, nap_high``, one row a quarter.
    width, height : float
        Inches.
    """
    ax = blank_axes(width, height)
    places = range(len(history))
    ax.plot(places, history["mean_nap"], color=PALETTE["shoal"], linewidth=1.2, zorder=2, gid="run")
    rows: list[Any] = list(history.itertuples(index=False))
    for place, row in zip(places, rows, strict=True):
        if math.isnan(row.mean_nap):
            continue
        beyond = not row.nap_low <= row.mean_nap <= row.nap_high
        ax.plot(
            [place], [row.mean_nap], marker="D" if beyond else "o", markersize=8 if beyond else 6,
            markerfacecolor=PALETTE["tide" if beyond else "paper"], markeredgecolor=PALETTE["tide"],
            markeredgewidth=1.4, linestyle="none", zorder=4, gid="mean",
        )  # fmt: skip
        if len(rows) > ROOMY:
            continue
        ax.annotate(
            f"{row.judged}", (place, row.mean_nap), xytext=(8, 0), textcoords="offset points", va="center",
            fontsize=8.5, zorder=5, bbox={"facecolor": PALETTE["paper"], "edgecolor": "none", "pad": 0.6},
        )  # fmt: skip
    line: dict[str, Any] = {"color": PALETTE["slate"], "linewidth": 1.0, "zorder": 1}
    ax.plot(places, history["nap_center"], **line, gid="center")
    for limit in ("nap_low", "nap_high"):
        ax.plot(places, history[limit], **line, linestyle=(0, (4, 3)), gid="limit")
    quarter_axis(ax, list(history["quarter"]), width)
    ax.set_ylim(-0.02, 1.02)
    ax.set_yticks([0, 0.25, 0.5, 0.75, 1])
    ax.set_ylabel("Mean NAP")
    return ax


def describe_individuals_chart(history: pd.DataFrame) -> str:
    """Say in words what the chart shows.

    Examples
    --------
    >>> import pandas as pd
    >>> print(describe_individuals_chart(pd.DataFrame({
    ...     "quarter": ["2026Q2", "2026Q3"], "judged": [4, 6], "mean_nap": [0.7, 0.95],
    ...     "nap_center": [0.75, 0.75], "nap_low": [0.6, 0.6], "nap_high": [0.9, 0.9]})))
    Mean NAP by quarter: 2026Q2 .70, 2026Q3 .95; center .75, limits .60 to .90. Beyond them: 2026Q3.
    """
    known = history[history["mean_nap"].notna()]
    parts = [f"{row['quarter']} {format_bounded(row['mean_nap'])}" for row in known.to_dict("records")]
    beyond = known[(known["mean_nap"] < known["nap_low"]) | (known["mean_nap"] > known["nap_high"])]
    center, low, high = (
        format_bounded(known[name].iloc[0]) for name in ("nap_center", "nap_low", "nap_high")
    )
    where = f"Beyond them: {', '.join(beyond['quarter'])}." if len(beyond) else "None beyond them."
    return f"Mean NAP by quarter: {', '.join(parts)}; center {center}, limits {low} to {high}. {where}"
