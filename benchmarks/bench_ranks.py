"""Speed of the rank statistics, as ratios to general-purpose routines timed in the same run.

    python benchmarks/bench_ranks.py [--quick]

Series of 8 + 20 whole ratings from 0 to 10 unless stated. Each row times ours and the other in turn
(processor seconds), several times over, and prints the median ratio with its range; one-at-a-time
routines are timed on few series and compared per series. Growth is the exponent of time in the number
and in the length of series. A ratio to a loop flatters everyone, because most of the loop is call
overhead: the row against ``mannwhitneyu(axis=1)``, which is vectorized, is the honest one.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
from collections.abc import Callable

import numpy as np
from rungwise.basis import null_trend
from rungwise.basis.null_trend import trend_p
from rungwise.series.batch import SeriesBatch
from rungwise.single_case.nap import nap_batch
from rungwise.single_case.pairs import PairCounts, pair_counts
from rungwise.single_case.tau import tau_batch
from scipy import stats
from timing import compare, goal, seconds

N_BASELINE, N_EXPOSURE = 8, 20


def ratings(rng: np.random.Generator, rows: int, places: int) -> np.ndarray:
    """Draw whole ratings from 0 to 10."""
    return rng.integers(0, 11, (rows, places)).astype(np.int8)


def growth(name: str, sizes: list[int], timed: Callable[[int], float], most: float, rounds: int) -> None:
    """Print the exponent with which time grows, from the quickest of several runs at each size."""
    times = [min(timed(size) for _ in range(rounds + 2)) for size in sizes]
    exponent = np.polyfit(np.log(sizes), np.log(times), 1)[0]
    listed = ", ".join(f"{size}: {took * 1e3:.1f} ms" for size, took in zip(sizes, times, strict=True))
    print(f"{name:58s} exponent {exponent:.2f} ({listed})  at most {most:g}", flush=True)


def kendall_rows(rng: np.random.Generator, rounds: int, rows: int) -> None:
    """S and Tau against a loop over kendalltau."""
    for places, size, floor, reach in ((28, rows, 1000, 2500), (60, rows // 4, 300, 600)):
        values = ratings(rng, size, places)
        clock, few = np.arange(places), values[:300]

        def ours(values: np.ndarray = values) -> object:
            counts = PairCounts(SeriesBatch.from_arrays(values, N_BASELINE))
            return counts.whole.s, counts.ab.s / counts.ab.pairs

        def loop(few: np.ndarray = few, clock: np.ndarray = clock) -> object:
            return [stats.kendalltau(clock, row) for row in few]

        name = f"S and Tau, {size:,} series of {places}, against kendalltau"
        compare(name, ours, size, loop, len(few), goal(floor, reach), rounds)


def nap_rows(rng: np.random.Generator, rounds: int, rows: int) -> None:
    """NAP with p against the vectorized Mann-Whitney test, and the exact p against resampling."""
    size = rows // 5
    values = ratings(rng, size, N_BASELINE + N_EXPOSURE)

    def normal() -> object:
        batch = SeriesBatch.from_arrays(values, N_BASELINE)
        return nap_batch(batch, p_value="normal", interval=False).p_value

    def scipy_normal() -> np.ndarray:
        a, b = values[:, :N_BASELINE], values[:, N_BASELINE:]
        return stats.mannwhitneyu(a, b, axis=1, method="asymptotic").pvalue

    difference = np.max(np.abs(np.asarray(normal()) - scipy_normal()))
    name = f"NAP with p, {size:,}, against mannwhitneyu(axis=1)"
    compare(name, normal, size, scipy_normal, size, goal(10, 19), rounds)
    print(f"{'':58s} largest difference of p {difference:.1e}")

    exact_size = size // 10

    def exact() -> object:
        batch = SeriesBatch.from_arrays(values[:exact_size], N_BASELINE)
        return tau_batch(batch, interval=False).p_value

    def resampled() -> None:
        for row in values[:3]:
            stats.permutation_test(
                (row[N_BASELINE:].astype(float), row[:N_BASELINE].astype(float)),
                rank_sum,
                vectorized=True,
                n_resamples=9999,
                rng=np.random.default_rng(1),
            )

    name = f"exact A-B p with ties, {exact_size:,}, against 9,999 resamples"
    compare(name, exact, exact_size, resampled, 3, goal(400, 800), rounds)

    def single(row: np.ndarray) -> float:
        batch = SeriesBatch.from_arrays(row[None], 30)
        return seconds(lambda: pair_counts(batch).exact_p("two-sided"))

    for label, sixty in (
        ("tied", ratings(rng, 20, 60)),
        ("untied", rng.permuted(np.tile(np.arange(60), (20, 1)), axis=1)),
    ):
        took = statistics.median(single(row) for row in sixty)
        name = f"exact A-B p, one {label} series of 30 + 30"
        print(f"{name:58s} {took * 1e3:9.3f} ms  at most 10, reach for 3")


def rank_sum(x: np.ndarray, y: np.ndarray, axis: int) -> np.ndarray:
    """Sum the ranks of the first sample: the vectorized statistic the resampling is timed with."""
    both = np.concatenate([x, y], axis=axis)
    return stats.rankdata(both, axis=axis)[..., : x.shape[axis]].sum(axis=axis)


def trend_rows(rng: np.random.Generator, rounds: int) -> None:
    """Exact trend p against a vectorized permutation test, with and without remembered ties."""
    places, size = 28, 2000
    values = ratings(rng, size, places)
    counts = np.stack([(values == rating).sum(axis=1) for rating in range(11)], axis=1)
    later = np.triu(np.ones((places, places), dtype=bool), 1)
    s = np.array([int(np.sign(row[None, :] - row[:, None])[later].sum()) for row in values.astype(int)])

    def warm() -> object:
        return trend_p(counts, s)

    def cold() -> object:
        for remembered in (null_trend.inversions, null_trend.gaussian, null_trend._cumulated):
            remembered.cache_clear()
        return [trend_p(counts[i : i + 1], s[i : i + 1]) for i in range(200)]

    def kendall(y: np.ndarray, axis: int) -> np.ndarray:
        y = np.moveaxis(y, axis, -1)
        return sum(np.sign(y[..., i + 1 :] - y[..., i : i + 1]).sum(axis=-1) for i in range(places - 1))

    def resampled() -> object:
        return stats.permutation_test(
            (values[0].astype(float),),
            kendall,
            permutation_type="pairings",
            vectorized=True,
            n_resamples=9999,
            rng=np.random.default_rng(1),
        )

    compare(
        "exact trend p with ties, cold, against 9,999 resamples",
        cold,
        200,
        resampled,
        1,
        goal(30, 100),
        rounds,
    )
    compare(
        "exact trend p with ties, warm, against 9,999 resamples",
        warm,
        size,
        resampled,
        1,
        goal(300, 1000),
        rounds,
    )


def growth_rows(rng: np.random.Generator, rounds: int, rows: int) -> None:
    """How time grows with the number and with the length of series."""

    def in_series(size: int) -> float:
        values = ratings(rng, size, 28)
        return seconds(lambda: PairCounts(SeriesBatch.from_arrays(values, N_BASELINE)).whole)

    def in_length(places: int) -> float:
        values = ratings(rng, 16384, places)
        batch = SeriesBatch.from_arrays(values, places // 3)
        return seconds(lambda: PairCounts(batch).whole)

    growth(
        "pair counts, growth in series", [rows // 8, rows // 4, rows // 2, rows], in_series, 1.10, rounds
    )
    growth("pair counts, growth in length", [30, 60, 120, 240], in_length, 2.1, rounds)


def ragged_row(rng: np.random.Generator, rows: int) -> None:
    """Build and count ragged series from flat columns."""
    lengths = rng.integers(12, 41, rows)
    n_a = np.minimum(rng.integers(3, 11, rows), lengths - 5)
    offsets = np.concatenate([[0], np.cumsum(lengths)])
    values = rng.integers(0, 11, offsets[-1]).astype(np.int8)
    built = seconds(lambda: SeriesBatch.from_flat(values, offsets, n_a))
    batch = SeriesBatch.from_flat(values, offsets, n_a)
    counted = seconds(lambda: PairCounts(batch).whole)
    print(
        f"{f'{rows:,} ragged series of 12 to 40 from flat columns':58s} built {built * 1e6 / rows:.2f}, "
        f"counted {counted * 1e6 / rows:.2f} us a series"
    )


ALLOCATOR = """
import sys, time
import numpy as np
from rungwise.series.batch import SeriesBatch
from rungwise.single_case.pairs import PairCounts
values = np.random.default_rng(1).integers(0, 11, (int(sys.argv[1]), 28)).astype(np.int8)
batch = SeriesBatch.from_arrays(values, 8)
work = (lambda: PairCounts(batch).whole) if sys.argv[2] == "counts" else (
    lambda: PairCounts(batch).exact_p("two-sided"))
work()
times = []
for _ in range(5):
    begun = time.process_time()
    work()
    times.append(time.process_time() - begun)
print(min(times))
"""


def allocator_rows() -> None:
    """Kernel time under an allocator that hands memory back at once, as some schedulers set it."""
    for work, size in (("counts", 200_000), ("exact p", 10_000)):
        found = []
        for extra in ({}, {"MALLOC_TRIM_THRESHOLD_": "65536"}):
            done = subprocess.run(
                [sys.executable, "-c", ALLOCATOR, str(size), work],
                env=os.environ | extra, capture_output=True, text=True, check=True,
            )  # fmt: skip
            found.append(float(done.stdout))
        name = f"{work} of {size:,} with MALLOC_TRIM_THRESHOLD_=65536"
        print(f"{name:58s} {found[1] / found[0]:.2f} x the default  at most 1.2, reach for 1.05")


def main() -> None:
    """Print every row."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of the series, one round")
    quick = parser.parse_args().quick
    rounds, rows = (1, 100_000) if quick else (5, 1_000_000)
    rng = np.random.default_rng(20261001)
    print(f"numpy {np.__version__}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; {rounds} rounds")
    kendall_rows(rng, rounds, rows)
    nap_rows(rng, rounds, rows)
    trend_rows(rng, rounds)
    growth_rows(rng, rounds, rows)
    ragged_row(rng, rows)
    allocator_rows()


if __name__ == "__main__":
    main()
