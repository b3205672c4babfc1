"""Shares of groups of different size within the limits of chance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.funnel_limits import funnel_limits
from rungwise.basis.page_numbers import of_hundred
from rungwise.figures.style import PALETTE, blank_axes, styled

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@styled
def funnel(groups: pd.DataFrame, *, width: float = 7.0, height: float = 2.9) -> Axes:
    """Draw the share of each group against its size, with the exact limits of chance around all.

    Groups within the limits are not told apart by this picture, and none is ranked. It misleads when
    groups differ in who came to them.

    Parameters
    ----------
    groups : DataFrame
        ``group, judged, fell, share`` of the groups of one kind.
    width, height : float
        Inches.
    """
    ax = blank_axes(width, height)
    judged = groups["judged"].to_numpy(dtype=int)
    center = float(groups["fell"].sum() / judged.sum())
    sizes = np.arange(max(judged.min() - 10, 1), judged.max() + 11)
    limits = funnel_limits(sizes, center)
    for low, high, dashes in (
        (limits.inner_low, limits.inner_high, (0, (4, 3))),
        (limits.outer_low, limits.outer_high, "solid"),
    ):
        for limit in (low, high):
            ax.plot(sizes, limit, color=PALETTE["slate"], linewidth=1.0, linestyle=dashes, gid="limit")
    ax.axhline(center, color=PALETTE["slate"], linewidth=1.0, gid="center")
    rows: list[Any] = list(groups.itertuples(index=False))
    for row in rows:
        ax.plot([row.judged], [row.share], marker="o", markersize=6, color=PALETTE["tide"], gid="group")
        ax.annotate(
            row.group, (row.judged, row.share), xytext=(7, 0), textcoords="offset points", va="center",
            fontsize=8.5, bbox={"facecolor": PALETTE["paper"], "edgecolor": "none", "pad": 0.6},
        )  # fmt: skip
    ax.set_xlim(sizes[0], sizes[-1])
    ax.set_ylim(-0.02, 1.02)
    ax.set_yticks([0, 0.25, 0.5, 0.75, 1], ["0%", "25%", "50%", "75%", "100%"])
    ax.set_xlabel("Children judged")
    ax.set_ylabel("Share that fell")
    return ax


def describe_funnel(groups: pd.DataFrame) -> str:
    """Say in words what `funnel` shows.

    Examples
    --------
    >>> import pandas as pd
    >>> columns = {"group": ["Cliff", "Harbor"], "judged": [40, 50], "fell": [20, 40], "share": [0.5, 0.8]}
    >>> frame = pd.DataFrame(columns).assign(outer_low=[0.4, 0.4], outer_high=[0.85, 0.85])
    >>> print(describe_funnel(frame))
    Share that fell by group, of those judged: Cliff 50% of 40, Harbor 80% of 50. All within 99.8% limits.
    """
    rows: list[Any] = list(groups.itertuples(index=False))
    parts = [f"{row.group} {of_hundred(row.share)}% of {row.judged}" for row in rows]
    beyond = groups[(groups["share"] < groups["outer_low"]) | (groups["share"] > groups["outer_high"])]
    where = "All within 99.8% limits."
    if len(beyond):
        where = f"Beyond the 99.8% limits: {', '.join(beyond['group'])}."
    return f"Share that fell by group, of those judged: {', '.join(parts)}. {where}"
