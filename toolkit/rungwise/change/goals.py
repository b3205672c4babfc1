"""Goal attainment as one number per child."""

from __future__ import annotations

from typing import Any

import numpy as np

from rungwise.basis.errors import check_between
from rungwise.basis.estimate import Estimate, Estimates, orientation

LOWEST, HIGHEST = -2.0, 2.0


def goal_attainment_t_batch(levels: Any, weights: Any = None, *, rho: float = 0.30) -> Estimates:
    """Give the goal attainment T of many children; see `goal_attainment_t`.

    Parameters
    ----------
    levels : array_like, shape (children, goals)
        Attainment −2 to +2; NaN where a goal is missing or a child has fewer goals than others.
    weights : array_like, optional
        Of the same shape, or one row for all children.
    rho : float
        As in `goal_attainment_t`.

    Returns
    -------
    Estimates
        As in `goal_attainment_t`, one entry per child.

    Examples
    --------
    >>> goal_attainment_t_batch([[1, 0, np.nan], [2, 2, 2]]).value.round(2).tolist()
    [56.2, 77.39]
    """
    x, w = _levels_and_weights(levels, weights)
    given = ~np.isnan(x)
    kept = np.where(given, w, 0.0)
    unweighted = given.any(axis=1) & (kept.sum(axis=1) == 0)
    return Estimates(
        "goal attainment T",
        value=50 + _deviation(x, kept, rho),
        n=given.sum(axis=1),
        counts={"goals": (w > 0).sum(axis=1), "missing": (~given & (w > 0)).sum(axis=1)},
        method=f"Kiresuk & Sherman 1968, correlation between goals {rho:g}",
        cautions={
            "No goal has a level, so there is no attainment to give.": ~given.any(axis=1),
            "All goals with a level have weight 0, so there is no attainment to give.": unweighted,
            "Goals without a level are left out, and the rest stand for all.": (
                given.any(axis=1) & (~given & (w > 0)).any(axis=1)
            ),
        },
    )


def goal_attainment_t(levels: Any, weights: Any = None, *, rho: float = 0.30) -> Estimate:
    """Give one child's attainment of several goals as a T score.

    50 means that the goals were met as expected on the whole, 10 more or less about one standard
    deviation of what the authors supposed. The number has known weaknesses. The levels are ordinal
    and are added as if they were not. `rho`, the correlation between goals, is assumed and never
    measured. Goals are set by people: easy goals give high scores, so T compares neither children
    nor clinicians nor practices. With one goal it only restates the level. It has no interval,
    because no error of measurement is known for goals that are one child's own. Read the goals
    themselves first.

    Parameters
    ----------
    levels : array_like, shape (goals,)
        Attainment of each goal: −2 much less than expected, −1 less, 0 as expected, +1 more, +2 much
        more; NaN or None where a goal was not rated.
    weights : array_like, optional
        Importance of each goal, 0 or more; default all equal. A goal of weight 0 is left out.
    rho : float
        Assumed correlation between goals; 0.30 as in the original paper.

    Returns
    -------
    Estimate
        Statistic ``"goal attainment T"``. `n` counts the goals that entered, ``counts["missing"]``
        those with no level. NaN with the reason when no goal has a level or a weight.

    Raises
    ------
    ValueError
        If a level lies outside −2 to +2, a weight is negative or missing, or `rho` is not between
        0 and 1.

    References
    ----------
    Kiresuk & Sherman 1968, Community Ment Health J 4:443-453 (formula and correlation from memory).

    Examples
    --------
    >>> round(goal_attainment_t([1, 0, -1, 2], weights=[1, 2, 3, 4]).value, 4)
    58.4017
    >>> goal_attainment_t([1, None, 0]).cautions
    ('Goals without a level are left out, and the rest stand for all.',)
    """
    return goal_attainment_t_batch([levels], None if weights is None else [weights], rho=rho)[0]


def goal_attainment_change_batch(
    start: Any, end: Any, weights: Any = None, *, rho: float = 0.30
) -> Estimates:
    """Give the change in goal attainment T of many children; see `goal_attainment_change`.

    Parameters
    ----------
    start, end : array_like, shape (children, goals)
    weights, rho
        As in `goal_attainment_t_batch`.

    Returns
    -------
    Estimates
        As in `goal_attainment_change`, one entry per child.

    Examples
    --------
    >>> goal_attainment_change_batch([[-1, -2]], [[1, 0]]).value.round(2).tolist()
    [24.81]
    """
    before, w = _levels_and_weights(start, weights)
    after, _ = _levels_and_weights(end, weights)
    if before.shape != after.shape:
        raise ValueError(f"end must have the shape of start {before.shape}; got {after.shape}.")
    both = ~np.isnan(before) & ~np.isnan(after)
    kept = np.where(both, w, 0.0)
    change = _deviation(after, kept, rho) - _deviation(before, kept, rho)
    either = (~np.isnan(before) | ~np.isnan(after)) & (w > 0)
    return Estimates(
        "change in goal attainment T",
        value=change,
        n=(both & (w > 0)).sum(axis=1),
        counts={"goals": (w > 0).sum(axis=1), "missing": (~both & (w > 0)).sum(axis=1)},
        method=f"Kiresuk & Sherman 1968, correlation between goals {rho:g}",
        favors=orientation(change),
        cautions={
            "No goal has a level on both days, so there is no change to give.": np.isnan(change),
            "Goals with a level on one day only are left out.": ~np.isnan(change)
            & (either & ~both).any(axis=1),
        },
    )


def goal_attainment_change(start: Any, end: Any, weights: Any = None, *, rho: float = 0.30) -> Estimate:
    """Give the change in goal attainment T over the goals that have a level on both days.

    Goals start low because that is how they are set, so a rise is expected and shows neither that
    it is large nor where it came from; `goal_attainment_t` lists the other weaknesses.

    Parameters
    ----------
    start, end : array_like, shape (goals,)
        Levels at the start and now; a goal missing on either day is left out of both.
    weights, rho
        As in `goal_attainment_t`.

    Returns
    -------
    Estimate
        Statistic ``"change in goal attainment T"``; positive is better for the child.

    Raises
    ------
    ValueError
        As in `goal_attainment_t`.

    Examples
    --------
    >>> change = goal_attainment_change([-1, -1, -2], [0, 1, None])
    >>> round(change.value, 2), change.n
    (18.61, 2)
    """
    return goal_attainment_change_batch([start], [end], None if weights is None else [weights], rho=rho)[0]


def _deviation(levels: np.ndarray, weights: np.ndarray, rho: float) -> np.ndarray:
    if rho not in (0, 1):
        check_between("rho", rho, 0, 1)
    weighted = np.where(weights > 0, weights * levels, 0.0).sum(axis=1)
    spread = np.sqrt((1 - rho) * (weights**2).sum(axis=1) + rho * weights.sum(axis=1) ** 2)
    return 10 * weighted / np.where(spread > 0, spread, np.nan)


def _levels_and_weights(levels: Any, weights: Any) -> tuple[np.ndarray, np.ndarray]:
    x = _table("levels", levels)
    out = (x < LOWEST) | (x > HIGHEST)
    if out.any():
        raise ValueError(f"levels must lie between -2 and 2; got {x[out][0]:g}.")
    w = np.ones_like(x) if weights is None else _table("weights", weights)
    if w.shape[1] != x.shape[1] or w.shape[0] not in (1, x.shape[0]):
        raise ValueError(f"weights must be one per goal, shape {x.shape}; got {w.shape}.")
    w = np.broadcast_to(w, x.shape)
    unsound = ~(w >= 0) | np.isinf(w)
    if unsound.any():
        raise ValueError(f"weights must be 0 or more; got {w[unsound][0]:g}.")
    return x, w


def _table(argument: str, rows: Any) -> np.ndarray:
    lists = [[np.nan if entry is None else entry for entry in row] for row in rows]
    if len({len(row) for row in lists}) > 1:
        raise ValueError(f"{argument} must have as many goals for every child; fill up with NaN.")
    return np.array(lists, dtype=float).reshape(len(lists), -1)
