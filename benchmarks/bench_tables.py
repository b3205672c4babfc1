"""Speed and memory of reading and checking a caseload, as ratios to a plain reading of the same file.

    python benchmarks/bench_tables.py [--rows 1000000]

A caseload of observations (twelve columns, a hundred rows a child) with its children, ladders, plans
and phases, made from a seed, as CSV and as Parquet. Each reading runs in a process of its own, so that
its peak memory is its own; the yardstick is pandas reading the same observations without any check,
every column as text, dates parsed. "damaged" has one error in every hundredth row. Both CSV and Parquet
must give the same sound rows.
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

SEED = 20261103
PER_CHILD = 100


def make(folder: Path, rows: int, damaged: bool) -> None:
    """Write the caseload as CSV files."""
    rng = np.random.default_rng(SEED)
    children = max(rows // PER_CHILD, 1)
    codes = np.array([f"C{n:06d}" for n in range(children)])
    day = np.datetime64("2024-01-01") + np.arange(PER_CHILD) * 3
    text = [str(one) for one in day]
    kinds = np.array(["probe", "practice", "practice", "approach"])
    kind = np.tile(kinds, PER_CHILD // 4)
    step = np.where(kind == "probe", 4, np.tile(np.arange(1, 6), PER_CHILD // 5))
    with open(folder / "observations.csv", "w", encoding="utf-8") as out:
        out.write(
            "child_id,ladder_id,date,trial,kind,step,outcome,fear_before,fear_peak,fear_end,rated_by,setting\n"
        )
        for code in codes:
            fear = rng.integers(3, 11, PER_CHILD)
            declined = rng.random(PER_CHILD) < 0.05
            lines = [
                f"{code},gangway,{text[i]},1,{kind[i]},{step[i]},declined,{fear[i]},,,child,harbor\n"
                if declined[i]
                else f"{code},gangway,{text[i]},1,{kind[i]},{step[i]},completed,{fear[i] - 1},{fear[i]},"
                f"{fear[i] - 3},child,harbor\n"
                for i in range(PER_CHILD)
            ]
            if damaged:
                lines[50] = lines[50].replace(",1,", ",one,", 1)
            out.writelines(lines)
    write(folder / "children.csv", "child_id,entered_on", (f"{code},2024-01-01" for code in codes))
    write(
        folder / "ladders.csv", "ladder_id,step,activity", (f"gangway,{n},plank {n}" for n in range(1, 9))
    )
    write(folder / "plans.csv", "child_id,ladder_id,probe_step", (f"{code},gangway,4" for code in codes))
    write(
        folder / "phases.csv",
        "child_id,ladder_id,starts_on,phase",
        (f"{code},gangway,2024-01-02,exposure" for code in codes),
    )


def write(path: Path, header: str, lines: object) -> None:
    """Write one small table."""
    path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")  # type: ignore[misc]


def as_parquet(folder: Path, other: Path) -> None:
    """Write the same tables as Parquet, every column with its own type."""
    import pandas as pd

    for path in folder.glob("*.csv"):
        dates = [name for name in ("date", "entered_on", "starts_on") if name in path.read_text()[:200]]
        pd.read_csv(path, parse_dates=dates).to_parquet(other / f"{path.stem}.parquet", index=False)


def one(task: str, folder: Path) -> dict[str, float]:
    """Run one reading in this process and say what it took."""
    begun = time.perf_counter()
    if task == "pandas":
        import pandas as pd

        table = pd.read_csv(folder / "observations.csv", dtype=str)
        pd.to_datetime(table["date"], format="%Y-%m-%d")
        rows = len(table)
        problems = 0
    else:
        from rungwise.series.caseload import read_caseload

        caseload = read_caseload(folder)
        rows = len(caseload.tables["observations"])
        problems = len(caseload.report)
    took = time.perf_counter() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"seconds": took, "peak_mib": peak, "rows": rows, "problems": problems}


def main() -> None:
    """Make the data, run every reading three times in turn, and print the medians."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--one", nargs=2, metavar=("TASK", "FOLDER"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        print(json.dumps(one(options.one[0], Path(options.one[1]))))
        return
    with tempfile.TemporaryDirectory() as base:
        folders = {name: Path(base, name) for name in ("csv", "parquet", "damaged")}
        for folder in folders.values():
            folder.mkdir()
        make(folders["csv"], options.rows, damaged=False)
        make(folders["damaged"], options.rows, damaged=True)
        as_parquet(folders["csv"], folders["parquet"])
        tasks = {"pandas": folders["csv"], **folders}
        rounds = [
            {name: in_own_process(__file__, name, folder) for name, folder in tasks.items()}
            for _ in range(3)
        ]
    plain = np.median([one_round["pandas"]["seconds"] for one_round in rounds])
    print(f"{'reading':10}{'s':>8}{'x pandas':>10}{'peak MiB':>10}{'rows':>12}{'problems':>10}")
    for name in tasks:
        took = np.median([one_round[name]["seconds"] for one_round in rounds])
        last = rounds[-1][name]
        print(
            f"{name:10}{took:8.2f}{took / plain:10.2f}{last['peak_mib']:10.0f}{last['rows']:12.0f}"
            f"{last['problems']:10.0f}"
        )


if __name__ == "__main__":
    main()
