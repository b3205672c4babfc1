"""The shifts in rating points that a randomization test with Tau does not reject.

Taking a shift off every rating that was made under exposure changes Tau only where the shift passes the
difference of an exposure and a baseline rating, so the test is inverted by going through these
differences and the gaps between them, all of them exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rungwise.single_case.assignments import TIE, Case, Permitted, counting_of

MOST_COUNTED = 1_000_000_000
"""Sums counted while the test is inverted, after which there is no interval."""
_TOGETHER = 4_000_000


@dataclass(frozen=True)
class TauShift:
    """Shifts in oriented rating points; NaN where there is none.

    Attributes
    ----------
    value : float
        The shift that brings the observed Tau to 0.
    low, high : float
        The least and the greatest shift that neither one-sided test rejects.
    refused : bool
        Whether finding the limits would have taken too many sums.
    """

    value: float
    low: float
    high: float
    refused: bool = False


def tau_shift(chosen: Permitted, cases: list[Case], tail: float) -> TauShift:
    """Invert a randomization test with Tau for a shift that is the same for every exposure rating.

    Parameters
    ----------
    chosen : Permitted
    cases : list of Case
    tail : float
        Level of each one-sided test.

    Returns
    -------
    TauShift

    Notes
    -----
    A declined occasion has no rating to shift: it ranks worst under every shift. Phases differ in length
    from one assignment to the next, so p need not rise steadily with the shift; the limits are the
    outermost shifts not rejected, which can only make the interval wider.

    With no shift small or large enough to be rejected, as with few permitted assignments or where every
    occasion of a phase was declined, the limits are NaN.

    Source: inverting a test is standard (Garthwaite 1996, Biometrics 52:1387–1393, from memory); doing so
    with Tau and an assignment list is the project's own.
    """
    steps = _Steps.of(cases)
    last = 2 * len(steps.critical)
    every = np.arange(last + 1)
    own = np.mean(
        [_tau(case.exposed[None], case, steps.merits(i, every))[0] for i, case in enumerate(cases)], axis=0
    )
    none_left, some_left = np.flatnonzero(own <= TIE), np.flatnonzero(own >= -TIE)
    value = math.nan
    if len(none_left) and len(some_left) and none_left[0] > 0 and some_left[-1] < last:
        ends = steps.critical[[(none_left[0] - 1) // 2, some_left[-1] // 2]]
        value = float(ends.mean())
    if chosen.sums * (last + 1) > MOST_COUNTED:
        return TauShift(value, math.nan, math.nan, refused=True)
    extra = int(chosen.picks is not None)
    allowed = tail * (chosen.total + extra) * (1 + TIE)
    # From the outside in: the first place not rejected is the limit, whatever p does further in.
    low = _first(chosen, cases, steps, own, every, 0, allowed - extra)
    high = _first(chosen, cases, steps, own, every[::-1], 1, allowed - extra)
    if low is None or low == 0 or high is None or high == last:
        return TauShift(value, math.nan, math.nan)
    return TauShift(value, float(steps.critical[(low - 1) // 2]), float(steps.critical[high // 2]))


def _first(
    chosen: Permitted,
    cases: list[Case],
    steps: _Steps,
    own: np.ndarray,
    places: np.ndarray,
    tail: int,
    allowed: float,
) -> int | None:
    """Give the first place at which more assignments than allowed are as good (or as bad)."""
    block = max(1, _TOGETHER // max(mask.shape[0] for row in chosen.masks for mask in row))
    for begin in range(0, len(places), block):
        some = places[begin : begin + block]
        merits = [steps.merits(i, some) for i in range(len(cases))]
        terms = [
            [_tau(mask, case, own_merits) for mask in row]
            for case, own_merits, row in zip(cases, merits, chosen.masks, strict=True)
        ]
        for k, place in enumerate(some.tolist()):
            here = [[term[:, k] for term in row] for row in terms]
            if counting_of(chosen, float(own[place]), 1.0, here, here).tails(0.0)[tail] > allowed:
                return place
    return None


def _tau(masks: np.ndarray, case: Case, merits: np.ndarray) -> np.ndarray:
    """Give Tau of each assignment (rows) with the merits of each column."""
    chosen = masks.astype(float)
    n_b = chosen @ case.usable
    return (chosen @ merits) / (n_b * (case.usable.sum() - n_b))[:, None]


@dataclass(frozen=True, eq=False)
class _Steps:
    """The shifts at which Tau changes.

    Places count from 0: odd ones are the critical shifts, even ones the gaps below, between and above.

    Attributes
    ----------
    critical : ndarray of float
        In order, all different.
    at : list of ndarray of int, shape (exposure, baseline)
        Per case: the place of the difference of an exposure and a baseline rating; meaningless where
        one of the two has none.
    """

    cases: list[Case]
    critical: np.ndarray
    at: list[np.ndarray]

    @classmethod
    def of(cls, cases: list[Case]) -> _Steps:
        apart = [case.values[case.exposed][:, None] - case.values[~case.exposed][None, :] for case in cases]
        rated = [case.rated[case.exposed][:, None] & case.rated[~case.exposed][None, :] for case in cases]
        everything = np.sort(np.concatenate([a[r] for a, r in zip(apart, rated, strict=True)]))
        slack = TIE * max(case.unit for case in cases)
        new = np.concatenate([[True], np.diff(everything) > slack])[: len(everything)]
        critical = everything[new]
        at = [
            2 * np.maximum(np.searchsorted(critical, a + slack / 2, side="right") - 1, 0) + 1 for a in apart
        ]
        return cls(cases, critical, at)

    def merits(self, i: int, places: np.ndarray) -> np.ndarray:
        """Give what each occasion of a case is better than minus worse than, one column per place."""
        case = self.cases[i]
        codes = case.codes.astype(np.int64)
        usable, exposed = case.usable, case.exposed
        both = usable[:, None] & usable[None, :]
        shifts = case.rated[:, None] & case.rated[None, :] & (exposed[:, None] != exposed[None, :])
        fixed = (np.sign(codes[:, None] - codes[None, :]) * (both & ~shifts)).sum(axis=1)
        merits = np.repeat(fixed[:, None], len(places), axis=1).astype(float)
        across = np.sign(self.at[i][:, :, None] - places)
        across *= shifts[np.ix_(exposed, ~exposed)][:, :, None]
        merits[exposed] += across.sum(axis=1)
        merits[~exposed] -= across.sum(axis=0)
        return merits
