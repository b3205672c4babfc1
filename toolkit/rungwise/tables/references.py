"""Codes that must stand in another table, where that table was recorded."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from rungwise.tables.cells import nearest
from rungwise.tables.draft import Draft
from rungwise.tables.groups import firsts
from rungwise.tables.schema import ForeignKey


def check_references(drafts: Mapping[str, Draft]) -> None:
    """Hold every foreign key of the schemas; rows set aside at home still count as listed there."""
    for draft in drafts.values():
        for key in draft.schema.foreign_keys:
            home = drafts.get(key.table)
            if home is not None and len(draft):
                _hold(draft, key, home)


def _hold(draft: Draft, key: ForeignKey, home: Draft) -> None:
    listed = set(zip(*(home.values[name].tolist() for name in key.reference), strict=True))
    groups = draft.grouped(*key.fields)
    first = firsts(groups)
    entries = list(zip(*(draft.values[name][first].tolist() for name in key.fields), strict=True))
    strange = np.array([_stated(entry) and entry not in listed for entry in entries], dtype=bool)
    if not strange.any():
        return
    # A combination is looked at only where its first part is known; otherwise that is the problem.
    outer = {entry[:-1] for entry in listed}
    for index in np.flatnonzero(draft.sound & strange[groups]).tolist():
        entry = entries[groups[index]]
        if len(key.fields) == 1:
            code = "unknown_child" if key.table == "children" else "unknown_code"
            hint = nearest(str(entry[0]), [str(known[0]) for known in listed if known[0] is not None])
            title = draft.schema.fields[key.fields[0]].title.lower()
            draft.tell(code, index, key.fields[0], hint=hint, home=key.table, title=title, value=entry[0])
        elif entry[:-1] in outer:
            there = sorted(
                known[-1] for known in listed if known[:-1] == entry[:-1] and known[-1] is not None
            )
            name = key.fields[-1]
            code = "unknown_step" if key.table == "ladders" else "unknown_goal"
            shown = ", ".join(f"{step:g}" if isinstance(step, float) else str(step) for step in there)
            draft.tell(code, index, name, owner=" ".join(map(str, entry[:-1])), there=shown)
        elif key.table == "goals":
            owner = " ".join(map(str, entry[:-1]))
            draft.tell("unknown_goal", index, key.fields[-1], owner=owner, there="none")


def _stated(entry: tuple[object, ...]) -> bool:
    """Say whether every part of a combination is given; NaN is not equal to itself."""
    return all(part is not None and part == part for part in entry)
