"""Starts of exposure staggered over several series and drawn at random: how many draws there are."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import islice, product

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.single_case.designs import ASSIGNMENTS, Design

MOST_COMPARED = 10_000
"""Combinations of starts looked through for the one that the fewest draws give."""


@dataclass(frozen=True)
class StaggeredStarts(Design):
    """Several series, each with baseline and then exposure, their starts staggered and drawn at random.

    Series may be children, or ladders of one child.

    Parameters
    ----------
    windows : tuple of tuple of int
        One window per series: the occasion numbers, counted from 1, its first exposure occasion may be
        drawn from. A window of one number is a fixed start.
    shuffled : bool
        Whether it was drawn at random which series got which window.
    assignment : {"random", "clinical"}
        Whether all that the other arguments call drawn was in fact drawn.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    Fixed starts shuffled: Wampold & Worsham 1986, m! assignments. Starts drawn in each window, series
    not shuffled: Marascuilo & Busk 1988, Π k. Both: Koehler & Levin 1998, m!·Π k. From memory.

    Examples
    --------
    >>> StaggeredStarts(((5,), (8,), (11,), (14,)), shuffled=True, assignment="random").n_assignments
    24
    >>> both = StaggeredStarts(((4, 5), (7, 8), (10, 11)), shuffled=True, assignment="random")
    >>> both.n_assignments, round(both.smallest_p, 4)
    (48, 0.0208)
    """

    windows: tuple[tuple[int, ...], ...]
    shuffled: bool
    assignment: str

    def __post_init__(self) -> None:
        check_choice("assignment", self.assignment, ASSIGNMENTS)
        check_choice("shuffled", self.shuffled, (True, False))
        windows = tuple(tuple(int(start) for start in window) for window in self.windows)
        if len(windows) < 2 or not all(windows):
            raise ValueError(f"windows must be at least two, none of them empty; got {self.windows!r}.")
        for window in windows:
            if len(set(window)) < len(window) or min(window) < 2:
                raise ValueError(
                    "windows must hold different occasion numbers, 2 or more, so that baseline is never "
                    f"empty; got {window!r}."
                )
        object.__setattr__(self, "windows", windows)

    @property
    def n_assignments(self) -> int:
        """Number of equally likely assignments of starts to series."""
        starts = math.prod(len(window) for window in self.windows)
        return starts * (math.factorial(len(self.windows)) if self.shuffled else 1)

    @property
    def smallest_p(self) -> float:
        """Smallest one-sided p this design could ever give; a two-sided one is twice as large.

        Where windows overlap and are shuffled, several draws may give the same starts; the fewest that do
        are looked for among the first 10,000 combinations of starts.
        """
        return self._fewest_draws() / self.n_assignments

    def permits_starts(self, starts: tuple[int, ...]) -> bool:
        """Say whether these starts, one per series, could have been drawn."""
        return len(starts) == len(self.windows) and self._draws(starts) > 0

    def draw_starts(self, size: int, rng: np.random.Generator) -> np.ndarray:
        """Draw starts, one row per draw and one column per series."""
        drawn = np.column_stack([rng.choice(window, size) for window in self.windows])
        return rng.permuted(drawn, axis=1) if self.shuffled else drawn

    def _draws(self, starts: tuple[int, ...]) -> int:
        """Count the draws that give these starts."""
        if not self.shuffled:
            return int(all(s in window for s, window in zip(starts, self.windows, strict=True)))
        # Series after series takes one of the windows left (bits) that hold its start.
        ways = {0: 1}
        for start in starts:
            following: dict[int, int] = {}
            for taken, count in ways.items():
                for w, window in enumerate(self.windows):
                    if start in window and not taken >> w & 1:
                        following[taken | 1 << w] = following.get(taken | 1 << w, 0) + count
            ways = following
        return sum(ways.values())

    def _fewest_draws(self) -> int:
        everything = [start for window in self.windows for start in window]
        if not self.shuffled or len(set(everything)) == len(everything):
            return 1
        if len(set(self.windows)) == 1:
            return math.factorial(len(self.windows))
        # The order of the starts does not change the count, so one choice per window covers all.
        fewest = math.factorial(len(self.windows))
        for starts in islice(product(*self.windows), MOST_COMPARED):
            fewest = min(fewest, self._draws(starts))
            if fewest == 1:
                break
        return fewest
