"""Is the ladder a ladder? Remarks on the order of its steps, from their recorded attributes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.page_numbers import format_number
from rungwise.tables.table import TableSet

if TYPE_CHECKING:
    import pandas as pd

# All orders and thresholds here are common practice, no source.
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
# What a remark says; pages in other languages bring their own.
WORDS = {
    "name.support": "support",
    "name.direction": "direction",
    "name.step_pattern": "stepping",
    "name.vision": "vision",
    "name.surface": "surface",
    "name.height_cm": "height",
    "name.width_cm": "width",
    "order.support": "support before less support",
    "order.direction": "forward before backward",
    "order.step_pattern": "step-to before reciprocal stepping",
    "order.vision": "eyes open before covered",
    "order.surface": "still before moving",
    "order.height_cm": "low before high",
    "order.width_cm": "wide before narrow",
    "change": "{name} from {old} to {new}",
    "change.cm": "{name} from {old} to {new} cm",
    "and": "and",
    "easier than before": "Judged easier than step {step} (difficulty {new} after {old}).",
    "several at once": "Several things become harder at once: {changes}.",
    "first rise in height": "The first rise in height is {new} cm; a customary beginning is about {small} "
    "cm (common practice, no source).",
    "usual order": "Against the usual order ({orders}): {changes}.",
    "not recorded": "No attribute of its steps is recorded, so only their numbers speak for their order.",
}
_JUDGED = tuple(key.removeprefix("name.") for key in WORDS if key.startswith("name."))


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
    changes : tuple of (str, str, str)
        What the remark is about: attribute, at the step before, at this step.
    before : int
        The step before; 0 where the remark is about the whole ladder.
    """

    ladder_id: str
    step: int
    kind: str
    changes: tuple[tuple[str, str, str], ...] = ()
    before: int = 0

    @property
    def remark(self) -> str:
        """The remark in one English sentence."""
        return remark_sentence(self)


def remark_sentence(
    remark: Remark, words: Mapping[str, str] = WORDS, value: Callable[[str], str] = str
) -> str:
    """Write a remark in one sentence.

    Parameters
    ----------
    remark : Remark
    words : mapping
        Words of the language, by the keys of `WORDS`.
    value : callable
        Puts a recorded word such as ``"two hands"`` into the language.

    Examples
    --------
    >>> remark_sentence(Remark("wall", 3, "usual order", (("support", "none", "one hand"),), 2))
    'Against the usual order (support before less support): support from none to one hand.'
    """

    def listed(parts: list[str]) -> str:
        return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} {words['and']} {parts[-1]}"

    if not remark.changes:
        return words[remark.kind]
    names = [name for name, *_ in remark.changes]
    _, old, new = remark.changes[0]
    if remark.kind in ("easier than before", "first rise in height"):
        small = format_number(SMALL_BEGINNING_CM)
        return words[remark.kind].format(step=remark.before, old=old, new=new, small=small)
    changes = [
        words["change.cm" if name.endswith("_cm") else "change"].format(
            name=words[f"name.{name}"], old=value(old), new=value(new)
        )
        for name, old, new in remark.changes
    ]
    orders = listed([words[f"order.{name}"] for name in names])
    return words[remark.kind].format(changes=listed(changes), orders=orders)


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
        return [Remark(ladder_id, int(steps[0]["step"]), "not recorded")]
    remarks += _first_rise(ladder_id, steps)
    for before, step in pairwise(steps):
        numbers = int(step["step"]), int(before["step"])
        changes = {name: _harder(name, before.get(name), step.get(name)) for name in _JUDGED}
        up = [name for name, change in changes.items() if change > 0]
        down = [name for name, change in changes.items() if change < 0]

        def remark(kind: str, names: list[str]) -> Remark:
            told = tuple((name, _shown(before[name]), _shown(step[name])) for name in names)  # noqa: B023
            return Remark(ladder_id, numbers[0], kind, told, numbers[1])  # noqa: B023

        if _difference(before.get("difficulty"), step.get("difficulty")) < 0:
            old, new = (format_number(float(one["difficulty"])) for one in (before, step))
            told = (("difficulty", old, new),)
            remarks.append(Remark(ladder_id, numbers[0], "easier than before", told, numbers[1]))
        elif down and not up:
            # Nothing recorded became harder, so the step before seems the harder one.
            remarks.append(remark("usual order", down))
        if len(up) - _sets_off(before, up) > 1:
            remarks.append(remark("several at once", up))
    return sorted(remarks, key=lambda remark: remark.step)


def remarks_frame(remarks: tuple[Remark, ...]) -> pd.DataFrame:
    """Lay remarks out as a table, one row each."""
    import pandas as pd

    return pd.DataFrame(
        [(one.ladder_id, one.step, one.kind, one.remark) for one in remarks],
        columns=["ladder_id", "step", "kind", "remark"],
    )


def _sets_off(before: Mapping[str, Any], up: list[str]) -> bool:
    """Tell whether the child moves off from the spot: a direction and a way of stepping, one thing."""
    both = ("direction", "step_pattern")
    return all(name in up and _rank(name, before[name]) == 0 for name in both)


def _shown(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _first_rise(ladder_id: str, steps: Sequence[Mapping[str, Any]]) -> list[Remark]:
    for before, step in pairwise(steps):
        rise = _difference(before.get("height_cm"), step.get("height_cm"))
        if rise > FAR_ABOVE_CM:
            told = (("height_cm", "", _shown(float(rise))),)
            return [Remark(ladder_id, int(step["step"]), "first rise in height", told, int(before["step"]))]
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
