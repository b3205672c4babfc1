"""Designs in which something was drawn at random: what might have been drawn, and how much it can show.

A design says which assignments of occasions to baseline and exposure were permitted and equally likely.
It can be asked for its smallest attainable p before there are any data.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

import numpy as np

from rungwise.basis.errors import check_choice

ASSIGNMENTS = ("random", "clinical")
MOST_LISTED = 1_000_000
"""Assignments that are listed one by one; designs with more are counted otherwise or drawn from."""


class Design:
    """What all designs share; use one of the classes below."""

    assignment: str

    @property
    def n_assignments(self) -> int:
        """Number of equally likely assignments."""
        raise NotImplementedError

    @property
    def smallest_p(self) -> float:
        """Smallest one-sided p this design could ever give; a two-sided one is twice as large."""
        return 1 / self.n_assignments


class SingleDesign(Design):
    """A design of one series."""

    def masks(self, n: int) -> np.ndarray:
        """List all assignments: one row each, True where the occasion is exposure.

        Raises
        ------
        ValueError
            If the design does not fit `n` occasions.
        """
        raise NotImplementedError

    def draw(self, n: int, size: int, rng: np.random.Generator) -> np.ndarray:
        """Draw assignments independently, each with equal probability; rows as in `masks`."""
        return self.masks(n)[rng.integers(self.n_assignments, size=size)]

    def permits(self, mask: np.ndarray) -> bool:
        """Say whether an assignment was permitted."""
        raise NotImplementedError


@dataclass(frozen=True)
class RandomStart(SingleDesign):
    """Baseline, then exposure from an occasion drawn at random from a window.

    Parameters
    ----------
    earliest, latest : int
        Occasion numbers, counted from 1, that the first exposure occasion was drawn from.
    assignment : {"random", "clinical"}
        How the start was in fact settled.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    Source: Edgington 1975, Journal of Psychology 90:57–68, from memory.

    Examples
    --------
    >>> RandomStart(6, 25, assignment="random").smallest_p
    0.05
    """

    earliest: int
    latest: int
    assignment: str

    def __post_init__(self) -> None:
        check_choice("assignment", self.assignment, ASSIGNMENTS)
        _check_whole("earliest", self.earliest, 2)
        _check_whole("latest", self.latest, self.earliest)

    @classmethod
    def with_minima(cls, n: int, baseline: int, exposure: int, assignment: str) -> RandomStart:
        """Permit every start that leaves at least so many occasions in each phase.

        Examples
        --------
        >>> RandomStart.with_minima(30, baseline=5, exposure=5, assignment="random").n_assignments
        21
        """
        return cls(baseline + 1, n - exposure + 1, assignment)

    @property
    def n_assignments(self) -> int:
        """Number of permitted starts."""
        return self.latest - self.earliest + 1

    def masks(self, n: int) -> np.ndarray:
        """List all assignments, earliest start first."""
        if self.latest > n:
            raise ValueError(
                f"latest must be at most the number of occasions ({n}), so that exposure is never empty; "
                f"got {self.latest}."
            )
        return np.arange(1, n + 1) >= np.arange(self.earliest, self.latest + 1)[:, None]

    def permits(self, mask: np.ndarray) -> bool:
        """Say whether the series starts exposure once, inside the window."""
        return self.earliest <= first_exposure(mask) <= self.latest


@dataclass(frozen=True)
class Alternating(SingleDesign):
    """Single occasions assigned to baseline or exposure at random, fixed numbers of each.

    Parameters
    ----------
    n : int
        Occasions in all.
    assignment : {"random", "clinical"}
    exposure : int, optional
        Exposure occasions; half of `n` by default.
    longest_run : int, optional
        Most occasions of one condition in a row; no limit by default.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Examples
    --------
    >>> Alternating(8, assignment="random").n_assignments
    70
    >>> Alternating(8, assignment="random", longest_run=2).n_assignments
    34
    """

    n: int
    assignment: str
    exposure: int | None = None
    longest_run: int | None = None

    def __post_init__(self) -> None:
        check_choice("assignment", self.assignment, ASSIGNMENTS)
        _check_whole("n", self.n, 2)
        if self.exposure is None and self.n % 2:
            raise ValueError(f"exposure must be given when n is odd; got n={self.n}.")
        _check_whole("exposure", self.n_exposure, 1, self.n - 1)
        if self.longest_run is not None:
            _check_whole("longest_run", self.longest_run, 1)
        if not self.n_assignments:
            raise ValueError(
                f"longest_run must leave an assignment possible; {self.longest_run} in a row do not with "
                f"{self.n_exposure} of {self.n}."
            )

    @property
    def n_exposure(self) -> int:
        """Exposure occasions."""
        return self.n // 2 if self.exposure is None else self.exposure

    @property
    def n_assignments(self) -> int:
        """Number of permitted orders."""
        if self.longest_run is None:
            return math.comb(self.n, self.n_exposure)
        first = self._completions()[0]
        return int(first[0, 0, 0] + first[1, 1, 0])

    def masks(self, n: int) -> np.ndarray:
        """List all assignments."""
        self._check_length(n)
        completions = self._completions()
        masks = np.array([[False], [True]])
        count, last, run = np.array([0, 1]), np.array([0, 1]), np.array([0, 0])
        for place in range(n):
            # A beginning that cannot be completed is dropped at once.
            alive = completions[place][count, last, run] > 0
            masks, count, last, run = masks[alive], count[alive], last[alive], run[alive]
            if place == n - 1:
                break
            stays = (run + 1 < self._runs) | (self.longest_run is None)
            kept, kept_last = masks[stays], last[stays]
            masks = np.vstack(
                [np.column_stack([kept, kept_last == 1]), np.column_stack([masks, last == 0])]
            )
            run = np.concatenate([np.minimum(run[stays] + 1, self._runs - 1), 0 * run])
            count = np.minimum(
                np.concatenate([count[stays] + kept_last, count + 1 - last]), self.n_exposure + 1
            )
            last = np.concatenate([kept_last, 1 - last])
        return masks

    def draw(self, n: int, size: int, rng: np.random.Generator) -> np.ndarray:
        """Draw assignments with equal probability: each step in proportion to its completions."""
        self._check_length(n)
        if self.longest_run is None:
            return rng.permuted(np.tile(np.arange(n) < self.n_exposure, (size, 1)), axis=1)
        completions = [ways.astype(float) for ways in self._completions()]
        masks = np.zeros((size, n), dtype=bool)
        masks[:, 0] = rng.random(size) < completions[0][1, 1, 0] / self.n_assignments
        last = masks[:, 0].astype(np.int64)
        count, run = last.copy(), np.zeros(size, dtype=np.int64)
        for place in range(1, n):
            switched = completions[place][count + 1 - last, 1 - last, 0]
            switch = rng.random(size) < switched / completions[place - 1][count, last, run]
            last = np.where(switch, 1 - last, last)
            run = np.where(switch, 0, run + 1)
            count = count + last
            masks[:, place] = last == 1
        return masks

    def permits(self, mask: np.ndarray) -> bool:
        """Say whether number and runs of exposure occasions were permitted."""
        if len(mask) != self.n or int(mask.sum()) != self.n_exposure:
            return False
        return max(run_lengths(mask)) <= self._limit

    @property
    def _limit(self) -> int:
        return self.n if self.longest_run is None else self.longest_run

    def _check_length(self, n: int) -> None:
        if n != self.n:
            raise ValueError(f"n must be the number of occasions of the series ({n}); got {self.n}.")

    @property
    def _runs(self) -> int:
        return 1 if self.longest_run is None else self.longest_run

    def _completions(self) -> list[np.ndarray]:
        """Count, after each occasion, the ways to complete what has been drawn.

        Returns
        -------
        list of ndarray of int
            Indexed by exposure occasions so far (one row more than can be used, always 0), the last
            condition, and its run so far less 1.
        """
        shape = (self.n_exposure + 2, 2, self._runs)
        ways = np.zeros(shape, dtype=object)
        ways[self.n_exposure] = 1
        table = [ways]
        for _ in range(self.n - 1):
            after, ways = ways, np.zeros(shape, dtype=object)
            for last in (0, 1):
                other = 1 - last
                # Staying with `last` adds `last` exposure occasions, switching adds `other`.
                ways[: shape[0] - other, last, :] += after[other:, other, :1]
                if self.longest_run is None:
                    ways[: shape[0] - last, last, :] += after[last:, last, :]
                else:
                    ways[: shape[0] - last, last, :-1] += after[last:, last, 1:]
            table.append(ways)
        return table[::-1]


@dataclass(frozen=True)
class RandomChanges(SingleDesign):
    """Phases that alternate, baseline first, with all changes drawn at random.

    Parameters
    ----------
    n : int
        Occasions in all.
    phases : int
        Number of phases: 4 for baseline, exposure, baseline, exposure.
    minimum : int
        Fewest occasions in a phase.
    assignment : {"random", "clinical"}

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    What has been learned does not reverse, so a return to baseline rarely suits exposure programs.

    Source: Onghena 1992, Behavioral Assessment 14:153–171, from memory.

    Examples
    --------
    >>> RandomChanges(24, phases=4, minimum=4, assignment="random").n_assignments
    165
    """

    n: int
    phases: int
    minimum: int
    assignment: str

    def __post_init__(self) -> None:
        check_choice("assignment", self.assignment, ASSIGNMENTS)
        _check_whole("phases", self.phases, 2)
        _check_whole("minimum", self.minimum, 1)
        _check_whole("n", self.n, self.phases * self.minimum)

    @property
    def n_assignments(self) -> int:
        """Number of ways to place the changes."""
        return math.comb(self.n - self.phases * self.minimum + self.phases - 1, self.phases - 1)

    def masks(self, n: int) -> np.ndarray:
        """List all assignments."""
        self._check_length(n)
        slots = self.n - self.phases * self.minimum + self.phases - 1
        picks = np.array(list(combinations(range(slots), self.phases - 1)), dtype=np.int64)
        return self._masks_of(picks)

    def draw(self, n: int, size: int, rng: np.random.Generator) -> np.ndarray:
        """Draw assignments with equal probability."""
        self._check_length(n)
        slots = self.n - self.phases * self.minimum + self.phases - 1
        order = rng.permuted(np.tile(np.arange(slots), (size, 1)), axis=1)
        return self._masks_of(np.sort(order[:, : self.phases - 1], axis=1))

    def permits(self, mask: np.ndarray) -> bool:
        """Say whether the phases are as many and as long as permitted, baseline first."""
        lengths = run_lengths(mask)
        return (
            len(mask) == self.n
            and not mask[0]
            and len(lengths) == self.phases
            and min(lengths) >= self.minimum
        )

    def _check_length(self, n: int) -> None:
        if n != self.n:
            raise ValueError(f"n must be the number of occasions of the series ({n}); got {self.n}.")

    def _masks_of(self, picks: np.ndarray) -> np.ndarray:
        # The spare occasions between bars, plus the minimum, are the phase lengths.
        steps = np.arange(self.phases - 1)
        changes = picks - steps + self.minimum * (steps + 1)
        passed = np.arange(self.n)[None, :, None] >= changes[:, None, :]
        return passed.sum(axis=2) % 2 == 1


@dataclass(frozen=True, eq=False)
class PermittedAssignments(SingleDesign):
    """Any list of equally likely assignments.

    Parameters
    ----------
    assignments : array-like, shape (assignments, occasions)
        True or 1 where an occasion is exposure. An assignment listed twice counts twice.
    assignment : {"random", "clinical"}

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Examples
    --------
    Three pairs of occasions, exposure drawn by a coin in each:

    >>> coins = [[0, 1], [1, 0]]
    >>> listed = [a + b + c for a in coins for b in coins for c in coins]
    >>> PermittedAssignments(listed, assignment="random").smallest_p
    0.125
    """

    assignments: Any
    assignment: str
    _rows: np.ndarray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        check_choice("assignment", self.assignment, ASSIGNMENTS)
        rows = np.asarray(self.assignments)
        if rows.ndim != 2 or not rows.size:
            raise ValueError(
                f"assignments must be a table with a row per assignment; got {rows.ndim} dimension(s)."
            )
        if not np.isin(rows, (0, 1)).all():
            raise ValueError("assignments must hold only 0 and 1, or False and True.")
        object.__setattr__(self, "_rows", rows.astype(bool))

    @property
    def n_assignments(self) -> int:
        """Number of rows listed."""
        return len(self._rows)

    @property
    def smallest_p(self) -> float:
        """Share of the assignment listed least often."""
        return float(np.unique(self._rows, axis=0, return_counts=True)[1].min() / len(self._rows))

    def masks(self, n: int) -> np.ndarray:
        """List all assignments, as given."""
        if n != self._rows.shape[1]:
            raise ValueError(
                f"assignments must have one entry per occasion of the series ({n}); "
                f"got {self._rows.shape[1]}."
            )
        return self._rows

    def permits(self, mask: np.ndarray) -> bool:
        """Say whether the assignment is listed."""
        return len(mask) == self._rows.shape[1] and bool((self._rows == mask).all(axis=1).any())


def first_exposure(mask: np.ndarray) -> int:
    """Give the occasion number of the only start of exposure; 0 if exposure is not one final run."""
    changes = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    if len(changes) != 1 or mask[0]:
        return 0
    return int(changes[0]) + 1


def run_lengths(mask: np.ndarray) -> list[int]:
    """Give the lengths of the unbroken runs of an assignment."""
    edges = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    return np.diff(np.concatenate([[0], edges, [len(mask)]])).tolist()


def _check_whole(argument: str, value: Any, low: int, high: int | None = None) -> None:
    allowed = f"a whole number of {low} or more" if high is None else f"a whole number from {low} to {high}"
    if isinstance(value, bool) or not isinstance(value, int | np.integer):
        raise ValueError(f"{argument} must be {allowed}; got {value!r}.")
    if value < low or (high is not None and value > high):
        raise ValueError(f"{argument} must be {allowed}; got {value!r}.")
