"""The look of every figure and page: one palette, one set of marks, no global settings.

Colors were chosen so that neighbors differ in lightness as well as in hue, and no meaning rests on
color alone: phases differ by filled and open marks, verdicts by shape.
"""

from __future__ import annotations

import functools
import io
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

P = ParamSpec("P")
R = TypeVar("R")

# Also the color variables of the pages (reports/html.py), so that text and pictures match.
PALETTE = {
    "ink": "#17262e",
    "soft": "#51626b",
    "hair": "#c3cdd1",
    "wash": "#eef3f3",
    "paper": "#ffffff",
    "tide": "#0d5c6b",
    "shoal": "#8fb8bd",
    "slate": "#6b7983",
    "ochre": "#b06f0a",
    "brick": "#9c3a2a",
}

# One concrete family: a generic one would be resolved when drawing, from settings we do not own.
FONT = "DejaVu Sans"

SETTINGS: dict[Any, Any] = {
    "font.family": FONT,
    "font.size": 9.5,
    "text.color": PALETTE["ink"],
    "axes.edgecolor": PALETTE["soft"],
    "axes.labelcolor": PALETTE["ink"],
    "axes.linewidth": 0.9,
    "axes.facecolor": PALETTE["paper"],
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlelocation": "left",
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.unicode_minus": True,
    "figure.facecolor": PALETTE["paper"],
    "xtick.color": PALETTE["soft"],
    "ytick.color": PALETTE["soft"],
    "xtick.labelcolor": PALETTE["ink"],
    "ytick.labelcolor": PALETTE["ink"],
    "xtick.direction": "out",
    "ytick.direction": "out",
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "hatch.linewidth": 0.5,
    "path.simplify": False,
    "svg.fonttype": "path",
    "svg.hashsalt": "rungwise",
}


@dataclass(frozen=True)
class Mark:
    """How one kind of thing is drawn, told apart by shape and fill before color."""

    marker: str
    color: str
    face: str
    size: float = 6.0


PHASE_MARKS = {
    "baseline": Mark("o", PALETTE["slate"], PALETTE["paper"]),
    "exposure": Mark("o", PALETTE["tide"], PALETTE["tide"]),
    "maintenance": Mark("s", PALETTE["tide"], PALETTE["paper"], 5.5),
    "follow_up": Mark("D", PALETTE["tide"], PALETTE["shoal"], 5.2),
}
DECLINED = Mark("X", PALETTE["brick"], PALETTE["brick"], 7.5)

VERDICT_MARKS = {
    "fell_beyond_baseline": Mark("o", PALETTE["tide"], PALETTE["tide"]),
    "fell_baseline_may_explain": Mark("o", PALETTE["tide"], PALETTE["shoal"]),
    "fell_short_baseline": Mark("o", PALETTE["tide"], PALETTE["paper"]),
    "no_clear_change": Mark("D", PALETTE["slate"], PALETTE["paper"], 5.2),
    "about_the_same": Mark("s", PALETTE["slate"], PALETTE["slate"], 5.2),
    "rose": Mark("^", PALETTE["brick"], PALETTE["brick"], 6.8),
    "too_few": Mark("x", PALETTE["slate"], PALETTE["slate"], 5.5),
    "no_room": Mark("v", PALETTE["slate"], PALETTE["paper"], 6.4),
}


def styled(draw: Callable[P, R]) -> Callable[P, R]:
    """Run a drawing function under the project's settings and put the caller's back afterwards.

    Examples
    --------
    >>> import matplotlib
    >>> before = matplotlib.rcParams["font.size"]
    >>> styled(lambda: matplotlib.rcParams["font.size"])(), matplotlib.rcParams["font.size"] == before
    (9.5, True)
    """

    @functools.wraps(draw)
    def inside(*args: P.args, **kwargs: P.kwargs) -> R:
        import matplotlib

        with matplotlib.rc_context():
            matplotlib.rcdefaults()  # a personal style sheet must not change a report
            matplotlib.rcParams.update(SETTINGS)
            return draw(*args, **kwargs)

    return inside


@styled
def blank_axes(width: float, height: float) -> Axes:
    """Give axes on a new figure that no plotting session knows of, so nothing is left behind.

    Parameters
    ----------
    width, height : float
        Inches.
    """
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained").add_subplot()


@styled
def picture_bytes(figure: Figure, kind: str = "png", *, dpi: float = 200) -> bytes:
    """Give a figure as a file's bytes, the same for the same figure whenever it is made.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    kind : {"png", "svg", "pdf"}
    dpi : float
        Dots per inch of a PNG.
    """
    stream = io.BytesIO()
    undated = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}
    figure.savefig(stream, format=kind, dpi=dpi, metadata=undated[kind])
    return stream.getvalue()
