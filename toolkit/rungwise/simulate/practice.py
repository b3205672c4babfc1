"""A whole invented practice at any recording level, from one random generator."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.simulate.local_ladders import LADDERS, LocalLadder
from rungwise.simulate.ratings import rate_latent, simulate_ratings
from rungwise.simulate.records import (
    MEASURES,
    action_rows,
    agreement_rows,
    assessment_rows,
    fidelity_rows,
    goal_rows,
    ladder_rows,
    plan_rows,
    session_rows,
)
from rungwise.simulate.scenarios import SLOTS, WINDOWS, Scenario
from rungwise.simulate.trials import visit_rows

Row = dict[str, Any]

SITES = ("Harbor", "Headland")
CLINICIANS = {"Harbor": ("T1", "T2"), "Headland": ("T3",)}
REFERRALS = ("heights", "being tipped or swung", "feet off the ground", "stairs and slopes", "vehicles")
UNTRAINED_EVERY = 9
CO_OCCURRING = ("", "autism", "coordination difficulty", "anxiety")
FREE: dict[str, Any] = {"whole": False, "floor": -1e6, "ceiling": 1e6}


@dataclass(frozen=True)
class Program:
    """One ladder of one child: the truth, and what happened on the planned days.

    Attributes
    ----------
    ladder : LocalLadder
    truth : Mapping[str, float]
        Parameters of the latent course, in points and weeks.
    days : tuple of date
        Planned occasions, the missed ones too.
    phases : tuple of str
        Phase of each planned occasion.
    latent : ndarray
        Latent fear at the probe step on each planned day.
    values, declined, missed : ndarray
        What was recorded there.
    starts : Mapping[str, date]
        First day of each phase.
    """

    ladder: LocalLadder
    truth: Mapping[str, float]
    days: tuple[date, ...]
    phases: tuple[str, ...]
    latent: np.ndarray
    values: np.ndarray
    declined: np.ndarray
    missed: np.ndarray
    starts: Mapping[str, date]


@dataclass(frozen=True)
class SimulatedChild:
    """One child with a code, the scenario behind it, its record and its programs.

    Attributes
    ----------
    scenario : Scenario or None
        None for a child who was referred and has not begun.
    window : str
        A key of `rungwise.simulate.scenarios.WINDOWS`.
    record : dict
        The child's row of ``children``.
    per_week : int
        Planned probes a week.
    rated_by : str
    programs : tuple of Program
    untrained : LocalLadder or None
        A ladder that is probed now and then and never practiced, to see whether courage carries over.
    """

    scenario: Scenario | None
    window: str
    record: Row
    per_week: int
    rated_by: str
    programs: tuple[Program, ...]
    untrained: LocalLadder | None = None


@dataclass(frozen=True)
class SimulatedPractice:
    """Tables of an invented practice, and the truth behind every child.

    Attributes
    ----------
    tables : Mapping[str, list of dict]
        One dictionary per row, in the columns of the schemas; None where missing.
    truth : list of dict
        One row per child and ladder: scenario, latent course, and what exposure did.
    children : tuple of SimulatedChild
    recorded_until : date
        Last day with records.
    """

    tables: Mapping[str, list[Row]]
    truth: list[Row]
    children: tuple[SimulatedChild, ...] = field(repr=False)
    recorded_until: date


def simulate_practice(
    rng: np.random.Generator,
    children: int = 60,
    *,
    level: int = 3,
    quarter_ends: date = date(2026, 9, 30),
    recorded_until: date = date(2026, 11, 13),
) -> SimulatedPractice:
    """Simulate a practice of about four quarters at a recording level.

    Every 60 children follow the same list of scenarios (`rungwise.simulate.scenarios.SLOTS`), so a
    large practice has the same mix as the small one. About half of the children reach the usual
    horizon of 84 days in the last of the four quarters.

    Parameters
    ----------
    rng : numpy.random.Generator
        The same state gives the same practice.
    children : int
        Children referred, those who have not begun included.
    level : {1, 2, 3}
        1 gives ratings, children and phases; 2 adds ladders, plans, observations, incidents and
        actions; 3 adds sessions, scores, goals, second observers and procedure checklists. The
        ratings are the same at every level, and are the peaks of the probes in the observations.
    quarter_ends : date
        Last day of the quarter to be audited.
    recorded_until : date
        Last day with records; programs that are still running go on to it.

    Returns
    -------
    SimulatedPractice

    Raises
    ------
    ValueError
        If `children` is below 1 or `recorded_until` lies before `quarter_ends`.

    Examples
    --------
    >>> practice = simulate_practice(np.random.default_rng(1), 60, level=1)
    >>> len(practice.tables["children"]), practice.tables["children"][0]["child_id"]
    (60, 'C001')
    """
    if children < 1:
        raise ValueError(f"children must be at least 1; got {children!r}.")
    check_choice("level", level, (1, 2, 3))
    if recorded_until < quarter_ends:
        raise ValueError(
            f"recorded_until must not lie before quarter_ends ({quarter_ends}); got {recorded_until}."
        )
    slots = [(scenario, window) for scenario, window, count in SLOTS for _ in range(count)]
    # One generator per child, so that a richer record of one child changes no other child.
    generators = rng.spawn(children)
    made = []
    for number, own in enumerate(generators):
        scenario, window = slots[number * len(slots) // max(children, len(slots)) % len(slots)]
        low, high = WINDOWS[window]
        start = quarter_ends + timedelta(days=int(own.integers(low, high + 1)))
        made.append((start, scenario, window, own))
    made.sort(key=lambda entry: entry[0])
    digits = max(3, len(str(children)))
    kids, later = [], []
    for place, (start, scenario, window, own) in enumerate(made, start=1):
        code = f"C{place:0{digits}d}"
        plan, course, rest = own.spawn(3)
        kids.append(
            _child(own, plan, course, code, place, scenario, window, start, quarter_ends, recorded_until)
        )
        later.append(rest)
    tables: dict[str, list[Row]] = {
        "children": [kid.record for kid in kids],
        "phases": [row for kid in kids for row in _phase_rows(kid)],
        "ratings": [row for kid in kids for row in _rating_rows(kid)],
    }
    if level > 1:
        _add_richer_tables(tables, kids, later, level, quarter_ends, recorded_until)
    return SimulatedPractice(
        tables, [row for kid in kids for row in _truth_rows(kid)], tuple(kids), recorded_until
    )


def _add_richer_tables(
    tables: dict[str, list[Row]],
    kids: list[SimulatedChild],
    generators: list[np.random.Generator],
    level: int,
    quarter_ends: date,
    recorded_until: date,
) -> None:
    tables |= {"ladders": ladder_rows(), "plans": plan_rows(kids), "observations": [], "incidents": []}
    tables["actions"] = action_rows(quarter_ends)
    if level == 3:
        tables["measures"] = [dict(measure) for measure in MEASURES]
        for name in ("sessions", "assessments", "goals", "goal_ratings", "agreement", "fidelity"):
            tables[name] = []
    for kid, own in zip(kids, generators, strict=True):
        if not kid.programs:
            continue
        on_visits, on_records = own.spawn(2)
        visits = visit_rows(kid, on_visits, recorded_until)
        tables["observations"] += visits.observations
        tables["incidents"] += visits.incidents
        if level == 3:
            tables["sessions"] += session_rows(kid, visits, on_records)
            tables["fidelity"] += fidelity_rows(kid, visits, on_records)
            tables["agreement"] += agreement_rows(visits, on_records)
            tables["assessments"] += assessment_rows(kid, on_records, recorded_until)
            goals, attained = goal_rows(kid, on_records, recorded_until)
            tables["goals"] += goals
            tables["goal_ratings"] += attained


def _child(
    rng: np.random.Generator,
    plan: np.random.Generator,
    course: np.random.Generator,
    code: str,
    place: int,
    scenario: Scenario | None,
    window: str,
    start: date,
    quarter_ends: date,
    recorded_until: date,
) -> SimulatedChild:
    # The second site opened in the spring before the audited quarter.
    opened = quarter_ends - timedelta(days=230)
    site = SITES[int(rng.random() < 0.45)] if start > opened else SITES[0]
    age = int(np.clip(rng.normal(94, 20), 52, 155))
    record: Row = {
        "child_id": code,
        "age_months": age,
        "sex": str(rng.choice(("female", "male"))),
        "referral_reason": str(rng.choice(REFERRALS)),
        "referred_on": None,
        "entered_on": None,
        "ended_on": None,
        "end_reason": None,
        "site": site,
        "clinician_id": str(rng.choice(CLINICIANS[site])),
        "co_occurring": str(rng.choice(CO_OCCURRING, p=(0.55, 0.2, 0.15, 0.1))) or None,
        "research_consent": bool(rng.random() < 0.7),
    }
    per_week = 1 + int(rng.random() < 0.25)
    rated_by = "observer" if age < 60 else "parent" if age < 66 else "child"
    if scenario is None:
        record["referred_on"] = start
        return SimulatedChild(None, window, record, per_week, rated_by, ())

    n_baseline = int(plan.integers(scenario.n_baseline[0], scenario.n_baseline[1] + 1))
    weeks = int(plan.integers(scenario.n_exposure[0], scenario.n_exposure[1] + 1))
    n_exposure = weeks * per_week
    if per_week == 2 and n_baseline > 3:
        n_baseline = round(1.5 * n_baseline)
    stays = n_exposure
    reason = None
    if scenario.leaves:
        stays = int(plan.integers(2, 9)) * per_week
        reason = str(plan.choice(scenario.leaves))
    days = _planned_days(plan, start, n_baseline, n_exposure, per_week)
    first = days[0]
    record["entered_on"] = first - timedelta(days=int(plan.integers(0, 7)))
    record["referred_on"] = record["entered_on"] - timedelta(days=int(plan.integers(14, 70)))
    if reason is not None:
        days = days[: n_baseline + stays]
        if days[-1] + timedelta(days=5) <= recorded_until:
            record["ended_on"], record["end_reason"] = days[-1] + timedelta(days=5), reason
    after = [] if reason is not None else _days_after(plan, days[-1])
    if after and after[-2][0] <= recorded_until:
        record["ended_on"], record["end_reason"] = (
            after[-2][0],
            "goals_met" if scenario.effect == "fell" else "other",
        )

    ladders = [LADDERS[(place - 1) % len(LADDERS)]]
    if scenario.two_ladders:
        ladders.append(LADDERS[place % len(LADDERS)])
    missed = plan.random(len(days)) < scenario.missed
    # Ladders probed on one day share that day's good or bad mood.
    when = _weeks(days)
    mood = np.zeros(len(days))
    if len(ladders) > 1:
        mood = simulate_ratings(
            course, 1, len(days), 0, start=0, sd=0.6, phi=0.2, times=when, **FREE
        ).values[0]
    programs = []
    for tier, ladder in enumerate(ladders):
        own_baseline = min(n_baseline + 3 * per_week * tier, len(days) - 1)
        programs.append(
            _program(course, scenario, ladder, days, own_baseline, after, mood, missed, recorded_until)
        )
    untrained = None
    if len(programs) == 1 and place % UNTRAINED_EVERY == 0:
        untrained = LADDERS[(place + 2) % len(LADDERS)]
    return SimulatedChild(scenario, window, record, per_week, rated_by, tuple(programs), untrained)


def _program(
    rng: np.random.Generator,
    scenario: Scenario,
    ladder: LocalLadder,
    days: list[date],
    n_baseline: int,
    after: list[tuple[date, str]],
    mood: np.ndarray,
    missed: np.ndarray,
    recorded_until: date,
) -> Program:
    truth: dict[str, Any] = {
        name: round(float(rng.uniform(*getattr(scenario, name))), 3)
        for name in ("start", "baseline_slope", "level_change", "slope_change")
    }
    truth["sd"] = 0.6 if scenario.name == "at_floor" else round(float(rng.uniform(0.8, 1.2)), 3)
    truth["phi"] = round(float(rng.uniform(0.0, 0.35)), 3)
    when = _weeks(days)
    latent = simulate_ratings(
        rng, 1, n_baseline, len(days) - n_baseline, **truth, times=when, **FREE
    ).values[0]
    latent = latent + mood
    onset = when[n_baseline]
    reached = (
        truth["start"]
        + truth["baseline_slope"] * (when[-1] - when[0])
        + truth["level_change"]
        + truth["slope_change"] * (when[-1] - onset)
    )
    # What was reached is kept afterwards, with a slow return of a little fear.
    kept = max(reached, 0.5) + 0.15 * np.arange(len(after)) + truth["sd"] * rng.standard_normal(len(after))
    all_days = [*days, *(day for day, _ in after)]
    phases = (
        ["baseline"] * n_baseline + ["exposure"] * (len(days) - n_baseline) + [name for _, name in after]
    )
    latent = np.concatenate([latent, kept])
    values, declined = rate_latent(rng, latent)
    gone = np.concatenate([missed, np.zeros(len(after), dtype=bool)])
    shown = [day <= recorded_until for day in all_days]
    starts: dict[str, date] = {}
    for day, phase, seen in zip(all_days, phases, shown, strict=True):
        if seen:
            starts.setdefault(phase, day)
    pick = np.flatnonzero(shown)
    return Program(
        ladder=ladder,
        truth={**truth, "planned_baseline": n_baseline, "planned_exposure": len(days) - n_baseline},
        days=tuple(all_days[i] for i in pick),
        phases=tuple(phases[i] for i in pick),
        latent=latent[pick],
        values=values[pick],
        declined=declined[pick],
        missed=gone[pick],
        starts=starts,
    )


def _planned_days(
    rng: np.random.Generator, start: date, n_baseline: int, n_exposure: int, per_week: int
) -> list[date]:
    """Give weekly or twice-weekly visits around the first exposure day, none over the turn of the year."""
    start += timedelta(days=-start.weekday() + int(rng.integers(0, 5 if per_week == 1 else 2)))
    if _closed(start):
        start += timedelta(days=21)
    gaps = (7,) if per_week == 1 else (3, 4)

    def visits(direction: int, count: int) -> list[date]:
        found: list[date] = []
        day, turn = start, 0
        while len(found) < count:
            gap = gaps[turn % len(gaps)] if direction > 0 else gaps[-1 - turn % len(gaps)]
            day, turn = day + timedelta(days=direction * gap), turn + 1
            if not _closed(day):
                found.append(day)
        return found

    planned = [*reversed(visits(-1, n_baseline)), start, *visits(1, n_exposure - 1)]
    moved = rng.random(len(planned)) < 0.08
    moved[n_baseline] = False
    return [
        day + timedelta(days=1 if day.weekday() < 4 else -1) if shift else day
        for day, shift in zip(planned, moved, strict=True)
    ]


def _closed(day: date) -> bool:
    return (day.month, day.day) >= (12, 21) or (day.month, day.day) <= (1, 3)


def _days_after(rng: np.random.Generator, last: date) -> list[tuple[date, str]]:
    """Give three maintenance probes and one follow-up."""
    gap = int(rng.integers(2, 4))
    maintenance = [last + timedelta(weeks=gap * (turn + 1)) for turn in range(3)]
    return [(day, "maintenance") for day in maintenance] + [
        (maintenance[-1] + timedelta(weeks=8), "follow_up")
    ]


def _weeks(days: list[date]) -> np.ndarray:
    return np.array([(day - days[0]).days / 7 for day in days])


def _phase_rows(kid: SimulatedChild) -> list[Row]:
    return [
        {
            "child_id": kid.record["child_id"],
            # With an untrained ladder beside the trained one, the phases are those of the whole child.
            "ladder_id": program.ladder.ladder_id if kid.untrained is None else None,
            "starts_on": day,
            "phase": phase,
            "criterion": None,
        }
        for program in kid.programs
        for phase, day in program.starts.items()
    ]


def _rating_rows(kid: SimulatedChild) -> list[Row]:
    return [
        {
            "child_id": kid.record["child_id"],
            "ladder_id": program.ladder.ladder_id,
            "date": program.days[i],
            "phase": program.phases[i],
            "rating": None if program.declined[i] else int(program.values[i]),
            "declined": bool(program.declined[i]),
            "rated_by": kid.rated_by,
        }
        for program in kid.programs
        for i in np.flatnonzero(~program.missed)
    ]


def _truth_rows(kid: SimulatedChild) -> list[Row]:
    if kid.scenario is None:
        return []
    weeks = 12
    return [
        {
            "child_id": kid.record["child_id"],
            "ladder_id": program.ladder.ladder_id,
            "scenario": kid.scenario.name,
            "effect": kid.scenario.effect,
            "effect_after_12_weeks": round(
                program.truth["level_change"] + weeks * program.truth["slope_change"], 2
            ),
            **program.truth,
            "summary": kid.scenario.summary,
        }
        for program in kid.programs
    ]
