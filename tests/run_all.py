"""The whole test suite, in the order in which a mistake is cheapest to find.

Run it as ``make test`` or, without make, ``.venv\\Scripts\\python tests\\run_all.py``.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PYTHON = [sys.executable]
TOOLS = Path(sys.executable).parent

STEPS = {
    "format": [str(TOOLS / "ruff"), "format", "--check", "."],
    "lint": [str(TOOLS / "ruff"), "check", "."],
    "imports": [str(TOOLS / "lint-imports")],
    "types": [str(TOOLS / "mypy")],
    "docstring examples": [*PYTHON, "-m", "pytest", "-q", "-p", "no:nbval", "--doctest-modules", "toolkit"],
    "notebooks": [
        *PYTHON, "-m", "pytest", "-q", "--nbval", "--nbval-current-env",
        "--nbval-sanitize-with=tests/nbval.cfg", "--nbval-cell-timeout=300", "notebooks",
    ],
    # One more worker than cores: tests that drive commands and browsers mostly wait for them. A file of
    # tests stays with one worker, which makes what the file shares once.
    "tests": [
        *PYTHON, "-m", "pytest", "-q", "-p", "no:nbval", "-n", "3", "--dist", "loadfile", "tests",
    ],
}  # fmt: skip
# Each row runs at one time, each group of a row one step after the other: none of these uses two cores.
ORDER = [
    [["format", "lint", "imports"]],
    [["types", "docstring examples"], ["notebooks"]],
    [["tests"]],
]
ENVIRONMENT = {
    **os.environ,
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    # The tests start hundreds of processes, each of which would compile the toolkit anew.
    "PYTHONDONTWRITEBYTECODE": "",
}


def run_group(group: list[str], *, told_at_the_end: bool) -> list[str]:
    """Run steps one after the other; where other groups run beside it, tell all of a step at its end."""
    failed = []
    for name in group:
        if not told_at_the_end:
            print(f"== {name}", flush=True)
        started = time.monotonic()
        output = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT} if told_at_the_end else {}
        run = subprocess.run(STEPS[name], cwd=ROOT, env=ENVIRONMENT, check=False, **output)
        told = f"== {name}\n{run.stdout.decode('utf-8', 'replace')}" if told_at_the_end else ""
        print(f"{told}== {name}: {time.monotonic() - started:.0f} s\n", end="", flush=True)
        if run.returncode:
            failed.append(name)
    return failed


def main() -> int:
    """Run every step, also after a failure, and say at the end which failed."""
    failed = []
    for row in ORDER:
        with ThreadPoolExecutor(len(row)) as pool:
            groups = [pool.submit(run_group, group, told_at_the_end=len(row) > 1) for group in row]
            failed += [name for group in groups for name in group.result()]
    if failed:
        print(f"Failed: {', '.join(failed)}.")
        return 1
    print("All steps passed.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
