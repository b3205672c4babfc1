"""The randomization test of many simulated studies at once: its assignments, its statistic, its p."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, permutations, product

import numpy as np

from rungwise.simulate.ratings import SimulatedRatings
from rungwise.single_case.designs import MOST_LISTED, Design, RandomStart, SingleDesign
from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.study.scenario import Scenario

STATISTICS = ("mean_difference", "tau")
TIE = 1e-9
# Replications whose assignments are counted at once, and the sums held for it: a few dozen combinations of
# so many fit a core's cache.
_IN_CACHE = 2_048
_MOST_SUMS = 2_000_000


@dataclass(frozen=True, eq=False)
class Setting:
    """A design as the simulation needs it.

    Attributes
    ----------
    open_to : list of ndarray
        For each case, the starts that some assignment gives it.
    listed : ndarray of int, shape (assignments, cases)
        Place of each start within `open_to`.
    """

    open_to: list[np.ndarray]
    listed: np.ndarray
    occasions: int
    total: int
    smallest_p: float
    drawn: bool
    windows: list[list[int]]
    shuffled: bool

    @property
    def cases(self) -> int:
        """Number of cases."""
        return len(self.open_to)

    def draw(self, size: int, rng: np.random.Generator) -> np.ndarray:
        """Draw assignments as the study will; where p is counted from a sample, apart from it."""
        if not self.drawn:
            return self.listed[rng.integers(len(self.listed), size=size)]
        return self._places(_draw_starts(self.windows, self.shuffled, size, rng), self.open_to)

    @staticmethod
    def _places(starts: np.ndarray, open_to: list[np.ndarray]) -> np.ndarray:
        return np.column_stack([np.searchsorted(one, starts[:, i]) for i, one in enumerate(open_to)])

    @classmethod
    def of(
        cls, design: Design | Sequence[SingleDesign], occasions: int, rng: np.random.Generator, draws: int
    ) -> Setting:
        """Take a design apart; above a million assignments, draw so many of them instead."""
        if isinstance(design, StaggeredStarts):
            total, smallest = design.n_assignments, design.smallest_p
            windows = [list(window) for window in design.windows]
            shuffled = design.shuffled
        else:
            single = [design] if isinstance(design, Design) else list(design)
            if not single or not all(isinstance(one, RandomStart) for one in single):
                raise ValueError(
                    "design must be StaggeredStarts, or RandomStart for each case: power is simulated for "
                    f"designs in which exposure starts once; got {design!r}."
                )
            windows = [list(range(one.earliest, one.latest + 1)) for one in single]  # type: ignore[attr-defined]
            total, shuffled = math.prod(map(len, windows)), False
            smallest = 1 / total
        latest = max(max(window) for window in windows)
        if latest > occasions:
            raise ValueError(f"occasions must reach the latest start ({latest}); got {occasions!r}.")
        drawn = total > MOST_LISTED
        if drawn:
            starts = _draw_starts(windows, shuffled, draws, rng)
        else:
            starts = np.array(list(product(*windows)))
            if shuffled:
                orders = np.array(list(permutations(range(len(windows)))))
                starts = starts[:, orders].reshape(-1, len(windows))
        everything = sorted({start for window in windows for start in window})
        open_to = [np.array(everything if shuffled else sorted(window)) for window in windows]
        listed = cls._places(starts, open_to)
        return cls(open_to, listed, occasions, total, smallest, drawn, windows, shuffled)

    @property
    def together(self) -> int:
        """Replications whose assignments are counted at once, so that their sums stay small."""
        if self.drawn:
            return _IN_CACHE
        blank = [np.zeros((len(one), 1)) for one in self.open_to]
        rows = max(len(right) for _, right in self._halves(blank))
        return max(1, min(_IN_CACHE, _MOST_SUMS // rows))

    def at_least(self, bound: np.ndarray, terms: list[np.ndarray]) -> np.ndarray:
        """Count, in each replication, the assignments whose terms sum to at least `bound`.

        Parameters
        ----------
        bound : ndarray, shape (replications,)
        terms : list of ndarray, shape (starts, replications)
            Per case, as in `open_to`.
        """
        count = np.zeros(len(bound), dtype=np.int64)
        if self.drawn:
            for places in self.listed:
                count += sum(one[place] for one, place in zip(terms, places, strict=True)) >= bound
            return count
        for left, right in self._halves(terms):
            narrow = np.int16 if len(right) <= np.iinfo(np.int16).max else np.int64
            for one in left:
                count += np.add.reduce((right >= bound - one).view(np.int8), axis=0, dtype=narrow)
        return count

    def _halves(self, terms: list[np.ndarray]) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """Give the sums over two groups of cases, so that each pair of sums is one assignment."""
        half = len(terms) // 2
        if not self.shuffled:
            yield self._sums(terms, range(half)), self._sums(terms, range(half, len(terms)))
            return
        cases = range(len(terms))
        for windows in combinations(cases, half):
            others = [w for w in cases if w not in windows]
            yield (
                np.concatenate([self._sums(terms, range(half), some) for some in permutations(windows)]),
                np.concatenate(
                    [self._sums(terms, range(half, len(terms)), some) for some in permutations(others)]
                ),
            )

    def _sums(
        self, terms: list[np.ndarray], cases: Iterable[int], windows: Sequence[int] | None = None
    ) -> np.ndarray:
        """Give all sums of one term per case, from that case's window."""
        sums = np.zeros((1, terms[0].shape[1]))
        for k, case in enumerate(cases):
            window = self.windows[case if windows is None else windows[k]]
            own = terms[case][np.searchsorted(self.open_to[case], window)]
            sums = (sums[:, None, :] + own[None, :, :]).reshape(-1, sums.shape[1])
        return sums


def _draw_starts(
    windows: list[list[int]], shuffled: bool, size: int, rng: np.random.Generator
) -> np.ndarray:
    starts = np.column_stack([rng.choice(window, size) for window in windows])
    return rng.permuted(starts, axis=1) if shuffled else starts


def p_values(
    setting: Setting,
    scenario: Scenario,
    replications: int,
    rng: np.random.Generator,
    statistic: str,
    alternative: str,
) -> np.ndarray:
    """Simulate studies and give the p of each; NaN where one could not be tested."""
    made = setting.draw(replications, rng)
    terms = [
        _terms_of_case(scenario, starts, made[:, i], setting.occasions, rng, statistic)
        for i, starts in enumerate(setting.open_to)
    ]
    observed = np.sum(
        [np.take_along_axis(terms[i], made[None, :, i], axis=0)[0] for i in range(setting.cases)], axis=0
    )
    testable = ~np.isnan([one.sum(axis=0) for one in terms]).any(axis=0)
    # Sums over cases stand for their means: a mean of 1 is as many as there are cases.
    slack = TIE * np.maximum(setting.cases, np.abs(observed))
    extra = int(setting.drawn)
    total = len(setting.listed) + extra
    together = setting.together

    def share(sign: float) -> np.ndarray:
        """Share of the assignments at least as good, or with -1 at least as bad."""
        counted = np.empty(replications)
        for first in range(0, replications, together):
            part = slice(first, first + together)
            here = [sign * np.nan_to_num(one[:, part]) for one in terms]
            counted[part] = setting.at_least((sign * observed - slack)[part], here)
        return (counted + extra) / total

    if alternative == "two-sided":
        p = np.minimum(1.0, 2 * np.minimum(share(1.0), share(-1.0)))
    else:
        p = share(1.0 if alternative == "improvement" else -1.0)
    return np.where(testable, p, np.nan)


def _terms_of_case(
    scenario: Scenario,
    starts: np.ndarray,
    made: np.ndarray,
    occasions: int,
    rng: np.random.Generator,
    statistic: str,
) -> np.ndarray:
    """Give one case's oriented statistic under every start open to it (rows), in every replication."""
    terms = np.empty((len(starts), len(made)))
    for place, start in enumerate(starts.tolist()):
        rows = np.flatnonzero(made == place)
        if len(rows):
            simulated = scenario.simulate(rng, len(rows), start - 1, occasions - start + 1)
            terms[:, rows] = terms_at_starts(simulated, starts, statistic)
    return terms


def terms_at_starts(simulated: SimulatedRatings, starts: np.ndarray, statistic: str) -> np.ndarray:
    """Give the statistic of many series under each start, larger being better for the child.

    Parameters
    ----------
    simulated : SimulatedRatings
        Ratings of fear: lower is better.
    starts : ndarray of int
        Occasions, counted from 1, at which exposure might have started.
    statistic : {"mean_difference", "tau"}

    Returns
    -------
    ndarray, shape (starts, series)
        NaN where a start would leave a phase without a usable occasion.
    """
    values = simulated.values.T
    rated = ~np.isnan(values) if values.dtype.kind == "f" else np.ones(values.shape, dtype=bool)
    if statistic == "tau":
        counted = rated | simulated.declined.T
        amounts = _merits(values, rated, simulated.declined.T)
    else:
        counted = rated
        amounts = -np.where(rated, values, 0).astype(float)
    # Sums over exposure under every start are sums from that occasion to the last.
    from_here = np.cumsum(amounts[::-1], axis=0, dtype=float)[::-1][starts - 1]
    n_from_here = np.cumsum(counted[::-1], axis=0, dtype=np.int64)[::-1][starts - 1]
    n_before = counted.sum(axis=0) - n_from_here
    with np.errstate(divide="ignore", invalid="ignore"):
        if statistic == "tau":
            terms = from_here / (n_before * n_from_here)
        else:
            terms = from_here / n_from_here - (amounts.sum(axis=0) - from_here) / n_before
    return np.where((n_before > 0) & (n_from_here > 0), terms, np.nan)


def _merits(values: np.ndarray, rated: np.ndarray, declined: np.ndarray) -> np.ndarray:
    """Occasions that each one is better than, minus those it is worse than; declines rank worst."""
    usable = rated | declined
    if usable.all() and not declined.any():
        ranked = values
    else:
        ranked = np.where(declined, np.inf, np.where(rated, values, 0)).astype(np.float32)
    merits = np.zeros(values.shape, dtype=np.int16)
    complete = bool(usable.all())
    for place in range(len(values) - 1):
        later, here = ranked[place + 1 :], ranked[place]
        signs = np.greater(later, here).view(np.int8) - np.less(later, here).view(np.int8)
        if not complete:
            signs *= usable[place + 1 :] & usable[place]
        merits[place] += signs.sum(axis=0, dtype=np.int16)
        merits[place + 1 :] -= signs
    return merits
