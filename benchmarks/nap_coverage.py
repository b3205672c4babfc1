"""How often the interval of NAP holds the true value, on simulated whole ratings.

    python benchmarks/nap_coverage.py [--replications 4000] [--to FILE]

Writes ``toolkit/rungwise/data/nap_coverage.csv``, which the interval's documentation rests on. The
same seed and replications give the same table.

The true NAP of a cell is computed from the two marginal distributions of the rounded ratings. The
first-order autocorrelation is that of the latent noise and runs on through the change of phase.
"""

from __future__ import annotations

import argparse
import csv
import io
import platform
import time
from itertools import product
from pathlib import Path
from statistics import NormalDist
from typing import Any

import numpy as np
import rungwise
from rungwise.series.batch import SeriesBatch
from rungwise.simulate.ratings import simulate_ratings
from rungwise.single_case.nap import nap_batch

SEED = 20261001
TABLE = Path(__file__).parents[1] / "toolkit" / "rungwise" / "data" / "nap_coverage.csv"
BASELINES = (3, 5, 8, 10)
EXPOSURES = (5, 10, 20, 30)
AUTOCORRELATIONS = (0.0, 0.2, 0.4, 0.6)
# Standard deviations of latent fear in baseline and exposure, in points.
SPREADS = {
    "alike": (1.5, 1.5),
    "baseline varies more": (2.2, 0.8),
    "exposure varies more": (0.8, 2.2),
}
BASELINE_MEAN = 7.0
EXPOSURE_MEANS = (7.0, 6.0, 5.0, 4.0, 3.0)
SCALE = np.arange(11)


def rating_distribution(mean: float, sd: float) -> np.ndarray:
    """Give the probability of each whole rating from 0 to 10."""
    below = [NormalDist(mean, sd).cdf(edge + 0.5) for edge in SCALE[:-1]]
    return np.diff([0.0, *below, 1.0])


def true_nap(baseline: np.ndarray, exposure: np.ndarray) -> float:
    """Give the probability that an exposure rating is the lower one, ties counting one half."""
    lower = np.cumsum(exposure) - exposure / 2
    return float(np.sum(baseline * lower))


def one_row(
    number: int,
    n_baseline: int,
    n_exposure: int,
    phi: float,
    spread: str,
    mean: float,
    replications: int,
) -> dict[str, Any]:
    """Simulate one cell and give its row."""
    rng = np.random.default_rng([SEED, number])
    noise = simulate_ratings(
        rng,
        replications,
        n_baseline,
        n_exposure,
        start=0,
        sd=1,
        phi=phi,
        floor=-99,
        ceiling=99,
        whole=False,
    ).values
    in_exposure = np.arange(n_baseline + n_exposure) >= n_baseline
    sd_a, sd_b = SPREADS[spread]
    latent = np.where(in_exposure, mean, BASELINE_MEAN) + np.where(in_exposure, sd_b, sd_a) * noise
    ratings = np.clip(np.rint(latent), SCALE[0], SCALE[-1]).astype(np.int8)
    result = nap_batch(SeriesBatch.from_arrays(ratings, n_baseline), p_value="none")
    truth = true_nap(rating_distribution(BASELINE_MEAN, sd_a), rating_distribution(mean, sd_b))
    low, high = np.asarray(result.ci_low), np.asarray(result.ci_high)
    return {
        "n_baseline": n_baseline,
        "n_exposure": n_exposure,
        "phi": phi,
        "spread": spread,
        "true_nap": f"{truth:.4f}",
        "coverage": f"{np.mean((low <= truth) & (truth <= high)):.4f}",
        "too_high": f"{np.mean(low > truth):.4f}",
        "too_low": f"{np.mean(high < truth):.4f}",
        "mean_width": f"{np.mean(high - low):.4f}",
        "separated": f"{np.mean((result.value == 0) | (result.value == 1)):.4f}",
    }


def main() -> None:
    """Make the table and print what it says."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--replications", type=int, default=4000)
    parser.add_argument("--to", type=Path, default=TABLE)
    chosen = parser.parse_args()
    begun = time.perf_counter()
    cells = product(AUTOCORRELATIONS, SPREADS, BASELINES, EXPOSURES, EXPOSURE_MEANS)
    rows = [
        one_row(number, n_baseline, n_exposure, phi, spread, mean, chosen.replications)
        for number, (phi, spread, n_baseline, n_exposure, mean) in enumerate(cells)
    ]
    out = io.StringIO()
    for line in (
        "Coverage of the 95 % interval of NAP on simulated whole ratings from 0 to 10.",
        f"Made by: python benchmarks/nap_coverage.py --replications {chosen.replications}",
        f"Seed {SEED}, {chosen.replications} replications a row; rungwise {rungwise.__version__}, "
        f"numpy {np.__version__}, Python {platform.python_version()}.",
        "too_high: the whole interval lies above the true value; too_low: below it; separated: share of "
        "series without overlap.",
    ):
        out.write(f"# {line}\n")
    writer = csv.DictWriter(out, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    chosen.to.parent.mkdir(exist_ok=True)
    chosen.to.write_text(out.getvalue(), encoding="utf-8", newline="\n")
    for phi, spread in product(AUTOCORRELATIONS, SPREADS):
        covered = [float(row["coverage"]) for row in rows if (row["phi"], row["spread"]) == (phi, spread)]
        print(
            f"phi {phi:.1f}, {spread:20s}: mean {np.mean(covered):.3f}, lowest {min(covered):.3f}, "
            f"below .93 in {np.mean(np.array(covered) < 0.93):.0%} of {len(covered)} cells"
        )
    print(f"{len(rows)} rows written to {chosen.to} in {time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
