"""Start of the command line, against a bare Python start in the same run.

    python benchmarks/bench_start.py [--runs 15]

Whole processes in turn, user and system seconds of each as the operating system counts them; medians
of the ratios pair by pair. The package is compiled first, as an installation leaves it.
"""

from __future__ import annotations

import argparse
import compileall
import os
import statistics
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
BARE = [sys.executable, "-c", "pass"]
COMMAND = [sys.executable, "-m", "rungwise.command"]
TASKS = {
    "import of numpy alone": ([sys.executable, "-c", "import numpy"], None),
    "--help": ([*COMMAND, "--help"], (5, 2.5)),
    "printed child answer": ([*COMMAND, "child", str(ROOT / "data_demo" / "one_child.csv")], (20, 10)),
}


def seconds(command: list[str]) -> float:
    """Processor seconds of one run of a command."""
    process = subprocess.Popen(
        command, stdout=subprocess.DEVNULL, env={**os.environ, "OMP_NUM_THREADS": "1"}
    )
    _, status, usage = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"{' '.join(command)} failed")
    return usage.ru_utime + usage.ru_stime


def main() -> None:
    """Time every task against a bare start and print the ratios."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=15)
    runs = parser.parse_args().runs
    compileall.compile_dir(ROOT / "toolkit", quiet=2)
    for name, (command, goals) in TASKS.items():
        seconds(command)
        pairs = [(seconds(command), seconds(BARE)) for _ in range(runs)]
        # A bare start takes few clock ticks, so the ratio is of sums, with the range over thirds.
        thirds = [pairs[i::3] for i in range(3)]
        ratios = sorted(sum(a for a, _ in part) / sum(b for _, b in part) for part in thirds)
        whole = sum(a for a, _ in pairs) / sum(b for _, b in pairs)
        aim = f"  at most {goals[0]:g}, reach for {goals[1]:g}" if goals else ""
        took = statistics.median(a for a, _ in pairs)
        print(
            f"{name:24s} {whole:6.1f} x a bare start [{ratios[0]:.1f}, {ratios[-1]:.1f}] {took:.3f} s{aim}"
        )


if __name__ == "__main__":
    main()
