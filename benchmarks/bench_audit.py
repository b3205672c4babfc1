"""Time and memory of reading, checking and auditing a large caseload, in a process of its own.

    python benchmarks/bench_audit.py [--children 1000] [--level 1]

At level 1 every child has 100 planned ratings (30 in baseline, 70 in exposure, some declined) and dates,
made from a seed; at level 3 the demo practice stands in the files again and again under other codes,
with all its tables, which makes about 109 observations a child. The quarter audited is the one with most
outcomes due, and earlier quarters are counted with it. Seconds are of the whole process, imports
included; the yardstick is pandas reading the largest file with its dates and nothing else. The task
"page" is the whole report of the practice as `rungwise audit` writes it, in two processes.
"""

from __future__ import annotations

import argparse
import csv
import json
import resource
import shutil
import tempfile
import time
from pathlib import Path

import numpy as np
from timing import in_own_process

SEED = 20261104
PER_CHILD, BASELINE = 100, 30
QUARTERS, TODAY = {1: "2026Q2", 3: "2026Q3"}, "2026-11-13"
LARGEST = {1: "ratings.csv", 3: "observations.csv"}
DEMO = Path(__file__).resolve().parents[1] / "data_demo" / "practice"
TASKS = ("pandas", "audit", "page")
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


def make_again(folder: Path, children: int) -> None:
    """Write the demo practice so often that there are so many children."""
    with open(DEMO / "children.csv", encoding="utf-8", newline="") as source:
        codes = [row["child_id"] for row in csv.DictReader(source)]
    times = -(-children // len(codes))
    kept = {
        code: [n for n in range(times) if n * len(codes) + i < children] for i, code in enumerate(codes)
    }
    for file in sorted(DEMO.glob("*.csv")):
        with (
            open(file, encoding="utf-8", newline="") as source,
            open(folder / file.name, "w", encoding="utf-8", newline="") as out,
        ):
            head, *rows = csv.reader(source)
            written = csv.writer(out, lineterminator="\n")
            written.writerow(head)
            if "child_id" not in head:
                written.writerows(rows)
                continue
            at = head.index("child_id")
            written.writerows(
                [*row[:at], f"{row[at]}.{n}", *row[at + 1 :]] for row in rows for n in kept[row[at]]
            )
    shutil.copy(DEMO / "practice.toml", folder)


def one(task: str, folder: Path, level: int) -> dict[str, float]:
    """Run one task in this process and say what it took."""
    begun = time.perf_counter()
    judged = 0
    if task == "pandas":
        import pandas as pd

        pd.read_csv(folder / LARGEST[level], parse_dates=["date"])
    elif task == "page":
        from rungwise.reports.audit_report import write_audit

        write_audit(folder, QUARTERS[level], to=folder / "report", overwrite=True, today=TODAY)
        document = json.loads((folder / "report" / "audit.json").read_text(encoding="utf-8"))
        judged = sum(row["judged"] for row in document["history"])
    else:
        from rungwise.audit.audit import audit_quarter
        from rungwise.audit.serialize import audit_json
        from rungwise.series.caseload import read_caseload

        audit = audit_quarter(read_caseload(folder), QUARTERS[level], today=TODAY)
        audit_json(audit)
        judged = int(audit.history["judged"].sum())
    usage = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return {
        "seconds": time.perf_counter() - begun,
        "cpu": sum(each.ru_utime + each.ru_stime for each in usage),
        "peak_mib": max(each.ru_maxrss for each in usage) / 1024,
        "judged": judged,
    }


def main() -> None:
    """Make the data, run both tasks three times in turn, and print the medians."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--children", type=int, default=1000)
    parser.add_argument("--level", type=int, choices=(1, 3), default=1)
    parser.add_argument("--one", nargs=2, metavar=("TASK", "FOLDER"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        folder = Path(options.one[1])
        print(json.dumps(one(options.one[0], folder, 3 if (folder / LARGEST[3]).exists() else 1)))
        return
    with tempfile.TemporaryDirectory() as base:
        folder = Path(base)
        (make if options.level == 1 else make_again)(folder, options.children)
        with open(folder / LARGEST[options.level], encoding="utf-8") as rows:
            print(
                f"{options.children} children, {sum(1 for _ in rows) - 1} rows in {LARGEST[options.level]}"
            )
        rounds = [{task: in_own_process(__file__, task, folder) for task in TASKS} for _ in range(3)]
    print(f"{'task':8}{'s':>8}{'CPU s':>8}{'peak MiB':>10}{'judged':>8}")
    for task in TASKS:
        median = {name: np.median([each[task][name] for each in rounds]) for name in rounds[0][task]}
        print(
            f"{task:8}{median['seconds']:8.2f}{median['cpu']:8.2f}{median['peak_mib']:10.0f}"
            f"{median['judged']:8.0f}"
        )
    print(f"at most {AT_MOST_SECONDS} s and {AT_MOST_MIB} MiB for 1,000 children on a free machine")


if __name__ == "__main__":
    main()
