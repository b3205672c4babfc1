"""What a simulated study supposes about its children."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rungwise.simulate.process import RatingProcess
from rungwise.simulate.ratings import DECLINE_SOFTNESS, SimulatedRatings, course_of, simulate_groups


@dataclass(frozen=True)
class Scenario:
    """What is supposed about the children; state it, because power depends on nothing else so much.

    Attributes
    ----------
    start : float
        Mean latent fear at the first occasion, in points.
    baseline_slope : float
        Points per occasion, in both phases.
    level_change, slope_change : float
        Effect of exposure: points at once, and points per occasion from then on; negative is improvement.
    sd : float
        Standard deviation of a rating around its course.
    phi : float
        Autocorrelation from one occasion to the next.
    sd_start, sd_change : float
        Standard deviation between children of the start and of the change of level.
    decline_at : float, optional
        Latent fear at which half of the children decline the probe.
    missed : float
        Probability that a planned probe is not recorded.
    dropout : float
        Probability, at each exposure occasion after the first, that the child has left.
    floor, ceiling : float
        Ends of the scale.
    """

    start: float = 7.0
    baseline_slope: float = 0.0
    level_change: float = -2.0
    slope_change: float = 0.0
    sd: float = 1.2
    phi: float = 0.2
    sd_start: float = 0.7
    sd_change: float = 0.5
    decline_at: float | None = None
    missed: float = 0.0
    dropout: float = 0.0
    floor: float = 0.0
    ceiling: float = 10.0

    def __post_init__(self) -> None:
        for name in ("sd_start", "sd_change"):
            if not getattr(self, name) >= 0:
                raise ValueError(f"{name} must be 0 or more; got {getattr(self, name)!r}.")

    def simulate(
        self, rng: np.random.Generator, replications: int, n_baseline: int, n_exposure: int
    ) -> SimulatedRatings:
        """Simulate cases under this scenario, each a different child."""
        return self.simulate_starts(rng, [(n_baseline, replications)], n_baseline + n_exposure)

    def simulate_starts(
        self, rng: np.random.Generator, groups: Sequence[tuple[int, int]], occasions: int
    ) -> SimulatedRatings:
        """Simulate groups of cases that differ in when exposure starts, one group after another.

        Parameters
        ----------
        rng : numpy.random.Generator
            Gives every group what `simulate` would have given it.
        groups : sequence of (n_baseline, replications)
        occasions : int
            Planned occasions of each case.
        """
        process = RatingProcess(
            times=np.arange(1.0, occasions + 1),
            phi=self.phi,
            floor=self.floor,
            ceiling=self.ceiling,
            whole=True,
            decline_at=self.decline_at,
            decline_softness=DECLINE_SOFTNESS,
            missed=self.missed,
            dropout=self.dropout,
        )
        replications = sum(size for _, size in groups)
        course = course_of(
            replications, self.start, self.baseline_slope, self.level_change, self.slope_change, self.sd
        )
        between = [
            (name, middle, spread)
            for name, middle, spread in (
                ("start", self.start, self.sd_start),
                ("level_change", self.level_change, self.sd_change),
            )
            if spread
        ]
        for name, _, _ in between:
            course[name] = np.empty(replications)

        def draw_children(span: slice) -> None:
            for name, middle, spread in between:
                course[name][span] = middle + spread * rng.standard_normal(span.stop - span.start)

        return simulate_groups(rng, process, course, groups, draw_children)

    def without_effect(self) -> Scenario:
        """Give the same children without an effect of exposure."""
        return replace(self, level_change=0.0, slope_change=0.0, sd_change=0.0)
