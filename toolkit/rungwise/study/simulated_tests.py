"""The randomization test of many simulated studies at once: whether each p reaches a level."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rungwise.single_case.assignments import NEAR_CHANGE
from rungwise.study.scenario import Scenario
from rungwise.study.simulated_designs import Setting, blocks
from rungwise.study.simulated_terms import Terms, terms_at_starts

TIE = 1e-9
# Series whose terms are worked out together: their ratings and ranks fit a core's cache.
_SERIES_IN_CACHE = 5_000
# What the sum of all terms is scaled to, before it is rounded to 16 bits.
_ROOM = 20_000


@dataclass(frozen=True, eq=False)
class _Case:
    """One case in every replication.

    Attributes
    ----------
    starts : int
        Number of starts open to it.
    made : ndarray of int
        Which of them each replication drew.
    order : ndarray of int
        Replications in the order in which they were simulated: by their start.
    parts : list of (slice, Terms)
        Its statistic under every start, in blocks of that order.
    """

    starts: int
    made: np.ndarray
    order: np.ndarray
    parts: list[tuple[slice, Terms]]

    @classmethod
    def simulate(
        cls,
        scenario: Scenario,
        starts: np.ndarray,
        made: np.ndarray,
        occasions: int,
        rng: np.random.Generator,
        statistic: str,
    ) -> _Case:
        sizes = np.bincount(made, minlength=len(starts)).tolist()
        groups = [(start - 1, size) for start, size in zip(starts.tolist(), sizes, strict=True) if size]
        simulated = scenario.simulate_starts(rng, groups, occasions)
        # Places in the narrowest type that holds them are sorted by radix, in a fraction of the time.
        narrow = made.astype(np.min_scalar_type(len(starts)))
        parts = [
            (part, terms_at_starts(simulated.some(part), starts, statistic))
            for part in blocks(len(made), _SERIES_IN_CACHE)
        ]
        return cls(len(starts), made, np.argsort(narrow, kind="stable"), parts)

    @cached_property
    def place(self) -> np.ndarray:
        """Place of each replication in that order."""
        place = np.empty(len(self.order), dtype=np.intp)
        place[self.order] = np.arange(len(self.order))
        return place

    def terms(self, replications: np.ndarray) -> np.ndarray:
        """Give the statistic of some replications under every start (rows); NaN where it has none."""
        terms = np.empty((self.starts, len(replications)))
        places = self.place[replications]
        for part, several in self.parts:
            here = np.flatnonzero((places >= part.start) & (places < part.stop))
            terms[:, here] = several.some(places[here] - part.start).divided()
        return terms

    def rounded_terms(self, scale: float) -> tuple[np.ndarray, np.ndarray]:
        """Give the statistic times `scale` in 16 bits, and which replications cannot be tested."""
        ordered = np.empty((self.starts, len(self.order)), dtype=np.int16)
        without = np.empty(len(self.order), dtype=bool)
        for part, several in self.parts:
            rough = several.divided(np.float32)
            np.isnan(rough).any(axis=0, out=without[part])
            if without[part].any():
                rough[:, without[part]] = 0
            rough *= np.float32(scale)
            np.rint(rough, out=rough)
            np.copyto(ordered[:, part], rough, casting="unsafe")
        return np.take(ordered, self.place, axis=1), without[self.place]


def reaching(
    setting: Setting,
    scenario: Scenario,
    replications: int,
    rng: np.random.Generator,
    statistic: str,
    alternative: str,
    alpha: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Simulate studies and say whose p is at most alpha, and which could not be tested.

    Exactly the answers that every study's p would give, sooner: the assignments are counted with terms
    rounded to 16 bits. How far rounding may move a sum of them is known, so that most counts lie
    beyond doubt on one side of what alpha allows; p is worked out for the others.

    Returns
    -------
    reached, not_testable : ndarray of bool
    """
    cases = _simulate(setting, scenario, replications, rng, statistic)
    signs = {"improvement": (1,), "worsening": (-1,)}.get(alternative, (1, -1))
    extra = int(setting.drawn)
    total = len(setting.listed) + extra
    most = _most_allowed(total, extra, alpha, len(signs))
    scale, margin = _rounding(setting.cases, scenario, statistic)
    found = [case.rounded_terms(scale) for case in cases]
    terms = [one for one, _ in found]
    not_testable = np.logical_or.reduce([without for _, without in found])
    observed = _observed([case.made for case in cases], terms).astype(np.int16)
    reached = np.zeros(replications, dtype=bool)
    doubtful = np.zeros(replications, dtype=bool)
    for sign in signs:
        signed = terms if sign > 0 else [-one for one in terms]
        bound = sign * observed
        at_most = setting.counts(bound - margin, signed, enough=most)
        reached |= at_most <= most
        left = np.flatnonzero(~(reached | not_testable))
        if margin and most >= 1 - extra and len(left):
            # The assignment that was made, listed unless some are drawn, does not lie beyond the margin.
            beyond = (bound + margin)[left]
            at_least = setting.counts(beyond, [one[:, left] for one in signed], enough=most)
            doubtful[left[at_least + (1 - extra) <= most]] = True
    doubtful &= ~(reached | not_testable)
    rows = np.flatnonzero(doubtful)
    if len(rows):
        p = _p_of(setting, cases, rows, alternative)
        reached[rows] = p <= alpha * (1 + TIE)
    return reached & ~not_testable, not_testable


def _rounding(cases: int, scenario: Scenario, statistic: str) -> tuple[float, np.int16]:
    """Give what terms are multiplied by, and how far rounding may part a sum of them from the observed."""
    widest = 1.0 if statistic == "tau" else scenario.ceiling - scenario.floor
    largest = 1.0 if statistic == "tau" else max(abs(scenario.floor), abs(scenario.ceiling))
    # The observed sum less that of half of the cases is at most 1.5 times the largest; with the rounding
    # of each case it fits 16 bits.
    scale = (_ROOM - 2 * cases) / (cases * widest)
    whole = math.lcm(*range(1, NEAR_CHANGE + 1))
    if statistic == "immediate_change" and scale >= whole:
        # Means of so few whole ratings become whole numbers: nothing is in doubt.
        return whole, np.int16(0)
    # Half a unit for rounding, and single precision in two means, their difference and the scaling.
    off = 0.5 + scale * largest * 2.0**-21
    return scale, np.int16(math.ceil(2 * cases * off + scale * TIE * cases * max(1.0, widest)))


def _simulate(
    setting: Setting, scenario: Scenario, replications: int, rng: np.random.Generator, statistic: str
) -> list[_Case]:
    made = setting.draw(replications, rng)
    return [
        _Case.simulate(scenario, starts, made[:, i], setting.occasions, rng, statistic)
        for i, starts in enumerate(setting.open_to)
    ]


def _observed(made: list[np.ndarray], terms: list[np.ndarray]) -> np.ndarray:
    """Sum the terms of the starts that were made."""
    own = [
        np.take_along_axis(one, starts[None], axis=0)[0] for starts, one in zip(made, terms, strict=True)
    ]
    return np.sum(own, axis=0)


def _p_of(setting: Setting, cases: list[_Case], replications: np.ndarray, alternative: str) -> np.ndarray:
    """Give the p of some studies; NaN where one could not be tested."""
    terms = [case.terms(replications) for case in cases]
    observed = _observed([case.made[replications] for case in cases], terms)
    testable = ~np.isnan([one.sum(axis=0) for one in terms]).any(axis=0)
    # Sums over cases stand for their means: a mean of 1 is as many as there are cases.
    slack = TIE * np.maximum(setting.cases, np.abs(observed))
    extra = int(setting.drawn)
    total = len(setting.listed) + extra

    def share(sign: float) -> np.ndarray:
        """Share of the assignments at least as good, or with -1 at least as bad."""
        counted = setting.counts(sign * observed - slack, [sign * np.nan_to_num(one) for one in terms])
        return (counted + extra) / total

    if alternative == "two-sided":
        p = np.minimum(1.0, 2 * np.minimum(share(1.0), share(-1.0)))
    else:
        p = share(1.0 if alternative == "improvement" else -1.0)
    return np.where(testable, p, np.nan)


def _most_allowed(total: int, extra: int, alpha: float, sides: int) -> int:
    """Give the largest count whose p is at most alpha; below 0 where none is."""
    near = math.floor((alpha * total) / sides)
    # Rounding may put it beside the count next to which it is; where p is cut off at 1, all are allowed.
    counts = np.minimum([near - extra - 1, near - extra, near - extra + 1, total], total - extra)
    p = np.minimum(1.0, sides * ((counts + extra) / total))
    return int(np.max(counts, where=p <= alpha * (1 + TIE), initial=-1))
