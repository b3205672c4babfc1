"""Error rates and power of the change beyond the projected baseline, by how φ is dealt with.

    python benchmarks/level_coverage.py [--replications 4000] [--to FILE]

Writes ``toolkit/rungwise/data/level_coverage.csv``. One-sided tests at 2.5 %: "improvement" and
"worsening" are the shares of simulated children in which the exposure line at the last occasion is
called better or worse than the projected baseline line. Without an effect the baseline's own course
continues, so the nominal share is .025 each and coverage of the 95 % interval is one minus their
sum. φ is averaged over with the weight (1 − φ)^fall before the ratings are seen; the rows with
fall 0, 1 and 2 show why `rungwise.models.ar1_block.PRIOR_FALL` is what it is.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import Any

import grid
import numpy as np
from rungwise.models.ar1_block import PRIOR_FALL
from rungwise.models.gls import Ar1Fit, fit_ar1
from rungwise.models.mixture import Mixture
from rungwise.models.newey_west import fit_newey_west

SEED = 20261004
LENGTHS = ((3, 5), (5, 5), (5, 10), (5, 15), (8, 20), (10, 30))
FALLS = (0.0, 1.0, 2.0)
# Intervals are wanted only for their width, which few series show well enough.
WIDTHS_FROM = 200
TABLE = Path(__file__).parents[1] / "toolkit" / "rungwise" / "data" / "level_coverage.csv"


def reweighted(fit: Ar1Fit, contrast: np.ndarray, fall: float) -> Mixture:
    """Give the mixture with another weight of φ, from the nodes already evaluated."""
    mixture = fit.contrast(contrast)
    nodes = fit.nodes
    share = mixture.share * (1 - nodes) ** (fall - PRIOR_FALL)
    return Mixture(mixture.center, mixture.spread, share / share.sum(axis=1, keepdims=True), mixture.df)


def rows_of(design: grid.Design, rng: np.random.Generator, replications: int) -> list[dict[str, Any]]:
    """Give the rows of one cell: one per way of dealing with φ."""
    values = design.simulate(rng, replications).values.astype(float)
    n_a, n = design.n_baseline, values.shape[1]
    t = np.arange(n, dtype=float)
    phase = (t >= n_a) * 1.0
    design_matrix = np.column_stack([np.ones(n), t, phase, phase * (t - n_a)])
    fit = fit_ar1(values, design_matrix, t)
    usable = fit.reason == ""
    contrast = np.array([0, 0, 1, n - 1 - n_a], dtype=float)
    ways = {f"integrated, fall {fall:g}": reweighted(fit, contrast, fall) for fall in FALLS}
    ways["plug_in"] = fit.contrast(contrast, "plug_in")
    ways["newey_west"] = fit_newey_west(values, design_matrix).contrast(contrast)
    rows = []
    for way, mixture in ways.items():
        some = slice(0, WIDTHS_FROM)
        low, high = Mixture(
            mixture.center[some], mixture.spread[some], mixture.share[some], mixture.df[some]
        ).limits(0.95)
        rows.append(
            {
                "n_baseline": n_a,
                "n_exposure": design.n_exposure,
                "phi": design.phi,
                "trend": design.trend,
                "effect": design.effect,
                "inference": way,
                "improvement": f"{np.mean(mixture.p_value('less')[usable] < 0.025):.4f}",
                "worsening": f"{np.mean(mixture.p_value('greater')[usable] < 0.025):.4f}",
                "median_interval_width": f"{np.nanmedian(high - low):.2f}",
                "not_estimable": f"{1 - usable.mean():.4f}",
                "mean_phi_reml": f"{np.nanmean(fit.phi):.3f}",
            }
        )
    return rows


def main() -> None:
    """Make the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--replications", type=int, default=4000)
    parser.add_argument("--to", type=Path, default=TABLE)
    chosen = parser.parse_args()
    begun = time.perf_counter()
    rows = []
    number = 0
    for n_baseline, n_exposure in LENGTHS:
        for phi in grid.AUTOCORRELATIONS:
            for trend in grid.TRENDS:
                for effect in grid.EFFECT_WORDS:
                    design = grid.Design(n_baseline, n_exposure, phi, trend, "middle", effect)
                    rng = np.random.default_rng([SEED, number])
                    rows += rows_of(design, rng, chosen.replications)
                    number += 1
        print(f"{n_baseline} + {n_exposure} done, {time.perf_counter() - begun:.0f} s", flush=True)
    grid.write_table(
        chosen.to,
        rows,
        "How often the change beyond the projected baseline is called better or worse, one-sided 2.5 %.",
        SEED,
        chosen.replications,
        f"python benchmarks/level_coverage.py --replications {chosen.replications}",
    )
    print(f"{len(rows)} rows written to {chosen.to}")


if __name__ == "__main__":
    main()
