"""What happens on each visit: probes, approach trials and practice that follows the ratings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.simulate.local_ladders import LocalLadder
from rungwise.simulate.ratings import rate_latent

if TYPE_CHECKING:
    from rungwise.simulate.practice import Program, SimulatedChild

Row = dict[str, Any]

# Step up after two trials in a row with a peak of at most this; step back after a decline.
STEP_UP_AT = 3
# Points of fear that one point of a ladder's difficulty is worth.
PER_DIFFICULTY = 0.9
TRIAL_SD = 0.7
UNTRAINED_EVERY = 4
NOTES = ("windy", "busy hour", "slept badly", "new helper", "wet underfoot", "asked to go again")
INCIDENTS = ("near_fall", "distress", "dizziness", "nausea", "fall")
INCIDENT_SHARES = (0.35, 0.3, 0.15, 0.12, 0.08)
FOLLOWED_BY = {
    "near_fall": "went back one step",
    "distress": "stopped, calm end agreed with the family",
    "dizziness": "stopped, sat down, seen by the therapist",
    "nausea": "stopped, family told",
    "fall": "stopped, checked over, mat added",
}


@dataclass(frozen=True)
class PracticeRule:
    """How practice follows the ratings, and ratings practice.

    Attributes
    ----------
    rating_at_most : float
        A trial rated higher than this breaks the run that leads upward.
    in_a_row : int
        Trials, or visits, in a row that lead one step up.
    by_visit : bool
        Whole visits are counted, in which every trial was completed and none rated higher, and the step
        changes between visits only; a decline leads back a step at the next visit.
    eased : bool
        Whatever the ratings, practice begins above the probe step and is led back to easier and easier
        steps, one step every third visit.
    calming : float
        Points by which fear falls from one trial of a visit to the next; it is back the next time.
    approach_every : int
        Every which exposure visit is an approach occasion.
    approach_baseline : int or None
        Every which baseline visit is one; None: only the first and the last.
    """

    rating_at_most: float = STEP_UP_AT
    in_a_row: int = 2
    by_visit: bool = False
    eased: bool = False
    calming: float = 0.4
    approach_every: int = 4
    approach_baseline: int | None = None


@dataclass
class Visits:
    """Rows that the visits of one child leave behind.

    Attributes
    ----------
    observations, incidents : list of dict
    minutes : dict
        Minutes of practice by day.
    """

    observations: list[Row] = field(default_factory=list)
    incidents: list[Row] = field(default_factory=list)
    minutes: dict[date, float] = field(default_factory=dict)


def visit_rows(
    kid: SimulatedChild,
    rng: np.random.Generator,
    recorded_until: date,
    rule: PracticeRule = PracticeRule(),
) -> Visits:
    """Simulate every recorded visit of one child.

    Fear at another step differs from the probe step's by the difference in difficulty; within a visit
    it falls from trial to trial. The child moves up because ratings were low and back after a decline,
    so practice ratings say little about the course of fear: that is what they are simulated for.

    Parameters
    ----------
    kid : SimulatedChild
    rng : numpy.random.Generator
    recorded_until : date
        Nothing is written down after this day.
    rule : PracticeRule
        How practice follows the ratings.
    """
    visits = Visits()
    *on_programs, on_untrained = rng.spawn(len(kid.programs) + 1)
    for program, own in zip(kid.programs, on_programs, strict=True):
        _program_visits(own, kid, program, recorded_until, visits, rule)
    if kid.untrained is not None:
        visits.observations += _untrained_probes(
            on_untrained, kid, kid.programs[0], kid.untrained, recorded_until
        )
    visits.observations.sort(key=lambda row: (row["date"], row["ladder_id"], row["trial"]))
    visits.incidents.sort(key=lambda row: row["date"])
    return visits


def _program_visits(
    rng: np.random.Generator,
    kid: SimulatedChild,
    program: Program,
    recorded_until: date,
    visits: Visits,
    rule: PracticeRule,
) -> None:
    offsets = _offsets(program.ladder)
    first_exposure = program.phases.index("exposure") if "exposure" in program.phases else len(program.days)
    # Practice begins at the highest step that is expected to be easy.
    expected = program.truth["start"] + program.truth["level_change"] + offsets
    state = _Practice(step=max(1, int(np.sum(expected <= rule.rating_at_most))))
    for place, (day, phase) in enumerate(zip(program.days, program.phases, strict=True)):
        if program.missed[place]:
            continue
        common = _common(rng, kid, program.ladder.ladder_id, day, phase, recorded_until)
        latent = float(program.latent[place])
        rows = [_probe(rng, program, place, common)]
        turn = place - first_exposure
        if _approach_today(rule, place, first_exposure, phase):
            rows += _approach(rng, program.ladder, latent + offsets, common)
        if phase == "exposure":
            if rule.eased:
                above = min(program.ladder.probe_step + 1, len(program.ladder.steps))
                state = _Practice(step=max(1, above - turn // 3))
            practiced = _practice(rng, program.ladder, latent + offsets, common, state, rule)
            rows += practiced
            spent = sum(row["minutes"] for row in practiced)
            visits.minutes[day] = visits.minutes.get(day, 0.0) + spent
            incident = _incident(rng, practiced, common)
            if incident is not None:
                visits.incidents.append(incident)
        for number, row in enumerate(rows, start=1):
            row["trial"] = number
        visits.observations += rows


def _approach_today(rule: PracticeRule, place: int, first_exposure: int, phase: str) -> bool:
    if phase == "exposure":
        return (place - first_exposure) % rule.approach_every == rule.approach_every - 1
    if rule.approach_baseline is None:
        return place in (0, first_exposure - 1)
    return phase == "baseline" and place % rule.approach_baseline == 0


def _untrained_probes(
    rng: np.random.Generator,
    kid: SimulatedChild,
    program: Program,
    ladder: LocalLadder,
    recorded_until: date,
) -> list[Row]:
    """Probe an untrained ladder now and then; part of what happened to fear carries over."""
    carried = float(rng.uniform(0.2, 0.6))
    rows = []
    for place in range(0, len(program.days), UNTRAINED_EVERY):
        if program.missed[place]:
            continue
        common = _common(
            rng, kid, ladder.ladder_id, program.days[place], program.phases[place], recorded_until
        )
        changed = float(program.latent[place]) - program.truth["start"]
        latent = program.truth["start"] + carried * changed
        row = _offer(rng, ladder, common, "probe", ladder.probe_step, latent)
        rows.append({**row, "trial": 1})
    return rows


@dataclass
class _Practice:
    """Where the child stands on the ladder, and how many easy trials or visits in a row led there."""

    step: int
    easy: int = 0


def _offsets(ladder: LocalLadder) -> np.ndarray:
    difficulty = np.array([step.difficulty for step in ladder.steps])
    return PER_DIFFICULTY * (difficulty - difficulty[ladder.probe_step - 1])


def _common(
    rng: np.random.Generator,
    kid: SimulatedChild,
    ladder_id: str,
    day: date,
    phase: str,
    recorded_until: date,
) -> Row:
    place = kid.record["site"].lower()
    if phase == "exposure" and rng.random() < 0.12:
        place = "home"
    late = rng.random()
    delay = 0 if late < 0.82 else int(rng.integers(1, 5)) if late < 0.97 else int(rng.integers(14, 35))
    written = min(day + timedelta(days=delay), recorded_until)
    return {
        "child_id": kid.record["child_id"],
        "ladder_id": ladder_id,
        "date": day,
        "setting": place,
        "rated_by": kid.rated_by,
        "rater_id": "R1" if kid.rated_by == "observer" else None,
        "recorded_on": written,
        "note": str(rng.choice(NOTES)) if rng.random() < 0.04 else None,
    }


def _row(
    common: Mapping[str, Any],
    ladder: LocalLadder,
    kind: str,
    step: int,
    outcome: str,
    before: int | None,
    peak: int | None,
    end: int | None,
    minutes: float,
    repetitions: int,
) -> Row:
    return {
        "child_id": common["child_id"],
        "ladder_id": common["ladder_id"],
        "date": common["date"],
        "trial": 0,
        "kind": kind,
        "step": step,
        "outcome": outcome,
        "fear_before": before,
        "fear_peak": peak,
        "fear_end": end,
        "setting": common["setting"],
        "support": ladder.steps[step - 1].support,
        "minutes": minutes,
        "repetitions": repetitions,
        "rated_by": common["rated_by"],
        "rater_id": common["rater_id"],
        "recorded_on": common["recorded_on"],
        "note": common["note"] if kind == "probe" else None,
    }


def _probe(rng: np.random.Generator, program: Program, place: int, common: Row) -> Row:
    """Write the planned rating down as a trial; its peak is the rating of the ``ratings`` table."""
    latent = float(program.latent[place])
    step = program.ladder.probe_step
    if program.declined[place]:
        before = _before(rng, latent) if rng.random() < 0.8 else None
        return _row(common, program.ladder, "probe", step, "declined", before, None, None, 0.5, 0)
    peak = int(program.values[place])
    return _attempt(rng, program.ladder, common, "probe", step, latent, peak)


def _attempt(
    rng: np.random.Generator,
    ladder: LocalLadder,
    common: Row,
    kind: str,
    step: int,
    latent: float,
    peak: int,
) -> Row:
    partly = rng.random() < (0.3 if peak >= 8 else 0.04)
    end = max(0, peak - int(rng.integers(0, 4)))
    return _row(
        common,
        ladder,
        kind,
        step,
        "partial" if partly else "completed",
        min(_before(rng, latent), 10),
        peak,
        end,
        round(float(rng.uniform(1, 6)), 1),
        1 if kind != "practice" else int(rng.integers(1, 4)),
    )


def _before(rng: np.random.Generator, latent: float) -> int:
    return int(np.clip(np.rint(latent + rng.normal(0.2, 0.6)), 0, 10))


def _offer(
    rng: np.random.Generator,
    ladder: LocalLadder,
    common: Row,
    kind: str,
    step: int,
    latent: float,
) -> Row:
    felt = latent + TRIAL_SD * rng.standard_normal()
    values, declined = rate_latent(rng, np.array([felt]))
    if declined[0]:
        before = _before(rng, felt) if rng.random() < 0.8 else None
        return _row(common, ladder, kind, step, "declined", before, None, None, 0.5, 0)
    return _attempt(rng, ladder, common, kind, step, felt, int(values[0]))


def _approach(rng: np.random.Generator, ladder: LocalLadder, latent: np.ndarray, common: Row) -> list[Row]:
    """Offer steps upward from the first until one is declined."""
    rows = []
    for step in range(1, len(ladder.steps) + 1):
        rows.append(_offer(rng, ladder, common, "approach", step, latent[step - 1]))
        if rows[-1]["outcome"] == "declined":
            break
    return rows


def _practice(
    rng: np.random.Generator,
    ladder: LocalLadder,
    latent: np.ndarray,
    common: Row,
    state: _Practice,
    rule: PracticeRule,
) -> list[Row]:
    rows = []
    for turn in range(int(rng.integers(2, 5))):
        row = _offer(
            rng, ladder, common, "practice", state.step, latent[state.step - 1] - rule.calming * turn
        )
        rows.append(row)
        if not rule.eased and not rule.by_visit:
            _move(state, rows[-1:], ladder, rule)
    if rule.by_visit and not rule.eased:
        _move(state, rows, ladder, rule)
    return rows


def _move(state: _Practice, rows: list[Row], ladder: LocalLadder, rule: PracticeRule) -> None:
    """Step back after a decline, up after so many easy trials or visits in a row, or stay."""
    if any(row["outcome"] == "declined" for row in rows):
        state.step, state.easy = max(1, state.step - 1), 0
        return
    easy = all(
        row["fear_peak"] <= rule.rating_at_most and (row["outcome"] == "completed" or not rule.by_visit)
        for row in rows
    )
    state.easy = state.easy + 1 if easy else 0
    if state.easy >= rule.in_a_row and state.step < len(ladder.steps):
        state.step, state.easy = state.step + 1, 0


def _incident(rng: np.random.Generator, practiced: list[Row], common: Row) -> Row | None:
    if rng.random() >= 0.03:
        return None
    row = practiced[int(rng.integers(0, len(practiced)))]
    kind = str(rng.choice(INCIDENTS, p=INCIDENT_SHARES))
    severity = str(rng.choice(("minor", "moderate", "serious"), p=(0.68, 0.22, 0.1)))
    return {
        "child_id": common["child_id"],
        "date": common["date"],
        "kind": kind,
        "severity": severity,
        "ladder_id": common["ladder_id"],
        "step": row["step"],
        "setting": common["setting"],
        "action": FOLLOWED_BY[kind],
    }
