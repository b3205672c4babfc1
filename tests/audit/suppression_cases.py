"""Invented counts of a practice, and readers who try to work out what is hidden."""

import math

import numpy as np
from rungwise.audit.suppression import BEFORE, CELLS, LINKS, NOW, SUMS
from scipy.optimize import Bounds, LinearConstraint, milp

TOP = 80


def counts_of(rng):
    """Counts of a practice of any size in which the sums hold."""
    size = rng.integers(1, 12)
    parts = (
        "fell_beyond", "fell_other", "unchanged", "rose", "not_judged", "in_progress",
        "left_before_exposure", "counted_earlier",
    )  # fmt: skip
    found = {name: int(rng.choice([0, rng.integers(0, 5), rng.integers(0, 3 * size)])) for name in parts}
    found["fell"] = found["fell_beyond"] + found["fell_other"]
    found["judged"] = found["fell"] + found["unchanged"] + found["rose"]
    found["due"] = found["judged"] + found["not_judged"]
    found["left_early"] = int(rng.integers(0, found["due"] + 1))
    found["finished"] = found["due"] - found["left_early"]
    found["open"] = sum(
        found[name] for name in ("in_progress", "left_before_exposure", "counted_earlier", "due")
    )
    return {name: found[name] for name in CELLS}


def worked_out(shown):
    """What adding and subtracting leaves possible for every cell: sets of values, no solver.

    The sums hang together as a tree, so passing sets back and forth until nothing changes is exact.
    """
    left = {name: set(range(1, TOP)) if count is None else {count} for name, count in shown.items()}
    changed = True
    while changed:
        changed = False
        for total, parts in SUMS:
            for target in (total, *parts):
                reached = {0}
                for name in (total, *parts):
                    if name == target:
                        continue
                    sign = 1 if (name == total) != (target == total) else -1
                    if target == total:
                        sign = 1
                    reached = {old + sign * value for old in reached for value in left[name]}
                now = left[target] & reached
                changed |= now != left[target]
                left[target] = now
    return left


def two_quarters(rng):
    """Counts of two quarters in a row, from children who move on, stay or come new."""
    first = counts_of(rng)
    waiting, known = first["in_progress"], first["due"] + first["counted_earlier"]
    left, due = np.minimum(rng.integers(0, 5, 2), [waiting, waiting])
    left = min(left, waiting - due)
    second = counts_of(rng)
    second["left_before_exposure"] = int(left)
    moved = int(due) + int(rng.choice([0, rng.integers(0, 6)]))
    second["counted_earlier"] = int(rng.integers(0, known + 1))
    second["in_progress"] = waiting - int(left) - int(due) + int(rng.choice([0, rng.integers(0, 9)]))
    parts = rng.multinomial(moved, [0.35, 0.3, 0.2, 0.05, 0.1])
    second |= dict(
        zip(("fell_beyond", "fell_other", "unchanged", "rose", "not_judged"), map(int, parts), strict=True)
    )
    second["fell"] = second["fell_beyond"] + second["fell_other"]
    second["judged"] = second["fell"] + second["unchanged"] + second["rose"]
    second["due"] = second["judged"] + second["not_judged"]
    second["left_early"] = int(rng.integers(0, second["due"] + 1))
    second["finished"] = second["due"] - second["left_early"]
    second["open"] = sum(
        second[name] for name in ("in_progress", "left_before_exposure", "counted_earlier", "due")
    )
    return first, second


def witness(shown, fixed):
    """Find whole numbers for all hidden cells of one quarter or two with one of them fixed, or None.

    What the solver gives is checked by plain adding, so that a number called possible really is.
    """
    keys = [(when, name) for when in shown for name in CELLS]
    low = np.array([1 if shown[when][name] is None else shown[when][name] for when, name in keys], float)
    high = np.where([shown[when][name] is None for when, name in keys], math.inf, low)
    for key, value in fixed.items():
        low[keys.index(key)] = high[keys.index(key)] = value
    rows, least = [], []
    for when in shown:
        for total, parts in SUMS:
            row = [(key == (when, total)) - (key[0] == when and key[1] in parts) for key in keys]
            rows.append(row)
            least.append(0)
    if len(shown) > 1:
        for cell, others in LINKS:
            rows.append([(key == cell) - (key in others) for key in keys])
            least.append(-math.inf)
    solved = milp(
        np.zeros(len(keys)), integrality=1, bounds=Bounds(low, high),
        constraints=LinearConstraint(np.array(rows, float), least, 0),
    )  # fmt: skip
    if solved.x is None:
        return None
    found = {key: round(value) for key, value in zip(keys, solved.x, strict=True)}
    check(found, shown)
    return found


def check(found, shown):
    for when in shown:
        for name, count in shown[when].items():
            assert found[when, name] == count if count is not None else found[when, name] >= 1
        for total, parts in SUMS:
            assert found[when, total] == sum(found[when, part] for part in parts)
    if len(shown) > 1:
        assert found[BEFORE, "in_progress"] <= sum(
            found[NOW, name] for name in ("in_progress", "left_before_exposure", "due")
        )
        assert found[NOW, "counted_earlier"] <= found[BEFORE, "due"] + found[BEFORE, "counted_earlier"]
