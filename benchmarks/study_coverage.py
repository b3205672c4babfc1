"""Bias, coverage and false-positive rate of the effects of a whole study.

    python benchmarks/study_coverage.py [--replications 400] [--to FILE]

Writes ``toolkit/rungwise/data/study_coverage.csv``. Studies of 3 to 10 cases, 20 occasions each, starts
staggered over the 6th, 9th, 12th and 15th occasion; normal ratings with a total variance of 1, of which
the share `between` lies between cases, AR(1) within them, and a change that is `effect` on average and
differs between cases with the standard deviation `sd_change`.

Where changes differ, the rows "multilevel change, normal quantile" take the same estimate and standard
error with 1.96 in place of the quantile of t with Satterthwaite's degrees of freedom: what those are for.
"""

from __future__ import annotations

import argparse
import csv
import io
import math
import platform
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from rungwise.basis.estimate import Estimate
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.study.between_case import between_case_d
from rungwise.study.multilevel import multilevel_change

SEED = 20261006
CASES = (3, 4, 6, 10)
# Share of variance between cases, autocorrelation, effect, its standard deviation between cases.
WORLDS = (
    (0.5, 0.3, 0.0, 0.0), (0.5, 0.3, 1.0, 0.0), (0.2, 0.0, 1.0, 0.0), (0.8, 0.3, 2.0, 0.0),
    (0.5, 0.6, 1.0, 0.0), (0.5, 0.3, 0.0, 0.7),
)  # fmt: skip
# The effect with a trend in the model is taken so many occasions after the start; one world shows it.
AFTER, WITH_TREND = 5.0, (0.5, 0.3, 1.0, 0.0)
OCCASIONS = 20
TABLE = Path(__file__).parents[1] / "toolkit" / "rungwise" / "data" / "study_coverage.csv"


def study(
    rng: np.random.Generator, cases: int, between: float, phi: float, effect: float, sd_change: float = 0.0
) -> SeriesBatch:
    """Simulate one study."""
    e = rng.normal(size=(cases, OCCASIONS))
    for t in range(1, OCCASIONS):
        e[:, t] = phi * e[:, t - 1] + np.sqrt(1 - phi**2) * e[:, t]
    y = np.sqrt(between) * rng.normal(size=(cases, 1)) + np.sqrt(1 - between) * e
    changes = effect + (sd_change * rng.normal(size=cases) if sd_change else np.zeros(cases))
    series = []
    for i, row in enumerate(y):
        start = 5 + 3 * (i % 4)
        series.append(PhaseSeries.from_phases(row[:start], row[start:] + changes[i], better="higher"))
    return SeriesBatch.of(*series)


def rows_of(
    cases: int, world: tuple[float, float, float, float], replications: int, seed: list[int]
) -> list[dict[str, Any]]:
    """Give the rows of one cell: one per statistic."""
    between, phi, effect, sd_change = world
    rng = np.random.default_rng(seed)
    found: dict[str, list[Estimate]] = {
        "between-case d, reml": [],
        "between-case d, moment": [],
        "between-case d, reml, trend": [],
        "multilevel change": [],
        "multilevel change, normal quantile": [],
    }
    for _ in range(replications):
        batch = study(rng, cases, between, phi, effect, sd_change)
        found["between-case d, reml"].append(between_case_d(batch))
        found["between-case d, moment"].append(between_case_d(batch, form="moment"))
        if world == WITH_TREND:
            trend = between_case_d(batch, trend=True, after=AFTER)
            found["between-case d, reml, trend"].append(trend)
        change = multilevel_change(batch).change
        found["multilevel change"].append(change)
        if sd_change:
            found["multilevel change, normal quantile"].append(_normal(change))
    rows = []
    for name, estimates in found.items():
        if not estimates:
            continue
        usable = [one for one in estimates if not np.isnan(one.value)]
        rows.append(
            {
                "statistic": name,
                "cases": cases,
                "between": between,
                "phi": phi,
                "effect": effect,
                "sd_change": sd_change,
                "mean": f"{np.mean([one.value for one in usable]):.3f}",
                "coverage": f"{np.mean([one.ci_low <= effect <= one.ci_high for one in usable]):.3f}",
                "called": f"{np.mean([one.p_value < 0.05 for one in usable]):.3f}",
                "not_estimable": f"{1 - len(usable) / len(estimates):.3f}",
            }
        )
    return rows


def _normal(change: Estimate) -> Estimate:
    """Give the interval and p that infinitely many degrees of freedom would."""
    error = change.counts.get("standard_error", np.nan)
    reach = 1.959964 * error
    p = math.erfc(abs(change.value) / error / math.sqrt(2)) if error > 0 else np.nan
    return replace(change, ci_low=change.value - reach, ci_high=change.value + reach, p_value=p)


def main() -> None:
    """Make the table."""
    import rungwise

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--replications", type=int, default=400)
    parser.add_argument("--to", type=Path, default=TABLE)
    chosen = parser.parse_args()
    begun = time.perf_counter()
    rows = []
    for i, cases in enumerate(CASES):
        for j, world in enumerate(WORLDS):
            rows += rows_of(cases, world, chosen.replications, [SEED, i, j])
        print(f"{cases} cases done, {time.perf_counter() - begun:.0f} s", flush=True)
    out = io.StringIO()
    out.write("# Mean estimate, coverage of the 95 % interval and share called at .05, of whole studies.\n")
    out.write(f"# Made by: python benchmarks/study_coverage.py --replications {chosen.replications}\n")
    out.write(
        f"# Seed {SEED}, {chosen.replications} replications a row; rungwise {rungwise.__version__}, "
        f"numpy {np.__version__}, Python {platform.python_version()}.\n"
    )
    writer = csv.DictWriter(out, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    chosen.to.write_text(out.getvalue(), encoding="utf-8", newline="\n")
    print(f"{len(rows)} rows written to {chosen.to}")


if __name__ == "__main__":
    main()
