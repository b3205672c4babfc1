"""How far two kinds of rater lie apart, occasion by occasion."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.agreement.raters import rater_difference
from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import format_number
from rungwise.figures.change_scatter import side_by_side
from rungwise.figures.style import PALETTE, blank_axes, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WORDS = {
    "mean": "Mean of {first} and {second} ({unit})",
    "minus": "{first} minus {second} ({unit})",
    "higher": "{rater} higher",
    "points": "points",
    "none": "No occasion was rated by both {first} and {second}.",
    "rated.one.higher": "On {n} occasion the {first} rated {size} {unit} higher than the {second}",
    "rated.one.lower": "On {n} occasion the {first} rated {size} {unit} lower than the {second}",
    "rated.many.higher": "On {n} occasions the {first} rated {size} {unit} higher than the {second} on "
    "average",
    "rated.many.lower": "On {n} occasions the {first} rated {size} {unit} lower than the {second} on "
    "average",
    "limits": "{rated}; single differences lie between {low} and {high}.",
}
_NARROW = 5.0
_STEP = 0.012


@styled
def rater_comparison(
    a: Any,
    b: Any,
    child_ids: Any = None,
    *,
    first: str = "child",
    second: str = "parent",
    unit: str = "points",
    words: Mapping[str, str] = WORDS,
    width: float = 7.0,
) -> Axes:
    """Draw the difference between two kinds of rater against the level both saw.

    Every mark is one occasion. The solid line is the mean difference, with its interval shaded where
    there is one; between the dashed lines lie about 95 % of single differences. A cloud that opens or
    slopes says that the difference depends on the level, and then one number does not hold it.

    Parameters
    ----------
    a, b, child_ids
        As in `rater_difference`.
    first, second : str
        What the raters are called.
    unit : str
        Unit of the ratings.
    words : mapping of str
        The words of the figure, as in `WORDS`, in the page's language.
    width : float
        Inches.

    Returns
    -------
    matplotlib.axes.Axes
    """
    narrow = width < _NARROW
    difference = rater_difference(a, b, child_ids, unit=unit)
    one, two = (np.array([np.nan if x is None else x for x in ratings], dtype=float) for ratings in (a, b))
    both = ~(np.isnan(one) | np.isnan(two))
    one, two = one[both], two[both]
    ax = blank_axes(width, width * (0.85 if narrow else 0.56))
    level, apart = (one + two) / 2, one - two
    counts = difference.counts
    span = float(np.ptp(level)) if len(level) else 1.0
    pad = 0.08 * span or 1.0
    if len(level):
        ax.set_xlim(float(level.min()) - pad, float(level.max()) + pad)
    reach = np.nanmax(np.abs([*apart, counts["limit_low"], counts["limit_high"], 1.0]))
    ax.set_ylim(-1.3 * reach, 1.3 * reach)  # room for the words in the corners
    ax.axhline(0, color=PALETTE["soft"], linewidth=0.9, zorder=1, gid="no difference")
    if not np.isnan(difference.ci_low):
        ax.axhspan(
            difference.ci_low, difference.ci_high, facecolor=PALETTE["shoal"], edgecolor="none",
            alpha=0.45, zorder=0, gid="interval",
        )  # fmt: skip
    lines = (
        (difference.value, "mean", "-"),
        (counts["limit_low"], "limit", (0, (5, 3))),
        (counts["limit_high"], "limit", (0, (5, 3))),
    )
    for value, name, dashes in lines:
        if np.isnan(value):
            continue
        ax.axhline(value, color=PALETTE["tide"], linewidth=1.4, linestyle=dashes, zorder=2, gid=name)
        ax.annotate(
            format_number(value), (1.0, value), xycoords=("axes fraction", "data"), xytext=(4, 0),
            textcoords="offset points", ha="left", va="center", fontsize=8.5, annotation_clip=False,
        )  # fmt: skip
    ax.plot(
        side_by_side(level, apart, _STEP * (span + 2 * pad)), apart, linestyle="none", marker="o",
        markersize=5.4, markerfacecolor=PALETTE["paper"], markeredgecolor=PALETTE["ink"],
        markeredgewidth=1.0, zorder=3, gid="occasion",
    )  # fmt: skip
    shown_unit = words.get(unit, unit)
    mean = words["mean"].format(first=first, second=second, unit=shown_unit)
    ax.set_xlabel(f"{mean[0].upper()}{mean[1:]}")
    label = words["minus"].format(first=first, second=second, unit=shown_unit)
    label = f"{label[0].upper()}{label[1:]}"
    ax.set_ylabel(textwrap.fill(label, 22) if narrow else label)
    for height, who in ((0.98, first), (0.02, second)):
        ax.annotate(
            words["higher"].format(rater=who), (0.01, height), xycoords="axes fraction", ha="left",
            va="top" if height > 0.5 else "bottom", fontsize=8.5, style="italic", color=PALETTE["soft"],
        )  # fmt: skip
    return ax


def describe_rater_comparison(
    difference: Estimate,
    *,
    first: str = "child",
    second: str = "parent",
    words: Mapping[str, str] = WORDS,
) -> str:
    """Say in words what the figure shows, for those who do not see it.

    Examples
    --------
    >>> describe_rater_comparison(rater_difference([7, 6, 5, 8], [5, 5, 4, 4])).split(";")[0]
    'On 4 occasions the child rated 2.0 points higher than the parent on average'
    """
    n, counts = difference.n, difference.counts
    if n == 0:
        return words["none"].format(first=first, second=second)
    where = "higher" if difference.value >= 0 else "lower"
    rated = words[f"rated.{'one' if n == 1 else 'many'}.{where}"].format(
        n=n,
        first=first,
        second=second,
        size=format_number(abs(difference.value)),
        unit=words.get(difference.unit, difference.unit),
    )
    if np.isnan(counts["limit_low"]):
        return rated + "."
    low, high = format_number(counts["limit_low"]), format_number(counts["limit_high"])
    return words["limits"].format(rated=rated, low=low, high=high)
