"""Counting the assignments of a randomization test.

Three ways, chosen by size: all assignments listed; sums of series-level terms met in the middle (the sums
over two halves of the series listed, the pairs that reach the observed statistic counted by sorting),
which counts billions in a fraction of a second; otherwise a sample drawn.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from rungwise.basis.errors import NotEnoughData
from rungwise.series.batch import order_codes
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.designs import MOST_LISTED, SingleDesign
from rungwise.single_case.staggered_starts import StaggeredStarts

NEAR_CHANGE = 3
"""Occasions on either side of a change in ``immediate_change``."""
MOST_IN_HALVES = 20_000_000
"""Sums held at once when meeting in the middle."""
RESOLUTION = 1e-8
"""How closely limits are found when meeting in the middle, as a share of the ratings' range."""
TIE = 1e-9
"""Statistics closer than this share of the ratings' range are ties."""
ROUNDING = 16 * float(np.finfo(float).eps)
"""How far rounding may part equal sums, as a share of the largest rating."""


Plan = StaggeredStarts | list[SingleDesign]
Terms = list[list[np.ndarray]]
"""Statistics of a series under the assignments open to it: per series, and per window if shuffled."""


@dataclass(frozen=True, eq=False)
class Case:
    """One series, oriented: larger is better.

    Attributes
    ----------
    label : str
    values : ndarray of float
        Counted from the series' first rating, which changes no difference and keeps ratings far from
        zero exact; 0 where there is no rating.
    rated : ndarray of bool
    codes : ndarray of int
        Order of the ratings, ties alike; 0, below all of them, where there is none.
    merits : ndarray of int
        Occasions each one is better than, minus those it is worse than; declines rank worst.
    usable : ndarray of bool
        Rated or declined.
    exposed : ndarray of bool
        The assignment that was made.
    unit : float
        What differences are measured against when ties are looked for: the range of the ratings, or
        more where they are so far from zero that rounding is larger than `TIE` of it.
    """

    label: str
    values: np.ndarray
    rated: np.ndarray
    codes: np.ndarray
    merits: np.ndarray
    usable: np.ndarray
    exposed: np.ndarray
    unit: float


class Counting:
    """Counts the assignments at least as good and at least as bad as the observed one."""

    method: str
    total: int
    drawn = False

    def __init__(self, observed: float, unit: float):
        self.observed, self.unit = observed, unit

    def tails(self, shift: float) -> tuple[int, int]:
        """Count both, after taking `shift` off every rating that was made under exposure."""
        raise NotImplementedError

    def interval(self, tail: float) -> tuple[float, float]:
        """Give the least and the greatest shift that neither one-sided test at level `tail` rejects."""
        raise NotImplementedError

    def _bounds(self, shift: float) -> tuple[float, float]:
        target = self.observed - shift
        slack = TIE * max(self.unit, abs(target))
        return target - slack, target + slack


class Listed(Counting):
    """Every assignment, or every one drawn, with its statistic."""

    def __init__(
        self,
        observed: float,
        unit: float,
        statistics: np.ndarray,
        shares: np.ndarray,
        method: str,
        drawn: bool,
    ):
        super().__init__(observed, unit)
        self.statistics, self.shares = statistics, shares
        self.method, self.total, self.drawn = method, len(statistics), drawn

    def tails(self, shift: float) -> tuple[int, int]:
        """Count both directly."""
        low, high = self._bounds(shift)
        values = self.statistics - shift * self.shares if shift else self.statistics
        return int(np.sum(values >= low)), int(np.sum(values <= high))

    def interval(self, tail: float) -> tuple[float, float]:
        """Take the limits from where assignments change places; exact."""
        # The statistic of an assignment falls by shift × share where the observed one falls by shift
        # (share 1): the two change places at one shift each, and the limits are among these.
        free = self.shares < 1 - TIE
        crossings = np.sort((self.observed - self.statistics[free]) / (1 - self.shares[free]))
        total = self.total + self.drawn
        always = int(np.sum(~free)) + self.drawn
        rank = math.floor(tail * total + TIE) + 1 - always
        if rank < 1 or rank > len(crossings):
            return math.nan, math.nan
        return float(crossings[rank - 1]), float(crossings[-rank])


class MetInTheMiddle(Counting):
    """Every assignment of several series, counted from the sums of two halves of them."""

    def __init__(self, observed: float, unit: float, terms: Terms, shares: Terms, total: int, method: str):
        super().__init__(observed, unit)
        self.terms, self.shares = terms, shares
        self.total, self.method = total, method

    def tails(self, shift: float) -> tuple[int, int]:
        """Count both through the sums of two halves."""
        low, high = self._bounds(shift)
        return self._at_least(low, shift), self.total - self._at_least(high, shift)

    def _at_least(self, bound: float, shift: float) -> int:
        """Count the assignments whose statistic is at least `bound`, which lies beside all ties."""
        terms = self.terms
        if shift:
            terms = [
                [term - shift * share for term, share in zip(*row, strict=True)]
                for row in zip(self.terms, self.shares, strict=True)
            ]
        count = 0
        bound *= len(terms)
        for left, right in _halves(terms):
            left.sort()
            right.sort()
            # For each sum on the right, how many on the left do not bring the total to the bound.
            count += left.size * right.size - int(np.searchsorted(left, bound - right).sum())
        return count

    def interval(self, tail: float) -> tuple[float, float]:
        """Find the limits by counting anew for one shift after another, to `RESOLUTION`."""
        allowed = tail * self.total * (1 + TIE)

        def good(shift: float) -> float:
            return math.log(self._at_least(self._bounds(shift)[0], shift) / allowed)

        def bad(shift: float) -> float:
            better = self._at_least(self._bounds(-shift)[1], -shift)
            return math.log((self.total - better) / allowed)

        return self._least(good), -self._least(bad)

    def _least(self, surplus: Callable[[float], float]) -> float:
        """Find where a function that never falls becomes positive; NaN if it always is.

        Interpolate, truncate, project (Oliveira & Takahashi 2020): bisection's guarantee with fewer
        steps, since each step counts all assignments.
        """
        width = max(max(float(np.ptp(term)) for row in self.terms for term in row), self.unit) or 1.0
        resolution = RESOLUTION * (self.unit or 1.0)
        low, high = -width, width
        while (at_low := surplus(low)) > 0:
            low *= 4
            if low < -1e6 * width:
                return math.nan
        while (at_high := surplus(high)) <= 0:
            high *= 4
        steps = math.ceil(math.log2((high - low) / resolution)) + 1
        push = 0.2 / (high - low)
        for step in range(steps):
            middle = (low + high) / 2
            if high - low <= 2 * resolution:
                break
            slack = resolution * 2.0 ** (steps - step) - (high - low) / 2
            guess = (high * at_low - low * at_high) / (at_low - at_high)
            side = math.copysign(1.0, middle - guess)
            nudge = push * (high - low) ** 2
            guess = guess + side * nudge if nudge <= abs(middle - guess) else middle
            guess = guess if abs(guess - middle) <= slack else middle - side * slack
            if (found := surplus(guess)) > 0:
                high, at_high = guess, found
            else:
                low, at_low = guess, found
        return high


def oriented_case(series: PhaseSeries, number: int) -> Case:
    """Take from a series what the statistics need.

    Raises
    ------
    NotEnoughData
        If a phase has no usable occasion.
    """
    watched = series.only("baseline", "exposure")
    sign = 1.0 if watched.better == "higher" else -1.0
    values = watched.values * sign
    rated = ~np.isnan(values)
    largest = float(np.abs(values[rated]).max(initial=0.0))
    if rated.any():
        values = values - values[rated][0]
    unit = max(float(np.ptp(values[rated])) if rated.any() else 0.0, ROUNDING * largest / TIE)
    usable = watched.usable
    codes = order_codes(watched.values[None], ~rated[None], np.array([len(rated)]), np.array([sign]))[0]
    merits = np.where(usable, np.sign(codes[:, None] - codes[usable].astype(np.int64)).sum(axis=1), 0)
    exposed = watched.phases == "exposure"
    label = series.label or f"number {number}"
    for phase, members in (("baseline", ~exposed), ("exposure", exposed)):
        if not (usable & members).any():
            raise NotEnoughData(f"Series {label} has no usable occasion in {phase}.")
    return Case(label, np.where(rated, values, 0.0), rated, codes, merits, usable, exposed, unit)


def n_assignments_of(plan: Plan) -> int:
    """Give the number of assignments of all series together."""
    if isinstance(plan, StaggeredStarts):
        return plan.n_assignments
    return math.prod(design.n_assignments for design in plan)


@dataclass(frozen=True, eq=False)
class Permitted:
    """The assignments that a test goes through: all of them, or a sample drawn.

    Attributes
    ----------
    masks : list of list of ndarray of bool
        Per series, and per window where windows were shuffled: one row per assignment of that series.
    picks : list of ndarray of int, or None
        Where some were drawn: for every draw, the row of each series. None: all combinations.
    total : int
        Combinations in all, or draws.
    by_halves : bool
        Whether the combinations are too many to list and are met in the middle.
    method : str
    """

    masks: list[list[np.ndarray]]
    picks: list[np.ndarray] | None
    total: int
    by_halves: bool
    method: str

    @property
    def sums(self) -> int:
        """Number of sums worked out to count all of them once."""
        if not self.by_halves:
            return self.total
        sizes = [[np.zeros(len(mask)) for mask in row] for row in self.masks]
        return sum(left.size + right.size for left, right in _halves(sizes))


def permitted(plan: Plan, cases: list[Case], draws: int, rng: np.random.Generator | None) -> Permitted:
    """Choose the way of counting and list or draw the assignments.

    Raises
    ------
    ValueError
        If some must be drawn and there is no generator to draw with.
    """
    total = n_assignments_of(plan)
    listed = total <= MOST_LISTED
    if listed or _sums_in_halves(plan) <= MOST_IN_HALVES:
        method = f"all {total:,} permitted assignments " + (
            "listed" if listed else "counted by meeting in the middle"
        )
        return Permitted(_masks(plan, cases), None, total, not listed, method)
    if rng is None:
        raise ValueError(
            f"rng must be a numpy Generator: the {total:,} permitted assignments are too many to count, "
            "so some are drawn; got None."
        )
    method = f"Monte Carlo, {draws:,} of {total:,} permitted assignments drawn"
    masks, picks = _drawn(plan, cases, draws, rng)
    return Permitted([[mask] for mask in masks], picks, draws, False, method)


def counting(chosen: Permitted, cases: list[Case], statistic: str) -> Counting:
    """Work out the statistic of all the assignments, ready to be counted.

    Raises
    ------
    NotEnoughData
        If a permitted assignment would leave a phase without a rating.
    """
    own = [statistics_of(case, case.exposed[None], statistic)[0][0] for case in cases]
    both = [
        [statistics_of(case, mask, statistic) for mask in row]
        for case, row in zip(cases, chosen.masks, strict=True)
    ]
    terms, shares = ([[pair[part] for pair in row] for row in both] for part in (0, 1))
    unit = 1.0 if statistic == "tau" else max(case.unit for case in cases)
    return counting_of(chosen, float(np.mean(own)), unit, terms, shares)


def counting_of(chosen: Permitted, observed: float, unit: float, terms: Terms, shares: Terms) -> Counting:
    """Make ready to count from the terms of each series.

    Parameters
    ----------
    chosen : Permitted
    observed : float
        The statistic of the assignment that was made.
    unit : float
        What ties are measured against.
    terms, shares : list of list of ndarray
        Shaped as ``chosen.masks``: the statistic, and what a shift of 1 under exposure adds to it.
    """
    if chosen.by_halves:
        return MetInTheMiddle(observed, unit, terms, shares, chosen.total, chosen.method)
    sums, share_sums = (_sums(part, chosen.picks) / len(terms) for part in (terms, shares))
    return Listed(observed, unit, sums, share_sums, chosen.method, chosen.picks is not None)


def _sums(terms: Terms, picks: list[np.ndarray] | None) -> np.ndarray:
    if picks is not None:
        return np.sum([row[0][pick] for row, pick in zip(terms, picks, strict=True)], axis=0)
    return np.concatenate([np.add.outer(left, right).ravel() for left, right in _halves(terms)])


def _sums_in_halves(plan: Plan) -> float:
    """Count the sums that meeting in the middle would have to hold."""
    if isinstance(plan, StaggeredStarts) and plan.shuffled:
        m = len(plan.windows)
        widest = sorted((len(window) for window in plan.windows), reverse=True)
        return math.comb(m, m // 2) * sum(
            math.factorial(half) * math.prod(widest[:half]) for half in (m // 2, m - m // 2)
        )
    if isinstance(plan, StaggeredStarts):
        sizes = [len(window) for window in plan.windows]
    else:
        sizes = [design.n_assignments for design in plan]
    return sum(math.prod(sizes[i] for i in half) for half in _parted(sizes)) if len(sizes) > 1 else math.inf


def _parted(sizes: list[int]) -> tuple[list[int], list[int]]:
    """Part series into two groups with about equally many combinations."""
    left: list[int] = []
    right: list[int] = []
    for i in sorted(range(len(sizes)), key=lambda i: -sizes[i]):
        smaller = min((left, right), key=lambda group: math.prod(sizes[j] for j in group))
        smaller.append(i)
    return left, right


def _masks(plan: Plan, cases: list[Case]) -> list[list[np.ndarray]]:
    if not isinstance(plan, StaggeredStarts):
        return [[design.masks(len(case.values))] for design, case in zip(plan, cases, strict=True)]
    windows = [plan.windows if plan.shuffled else (window,) for window in plan.windows]
    return [
        [_masks_of_starts(case, np.array(window)) for window in open_to]
        for case, open_to in zip(cases, windows, strict=True)
    ]


def _masks_of_starts(case: Case, starts: np.ndarray) -> np.ndarray:
    n = len(case.values)
    if starts.max() > n:
        raise ValueError(
            f"windows must hold occasion numbers up to the length of every series that may get them; "
            f"series {case.label} has {n} occasions, got {int(starts.max())}."
        )
    return np.arange(1, n + 1) >= starts[:, None]


def _halves(terms: Terms) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Give the sums over two groups of series, so that each pair of sums is one assignment."""
    m = len(terms)
    if len(terms[0]) == 1:
        left, right = _parted([len(row[0]) for row in terms])
        yield _all_sums([terms[i][0] for i in left]), _all_sums([terms[i][0] for i in right])
        return
    firsts, seconds = _sums_by_windows(terms[: m // 2]), _sums_by_windows(terms[m // 2 :])
    everything = (1 << m) - 1
    for taken, sums in firsts.items():
        yield sums, seconds[everything ^ taken]


def _all_sums(terms: list[np.ndarray]) -> np.ndarray:
    sums = np.zeros(1)
    for term in terms:
        sums = np.add.outer(sums, term).ravel()
    return sums


def _sums_by_windows(terms: Terms) -> dict[int, np.ndarray]:
    """For each set of windows (as bits) that these series may have got: the sums it can give."""
    reached = {0: [np.zeros(1)]}
    for row in terms:
        following: dict[int, list[np.ndarray]] = {}
        for taken, parts in reached.items():
            sums = np.concatenate(parts)
            for w, term in enumerate(row):
                if not taken >> w & 1:
                    following.setdefault(taken | 1 << w, []).append(np.add.outer(sums, term).ravel())
        reached = following
    return {taken: np.concatenate(parts) for taken, parts in reached.items()}


def _drawn(
    plan: Plan, cases: list[Case], draws: int, rng: np.random.Generator
) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Draw assignments: the different ones of each series, and which of them each draw gave."""
    if not isinstance(plan, StaggeredStarts):
        masks = [
            design.draw(len(case.values), draws, rng) for design, case in zip(plan, cases, strict=True)
        ]
        return masks, [np.arange(draws)] * len(masks)
    starts = plan.draw_starts(draws, rng)
    masks, picks = [], []
    for case, column in zip(cases, starts.T, strict=True):
        distinct, place = np.unique(column, return_inverse=True)
        masks.append(_masks_of_starts(case, distinct))
        picks.append(place)
    return masks, picks


def statistics_of(case: Case, masks: np.ndarray, statistic: str) -> tuple[np.ndarray, np.ndarray]:
    """Give the statistic under each assignment, and what a shift of 1 under exposure would add to it."""
    counted = case.usable if statistic == "tau" else case.rated
    if statistic == "immediate_change":
        values = np.array([_immediate(case.values, counted, mask) for mask in masks])
        shares = np.array([_immediate(case.exposed.astype(float), counted, mask) for mask in masks])
    else:
        chosen = masks.astype(float)
        n_b = chosen @ counted
        n_a = counted.sum() - n_b
        with np.errstate(divide="ignore", invalid="ignore"):
            if statistic == "tau":
                # Pairs within exposure cancel, so S is the sum of the exposure occasions' own S.
                values = (chosen @ case.merits) / (n_a * n_b)
                shares = np.zeros(len(masks))
            else:
                values = _difference(chosen, np.where(counted, case.values, 0.0), n_a, n_b)
                shares = _difference(chosen, (counted & case.exposed).astype(float), n_a, n_b)
        values = np.where((n_a > 0) & (n_b > 0), values, np.nan)
    if np.isnan(values).any():
        without = np.flatnonzero(np.isnan(values))[0]
        raise NotEnoughData(
            f"The design permits {phases_in_words(masks[without])} for series {case.label}, which would "
            "leave a phase without a rating; the test needs one in each."
        )
    return values, shares


def _difference(chosen: np.ndarray, values: np.ndarray, n_a: np.ndarray, n_b: np.ndarray) -> np.ndarray:
    inside = chosen @ values
    return inside / n_b - (values.sum() - inside) / n_a


def _immediate(values: np.ndarray, counted: np.ndarray, mask: np.ndarray) -> float:
    edges = np.concatenate([[0], np.flatnonzero(mask[1:] != mask[:-1]) + 1, [len(mask)]])
    changes = []
    for begin, change, end in zip(edges[:-2], edges[1:-1], edges[2:], strict=True):
        before = values[begin:change][counted[begin:change]][-NEAR_CHANGE:]
        after = values[change:end][counted[change:end]][:NEAR_CHANGE]
        if not len(before) or not len(after):
            return math.nan
        step = float(after.mean() - before.mean())
        changes.append(step if mask[change] else -step)
    return float(np.mean(changes)) if changes else math.nan


def phases_in_words(exposed: np.ndarray) -> str:
    """Spell an assignment out: "4 baseline, 6 exposure"."""
    edges = np.flatnonzero(exposed[1:] != exposed[:-1]) + 1
    starts = np.concatenate([[0], edges])
    lengths = np.diff(np.concatenate([starts, [len(exposed)]]))
    return ", ".join(
        f"{length} {'exposure' if exposed[start] else 'baseline'}"
        for start, length in zip(starts.tolist(), lengths.tolist(), strict=True)
    )
