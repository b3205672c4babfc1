"""What a practice's tables already say about a sheet: child, ladder, steps, probe step, scale."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rungwise.basis.page_numbers import format_number
from rungwise.reports.sheet_page import SheetFacts, Step
from rungwise.series.caseload import Caseload
from rungwise.series.planned import FEAR
from rungwise.tables.practice import Practice
from rungwise.tables.table import Table

_CHILDREN_IN = ("children", "plans", "phases", "observations", "ratings")
_LADDERS_IN = ("plans", "phases", "observations", "ratings")
# What makes a step the same step, with the words round the entry.
_CONDITIONS = {
    "height_cm": "{} cm high", "width_cm": "{} cm wide", "support": "support {}", "position": "{}",
    "direction": "moving {}", "step_pattern": "stepping {}", "vision": "eyes {}", "surface": "surface {}",
}  # fmt: skip
_UNSAID = ("", "none", "none given")


def facts_without_child(
    practice: Practice,
    caseload: Caseload | None = None,
    ladder_id: str | None = None,
    outcome: str = FEAR,
) -> SheetFacts:
    """Give what a sheet for any child says: the practice's scale, and a ladder if one is named.

    Raises
    ------
    ValueError
        If the ladder is not in the table ``ladders``, or the outcome has no scale.
    """
    if outcome not in practice.scales:
        known = ", ".join(map(repr, practice.scales))
        raise ValueError(
            f"outcome must have a scale: {known}, or another declared in practice.toml as "
            f"[scales.{outcome}] with minimum, maximum and better; got {outcome!r}."
        )
    scale = practice.scales[outcome]
    facts = SheetFacts(
        minimum=scale.minimum,
        maximum=scale.maximum,
        primary=f"fear_{practice.primary_rating}",
        label=practice.label if "label" in practice.given else "",
        outcome=outcome,
    )
    if ladder_id is None:
        return facts
    there = _codes(caseload, "ladder_id", ("ladders",))
    if ladder_id not in there:
        raise ValueError(_one_of("ladder_id", ladder_id, there, "the table ladders"))
    return replace(facts, ladder_id=ladder_id, steps=_steps(caseload, ladder_id))


def facts_of(
    caseload: Caseload,
    child_id: str | None,
    ladder_id: str | None = None,
    *,
    probe_step: int | None = None,
    practiced: bool = False,
    outcome: str = FEAR,
) -> SheetFacts:
    """Gather what is recorded about one child's ladder.

    A child needs no rating yet: a line in ``children`` or ``plans`` is enough. What is not recorded
    is left to be filled in.

    Parameters
    ----------
    caseload : Caseload
    child_id : str, optional
        May be left out where there is only one child.
    ladder_id : str, optional
        May be left out where the child has only one.
    probe_step : int, optional
        Default the primary one of the plan.
    practiced : bool
        Whether the sheet is for practice, which ladders kept untrained must not have.
    outcome : str
        What is rated. The scale of fear is the child's own, from the plan; that of another outcome is
        the practice's.

    Raises
    ------
    ValueError
        If the child, the ladder or the probe step is not there or must be named, or the ladder is not
        to be practiced.
    """
    child_id = _only("child_id", child_id, _codes(caseload, "child_id", _CHILDREN_IN), "the tables")
    plans = caseload.tables.get("plans")
    plan = None if plans is None else plans.where(plans["child_id"] == child_id)
    kept = set() if plan is None or not practiced else set(plan["ladder_id"][plan["trained"] == False])  # noqa: E712
    if ladder_id in kept:
        raise ValueError(
            f"ladder_id {ladder_id!r} is kept untrained in the plan of {child_id}, so it has no practice "
            "sheet; print a probe or an approach sheet."
        )
    theirs = _codes(caseload, "ladder_id", _LADDERS_IN, child_id)
    if not theirs:
        theirs = _codes(caseload, "ladder_id", ("ladders",))
        theirs = theirs if len(theirs) == 1 or ladder_id is not None else ()
    theirs = tuple(ladder for ladder in theirs if ladder not in kept)
    ladder = _only("ladder_id", ladder_id, theirs, child_id) if theirs or ladder_id else ""
    facts = facts_without_child(caseload.practice, outcome=outcome)
    facts = replace(facts, child_id=child_id, ladder_id=ladder, steps=_steps(caseload, ladder))
    return _planned(facts, plan, probe_step)


def _planned(facts: SheetFacts, plan: Table | None, probe_step: int | None) -> SheetFacts:
    rows = None if plan is None else plan.where(plan["ladder_id"] == facts.ladder_id)
    if rows is None or not len(rows):
        known = {step.number for step in facts.steps}
        if probe_step is not None and known and probe_step not in known:
            raise ValueError(_one_of("probe_step", probe_step, sorted(known), facts.ladder_id))
        return replace(facts, probe_step=probe_step)
    steps = rows["probe_step"].astype(int).tolist()
    if probe_step is not None and probe_step not in steps:
        raise ValueError(_one_of("probe_step", probe_step, steps, f"the plan of {facts.child_id}"))
    first = np.flatnonzero(rows["primary"] != False)  # noqa: E712
    at = steps.index(probe_step) if probe_step is not None else int(first[0]) if len(first) else 0
    if facts.outcome == FEAR:
        low, high = (float(rows[name][at]) for name in ("fear_minimum", "fear_maximum"))
        facts = replace(facts, minimum=low, maximum=high)
    return replace(
        facts,
        probe_step=steps[at],
        usual_rater=rows["usual_rater"][at] or "",
        usual_setting=rows["usual_setting"][at] or "",
    )


def _steps(caseload: Caseload | None, ladder_id: str) -> tuple[Step, ...]:
    ladders = None if caseload is None else caseload.tables.get("ladders")
    if ladders is None:
        return ()
    rows = ladders.where(ladders["ladder_id"] == ladder_id)
    return tuple(
        Step(
            int(rows["step"][at]),
            rows["activity"][at] or "",
            "" if np.isnan(rows["height_cm"][at]) else f"{_number(rows['height_cm'][at])} cm",
            _conditions(rows, at),
        )
        for at in np.argsort(rows["step"], kind="stable").tolist()
    )


def _conditions(rows: Table, at: int) -> str:
    said = []
    for column, words in _CONDITIONS.items():
        value = rows[column][at]
        if value is None or value != value or value in _UNSAID:
            continue
        said.append(words.format(value if isinstance(value, str) else _number(value)))
    return ", ".join(said)


def _number(value: float) -> str:
    return format_number(value, 0 if float(value).is_integer() else 1)


def _codes(
    caseload: Caseload | None, column: str, tables: tuple[str, ...], child_id: str | None = None
) -> tuple[str, ...]:
    """Give the codes that stand in a column of several tables, of one child or of all."""
    found: set[str] = set()
    for name in tables:
        table = None if caseload is None else caseload.tables.get(name)
        if table is None:
            continue
        rows = table if child_id is None else table.where(table["child_id"] == child_id)
        found.update(code for code in rows[column].tolist() if code)
    return tuple(sorted(found))


def _only(argument: str, value: str | None, there: tuple[str, ...], where: str) -> str:
    if value is None and len(there) == 1:
        return there[0]
    if value is None:
        raise ValueError(f"{argument} must be given: one of {_listed(there)}.")
    if value not in there:
        raise ValueError(_one_of(argument, value, there, where))
    return value


def _one_of(argument: str, value: object, there: tuple[str, ...] | list[int], where: str) -> str:
    return f"{argument} must be one of those of {where}: {_listed(there)}; got {value!r}."


def _listed(there: tuple[str, ...] | list[int], most: int = 12) -> str:
    shown = ", ".join(repr(code) for code in there[:most])
    more = f" and {len(there) - most} more" if len(there) > most else ""
    return (shown + more) or "none"
