"""Is the ladder a ladder? Remarks on the order of its steps, from their recorded attributes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.page_numbers import format_number
from rungwise.tables.table import TableSet

if TYPE_CHECKING:
    import pandas as pd

# All orders and thresholds here are common practice, no source.
COMMON = "common practice, no source"
SMALL_BEGINNING_CM = 1.3  # half an inch
# A first rise above this is remarked on (common practice, no source).
FAR_ABOVE_CM = 5.0
# Words of each attribute from easier to harder; a word that is not listed is not judged.
ORDERS: dict[str, tuple[tuple[str, ...], ...]] = {
    "support": (
        ("whole body", "full", "much"),
        ("two hands", "both hands"),
        ("one hand",),
        ("rail", "touch", "light touch"),
        ("none", "no support", "alone"),
    ),
    "direction": (("none", "on the spot"), ("forward", "forwards"), ("backward", "backwards")),
    "step_pattern": (("none",), ("step-to", "step to"), ("reciprocal", "alternating")),
    "vision": (("open", "eyes open"), ("covered", "closed", "eyes closed", "eyes covered")),
    "surface": (("still", "firm", "stable"), ("moving", "unstable")),
}  # fmt: skip
NAMES = {
    "support": "support",
    "direction": "direction",
    "step_pattern": "stepping",
    "vision": "vision",
    "surface": "surface",
    "height_cm": "height",
    "width_cm": "width",
}
USUAL_ORDER = {
    "support": "support before less support",
    "direction": "forward before backward",
    "step_pattern": "step-to before reciprocal stepping",
    "vision": "eyes open before covered",
    "surface": "still before moving",
    "height_cm": "low before high",
    "width_cm": "wide before narrow",
}


@dataclass(frozen=True)
class Remark:
    """Something about one step for the therapist to weigh; never an error.

    Attributes
    ----------
    ladder_id : str
    step : int
        The step the remark is about, compared with the one before.
    kind : str
        ``"easier than before"``, ``"several at once"``, ``"first rise in height"``,
        ``"usual order"`` or ``"not recorded"``.
    remark : str
        One sentence.
    """

    ladder_id: str
    step: int
    kind: str
    remark: str


def review_ladders(tables: TableSet) -> tuple[Remark, ...]:
    """Review the order of every ladder's steps.

    A ladder may break every customary order for a good reason: what is harder depends on the child.
    The remarks say where to look, and an empty list does not say that a ladder suits a child or is
    safe. Words the review does not know are not judged.

    Parameters
    ----------
    tables : TableSet
        With the table ``ladders``.

    Returns
    -------
    tuple of Remark
        In the order of ladders and steps; empty where ladders were not recorded.
    """
    if "ladders" not in tables.tables:
        return ()
    ladders = tables.tables["ladders"]
    remarks: list[Remark] = []
    for ladder in dict.fromkeys(ladders["ladder_id"].tolist()):
        rows = np.flatnonzero(ladders["ladder_id"] == ladder)
        rows = rows[np.argsort(ladders["step"][rows], kind="stable")]
        steps = [{name: ladders[name][row] for name in ladders.columns} for row in rows]
        remarks += review_ladder(ladder, steps)
    return tuple(remarks)


def review_ladder(ladder_id: str, steps: Sequence[Mapping[str, Any]]) -> list[Remark]:
    """Review one ladder.

    Parameters
    ----------
    ladder_id : str
    steps : sequence of mapping
        Attributes of each step as in the table ``ladders``, easiest first; what is missing (None or
        NaN) is not judged.

    Returns
    -------
    list of Remark

    Examples
    --------
    >>> steps = [
    ...     {"step": 1, "height_cm": 0.0, "support": "two hands"},
    ...     {"step": 2, "height_cm": 20.0, "support": "none"},
    ...     {"step": 3, "height_cm": 20.0, "support": "one hand"},
    ... ]
    >>> [(one.step, one.kind) for one in review_ladder("wall", steps)]
    [(2, 'first rise in height'), (2, 'several at once'), (3, 'usual order')]
    """
    remarks: list[Remark] = []
    judged = ("difficulty", "height_cm", "width_cm", *ORDERS)
    known = {name for step in steps for name in judged if not _absent(step.get(name))}
    if len(steps) > 1 and not known - {"difficulty"}:
        words = "No attribute of its steps is recorded, so only their numbers speak for their order."
        return [Remark(ladder_id, int(steps[0]["step"]), "not recorded", words)]
    remarks += _first_rise(ladder_id, steps)
    for before, step in pairwise(steps):
        number = int(step["step"])
        changes = {name: _harder(name, before.get(name), step.get(name)) for name in NAMES}
        up = [name for name, change in changes.items() if change > 0]
        down = [name for name, change in changes.items() if change < 0]
        drop = _difference(before.get("difficulty"), step.get("difficulty"))
        if drop < 0:
            words = (
                f"Judged easier than step {int(before['step'])} (difficulty "
                f"{format_number(float(step['difficulty']))} after "
                f"{format_number(float(before['difficulty']))})."
            )
            remarks.append(Remark(ladder_id, number, "easier than before", words))
        elif down and not up:
            # Nothing recorded became harder, so the step before seems the harder one.
            words = (
                f"Against the usual order ({_listed([USUAL_ORDER[name] for name in down])}): "
                f"{_listed([_change(name, before, step) for name in down])}."
            )
            remarks.append(Remark(ladder_id, number, "usual order", words))
        if len(up) > 1:
            changed = _listed([_change(name, before, step) for name in up])
            words = f"Several things become harder at once: {changed}."
            remarks.append(Remark(ladder_id, number, "several at once", words))
    return sorted(remarks, key=lambda remark: remark.step)


def remarks_frame(remarks: tuple[Remark, ...]) -> pd.DataFrame:
    """Lay remarks out as a table, one row each."""
    import pandas as pd

    return pd.DataFrame(
        [(one.ladder_id, one.step, one.kind, one.remark) for one in remarks],
        columns=["ladder_id", "step", "kind", "remark"],
    )


def _change(name: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> str:
    if name in ORDERS:
        return f"{NAMES[name]} from {before[name]} to {after[name]}"
    old, new = (f"{float(step[name]):g}" for step in (before, after))
    return f"{NAMES[name]} from {old} to {new} cm"


def _first_rise(ladder_id: str, steps: Sequence[Mapping[str, Any]]) -> list[Remark]:
    for before, step in pairwise(steps):
        rise = _difference(before.get("height_cm"), step.get("height_cm"))
        if rise > FAR_ABOVE_CM:
            words = (
                f"The first rise in height is {format_number(rise)} cm; a customary beginning is about "
                f"{format_number(SMALL_BEGINNING_CM)} cm ({COMMON})."
            )
            return [Remark(ladder_id, int(step["step"]), "first rise in height", words)]
        if rise > 0:
            return []
    return []


def _harder(name: str, before: Any, after: Any) -> int:
    """Say whether an attribute became harder (1), easier (-1) or neither (0)."""
    if name == "height_cm":
        return int(np.sign(_difference(before, after)))
    if name == "width_cm":
        return int(-np.sign(_difference(before, after)))
    ranks = [_rank(name, before), _rank(name, after)]
    if None in ranks:
        return 0
    return int(np.sign(ranks[1] - ranks[0]))  # type: ignore[operator]


def _rank(name: str, word: Any) -> int | None:
    if _absent(word):
        return None
    text = " ".join(str(word).casefold().replace("_", " ").split())
    for rank, words in enumerate(ORDERS[name]):
        if text in words:
            return rank
    return None


def _difference(before: Any, after: Any) -> float:
    """Give the change of a number, 0 where one of the two is not recorded."""
    if _absent(before) or _absent(after):
        return 0.0
    return float(after) - float(before)


def _absent(value: Any) -> bool:
    return value is None or (isinstance(value, float) and np.isnan(value))


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
