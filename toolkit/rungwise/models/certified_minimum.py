"""The lowest point of a smooth criterion of a few parameters, and whether it surely is a minimum.

The criterion is evaluated at many points in one pass, which makes a grid of starts and careful numerical
derivatives cheap.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

Criterion = Callable[[np.ndarray], np.ndarray]
"""Gives the height at each point: shape (points, parameters) to (points,)."""

_STEP = 1e-3
_MOST_STEPS = 80
_MOST_STARTS = 8
# A stationary point counts as an optimum when Newton's step would gain less than this ...
_GAIN_LEFT = 1e-12
# ... and the criterion bends down in no direction by more than this.
_BEND_DOWN = -1e-4
_LENGTHS = np.array([1.0, 0.5, 0.2, 0.05, 0.01, 2.0])
_PUSHES = np.array([-1.0, -0.3, -0.1, 0.1, 0.3, 1.0])


def minimum(criterion: Criterion, grid: np.ndarray) -> tuple[np.ndarray, bool, int]:
    """Find the lowest point by Newton's method from the best points of a grid, all starts in step.

    Parameters
    ----------
    criterion : callable
        Gives the height at each point, shape (points, parameters) to (points,).
    grid : ndarray, shape (places along the first parameter, along the second, ..., parameters)
        A start at 0 is moved off it: there a criterion that is symmetric in a parameter has no slope.

    Returns
    -------
    ndarray, shape (parameters,)
    bool
        True only where no direction leads down from the point.
    int
        How many of the starts reached the same height within .002.

    Examples
    --------
    >>> grid = np.array([[-3.0], [-1.0], [1.0], [3.0]])
    >>> point, certified, agreeing = minimum(lambda x: (x[:, 0] - 2) ** 2, grid)
    >>> round(float(point[0]), 6), certified
    (2.0, True)
    """
    x = starts(criterion, grid)
    f = criterion(x)
    done = np.zeros(len(x), dtype=bool)
    for _ in range(_MOST_STEPS):
        live = np.flatnonzero(~done)
        if not len(live):
            break
        slope, bend = derivatives(criterion, x[live])
        roots, vectors = np.linalg.eigh(bend)
        along = np.einsum("ski,sk->si", vectors, slope)
        firm = np.maximum(np.abs(roots), 1e-6)
        gain = np.sum(along**2 / firm, axis=1)
        settled = (gain < _GAIN_LEFT) & (roots[:, 0] > _BEND_DOWN)
        step = -np.einsum("ski,si->sk", vectors, along / firm)
        reach = np.maximum(1.0, 0.7 * np.abs(x[live]))
        step /= np.maximum(1.0, np.max(np.abs(step) / reach, axis=1))[:, None]
        trials = x[live][:, None, :] + _LENGTHS[None, :, None] * step[:, None, :]
        # At a saddle the gradient vanishes; only the direction of downward bend leads away.
        pushed = x[live][:, None, :] + _PUSHES[None, :, None] * vectors[:, None, :, 0]
        trials = np.concatenate([trials, np.where(roots[:, :1, None] < 0, pushed, trials)], axis=1)
        heights = criterion(trials.reshape(-1, x.shape[1])).reshape(len(live), -1)
        best = heights.argmin(axis=1)
        lowest = heights[np.arange(len(live)), best]
        better = lowest < f[live]
        x[live[better]] = trials[np.arange(len(live)), best][better]
        f[live[better]] = lowest[better]
        done[live] = settled | ~better
    winner = int(np.argmin(f))
    return x[winner], _certify(criterion, x[winner]), int(np.sum(f < f[winner] + 2e-3))


def starts(criterion: Criterion, grid: np.ndarray) -> np.ndarray:
    """Give one start for each valley of a grid: with little data there can be several."""
    height = criterion(grid.reshape(-1, grid.shape[-1])).reshape(grid.shape[:-1])
    valley = np.ones(height.shape, dtype=bool)
    for axis in range(height.ndim):
        lines, flags = np.moveaxis(height, axis, 0), np.moveaxis(valley, axis, 0)
        flags[1:] &= lines[1:] <= lines[:-1]
        flags[:-1] &= lines[:-1] <= lines[1:]
    points, heights = grid[valley], height[valley]
    best = points[np.argsort(heights, kind="stable")[:_MOST_STARTS]]
    # Off the symmetric points, where a gradient says nothing.
    return np.where(best == 0, 0.05, best)


def derivatives(criterion: Criterion, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give gradient and Hessian at each point of `x`, shape (points, parameters)."""
    points, k = x.shape
    h = steps(x)
    around = x[:, None, :] + moves(k) * h[:, None, :]
    f = criterion(around.reshape(-1, k)).reshape(points, -1)
    return gradient(f, h), hessian(f, h)


def steps(x: np.ndarray) -> np.ndarray:
    """Give the width of the differences in each parameter."""
    return _STEP * np.maximum(1.0, np.abs(x))


def moves(k: int) -> np.ndarray:
    """Give where central differences of first and second order look, in steps, shape (moves, k)."""
    unit = np.eye(k)
    both = [s * (unit[i] + unit[j])[None] for i, j in _pairs(k) for s in (1, -1)]
    return np.concatenate([np.zeros((1, k)), unit, -unit, *both])


def gradient(f: np.ndarray, h: np.ndarray) -> np.ndarray:
    """Give the gradient from the heights at all `moves`, shape (..., moves), by steps h (..., k)."""
    k = h.shape[-1]
    return (f[..., 1 : k + 1] - f[..., k + 1 : 2 * k + 1]) / (2 * h)


def hessian(f: np.ndarray, h: np.ndarray) -> np.ndarray:
    """Give the Hessian from the heights at all `moves`, shape (..., moves), by steps h (..., k)."""
    k = h.shape[-1]
    here, plus, minus = f[..., 0], f[..., 1 : k + 1], f[..., k + 1 : 2 * k + 1]
    bend = np.empty((*h.shape, k))
    for i in range(k):
        bend[..., i, i] = (plus[..., i] - 2 * here + minus[..., i]) / h[..., i] ** 2
    for at, (i, j) in enumerate(_pairs(k)):
        both, neither = f[..., 2 * k + 1 + 2 * at], f[..., 2 * k + 2 + 2 * at]
        mixed = both - plus[..., i] - plus[..., j] + 2 * here - minus[..., i] - minus[..., j] + neither
        bend[..., i, j] = bend[..., j, i] = mixed / (2 * h[..., i] * h[..., j])
    return bend


def _pairs(k: int) -> list[tuple[int, int]]:
    return [(i, j) for i in range(k) for j in range(i)]


def _certify(criterion: Criterion, x: np.ndarray) -> bool:
    """Say whether no direction leads down from here: slope, bend, and a look around."""
    slope, bend = derivatives(criterion, x[None])
    roots, vectors = np.linalg.eigh(bend[0])
    along = vectors.T @ slope[0]
    gain = np.sum(along**2 / np.maximum(np.abs(roots), 1e-6))
    around = np.concatenate([s * vectors.T for s in (0.02, -0.02, 0.3, -0.3)])
    lower = criterion(x[None]) - criterion(x + around)
    return bool(gain < 1e-5 and roots[0] > -1e-3 and np.all(lower < 1e-4))
