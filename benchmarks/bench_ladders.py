"""Ladder outcomes of a practice with 100,000 recorded trials.

    python benchmarks/bench_ladders.py [--quick]

Every outcome of `rungwise.ladders` over about a thousand children at once, in processor seconds of one
thread, and as a ratio to pandas reading the same trials from a CSV file unchecked. The last rows fit models
child by child and are no sums over rows: they are shown apart.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from rungwise.ladders.approach import approach_scores, approach_tau_batch, declines_by_step
from rungwise.ladders.dose import dose, dose_and_progress
from rungwise.ladders.habituation import habituation_between, habituation_within
from rungwise.ladders.mastery import mastery_curves, mastery_episodes, steps_where_children_stall
from rungwise.ladders.practice_ratings import practice_ratings
from rungwise.ladders.probes import probe_contrasts
from rungwise.ladders.review import review_ladders
from rungwise.ladders.standing import standing
from rungwise.ladders.step_adjusted import step_adjusted_fear
from rungwise.ladders.step_adjusted_group import step_adjusted_group
from rungwise.ladders.trials import trials_of
from rungwise.series.caseload import Caseload, read_caseload
from rungwise.simulate.practice import simulate_practice
from rungwise.simulate.writing import write_tables

TRIALS = 100_000
SEED = 20261129


def large(folder: Path, trials: int) -> None:
    """Write a practice of at least so many trials: one of 60 children, many times under other codes."""
    tables = simulate_practice(np.random.default_rng(SEED), 60, level=3).tables
    kept = ("observations", "phases", "plans", "ladders", "children", "sessions", "incidents")
    times = -(-trials // len(tables["observations"]))
    copies: dict[str, list[dict[str, Any]]] = {}
    for name in kept:
        rows = tables[name]
        if rows and "child_id" in rows[0]:
            rows = [{**row, "child_id": f"{row['child_id']}x{i}"} for i in range(times) for row in rows]
        copies[name] = rows
    write_tables(copies, folder)


def outcomes(caseload: Caseload) -> dict[str, Callable[[], Any]]:
    """Name what is computed."""
    return {
        "trials in order, with their phase": lambda: trials_of(caseload),
        "mastery: episodes": lambda: mastery_episodes(caseload),
        "mastery: episodes and curves": lambda: mastery_curves(_episodes(caseload)),
        "mastery: episodes and where children stall": lambda: steps_where_children_stall(
            _episodes(caseload)
        ),
        "approach with exact Tau": lambda: approach_tau_batch(approach_scores(caseload)),
        "declines by step": lambda: declines_by_step(caseload),
        "practice ratings step by step": lambda: practice_ratings(caseload),
        "habituation within": lambda: habituation_within(caseload),
        "habituation between": lambda: habituation_between(caseload),
        "where each child stands": lambda: standing(caseload),
        "dose": lambda: dose(caseload),
        "dose beside progress": lambda: dose_and_progress(caseload),
        "probe contrasts": lambda: probe_contrasts(caseload),
        "review of the ladders": lambda: review_ladders(caseload),
        "all of these in one go": lambda: _all(caseload),
        "model: step-adjusted fear of all together": lambda: step_adjusted_group(caseload),
        "model: step-adjusted fear of each child": lambda: step_adjusted_fear(caseload),
    }


def _all(caseload: Caseload) -> list[Any]:
    """Work out every outcome but the models; doses and probe contrasts are within the last."""
    episodes = _episodes(caseload)
    simple = (
        declines_by_step, practice_ratings, habituation_within, habituation_between, standing,
        review_ladders, dose_and_progress,
    )  # fmt: skip
    return [
        mastery_curves(episodes),
        steps_where_children_stall(episodes),
        approach_tau_batch(approach_scores(caseload)),
        *(outcome(caseload) for outcome in simple),
    ]


def _episodes(caseload: Caseload) -> Any:
    episodes = mastery_episodes(caseload)
    return episodes.where(episodes.practiced)


def seconds(run: Callable[[], Any], times: int) -> float:
    """Give the median of processor seconds."""
    took = []
    for _ in range(times):
        begun = time.process_time()
        run()
        took.append(time.process_time() - begun)
    return float(np.median(took))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        large(folder, TRIALS // 10 if quick else TRIALS)
        caseload = read_caseload(folder)
        n, children = len(caseload.tables["observations"]), len(caseload.children)
        reading = seconds(lambda: pd.read_csv(folder / "observations.csv"), 3)
        print(f"{n:,} trials of {children:,} children; pandas reads them unchecked in {reading:.2f} s")
        for words, run in outcomes(caseload).items():
            took = seconds(run, 1 if words.startswith("model") or quick else 3)
            print(f"{words:<46} {took:7.2f} s {took / reading:8.1f} x", flush=True)


if __name__ == "__main__":
    main()
