"""Time and memory of reading, checking and auditing a large caseload, in a process of its own.

    python benchmarks/bench_audit.py [--children 1000]

Every child has 100 planned ratings (30 in baseline, 70 in exposure, some declined) and dates, made from
a seed; the quarter audited is the one with most outcomes due, and earlier quarters are counted with it.
Seconds are of the whole process, imports included; the yardstick is pandas reading the same file with
its dates and nothing else.
"""

from __future__ import annotations

import argparse
import json
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
from timing import in_own_process

SEED = 20261104
PER_CHILD, BASELINE = 100, 30
QUARTER, TODAY = "2026Q2", "2026-11-13"
AT_MOST_SECONDS, AT_MOST_MIB = 15, 1024


def make(folder: Path, children: int) -> None:
    """Write the ratings."""
    rng = np.random.default_rng(SEED)
    with open(folder / "ratings.csv", "w", encoding="utf-8") as out:
        out.write("child_id,date,phase,rating,declined\n")
        for n in range(children):
            first = np.datetime64("2025-10-01") + int(rng.integers(0, 240))
            days = first + (np.arange(PER_CHILD) * 1.5).astype(int)
            level = rng.integers(6, 9) + rng.normal(0, 1, PER_CHILD)
            level[BASELINE:] -= np.linspace(0, rng.uniform(0, 4), PER_CHILD - BASELINE)
            ratings = np.clip(np.rint(level), 0, 10).astype(int)
            declined = (rng.random(PER_CHILD) < 0.03) & (np.arange(PER_CHILD) >= BASELINE)
            out.writelines(
                f"C{n:05d},{day},{'baseline' if i < BASELINE else 'exposure'},"
                f"{'' if no else rating},{'yes' if no else 'no'}\n"
                for i, (day, rating, no) in enumerate(zip(days, ratings, declined, strict=True))
            )


def one(task: str, folder: Path) -> dict[str, float]:
    """Run one task in this process and say what it took."""
    begun = time.perf_counter()
    judged = 0
    if task == "pandas":
        import pandas as pd

        pd.read_csv(folder / "ratings.csv", parse_dates=["date"])
    else:
        from rungwise.audit.audit import audit_quarter
        from rungwise.audit.serialize import audit_json
        from rungwise.series.caseload import read_caseload

        audit = audit_quarter(read_caseload(folder), QUARTER, today=TODAY)
        audit_json(audit)
        judged = int(audit.history["judged"].sum())
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return {
        "seconds": time.perf_counter() - begun,
        "cpu": usage.ru_utime + usage.ru_stime,
        "peak_mib": usage.ru_maxrss / 1024,
        "judged": judged,
    }


def main() -> None:
    """Make the data, run both tasks three times in turn, and print the medians."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--children", type=int, default=1000)
    parser.add_argument("--one", nargs=2, metavar=("TASK", "FOLDER"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        print(json.dumps(one(options.one[0], Path(options.one[1]))))
        return
    with tempfile.TemporaryDirectory() as base:
        folder = Path(base)
        make(folder, options.children)
        rounds = [
            {task: in_own_process(__file__, task, folder) for task in ("pandas", "audit")} for _ in range(3)
        ]
    print(f"{'task':8}{'s':>8}{'CPU s':>8}{'peak MiB':>10}{'judged':>8}")
    for task in ("pandas", "audit"):
        median = {name: np.median([each[task][name] for each in rounds]) for name in rounds[0][task]}
        print(
            f"{task:8}{median['seconds']:8.2f}{median['cpu']:8.2f}{median['peak_mib']:10.0f}"
            f"{median['judged']:8.0f}"
        )
    print(f"at most {AT_MOST_SECONDS} s and {AT_MOST_MIB} MiB for 1,000 children on a free machine")


if __name__ == "__main__":
    main()
