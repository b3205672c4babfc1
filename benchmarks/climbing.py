"""What each outcome says of children who climb a ladder: changed, unchanged, or led back to easy steps.

    python benchmarks/climbing.py [--children 1000] [--workers 2] [--to FILE]

Writes ``toolkit/rungwise/data/climbing.csv``: for each kind of child the share of each result of each
outcome. Every child has 6 baseline and 14 exposure visits, one a week, with a probe on each, approach
trials on every second visit (3 in baseline, 7 in exposure), and 2 to 4 practice trials a visit in exposure
(`rungwise.simulate.trials`).

- "no change": nothing happens to fear; the child steps up by the practice's own rule: after 1, 2 or 3 low
  trials in a row, or after 1, 2 or 3 calm visits in a row, in which every trial was completed and rated
  low. Two calm visits in a row is what a practice has that sets nothing else.
- "climbs": fear falls by 1 point at the start of exposure and by 0.2 points a week from then on; the child
  steps up after two calm visits in a row, and its raw practice ratings stay about flat.
- "no change, calms within a visit": nothing happens to fear, but it falls by 0.4 points from one trial of a
  visit to the next and is back at the next visit, which trends of practice ratings take for progress.
- "eased": nothing happens to fear, but practice is led back to easier and easier steps, so that raw
  practice ratings fall.

Trends of practice ratings are one-sided tests at 2.5 % in the direction of improvement, and of worsening;
they are here to show why the library never makes them.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import grid
import numpy as np
import pandas as pd
from rungwise.ladders.approach import approach_scores, approach_tau_batch
from rungwise.ladders.practice_ratings import run_that_led_upward
from rungwise.ladders.seasonal import seasonal_mann_kendall
from rungwise.ladders.step_adjusted import step_adjusted_fear
from rungwise.ladders.trials import Trials, trials_of
from rungwise.series.caseload import Caseload, read_frames
from rungwise.series.phase_series import PhaseSeries
from rungwise.simulate.local_ladders import LADDERS
from rungwise.simulate.practice import FREE, Program, SimulatedChild
from rungwise.simulate.ratings import rate_latent, simulate_ratings
from rungwise.simulate.records import ladder_rows
from rungwise.simulate.trials import PracticeRule, visit_rows
from rungwise.single_case.verdict import VERDICTS, verdict_codes

SEED = 20261125
N_BASELINE, N_EXPOSURE = 6, 14
START, SD = 6.5, 1.0
AUTOCORRELATIONS = (0.0, 0.4)
ONE_SIDED = 0.025
FIRST_DAY = date(2026, 1, 5)
TABLE = Path(__file__).parents[1] / "toolkit" / "rungwise" / "data" / "climbing.csv"

# Three approach occasions against seven are about the fewest whose p can reach .05.
APPROACH = {"approach_every": 2, "approach_baseline": 2}
CLIMBING = {"level_change": -1.0, "slope_change": -0.2}


def _rule(**chosen: Any) -> PracticeRule:
    return PracticeRule(**{"calming": 0.0, **APPROACH, **chosen})


# Kind of child, rule of stepping up in words, the rule, and what exposure does.
KINDS: tuple[tuple[str, str, PracticeRule, dict[str, float]], ...] = (
    ("no change", "up after 1 low trial", _rule(in_a_row=1), {}),
    ("no change", "up after 2 low trials in a row", _rule(in_a_row=2), {}),
    ("no change", "up after 3 low trials in a row", _rule(in_a_row=3), {}),
    ("no change", "up after 1 calm visit", _rule(in_a_row=1, by_visit=True), {}),
    ("no change", "up after 2 calm visits in a row", _rule(in_a_row=2, by_visit=True), {}),
    ("no change", "up after 3 calm visits in a row", _rule(in_a_row=3, by_visit=True), {}),
    (
        "no change, calms within a visit",
        "up after 2 low trials in a row",
        _rule(in_a_row=2, calming=0.4),
        {},
    ),
    ("climbs", "up after 2 calm visits in a row", _rule(in_a_row=2, by_visit=True), CLIMBING),
    ("eased", "led back to easier steps", _rule(eased=True), {}),
)
IMPROVED, WORSENED, NEITHER, CANNOT = "improved", "worsened", "neither", "cannot be said"


def caseload_of(
    rng: np.random.Generator, children: int, rule: PracticeRule, course: dict[str, float], phi: float
) -> Caseload:
    """Simulate the children of one cell, and read their records as those of a practice."""
    days = tuple(FIRST_DAY + timedelta(days=7 * week) for week in range(N_BASELINE + N_EXPOSURE))
    phases = ("baseline",) * N_BASELINE + ("exposure",) * N_EXPOSURE
    weeks = np.arange(len(days), dtype=float)
    latent = simulate_ratings(
        rng, children, N_BASELINE, N_EXPOSURE, start=START, sd=SD, phi=phi, times=weeks, **course, **FREE
    ).values
    tables: dict[str, list[dict[str, Any]]] = {"observations": [], "phases": [], "plans": []}
    for number, own in enumerate(rng.spawn(children)):
        code, ladder = f"C{number:05d}", LADDERS[number % len(LADDERS)]
        values, declined = rate_latent(own, latent[number])
        program = Program(
            ladder=ladder,
            truth={"start": START, "level_change": 0.0},
            days=days,
            phases=phases,
            latent=latent[number],
            values=values,
            declined=declined,
            missed=np.zeros(len(days), dtype=bool),
            starts={"baseline": days[0], "exposure": days[N_BASELINE]},
        )
        record = {"child_id": code, "site": "Harbor"}
        kid = SimulatedChild(None, "", record, 1, "child", (program,))
        tables["observations"] += visit_rows(kid, own, days[-1], rule).observations
        tables["plans"].append(
            {"child_id": code, "ladder_id": ladder.ladder_id, "probe_step": ladder.probe_step}
        )
        tables["phases"] += [
            {"child_id": code, "ladder_id": ladder.ladder_id, "starts_on": day, "phase": phase}
            for phase, day in program.starts.items()
        ]
    frames = {name: pd.DataFrame(rows) for name, rows in tables.items()}
    frames["ladders"] = pd.DataFrame(ladder_rows())
    return read_frames(frames, today=days[-1])


def results_of(caseload: Caseload) -> Iterator[tuple[str, list[str]]]:
    """Give what each outcome says of each child."""
    yield "probe fear (verdict)", verdict_codes(caseload.batch()).tolist()
    taus = approach_tau_batch(approach_scores(caseload))
    # Where no p could reach the level, whatever the scores, nothing can be said.
    possible = np.where(taus.counts["smallest_p"] <= 2 * ONE_SIDED, taus.p_value, np.nan)
    yield "approach score", [_two_sided(*pair) for pair in zip(taus.value, possible, strict=True)]
    trials = trials_of(caseload)
    practice = [part for *_, part in trials.where(trials.kind == "practice").by_ladder()]
    yield "practice ratings, all steps together", [_trend([_in_order(part)]) for part in practice]
    yield "practice ratings, step by step", [_trend(_by_step(part)) for part in practice]
    yield (
        "practice ratings, step by step, without the run that led upward",
        [_trend(_by_step(part, without_run=True)) for part in practice],
    )
    adjusted = step_adjusted_fear(caseload)
    yield (
        "step-adjusted fear (95 % interval)",
        [_by_interval(one.per_week.ci_low, one.per_week.ci_high) for one in adjusted],
    )


def _two_sided(value: float, p: float) -> str:
    if np.isnan(p):
        return CANNOT
    if p > 2 * ONE_SIDED:
        return NEITHER
    return IMPROVED if value > 0 else WORSENED


def _by_interval(low: float, high: float) -> str:
    if np.isnan(low):
        return CANNOT
    return IMPROVED if high < 0 else WORSENED if low > 0 else NEITHER


def _in_order(part: Trials) -> tuple[np.ndarray, np.ndarray]:
    rated = ~np.isnan(part.peak)
    return part.peak[rated], np.flatnonzero(rated).astype(float)


def _by_step(part: Trials, *, without_run: bool = False) -> list[tuple[np.ndarray, np.ndarray]]:
    found = []
    for step in np.unique(part.step):
        places = np.flatnonzero((part.step == step) & ~np.isnan(part.peak))
        if without_run:
            places = places[: len(places) - run_that_led_upward(part, step, at_most=3.0)]
        found.append((part.peak[places], places.astype(float)))
    return found


def _trend(steps: list[tuple[np.ndarray, np.ndarray]]) -> str:
    series = [
        PhaseSeries(values, ["exposure"] * len(values), times) for values, times in steps if len(values) > 1
    ]
    if not series:
        return CANNOT
    for result in ("improvement", "worsening"):
        p = seasonal_mann_kendall(series, "exposure", result, dependence="none").p_value
        if np.isnan(p):
            return CANNOT
        if p <= ONE_SIDED:
            return IMPROVED if result == "improvement" else WORSENED
    return NEITHER


def cell_rows(number: int, phi: float, children: int) -> list[dict[str, Any]]:
    """Simulate one kind of child at one autocorrelation, and count the results of every outcome."""
    kind, words, rule, course = KINDS[number]
    rng = np.random.default_rng([SEED, number, round(10 * phi)])
    caseload = caseload_of(rng, children, rule, course, phi)
    rows = []
    for outcome, results in results_of(caseload):
        counted = Counter(results)
        names = VERDICTS if outcome.endswith("(verdict)") else (IMPROVED, WORSENED, NEITHER, CANNOT)
        rows += [
            {
                "children": kind,
                "rule": words,
                "autocorrelation": phi,
                "outcome": outcome,
                "n": len(results),
                "result": name,
                "share": f"{counted[name] / len(results):.4f}",
            }
            for name in names
        ]
    return rows


def main() -> None:
    """Make the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--children", type=int, default=1000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--to", type=Path, default=TABLE)
    chosen = parser.parse_args()
    begun = time.perf_counter()
    cells = [(number, phi, chosen.children) for number in range(len(KINDS)) for phi in AUTOCORRELATIONS]
    rows: list[dict[str, Any]] = []
    with ProcessPoolExecutor(chosen.workers) as workers:
        for cell, found in zip(cells, workers.map(cell_rows, *zip(*cells, strict=True)), strict=True):
            rows += found
            print(f"{KINDS[cell[0]][:2]}, {cell[1]}: {time.perf_counter() - begun:.0f} s", flush=True)
    grid.write_table(
        chosen.to,
        rows,
        "What each outcome says of simulated children who climb a ladder; share of each result.",
        SEED,
        chosen.children,
        f"python benchmarks/climbing.py --children {chosen.children}",
        f"Fear at the probe step starts at {START:g}, with AR(1) noise of standard deviation {SD:g} from "
        f"week to week; {N_BASELINE} baseline and {N_EXPOSURE} exposure visits, approach trials on every "
        "second one. What each kind of child is stands in benchmarks/climbing.py.",
    )
    print(f"{len(rows)} rows written to {chosen.to}")


if __name__ == "__main__":
    main()
