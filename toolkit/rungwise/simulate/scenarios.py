"""What may happen to a child, with how often: the scenarios of the invented practice."""

from __future__ import annotations

from dataclasses import dataclass, replace

Range = tuple[float, float]


@dataclass(frozen=True)
class Scenario:
    """The truth behind a simulated child; every range is drawn from evenly.

    Attributes
    ----------
    name : str
    summary : str
        One sentence for ``truth.csv``.
    start : tuple of float
        Latent fear at the probe step at the first occasion, in points.
    baseline_slope, level_change, slope_change : tuple of float
        Course in points and points per week, as in `simulate_ratings`.
    n_baseline, n_exposure : tuple of int
        Planned occasions.
    leaves : tuple of str
        Reasons why the child may leave during exposure; empty if the child stays.
    missed : float
        Share of occasions without a record.
    two_ladders : bool
        Whether a second ladder is probed as well.
    effect : str
        ``"fell"``, ``"rose"`` or ``"none"``: what exposure itself did to latent fear.
    """

    name: str
    summary: str
    start: Range
    baseline_slope: Range = (0.0, 0.0)
    level_change: Range = (0.0, 0.0)
    slope_change: Range = (0.0, 0.0)
    n_baseline: tuple[int, int] = (5, 8)
    n_exposure: tuple[int, int] = (12, 16)
    leaves: tuple[str, ...] = ()
    missed: float = 0.05
    two_ladders: bool = False
    effect: str = "none"


CLEAR = Scenario(
    "improves_clearly",
    "Fear falls at the start of exposure and goes on falling; flat baseline.",
    (6.5, 8.5),
    level_change=(-2.0, -1.0),
    slope_change=(-0.35, -0.22),
    effect="fell",
)
SOMEWHAT = Scenario(
    "improves_somewhat",
    "A small fall at the start of exposure and a slow one after it; flat baseline.",
    (5.5, 7.5),
    level_change=(-1.0, -0.6),
    slope_change=(-0.12, -0.07),
    effect="fell",
)
BASELINE_CONTINUES = Scenario(
    "baseline_continues",
    "Fear was already falling in baseline and falls on as before; exposure adds nothing.",
    (7.5, 8.5),
    baseline_slope=(-0.32, -0.22),
    n_baseline=(6, 9),
)
FALLS_FASTER = Scenario(
    "falls_faster",
    "Fear was already falling in baseline, and exposure adds to it.",
    (8.4, 9.2),
    baseline_slope=(-0.15, -0.1),
    level_change=(-2.2, -1.6),
    slope_change=(-0.2, -0.12),
    n_baseline=(7, 9),
    effect="fell",
)
NO_CHANGE = Scenario("no_change", "Nothing changes.", (5.0, 8.0))
WORSE = Scenario(
    "gets_worse",
    "Fear rises from the start of exposure on.",
    (4.0, 5.5),
    level_change=(0.8, 1.4),
    slope_change=(0.15, 0.25),
    effect="rose",
)
LEAVES = replace(
    SOMEWHAT,
    name="leaves_early",
    summary="Fear begins to fall, and the child leaves during exposure.",
    leaves=("fear", "moved", "family_choice"),
)
DECLINES_FIRST = Scenario(
    "declines_first",
    "Declines the probe step at most baseline occasions, does it later on.",
    (9.8, 10.6),
    level_change=(-0.8, -0.4),
    slope_change=(-0.5, -0.4),
    effect="fell",
)
SHORT_BASELINE = replace(
    CLEAR,
    name="short_baseline",
    summary="Fear falls clearly, but exposure began after two or three baseline occasions.",
    n_baseline=(2, 3),
)
MISSING_WEEKS = replace(
    CLEAR,
    name="many_weeks_missing",
    summary="Fear falls clearly, but a good third of the weeks was not recorded.",
    missed=0.38,
)
AT_FLOOR = Scenario(
    "at_floor", "Hardly any fear at the probe step from the start: no room to fall.", (0.8, 1.4)
)
TWO_LADDERS = replace(
    CLEAR,
    name="two_ladders",
    summary="Two ladders, fear falls on both.",
    two_ladders=True,
)
TWO_LADDERS_NONE = replace(
    NO_CHANGE,
    name="two_ladders_no_change",
    summary="Two ladders, nothing changes on either.",
    two_ladders=True,
)

# When exposure starts, in days from the end of the audited quarter. Exposure that starts in "spring"
# reaches the usual horizon of 84 days within that quarter.
WINDOWS: dict[str, tuple[int, int]] = {
    "autumn": (-310, -255),
    "winter": (-250, -178),
    "spring": (-174, -86),
    "summer": (-77, -20),
    "baseline": (3, 25),
    "waiting": (-40, 20),
}

# Scenario (None: referred, not begun), window, and children among 60.
SLOTS: tuple[tuple[Scenario | None, str, int], ...] = (
    (CLEAR, "autumn", 3), (CLEAR, "winter", 4), (CLEAR, "spring", 7), (CLEAR, "summer", 2),
    (SOMEWHAT, "autumn", 1), (SOMEWHAT, "winter", 1), (SOMEWHAT, "spring", 3), (SOMEWHAT, "summer", 1),
    (BASELINE_CONTINUES, "autumn", 1), (BASELINE_CONTINUES, "winter", 1), (BASELINE_CONTINUES, "spring", 3),
    (FALLS_FASTER, "winter", 1), (FALLS_FASTER, "spring", 2),
    (NO_CHANGE, "autumn", 1), (NO_CHANGE, "winter", 1), (NO_CHANGE, "spring", 3), (NO_CHANGE, "summer", 1),
    (WORSE, "winter", 1), (WORSE, "spring", 1),
    (LEAVES, "autumn", 1), (LEAVES, "winter", 1), (LEAVES, "spring", 2),
    (DECLINES_FIRST, "autumn", 1), (DECLINES_FIRST, "spring", 2),
    (SHORT_BASELINE, "winter", 1), (SHORT_BASELINE, "spring", 2),
    (MISSING_WEEKS, "spring", 1),
    (AT_FLOOR, "spring", 2),
    (TWO_LADDERS, "spring", 2),
    (TWO_LADDERS_NONE, "spring", 1),
    (NO_CHANGE, "baseline", 1), (CLEAR, "baseline", 2),
    (None, "waiting", 3),
)  # fmt: skip
