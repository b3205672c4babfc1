"""Speed of simulated power with the randomization test itself, against drawing the random numbers alone.

    python benchmarks/bench_power.py

10,000 replications of each design, autocorrelation .3, whole ratings from 0 to 10. Every repetition
times both in turn, so the ratio is of one run; both in seconds of the processor. The random numbers are
all that the scenario needs, of the same types: one normal number an occasion, one uniform number an
occasion each for declines, missed probes and leaving where the scenario has them, and for each case how
it differs from others.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np
from rungwise.single_case.designs import RandomStart
from rungwise.single_case.randomization import STATISTICS
from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.study.plan import staggered_windows
from rungwise.study.power import power
from rungwise.study.scenario import Scenario

REPLICATIONS, OCCASIONS = 10_000, 28
SCENARIO = Scenario(phi=0.3, sd_start=0, sd_change=0, level_change=-1)
HARD = Scenario(phi=0.3, baseline_slope=-0.05, decline_at=9.5, missed=0.05, dropout=0.01)
DESIGNS = {
    "one case, 20 starts": ([RandomStart(5, 24, "random")], 1),
    "4 cases in 4 shuffled windows of 3 (1,944 assignments)": (
        StaggeredStarts(staggered_windows(4, OCCASIONS), True, "random"),
        4,
    ),
}


def draw_only(cases: int, scenario: Scenario) -> None:
    """Draw the random numbers that the cases of one scenario need, and do nothing with them."""
    rng = np.random.default_rng(1)
    shape = (OCCASIONS, REPLICATIONS)
    uniform = (scenario.decline_at is not None, scenario.missed > 0, scenario.dropout > 0)
    for _ in range(cases):
        for _ in range((scenario.sd_start > 0) + (scenario.sd_change > 0)):
            rng.standard_normal(REPLICATIONS)
        rng.standard_normal(shape, dtype=np.float32)
        for _ in range(sum(uniform)):
            rng.random(shape, dtype=np.float32)


def measure(repetitions: int = 7) -> list[dict[str, object]]:
    """Give one row per figure: what, ratio, and seconds of both."""
    rows: list[dict[str, object]] = []
    for name, (design, cases) in DESIGNS.items():
        for statistic in STATISTICS:
            for words, scenario in (("", SCENARIO), (", declines, missed, dropout", HARD)):

                def job(design=design, statistic=statistic, scenario=scenario) -> None:
                    power(
                        design, OCCASIONS, scenario, rng=np.random.default_rng(1), statistic=statistic,
                        replications=REPLICATIONS,
                    )  # fmt: skip

                pairs = [
                    (
                        _seconds(job),
                        _seconds(lambda cases=cases, scenario=scenario: draw_only(cases, scenario)),
                    )
                    for _ in range(repetitions)
                ]
                rows.append(
                    {
                        "what": f"{name}, {statistic}{words}",
                        "ratio": statistics_of(pairs),
                        "seconds": min(ours for ours, _ in pairs),
                        "seconds_baseline": min(base for _, base in pairs),
                    }
                )
    return rows


def statistics_of(pairs: list[tuple[float, float]]) -> float:
    """Give the median ratio."""
    return statistics.median(ours / base for ours, base in pairs)


def _seconds(job: Callable[[], object]) -> float:
    start = time.process_time()
    job()
    return time.process_time() - start


if __name__ == "__main__":
    for row in measure():
        print(
            f"{row['what']}: {row['ratio']:.1f} × the random numbers alone "
            f"({row['seconds']:.3f} s against {row['seconds_baseline']:.3f} s)"
        )
