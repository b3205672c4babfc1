"""How the benchmarks time: processor seconds, ours and the other in turn, ratios of one run."""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path


def seconds(work: Callable[[], object]) -> float:
    """Give the processor seconds of one call, so that other work on the machine counts less."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def compare(
    name: str,
    ours: Callable[[], object],
    our_size: int,
    other: Callable[[], object],
    other_size: int,
    goal: str,
    rounds: int,
) -> None:
    """Time both in turn and print the ratio per series."""
    ours()
    ratios, own = [], []
    for _ in range(rounds):
        own.append(seconds(ours) / our_size)
        ratios.append(seconds(other) / other_size / own[-1])
    print(
        f"{name:62s} {statistics.median(own) * 1e6:9.3f} us a series; {statistics.median(ratios):8.0f} x "
        f"[{min(ratios):.0f}, {max(ratios):.0f}]  {goal}",
        flush=True,
    )


def goal(least: float, reach: float) -> str:
    """Say what a ratio should be."""
    return f"at least {least:g} x, reach for {reach:g} x"


def in_own_process(script: str, task: str, folder: Path) -> dict[str, float]:
    """Run one task of a script in a process of its own, so that its peak memory is its own."""
    call = [sys.executable, script, "--one", task, str(folder)]
    return json.loads(subprocess.run(call, check=True, capture_output=True, text=True).stdout)
