"""Run every benchmark, one after the other; ratios are within each run.

python benchmarks/run_all.py
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent


def main() -> int:
    """Run the benchmarks and give 1 if any of them failed."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    failed = []
    for script in sorted(HERE.glob("bench_*.py")):
        print(f"\n== {script.name}", flush=True)
        if subprocess.run([sys.executable, script], env=environment, check=False).returncode:
            failed.append(script.name)
    if failed:
        print(f"\nFailed: {', '.join(failed)}.")
    return bool(failed)


if __name__ == "__main__":
    sys.exit(main())
