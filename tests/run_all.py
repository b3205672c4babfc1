"""The whole test suite, in the order in which a mistake is cheapest to find.

Run it as ``make test`` or, without make, ``.venv\\Scripts\\python tests\\run_all.py``.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
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
    # One more worker than cores: tests that drive commands and browsers mostly wait for them.
    "tests": [*PYTHON, "-m", "pytest", "-q", "-p", "no:nbval", "-n", "3", "tests"],
    "notebooks": [
        *PYTHON, "-m", "pytest", "-q", "--nbval", "--nbval-current-env",
        "--nbval-sanitize-with=tests/nbval.cfg", "--nbval-cell-timeout=300",
        "-n", "2", "--dist", "loadfile", "notebooks",
    ],
}  # fmt: skip


def main() -> int:
    """Run every step, also after a failure, and say at the end which failed."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    failed = []
    for name, command in STEPS.items():
        print(f"== {name}", flush=True)
        started = time.monotonic()
        if subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode:
            failed.append(name)
        print(f"== {name}: {time.monotonic() - started:.0f} s", flush=True)
    if failed:
        print(f"Failed: {', '.join(failed)}.")
        return 1
    print("All steps passed.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
