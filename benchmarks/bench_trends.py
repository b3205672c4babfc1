"""Speed of trend, slope and randomization tests, as ratios to general-purpose routines in one run.

    python benchmarks/bench_trends.py [--quick]

Series of 8 + 20 whole ratings from 0 to 10 unless stated. Ours and the other are timed in turn, several
times over; the median ratio is printed with its range. One-at-a-time routines are timed on few series
and compared per series. Run with OMP_NUM_THREADS=1: all times are of one thread. Before a ratio is
printed the two are compared, and a difference ends the run.
"""

from __future__ import annotations

import argparse
import os
import statistics
from itertools import permutations, product

import numpy as np
from rungwise.basis import null_trend
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.randomization import randomization_test
from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.single_case.theil_sen import theil_sen_batch
from rungwise.single_case.trend import mann_kendall_batch
from scipy import stats
from timing import compare, seconds

N_BASELINE, N_EXPOSURE = 8, 20


def same(what: str, ours: np.ndarray, theirs: np.ndarray, most: float) -> None:
    """End the run if the two differ by more than allowed."""
    difference = float(np.max(np.abs(np.asarray(ours) - np.asarray(theirs))))
    if not difference <= most:
        raise SystemExit(f"{what}: ours and the other differ by {difference:.3g}, allowed {most:g}")
    print(f"{what:62s} largest difference {difference:.3g}", flush=True)


def slope_rows(rng: np.random.Generator, rounds: int, rows: int) -> None:
    """Exact Theil–Sen slopes with intervals against a loop over theilslopes, which gives both too."""
    values = rng.integers(0, 11, (rows, N_BASELINE + N_EXPOSURE)).astype(np.int8)
    few = values[:300]
    clock = np.arange(1.0, values.shape[1] + 1)
    batch = SeriesBatch.from_arrays(values, N_BASELINE)
    ours = theil_sen_batch(SeriesBatch.from_arrays(few, N_BASELINE)).value
    same("Theil-Sen slopes of 300 series", ours, [stats.theilslopes(r, clock).slope for r in few], 0.0)
    compare(
        f"Theil-Sen with interval, {rows:,}, against theilslopes",
        lambda: theil_sen_batch(batch),
        rows,
        lambda: [stats.theilslopes(row, clock) for row in few],
        len(few),
        "at least 100 x, reach for 250 x",
        rounds,
    )


def kendall(y: np.ndarray, axis: int) -> np.ndarray:
    """Kendall's S against untied time: the vectorized statistic the resampling is timed with."""
    y = np.moveaxis(y, axis, -1)
    last = y.shape[-1] - 1
    return sum(np.sign(y[..., i + 1 :] - y[..., i : i + 1]).sum(axis=-1) for i in range(last))


def trend_rows(rng: np.random.Generator, rounds: int) -> None:
    """The whole Mann–Kendall result with exact p against one vectorized permutation test."""
    values = rng.integers(0, 11, (20_000, N_BASELINE + N_EXPOSURE)).astype(np.int8)
    batch = SeriesBatch.from_arrays(values, N_BASELINE)
    single = [SeriesBatch.from_arrays(row[None], N_BASELINE) for row in values[:100]]

    def resampled() -> float:
        return stats.permutation_test(
            (values[0].astype(float),), kendall, permutation_type="pairings", vectorized=True,
            n_resamples=9999, rng=np.random.default_rng(1),
        ).pvalue  # fmt: skip

    exact = float(mann_kendall_batch(single[0]).p_value[0])
    same("exact trend p of one series, against 9,999 resamples", exact, resampled(), 0.02)

    def cold() -> None:
        for remembered in (null_trend.inversions, null_trend.gaussian, null_trend._cumulated):
            remembered.cache_clear()
        for one in single:
            mann_kendall_batch(one)

    goal = "at least 30 x cold, reach for 300 x warm"
    compare("Mann-Kendall one by one, cold, against 9,999 resamples", cold, 100, resampled, 1, goal, rounds)
    compare(
        "Mann-Kendall, 20,000 at once, warm, against 9,999 resamples",
        lambda: mann_kendall_batch(batch),
        len(values),
        resampled,
        1,
        goal,
        rounds,
    )


def staggered(
    rng: np.random.Generator, cases: int, starts: int
) -> tuple[list[PhaseSeries], StaggeredStarts]:
    """Make series with staggered starts, windows shuffled over them."""
    windows = tuple(tuple(range(5 + 2 * i, 5 + 2 * i + starts)) for i in range(cases))
    drawn = rng.permutation([window[rng.integers(starts)] for window in windows])
    series = []
    for start in drawn.tolist():
        values = rng.integers(3, 9, 32) - 2 * (np.arange(1, 33) >= start)
        series.append(PhaseSeries.from_phases(values[: start - 1], values[start - 1 :]))
    return series, StaggeredStarts(windows, shuffled=True, assignment="random")


def one_by_one(series: list[PhaseSeries], design: StaggeredStarts) -> float:
    """Go through every assignment, mean differences looked up: what meeting in the middle saves."""
    tables = [
        {
            start: one.values[start - 1 :].mean() - one.values[: start - 1].mean()
            for window in design.windows
            for start in window
        }
        for one in series
    ]
    observed = sum(table[one.n_baseline + 1] for table, one in zip(tables, series, strict=True))
    good = total = 0
    for order in permutations(design.windows):
        for drawn in product(*order):
            total += 1
            good += sum(table[s] for table, s in zip(tables, drawn, strict=True)) <= observed + 1e-9
    return good / total


def randomization_rows(rng: np.random.Generator, rounds: int) -> None:
    """Exact multiple-baseline tests, timed; a small one compared with going through one by one."""
    series, design = staggered(rng, 4, 5)
    test = randomization_test(series, design=design, interval=False)
    same("multiple baseline, 15,000 assignments, p", test.p_value, one_by_one(series, design), 1e-12)
    compare(
        "multiple baseline, 4 series x 5 starts, against one by one",
        lambda: randomization_test(series, design=design, interval=False),
        1,
        lambda: one_by_one(series, design),
        1,
        "",
        rounds,
    )
    for cases, goal in ((6, "at most 50 ms, reach for 5"), (8, "reach for 300 ms")):
        series, design = staggered(rng, cases, 5)
        took = [
            seconds(lambda s=series, d=design: randomization_test(s, design=d, interval=False))
            for _ in range(rounds + 2)
        ]
        limits = seconds(lambda s=series, d=design: randomization_test(s, design=d))
        name = f"multiple baseline, {cases} series x 5 starts, {design.n_assignments:,} assignments"
        print(
            f"{name:72s} {statistics.median(took) * 1e3:8.1f} ms [{min(took) * 1e3:.1f}, "
            f"{max(took) * 1e3:.1f}]  {goal}; with interval {limits:.2f} s",
            flush=True,
        )


def main() -> None:
    """Print every row."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of the series, one round")
    quick = parser.parse_args().quick
    rounds, rows = (1, 20_000) if quick else (5, 200_000)
    rng = np.random.default_rng(20261002)
    print(f"numpy {np.__version__}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; {rounds} rounds")
    slope_rows(rng, rounds, rows)
    trend_rows(rng, rounds)
    randomization_rows(rng, rounds)


if __name__ == "__main__":
    main()
