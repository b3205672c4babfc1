"""False-positive rate, power and coverage of every statistic in simulated children.

    python benchmarks/calibration_card.py [--replications 500] [--workers 2] [--to FILE]

Writes ``toolkit/rungwise/data/calibration_card.csv``. "improved" and "worsened" are the shares of
series called so at the two-sided level .05, or by the statistic's own rule; where there is no effect
(for a statistic of the baseline: no trend) 2.5 % each is nominal. "coverage" is the share of the 95 %
intervals given that hold the true value, "no_answer" the share of series without a value. True values
of level, slope and end are those of the latent fear; those of NAP, Tau, means and their ratios are
expectations over 10,000 simulated series of the cell. The same seed and replications give the same
table, whatever the number of workers.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import grid
import numpy as np
from rungwise.basis.estimate import Estimates
from rungwise.series.batch import SeriesBatch
from rungwise.single_case.corrected_tau import baseline_corrected_tau_batch
from rungwise.single_case.decision_rules import (
    CONSERVATIVE_SHIFT,
    deviation_band_batch,
    dual_criterion_batch,
)
from rungwise.single_case.level import level_and_slope_change_batch, mean_difference_ar1_batch
from rungwise.single_case.magnitude import log_response_ratio_batch
from rungwise.single_case.nap import nap_batch
from rungwise.single_case.pairs import pair_counts
from rungwise.single_case.split_middle import split_middle_batch
from rungwise.single_case.standardized_difference import standardized_mean_difference_batch
from rungwise.single_case.tau import tau_batch
from rungwise.single_case.tau_u import tau_u_batch
from rungwise.single_case.theil_sen import theil_sen_batch
from rungwise.single_case.trend import mann_kendall_batch

SEED = 20261231
ALPHA = 0.05
TRUTH_REPLICATIONS = 10_000
BASELINES = (3, 6, 10)
EXPOSURES = (5, 12, 30)
# The exact p of these takes milliseconds a series, so fewer series are asked.
SLOW = ("Tau-U, trend of baseline", "Tau-U, trend of exposure")
SLOW_SHARE = 0.2
TABLE = Path(__file__).parents[1] / "toolkit" / "rungwise" / "data" / "calibration_card.csv"


@dataclass(frozen=True)
class Truth:
    """What the statistics of one cell estimate."""

    nap: float
    mean_difference: float
    standardized: float
    log_ratio: float
    level: float
    slope_change: float
    at_end: float
    on_average: float
    baseline_slope: float

    @classmethod
    def of(cls, design: grid.Design, rng: np.random.Generator) -> Truth:
        """Take expectations over many series, and the latent course as it was set."""
        batch = design.simulate(rng, TRUTH_REPLICATIONS).batch()
        between = pair_counts(batch).ab
        ratings = np.where(batch.declined, np.nan, batch.values.astype(float))
        a, b = ratings[:, : design.n_baseline], ratings[:, design.n_baseline :]
        mean_a, mean_b = float(np.nanmean(a)), float(np.nanmean(b))
        degrees = [np.maximum((~np.isnan(phase)).sum(axis=1) - 1, 0).sum() for phase in (a, b)]
        within = (_squares(a) + _squares(b)) / sum(degrees)
        effect = design.effect == "standard"
        return cls(
            nap=float(0.5 + 0.5 * np.mean(between.s / between.pairs)),
            mean_difference=mean_b - mean_a,
            standardized=float((mean_a - mean_b) / np.sqrt(within)),
            log_ratio=float(np.log(mean_a / mean_b)),
            level=grid.AT_ONCE if effect else 0.0,
            slope_change=(grid.IN_ALL - grid.AT_ONCE) / (design.n_exposure - 1) if effect else 0.0,
            at_end=grid.IN_ALL if effect else 0.0,
            on_average=(grid.AT_ONCE + grid.IN_ALL) / 2 if effect else 0.0,
            baseline_slope=grid.TRENDS[design.trend],
        )


def _squares(phase: np.ndarray) -> float:
    """Sum of squares about each series' own phase mean, over all series."""
    rated = (~np.isnan(phase)).sum(axis=1)
    mean = np.nansum(phase, axis=1) / np.maximum(rated, 1)
    return float(np.nansum((phase - mean[:, None]) ** 2))


@dataclass(frozen=True)
class Calls:
    """What one statistic said about a batch."""

    improved: np.ndarray
    worsened: np.ndarray
    answered: np.ndarray
    low: np.ndarray | None = None
    high: np.ndarray | None = None
    truth: float = float("nan")

    def shares(self) -> dict[str, str]:
        """Give the columns of the table."""
        coverage = ""
        if self.low is not None and self.high is not None:
            given = ~np.isnan(self.low) & ~np.isnan(self.high)
            slack = 1e-9
            held = (self.low - slack <= self.truth) & (self.truth <= self.high + slack)
            coverage = f"{np.mean(held[given]):.3f}" if given.any() else ""
        return {
            "improved": f"{np.mean(self.improved):.3f}",
            "worsened": f"{np.mean(self.worsened):.3f}",
            "coverage": coverage,
            "no_answer": f"{np.mean(~self.answered):.3f}",
        }


def by_p(found: Estimates) -> Calls:
    """Two-sided p-value and the sign of an oriented value."""
    with np.errstate(invalid="ignore"):
        clear = found.p_value <= ALPHA
        return Calls(clear & (found.value > 0), clear & (found.value < 0), ~np.isnan(found.p_value))


def by_interval(found: Estimates, truth: float, *, falls: bool) -> Calls:
    """Interval on one side of 0; `falls` where a fall in data units is the improvement."""
    with np.errstate(invalid="ignore"):
        below, above = found.ci_high < 0, found.ci_low > 0
    improved, worsened = (below, above) if falls else (above, below)
    return Calls(improved, worsened, ~np.isnan(found.value), found.ci_low, found.ci_high, truth)


def by_rule(better: Estimates, worse: Estimates | None = None) -> Calls:
    """A rule's own word."""
    favors = np.asarray(better.favors)
    other = favors if worse is None else np.asarray(worse.favors)
    return Calls(favors == "improvement", other == "worsening", favors != "")


def with_interval(calls: Calls, found: Estimates, truth: float) -> Calls:
    """Add an interval to calls made by p-value."""
    return replace(calls, low=found.ci_low, high=found.ci_high, truth=truth)


def one_sided(better: Estimates, worse: Estimates) -> Calls:
    """Two one-sided tests at half the level each."""
    with np.errstate(invalid="ignore"):
        return Calls(better.p_value <= ALPHA / 2, worse.p_value <= ALPHA / 2, ~np.isnan(better.p_value))


def calls(batch: SeriesBatch, few: SeriesBatch, truth: Truth) -> dict[str, Calls]:
    """Ask every statistic about one batch, the slow ones about a part of it."""
    model = level_and_slope_change_batch(batch)
    tau = tau_batch(batch)
    nap = nap_batch(batch)
    trends = ("baseline", "exposure", "both")
    return {
        "Tau": with_interval(by_p(tau), tau, 2 * truth.nap - 1),
        "NAP": with_interval(by_p(replace(nap, value=nap.value - 0.5)), nap, truth.nap),
        **{
            f"Tau-U, trend of {name}": by_p(tau_u_batch(batch if name == "both" else few, trend=name))
            for name in trends
        },
        **{
            f"Baseline-corrected Tau, {name}": by_p(baseline_corrected_tau_batch(batch, when=when))
            for name, when in (("if significant", "significant"), ("always", "always"))
        },
        "Mann-Kendall in baseline": by_p(mann_kendall_batch(batch, "baseline")),
        "Theil-Sen slope in baseline": by_interval(
            theil_sen_batch(batch, "baseline"), truth.baseline_slope, falls=True
        ),
        "Level change": by_interval(model.level, truth.level, falls=True),
        "Slope change": by_interval(model.slope, truth.slope_change, falls=True),
        "Change at the last exposure occasion": by_interval(model.at_end, truth.at_end, falls=True),
        "Mean change beyond the baseline": by_interval(model.on_average, truth.on_average, falls=True),
        "Mean difference, AR(1)": by_interval(
            mean_difference_ar1_batch(batch), truth.mean_difference, falls=True
        ),
        "Standardized mean difference": by_interval(
            standardized_mean_difference_batch(batch), truth.standardized, falls=False
        ),
        "Log response ratio": by_interval(log_response_ratio_batch(batch), truth.log_ratio, falls=False),
        "Dual criterion": _criterion(batch, 0.0),
        "Conservative dual criterion": _criterion(batch, CONSERVATIVE_SHIFT),
        "Two-deviation band": by_rule(deviation_band_batch(batch)),
        "Split-middle binomial": one_sided(
            split_middle_batch(batch), split_middle_batch(batch, direction="worsening")
        ),
    }


def _criterion(batch: SeriesBatch, shift: float) -> Calls:
    return by_rule(
        dual_criterion_batch(batch, shift=shift),
        dual_criterion_batch(batch, shift=shift, direction="worsening"),
    )


def one_cell(numbered: tuple[int, grid.Design], replications: int) -> list[dict[str, Any]]:
    """Give the rows of one cell, one per statistic."""
    number, design = numbered
    on_batch, on_truth = np.random.default_rng([SEED, number]).spawn(2)
    batch = design.simulate(on_batch, replications).batch()
    few = batch.take(np.arange(round(SLOW_SHARE * replications)))
    row = {name: getattr(design, name) for name in design.__dataclass_fields__}
    return [
        {
            "statistic": name,
            **row,
            "replications": len(few) if name in SLOW else replications,
            **call.shares(),
        }
        for name, call in calls(batch, few, Truth.of(design, on_truth)).items()
    ]


def main() -> None:
    """Make the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--replications", type=int, default=500)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--to", type=Path, default=TABLE)
    chosen = parser.parse_args()
    begun = time.perf_counter()
    cells = list(enumerate(grid.designs(BASELINES, EXPOSURES)))
    rows: list[dict[str, Any]] = []
    with ProcessPoolExecutor(chosen.workers) as pool:
        job: Callable[[Any], Any] = partial(one_cell, replications=chosen.replications)
        for done, part in enumerate(pool.map(job, cells, chunksize=4), start=1):
            rows += part
            if done % 50 == 0:
                print(f"{done} of {len(cells)} cells, {time.perf_counter() - begun:.0f} s", flush=True)
    rows.sort(key=lambda row: row["statistic"])
    grid.write_table(
        chosen.to,
        rows,
        "False-positive rate, power and coverage of every statistic in simulated children.",
        SEED,
        chosen.replications,
        f"python benchmarks/calibration_card.py --replications {chosen.replications}",
    )
    print(f"{len(rows)} rows written to {chosen.to} in {time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
