"""A study's files as if all had gone by the plan: to try the analysis before the first child begins."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np

from rungwise.series.caseload import read_frames
from rungwise.study.data import Study, study_of
from rungwise.study.plan import StudyCase, StudyPlan
from rungwise.study.scenario import Scenario
from rungwise.study.schedule import Schedule, draw_schedule, plan_rows

Rows = list[dict[str, Any]]


def rehearse(schedule: Schedule, scenario: Scenario, rng: np.random.Generator) -> dict[str, Rows]:
    """Simulate the tables of a study that follows its schedule.

    Every rating is invented by the simulation. Whoever analyzes them finds gaps in the plan while they
    can still be mended.

    Parameters
    ----------
    schedule : Schedule
    scenario : Scenario
    rng : numpy.random.Generator

    Returns
    -------
    dict of str to list of dict
        Rows of ``children, ladders, plans, phases, observations, incidents, fidelity, sessions,
        agreement``.
    """
    plan = schedule.plan
    tables: dict[str, Rows] = {
        "children": [
            {"child_id": child, "research_consent": True}
            for child in dict.fromkeys(case.child_id for case in plan.cases)
        ],
        "ladders": _ladder_rows(plan),
        "plans": plan_rows(plan),
        "phases": schedule.phase_rows(),
        "observations": [],
        "agreement": [],
        "sessions": [],
        "fidelity": [],
        "incidents": [],
    }
    contacts: set[tuple[str, Any]] = set()
    for number, (case, start) in enumerate(zip(plan.cases, schedule.starts, strict=True)):
        simulated = scenario.simulate(rng, 1, start - 1, plan.occasions - start + 1)
        for place in range(plan.occasions):
            day = plan.day(place + 1)
            if simulated.missed[0, place]:
                continue
            declined = bool(simulated.declined[0, place])
            probe = {
                "child_id": case.child_id, "ladder_id": case.ladder_id, "date": day, "trial": 1 + number,
                "kind": "probe", "step": case.probe_step,
                "outcome": "declined" if declined else "completed",
                "fear_peak": None if declined else float(simulated.values[0, place]),
                "rated_by": case.usual_rater or "child", "rater_id": "R1",
            }  # fmt: skip
            tables["observations"].append(probe)
            if place % 3 == 0:
                keys = ("child_id", "ladder_id", "date", "trial", "kind", "step", "outcome")
                tables["agreement"].append({key: probe[key] for key in keys} | {"rater_id": "R2"})
            if (case.child_id, day) in contacts:
                continue
            contacts.add((case.child_id, day))
            tables["sessions"].append({"child_id": case.child_id, "date": day, "attended": "yes"})
            if place % 4 == 0:
                done = int(rng.integers(9, 11))
                tables["fidelity"].append(
                    {"child_id": case.child_id, "date": day, "steps_planned": 10, "steps_done": done,
                     "rater_id": "R2"}
                )  # fmt: skip
            if place >= start and rng.random() < 0.03:
                tables["incidents"].append(
                    {"child_id": case.child_id, "date": day, "kind": "distress", "severity": "minor",
                     "ladder_id": case.ladder_id, "step": case.probe_step,
                     "action": "stopped and rested"}
                )  # fmt: skip
    return {name: rows for name, rows in tables.items() if rows}


def rehearsed_study(schedule: Schedule, scenario: Scenario, rng: np.random.Generator) -> Study:
    """Simulate a study and gather it as `study_of` does, without files.

    Parameters
    ----------
    schedule : Schedule
    scenario : Scenario
    rng : numpy.random.Generator

    Returns
    -------
    Study
        Every rating in it is invented.
    """
    import pandas as pd

    plan = schedule.plan
    frames = {name: pd.DataFrame(rows) for name, rows in rehearse(schedule, scenario, rng).items()}
    return study_of(read_frames(frames, today=plan.day(plan.occasions)), plan=plan)


def invented_study(seed: int = 3) -> Study:
    """Give a small invented study, to try what takes one: three children, 18 weeks, a large effect.

    Examples
    --------
    >>> study = invented_study()
    >>> [one.start for one in study.cases], study.plan.n_assignments
    ([13, 6, 9], 48)
    """
    cases = tuple(StudyCase(code, "net", 3) for code in ("C1", "C2", "C3"))
    windows = ((5, 6), (9, 10), (13, 14))
    plan = StudyPlan(
        "MB1", "multiple_baseline", cases, date(2026, 3, 2), 7, 18, windows, True, (), 4,
        "tau", "improvement", 0.05,
    )  # fmt: skip
    rng = np.random.default_rng(seed)
    return rehearsed_study(draw_schedule(plan, seed), Scenario(level_change=-5), rng)


def _ladder_rows(plan: StudyPlan) -> Rows:
    highest: dict[str, int] = {}
    for case in plan.cases:
        highest[case.ladder_id] = max(highest.get(case.ladder_id, 0), case.probe_step + 1)
    return [
        {"ladder_id": ladder, "step": step, "activity": f"{ladder}, step {step} (rehearsal)"}
        for ladder, steps in highest.items()
        for step in range(1, steps + 1)
    ]
