"""Speed of the generator of planned ratings, against drawing its random numbers alone.

    python benchmarks/bench_simulate.py

50 designs of 8 + 20 occasions with 10,000 replications each, single precision, autocorrelation .3,
whole ratings from 0 to 10. Every repetition times both in turn, so the ratio is of one run.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from statistics import NormalDist

import numpy as np
from rungwise.simulate.ratings import simulate_ratings
from rungwise.single_case.pairs import pair_counts

# Square of the two-sided 5 % point of the normal distribution.
Z2 = NormalDist().inv_cdf(0.975) ** 2
DESIGNS, REPLICATIONS, N_BASELINE, N_EXPOSURE = 50, 10_000, 8, 20


def draw_only() -> None:
    """Draw the random numbers of all designs and do nothing with them."""
    rng = np.random.default_rng(1)
    for _ in range(DESIGNS):
        rng.standard_normal((N_BASELINE + N_EXPOSURE, REPLICATIONS), dtype=np.float32)


def simulate() -> None:
    """Simulate all designs."""
    rng = np.random.default_rng(1)
    for _ in range(DESIGNS):
        simulate_ratings(rng, REPLICATIONS, N_BASELINE, N_EXPOSURE, phi=0.3, slope_change=-0.1)


def simulate_with_declines() -> None:
    """Simulate all designs with declines and missed occasions."""
    rng = np.random.default_rng(1)
    for _ in range(DESIGNS):
        simulate_ratings(
            rng,
            REPLICATIONS,
            N_BASELINE,
            N_EXPOSURE,
            phi=0.3,
            slope_change=-0.1,
            decline_at=9.5,
            missed=0.05,
        )


def power() -> list[float]:
    """Simulate all designs and give the share with a two-sided p of at most .05 in each.

    The p is the normal one with the tie-corrected variance of S (Kendall 1975).
    """
    rng = np.random.default_rng(1)
    n = N_BASELINE + N_EXPOSURE
    shares = []
    for _ in range(DESIGNS):
        batch = simulate_ratings(
            rng, REPLICATIONS, N_BASELINE, N_EXPOSURE, phi=0.3, slope_change=-0.1
        ).batch()
        counts = pair_counts(batch)
        # Counts by code lie code by code in memory; cubes of at most 28 fit 16 bits.
        tied = counts.ties.T
        lost = (tied * (tied * tied - np.int16(1))).sum(axis=0, dtype=np.int32)
        variance = N_BASELINE * N_EXPOSURE / (3 * n * (n - 1)) * (n**3 - n - lost)
        s = counts.ab.s
        shares.append(float(np.mean(s * s >= Z2 * variance)))
    return shares


def measure(repetitions: int = 9) -> list[dict[str, object]]:
    """Give one row per figure: what, ratio, seconds of both, and the ratio to stay within."""
    rows: list[dict[str, object]] = []
    for what, job, at_most in (
        ("simulated ratings / random numbers alone", simulate, 1.5),
        ("power: simulate, count pairs, tie-corrected p / random numbers alone", power, 3.0),
        ("with declines and missed occasions / random numbers alone", simulate_with_declines, 6.0),
    ):
        pairs = [(_seconds(job), _seconds(draw_only)) for _ in range(repetitions)]
        rows.append(
            {
                "what": what,
                "ratio": statistics.median(ours / base for ours, base in pairs),
                "seconds": statistics.median(ours for ours, _ in pairs),
                "seconds_baseline": statistics.median(base for _, base in pairs),
                "at_most": at_most,
            }
        )
    return rows


def _seconds(job: Callable[[], object]) -> float:
    start = time.perf_counter()
    job()
    return time.perf_counter() - start


if __name__ == "__main__":
    for row in measure():
        print(
            f"{row['what']}: {row['ratio']:.2f} × (at most {row['at_most']} ×; "
            f"{row['seconds']:.3f} s against {row['seconds_baseline']:.3f} s)"
        )
