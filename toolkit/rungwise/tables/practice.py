"""The practice's own settings, read from ``practice.toml``."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Scale:
    """Ends of a rating scale and the direction that is better for the child."""

    minimum: float
    maximum: float
    better: str = "lower"


@dataclass(frozen=True)
class Practice:
    """Settings that every report names, with where each comes from.

    Attributes
    ----------
    label : str
        Name the practice goes by in its reports.
    alpha : float
        Two-sided level of significance (default .05: common practice, no source).
    margin : float
        "About the same" means a change smaller than this many rating points, surely (default 1).
    horizon_days : int
        Days from the start of exposure after which an outcome is due (default 84: common practice,
        no source).
    quarter_start_month : int
        First month of quarter 1 (default 1).
    minimum_baseline, minimum_exposure : int
        Occasions below which nothing is said about a child (default 3 and 5).
    scales : Mapping[str, Scale]
        Scale of each outcome; ``fear`` defaults to 0-10, lower is better.
    given : frozenset of str
        Names of the settings that the file set; all others are defaults.
    """

    label: str = "Unnamed practice"
    alpha: float = 0.05
    margin: float = 1.0
    horizon_days: int = 84
    quarter_start_month: int = 1
    minimum_baseline: int = 3
    minimum_exposure: int = 5
    scales: dict[str, Scale] = field(default_factory=lambda: {"fear": Scale(0, 10, "lower")})
    given: frozenset[str] = frozenset()
