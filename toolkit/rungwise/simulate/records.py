"""What a thorough practice records beside the visits: plans, sessions, scores, goals, second observers."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.simulate.local_ladders import LADDERS, LocalLadder
from rungwise.simulate.trials import UNTRAINED_EVERY, Visits

if TYPE_CHECKING:
    from rungwise.simulate.practice import SimulatedChild

Row = dict[str, Any]

DESIGN = "MB1"
DESIGN_TIERS = 4

MEASURES: tuple[Row, ...] = (
    {
        "measure_id": "MOVEFEAR", "title": "Movement fear questionnaire (invented)", "better": "lower",
        "minimum": 0, "maximum": 60, "score_kind": "raw", "reliability": 0.86,
        "reliability_kind": "test_retest", "retest_days": 14, "clinical_mean": 38, "clinical_sd": 9,
        "functional_mean": 15, "functional_sd": 8, "practice_effect": None,
        "source": "invented for the demo, no source",
    },
    {
        "measure_id": "DAYOUT", "title": "Day out participation scale (invented)", "better": "higher",
        "minimum": 20, "maximum": 80, "score_kind": "age_standardized", "reliability": 0.9,
        "reliability_kind": "internal_consistency", "retest_days": None, "clinical_mean": 38,
        "clinical_sd": 8, "functional_mean": 50, "functional_sd": 10, "practice_effect": 0.8,
        "source": "invented for the demo, no source",
    },
)  # fmt: skip

ACTIONS: tuple[tuple[int, str, str, int, int | None], ...] = (
    (-2, "Probe every child before practice, not after it", "practice lead", 60, 41),
    (-2, "Order a second mat for the rope net", "site lead, Headland", 45, 58),
    (-1, "Plan at least five baseline occasions before exposure starts", "practice lead", 30, 25),
    (-1, "Second observer for one visit in five", "practice lead", 60, None),
    (-1, "Write visits down on the same day", "every therapist", 30, None),
)


def ladder_rows() -> list[Row]:
    """Give the ``ladders`` table."""
    return [
        {
            "ladder_id": ladder.ladder_id,
            "step": number,
            "activity": step.activity,
            "difficulty": round(1 + step.difficulty, 2),
            "height_cm": step.height_cm,
            "width_cm": step.width_cm,
            "support": step.support,
            "position": step.position,
            "direction": step.direction,
            "step_pattern": step.step_pattern,
            "vision": step.vision,
            "surface": step.surface,
        }
        for ladder in LADDERS
        for number, step in enumerate(ladder.steps, start=1)
    ]


def plan_rows(kids: Sequence[SimulatedChild]) -> list[Row]:
    """Give the ``plans`` table.

    A few consenting children whose exposure starts in the spring, each at least a week after the one
    before, form a staggered design with starts drawn at random from a window of five weeks; all other
    starts were set clinically.
    """
    drawn = _staggered(kids)
    rows = []
    for kid in kids:
        code = kid.record["child_id"]
        for tier, program in enumerate(kid.programs, start=1):
            row = _plan(kid, program.ladder)
            start = program.starts.get("exposure")
            if len(kid.programs) > 1:
                row["tier"] = tier
            if code in drawn and start is not None:
                row |= {
                    "design_id": DESIGN,
                    "tier": drawn.index(code) + 1,
                    "assignment": "random",
                    "window_opens": start - timedelta(weeks=2),
                    "window_closes": start + timedelta(weeks=2),
                }
            rows.append(row)
        if kid.untrained is not None:
            rows.append(
                _plan(kid, kid.untrained)
                | {"trained": False, "planned_per_week": kid.per_week / UNTRAINED_EVERY}
            )
    return rows


def _plan(kid: SimulatedChild, ladder: LocalLadder) -> Row:
    return {
        "child_id": kid.record["child_id"],
        "ladder_id": ladder.ladder_id,
        "probe_step": ladder.probe_step,
        "primary": True,
        "trained": True,
        "planned_per_week": kid.per_week,
        "fear_minimum": 0,
        "fear_maximum": 10,
        "usual_rater": kid.rated_by,
        "usual_setting": kid.record["site"].lower(),
        "design_id": None,
        "tier": None,
        "assignment": "clinical",
        "window_opens": None,
        "window_closes": None,
    }


def _staggered(kids: Sequence[SimulatedChild]) -> list[str]:
    """Give the codes of the children of the staggered design in the order of their starts."""
    starts = sorted(
        (kid.programs[0].starts["exposure"], kid.record["child_id"])
        for kid in kids
        if kid.window == "spring"
        and kid.record["research_consent"]
        and kid.per_week == 1
        and len(kid.programs) == 1
        and kid.untrained is None
    )
    drawn: list[str] = []
    latest = date.min
    for start, code in starts:
        if len(drawn) < DESIGN_TIERS and (not drawn or start >= latest + timedelta(weeks=1)):
            drawn.append(code)
            latest = start
    return drawn


def session_rows(kid: SimulatedChild, visits: Visits, rng: np.random.Generator) -> list[Row]:
    """Give the planned contacts of one child, kept or not."""
    planned: dict[date, bool] = {}
    for program in kid.programs:
        for day, missed in zip(program.days, program.missed, strict=True):
            planned[day] = planned.get(day, False) or not missed
    rows = []
    for day in sorted(planned):
        attended = "yes"
        if not planned[day]:
            attended = str(rng.choice(("cancelled", "missed", "yes"), p=(0.5, 0.3, 0.2)))
        rows.append(
            {
                "child_id": kid.record["child_id"],
                "date": day,
                "setting": kid.record["site"].lower(),
                "attended": attended,
                "exposure_minutes": round(visits.minutes.get(day, 0.0)) if attended == "yes" else None,
            }
        )
    return rows


def fidelity_rows(kid: SimulatedChild, visits: Visits, rng: np.random.Generator) -> list[Row]:
    """Give procedure checklists for about one practice visit in five."""
    rows = []
    for day in sorted(visits.minutes):
        if rng.random() < 0.2:
            planned = int(rng.integers(8, 13))
            done = planned - int(rng.binomial(planned, 0.08))
            rows.append(
                {
                    "child_id": kid.record["child_id"],
                    "date": day,
                    "steps_planned": planned,
                    "steps_done": done,
                    "rater_id": "R2",
                }
            )
    return rows


def agreement_rows(visits: Visits, rng: np.random.Generator) -> list[Row]:
    """Give a second observer's view of the trials of about one day in six."""
    rows = []
    watched: dict[date, bool] = {}
    for row in visits.observations:
        if not watched.setdefault(row["date"], bool(rng.random() < 0.16)):
            continue
        outcome = row["outcome"]
        if rng.random() < 0.06:
            outcome = "partial" if outcome != "partial" else "completed"
        peak = None
        if row["rated_by"] == "observer" and row["fear_peak"] is not None and outcome != "declined":
            peak = int(
                np.clip(row["fear_peak"] + rng.choice((-2, -1, 0, 1), p=(0.05, 0.2, 0.6, 0.15)), 0, 10)
            )
        rows.append(
            {
                "child_id": row["child_id"],
                "ladder_id": row["ladder_id"],
                "date": row["date"],
                "trial": row["trial"],
                "kind": row["kind"],
                "step": row["step"],
                "rater_id": "R2",
                "outcome": outcome,
                "fear_peak": peak,
            }
        )
    return rows


def assessment_rows(kid: SimulatedChild, rng: np.random.Generator, recorded_until: date) -> list[Row]:
    """Give scores at intake and, where the child stayed long enough, at review and discharge."""
    eased = _eased(kid)
    rows = []
    for measure in MEASURES:
        lower = measure["better"] == "lower"
        sd = measure["clinical_sd"]
        level = rng.normal(measure["clinical_mean"], 0.8 * sd)
        error = sd * np.sqrt(1 - measure["reliability"])
        for occasion, day, share in _assessment_days(kid, recorded_until):
            if occasion != "intake" and rng.random() < 0.12:
                continue
            change = share * eased * 0.3 * sd * (-1 if lower else 1)
            score = np.rint(level + change + rng.normal(0, error))
            rows.append(
                {
                    "child_id": kid.record["child_id"],
                    "measure_id": measure["measure_id"],
                    "date": day,
                    "occasion": occasion,
                    "score": int(np.clip(score, measure["minimum"], measure["maximum"])),
                    "rated_by": "parent",
                }
            )
    return rows


def goal_rows(
    kid: SimulatedChild, rng: np.random.Generator, recorded_until: date
) -> tuple[list[Row], list[Row]]:
    """Give the goals of one child and their attainment."""
    eased = _eased(kid)
    goals, attained = [], []
    for number in range(1, int(rng.integers(1, 4)) + 1):
        goal = {
            "child_id": kid.record["child_id"],
            "goal_id": f"G{number}",
            "set_on": kid.record["entered_on"],
            "weight": int(rng.integers(1, 4)),
            "start_level": -2,
        }
        goals.append(goal)
        for occasion, day, share in _assessment_days(kid, recorded_until):
            if occasion != "intake":
                level = -2 + 0.65 * share * eased + rng.normal(0, 0.6)
                attained.append(
                    {
                        "child_id": goal["child_id"],
                        "goal_id": goal["goal_id"],
                        "date": day,
                        "level": int(np.clip(np.rint(level), -2, 2)),
                    }
                )
    return goals, attained


def action_rows(quarter_ends: date) -> list[Row]:
    """Give the actions raised by the two audits before the audited quarter."""
    rows = []
    for back, action, role, due, done in ACTIONS:
        quarter = quarter_ends.year * 4 + (quarter_ends.month - 1) // 3 + back
        raised = quarter_ends + timedelta(days=91 * back + 30)
        rows.append(
            {
                "raised_in": f"{quarter // 4}Q{quarter % 4 + 1}",
                "action": action,
                "owner_role": role,
                "due_on": raised + timedelta(days=due),
                "done_on": None if done is None else raised + timedelta(days=done),
                "note": None,
            }
        )
    return rows


def _eased(kid: SimulatedChild) -> float:
    """Points by which latent fear came down from the first to the last recorded probe."""
    program = kid.programs[0]
    few = min(3, len(program.latent))
    return float(np.mean(program.latent[:few]) - np.mean(program.latent[-few:]))


def _assessment_days(kid: SimulatedChild, recorded_until: date) -> list[tuple[str, date, float]]:
    days = [("intake", kid.record["entered_on"], 0.0)]
    start = kid.programs[0].starts.get("exposure")
    ended = kid.record["ended_on"]
    if start is not None:
        review = start + timedelta(weeks=6)
        if review <= min(recorded_until, ended or recorded_until):
            days.append(("review", review, 0.6))
    if ended is not None:
        days.append(("discharge", ended, 1.0))
    return days
