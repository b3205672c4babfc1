"""Power over the length of a study, a line for each number of children."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rungwise.basis.page_numbers import format_bounded
from rungwise.figures.style import PALETTE, blank_axes, styled

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

WANTED = 0.8
"""Power often asked for; common practice, no source."""
_MARKS = ("o", "s", "^", "D", "v", "P", "X", "<")
_LINES = ("-", (0, (5, 2)), (0, (1.5, 1.2)), (0, (6, 2, 1.5, 2)))


@styled
def power_curves(curve: pd.DataFrame, *, width: float = 7.0, height: float = 3.4) -> Axes:
    """Draw simulated power with its Monte Carlo error (two standard errors up and down).

    Parameters
    ----------
    curve : DataFrame
        As `rungwise.study.power.power_curve` gives it; combinations without a power are not drawn.
    width, height : float
        Inches.

    Raises
    ------
    ValueError
        If no combination has a power.
    """
    drawn = curve[curve["power"].notna()]
    if drawn.empty:
        raise ValueError("curve must hold a combination whose power was simulated; got none.")
    ax = blank_axes(width, height)
    ax.axhline(WANTED, color=PALETTE["soft"], linewidth=0.9, linestyle=(0, (2, 2)), zorder=1, gid="wanted")
    numbers = sorted(drawn["children"].unique())
    shades = [PALETTE[name] for name in ("tide", "ochre", "slate", "brick")]
    for place, children in enumerate(numbers):
        part = drawn[drawn["children"] == children].sort_values("occasions")
        color = shades[place % len(shades)]
        ax.errorbar(
            part["occasions"], part["power"], yerr=2 * part["monte_carlo_error"], color=color,
            marker=_MARKS[place % len(_MARKS)], linestyle=_LINES[place % len(_LINES)], linewidth=1.4,
            markersize=6, markerfacecolor=color if place % 2 == 0 else PALETTE["paper"], capsize=2.5,
            elinewidth=1.0, label=f"{children} {'child' if children == 1 else 'children'}", zorder=3,
            clip_on=False,
        )  # fmt: skip
    ax.set_ylim(0, 1.01)
    ax.set_xticks(sorted(drawn["occasions"].unique()))
    ax.set_xlabel("Planned occasions of each child")
    ax.set_ylabel("Power")
    ax.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), borderaxespad=0)
    return ax


def describe_power(curve: pd.DataFrame) -> str:
    """Say in words what the figure shows.

    Examples
    --------
    >>> import pandas as pd
    >>> describe_power(pd.DataFrame({"children": [3], "occasions": [24], "power": [0.713]}))
    'Power by planned occasions. 3 children: .71 at 24.'
    """
    sentences = ["Power by planned occasions."]
    for children, part in curve.groupby("children"):
        given = part[part["power"].notna()]
        told = ", ".join(
            f"{format_bounded(float(power))} at {occasions}"
            for power, occasions in zip(given["power"], given["occasions"], strict=True)
        )
        sentences.append(f"{children} children: {told or 'no design fits'}.")
    return " ".join(sentences)
