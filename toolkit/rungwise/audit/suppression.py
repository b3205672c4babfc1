"""Which numbers of children may leave the practice: one rule, and what a reader could work out.

Numbers from 1 to just below the practice's threshold are hidden, and so is any further number from
which one of them could be worked out by adding and subtracting, in this quarter alone or together with
the one before. Zero is shown.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np

CELLS = {
    "open": "Children with a program open in the quarter",
    "in_progress": "In progress: no outcome due yet",
    "left_before_exposure": "Left before exposure began",
    "counted_earlier": "Outcome counted in an earlier quarter",
    "due": "Outcome due in the quarter",
    "finished": "Due with exposure ended or the horizon reached",
    "left_early": "Due because the child left before the horizon",
    "not_judged": "Due, but not judged",
    "judged": "Judged",
    "fell": "Ratings fell",
    "fell_beyond": "Ratings fell, beyond the baseline's own course",
    "fell_other": "Ratings fell; the baseline may explain it, or cannot say why",
    "unchanged": "No clear change, about the same, or no room to change",
    "rose": "Ratings rose",
}
# Every sum that readers can do: a total and its parts.
SUMS = (
    ("open", ("in_progress", "left_before_exposure", "counted_earlier", "due")),
    ("due", ("finished", "left_early")),
    ("due", ("judged", "not_judged")),
    ("judged", ("fell", "unchanged", "rose")),
    ("fell", ("fell_beyond", "fell_other")),
)
# What readers miss least comes first: the order in which further numbers are hidden.
LEAST_MISSED = (
    "counted_earlier", "in_progress", "left_before_exposure", "finished", "left_early", "open", "due",
    "not_judged", "fell_other", "unchanged", "fell_beyond", "rose", "fell", "judged",
)  # fmt: skip
NOW, BEFORE = "now", "before"
# What ties a quarter to the one before it: whoever was in progress then is in progress, gone or due now,
# and whoever was counted earlier was due or counted earlier then. A cell is never more than the sum of
# the others.
LINKS = (
    ((BEFORE, "in_progress"), ((NOW, "in_progress"), (NOW, "left_before_exposure"), (NOW, "due"))),
    ((NOW, "counted_earlier"), ((BEFORE, "due"), (BEFORE, "counted_earlier"))),
)
# Values below the threshold that must stay possible where another quarter stands beside: readers who
# know that a number was hidden for being small must not be left with one or two.
FEWEST_LEFT = 3


def protected(
    counts: Mapping[str, int], threshold: int, before: Mapping[str, int | None] | None = None
) -> dict[str, int | None]:
    """Hide every number from 1 to below the threshold, and as few others as keep them hidden.

    A hidden number counts as kept when every value below the threshold remains possible, and one more
    at least, for someone who knows the rule, can add and subtract, and knows that hidden numbers are not
    0: from 1 on, or from what that alone forces on a sum. With the quarter before beside it, `FEWEST_LEFT`
    values below the threshold must remain possible for the hidden numbers of both quarters, where the
    quarter alone leaves so many.

    Parameters
    ----------
    counts : Mapping[str, int]
        By the keys of `CELLS`; the sums of `SUMS` hold.
    threshold : int
    before : Mapping[str, int or None], optional
        Numbers shared of the quarter just before, None where hidden: they stay hidden as well.

    Examples
    --------
    >>> counts = dict.fromkeys(CELLS, 0) | {"open": 20, "counted_earlier": 9, "due": 11, "finished": 11}
    >>> counts |= {"judged": 11, "unchanged": 8, "rose": 3}
    >>> shown = protected(counts, 5)
    >>> shown["rose"], shown["unchanged"], shown["judged"]
    (None, None, 11)
    """
    small = {name for name, count in counts.items() if 0 < count < threshold}
    hidden = set(small)
    while not all(_kept(name, counts, hidden, threshold) for name in sorted(small)):
        hidden.add(next(name for name in LEAST_MISSED if counts[name] and name not in hidden))
    # Taken back, most missed first, whatever turned out not to be needed.
    for name in reversed(LEAST_MISSED):
        fewer = hidden - {name}
        if name in hidden - small and all(_kept(cell, counts, fewer, threshold) for cell in sorted(small)):
            hidden = fewer
    # Where the true numbers do not fit those of the quarter before, nothing true follows from both.
    if before is None or possible_together(counts, before) is None:
        return _shown(counts, hidden)
    while not _kept_together(counts, hidden, before, threshold):
        hidden.add(next(name for name in LEAST_MISSED if counts[name] and name not in hidden))
    return _shown(counts, hidden)


def possible(name: str, counts: Mapping[str, int | None]) -> tuple[int, float]:
    """Give the smallest and the largest value a cell can have, from the cells that are shown.

    The sums hang together as a tree, so carrying limits from sum to sum until nothing changes gives
    exactly what a reader can work out.
    """
    low = {cell: 1.0 if count is None else float(count) for cell, count in counts.items()}
    high = {cell: math.inf if count is None else float(count) for cell, count in counts.items()}
    before = None
    while before != (before := (tuple(low.values()), tuple(high.values()))):
        for total, parts in SUMS:
            low[total] = max(low[total], sum(low[part] for part in parts))
            high[total] = min(high[total], sum(high[part] for part in parts))
            for part in parts:
                others = [other for other in parts if other != part]
                low[part] = max(low[part], low[total] - sum(high[other] for other in others))
                high[part] = min(high[part], high[total] - sum(low[other] for other in others))
    return int(low[name]), high[name] if math.isinf(high[name]) else int(high[name])


def possible_together(
    now: Mapping[str, int | None], before: Mapping[str, int | None]
) -> dict[tuple[str, str], tuple[int, float]] | None:
    """Give the smallest and the largest value of every cell of two quarters in a row.

    Every whole-numbered pair of tables is admitted in which the sums of `SUMS` and the ties of `LINKS`
    hold, found by integer programming.

    Returns
    -------
    dict or None
        By quarter (`NOW` or `BEFORE`) and cell; None where no pair of tables fits, because records have
        changed since: then the two say nothing together that each does not say alone.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    keys = [(when, name) for when in (NOW, BEFORE) for name in CELLS]
    place = {key: i for i, key in enumerate(keys)}
    shown = [(now if when == NOW else before)[name] for when, name in keys]
    bounds = Bounds(
        [1 if count is None else count for count in shown],
        [math.inf if count is None else count for count in shown],
    )
    rows: list[np.ndarray] = []
    least: list[float] = []
    for when in (NOW, BEFORE):
        for total, parts in SUMS:
            rows.append(_row(place, (when, total), [(when, part) for part in parts]))
            least.append(0)
    for cell, others in LINKS:
        rows.append(_row(place, cell, others))
        least.append(-math.inf)
    system = LinearConstraint(np.array(rows), least, 0)
    nothing = np.zeros(len(keys))
    if milp(nothing, integrality=1, bounds=bounds, constraints=system).x is None:
        return None
    found: dict[tuple[str, str], tuple[int, float]] = {}
    for key, i in place.items():
        count = shown[i]
        if count is not None:
            found[key] = (count, count)
            continue
        ends = []
        for sign in (1, -1):
            aim = np.zeros(len(keys))
            aim[i] = sign
            solved = milp(aim, integrality=1, bounds=bounds, constraints=system)
            ends.append(math.inf if solved.x is None else round(solved.x[i]))
        found[key] = (int(ends[0]), ends[1])
    return found


def _row(place: Mapping[tuple[str, str], int], cell: tuple[str, str], others: Iterable) -> np.ndarray:
    row = np.zeros(len(place))
    row[place[cell]] = 1
    for other in others:
        row[place[other]] = -1
    return row


def _kept(name: str, counts: Mapping[str, int], hidden: set[str], threshold: int) -> bool:
    return _wide(possible(name, _shown(counts, hidden)), _least(name, counts), threshold)


def _kept_together(
    counts: Mapping[str, int], hidden: set[str], before: Mapping[str, int | None], threshold: int
) -> bool:
    found = possible_together(_shown(counts, hidden), before)
    if found is None:
        return True
    for name, count in counts.items():
        if 0 < count < threshold:
            left = _small_values(found[NOW, name], threshold)
            if (
                left < min(FEWEST_LEFT, threshold - _least(name, counts))
                or found[NOW, name][0] == found[NOW, name][1]
            ):
                return False
        if before[name] is None:
            # Which of these are small is not known any more; one that no longer can be is none of them.
            left = _small_values(found[BEFORE, name], threshold)
            if 0 < left < min(FEWEST_LEFT, _small_values(possible(name, before), threshold)):
                return False
    return True


def _small_values(ends: tuple[int, float], threshold: int) -> int:
    """How many values below the threshold are possible."""
    return int(max(0, min(ends[1], threshold - 1) - ends[0] + 1))


def _wide(ends: tuple[int, float], least: int, threshold: int) -> bool:
    return ends[0] <= least and ends[1] >= max(threshold - 1, least + 1)


def _shown(counts: Mapping[str, int], hidden: set[str]) -> dict[str, int | None]:
    return {name: None if name in hidden else count for name, count in counts.items()}


def _least(name: str, counts: Mapping[str, int]) -> int:
    """Smallest value a number has for someone who only knows which numbers are 0."""
    return possible(name, {cell: None if count else 0 for cell, count in counts.items()})[0]
