"""A registry of a million series: time, memory, growth and the cost of a cluster.

Run with the size wanted, for example ``python benchmarks/registry.py --series 1000000``. The data are
made from a seed: 28 whole ratings from 0 to 10 a series, 8 in baseline, in wholly random order over
files of a million rows. Everything is measured in processes of its own, so that peaks of memory do not
mix. Printed as JSON, one line a measurement; then how many times faster than the first way named each other
way was, round by round (of what comes after reading and laying together, where that is told apart).
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

N, N_A = 28, 8
FILE_ROWS = 1_000_000
SEED = 20260301
TODAY = date(2027, 1, 1)


def make(folder: Path, series: int) -> None:
    """Write the ratings of so many children, one series each, in random order."""
    import pyarrow as pa
    from pyarrow import parquet

    rng = np.random.default_rng(SEED)
    home = folder / "ratings"
    home.mkdir(parents=True, exist_ok=True)
    order = rng.permutation(series * N).astype(np.int32)
    level = rng.integers(5, 10, series).astype(np.int8)
    first = rng.integers(0, 200, series).astype(np.int32)
    for place, start in enumerate(range(0, len(order), FILE_ROWS)):
        rows = order[start : start + FILE_ROWS]
        child, occasion = rows // N, rows % N
        rating = level[child] - 2 * (occasion >= N_A) + rng.integers(-2, 3, len(rows))
        days = np.datetime64("2026-01-05") + first[child] + 3 * occasion
        codes = np.char.add("C", np.char.zfill(child.astype("U6"), 6))
        table = pa.table(
            {
                "child_id": pa.array(codes),
                "date": pa.array(days.astype("datetime64[D]")),
                "phase": pa.array(np.where(occasion < N_A, "baseline", "exposure")),
                "rating": pa.array(np.clip(rating, 0, 10).astype(np.int8)),
            }
        )
        parquet.write_table(table, home / f"part-{place:04d}.parquet")


def pairs_of_part(batch: Any, keys: Any, _bits: int, _argument: Any) -> Any:
    """Give Tau with its pair counts, without p: the light work of a first look at a registry."""
    import pandas as pd
    from rungwise.single_case.tau import tau_batch

    many = tau_batch(batch, p_value="none", interval=False)
    return pd.DataFrame(
        {
            "child_id": keys.children,
            "concordant": many.counts["concordant"],
            "discordant": many.counts["discordant"],
            "tau": many.value,
        }
    )


def registry_pairs(folder: Path, work: Path, engine: str) -> dict[str, Any]:
    """Work through the registry; give the sums by which all ways are compared."""
    from rungwise.series.registry import open_registry

    stages: dict[str, float] = {}
    begun = time.perf_counter()

    def note(stage: str, _done: int, _total: int) -> None:
        stages[stage] = round(time.perf_counter() - begun, 2)

    registry = open_registry(folder, work=work, today=TODAY, engine=engine, workers=2, progress=note)
    files = registry.map(pairs_of_part, None, "pairs")
    return _sums(files) | {"stages_end_at": stages, "children": registry.told.children}


def _sums(files: list[Path]) -> dict[str, Any]:
    import pyarrow.parquet as parquet
    from pyarrow import compute

    sums = {"series": 0, "concordant": 0, "discordant": 0}
    for file in files:
        table = parquet.read_table(file, columns=["concordant", "discordant"])
        sums["series"] += table.num_rows
        for name in ("concordant", "discordant"):
            sums[name] += compute.sum(table.column(name)).as_py() or 0
    return sums


def sql_pairs(folder: Path) -> dict[str, Any]:
    """Count the same pairs in SQL: an oracle that shares no line with the library."""
    import duckdb

    query = f"""
        with r as (select child_id, phase, rating from read_parquet('{folder}/ratings/*.parquet')),
        a as (select * from r where phase = 'baseline'),
        b as (select * from r where phase = 'exposure'),
        s as (
            select child_id, sum((b.rating < a.rating)::int) c, sum((b.rating > a.rating)::int) d
            from a join b using (child_id) group by child_id
        )
        select count(*), sum(c), sum(d) from s
    """
    connection = duckdb.connect(config={"threads": 2, "memory_limit": "3GB"})
    series, concordant, discordant = connection.execute(query).fetchone()
    return {"series": int(series), "concordant": int(concordant), "discordant": int(discordant)}


def pandas_pairs(folder: Path) -> dict[str, Any]:
    """Do it as one would today: everything in one frame, and a function for each group."""
    import pandas as pd

    frame = pd.read_parquet(folder / "ratings").sort_values(["child_id", "date"])

    def count(group: Any) -> Any:
        a = group.loc[group["phase"] == "baseline", "rating"].to_numpy()
        b = group.loc[group["phase"] == "exposure", "rating"].to_numpy()
        apart = np.sign(a[:, None].astype(int) - b[None, :])
        return pd.Series({"concordant": int((apart > 0).sum()), "discordant": int((apart < 0).sum())})

    counts = frame.groupby("child_id").apply(count)
    return {"series": len(counts), **{name: int(counts[name].sum()) for name in counts}}


def heavy(folder: Path, work: Path, engine: str) -> dict[str, Any]:
    """Work out Tau and NAP with exact p and intervals, as `effects` gives them."""
    from rungwise.series.registry import open_registry
    from rungwise.single_case.effects import effect_files

    registry = open_registry(
        folder, work=work, today=TODAY, engine=engine, workers=2, rows_together=250_000
    )
    begun = time.perf_counter()
    registry.told  # noqa: B018  # the light part, apart from what follows
    between, used = time.perf_counter(), _processor_seconds()
    files = effect_files(registry, ["tau", "nap"])
    return {
        "prepared_s": round(between - begun, 2),
        "statistics_s": round(time.perf_counter() - between, 2),
        # Of this process and its workers: with each on a core of its own, the gain of two workers is at
        # most twice the ratio of these.
        "statistics_cpu_s": round(_processor_seconds() - used, 2),
        "tasks": len(files),
    }


WAYS: dict[str, Callable[..., dict[str, Any]]] = {
    "registry": registry_pairs,
    "sql": sql_pairs,
    "pandas": pandas_pairs,
    "heavy": heavy,
}


def measured(way: str, *arguments: str) -> dict[str, Any]:
    """Run one way in a process of its own; add time, processor time and peak memory."""
    command = [sys.executable, __file__, "--alone", way, *arguments]
    environment = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    begun = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, env=environment, check=False)
    if done.returncode:
        raise SystemExit(done.stderr)
    return {"way": way, "wall_s": round(time.perf_counter() - begun, 2), **json.loads(done.stdout)}


def _processor_seconds() -> float:
    uses = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(use.ru_utime + use.ru_stime for use in uses)


def _alone(way: str, arguments: list[str]) -> None:
    paths = [Path(text) if "/" in text else text for text in arguments]
    result = WAYS[way](*paths)
    others = resource.getrusage(resource.RUSAGE_CHILDREN)
    result |= {
        "cpu_s": round(_processor_seconds(), 2),
        "peak_mib": _peak_mib(),
        # Kilobytes on Linux.
        "peak_of_a_worker_mib": round(others.ru_maxrss / 1024),
    }
    print(json.dumps(result))


def _peak_mib() -> int:
    """Give the peak since this program began; that of `resource` includes whoever started it."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmHWM:"):
            return round(int(line.split()[1]) / 1024)
    raise SystemExit("Peaks of memory are read from /proc, which this system does not have.")


def main() -> None:
    """Make the data, measure, compare the sums."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=10_000)
    parser.add_argument("--ways", nargs="*", default=["registry serial", "registry processes", "sql"])
    parser.add_argument("--rounds", type=int, default=1, help="times that all ways are run in turn")
    parser.add_argument("--alone", nargs="*")
    options = parser.parse_args()
    if options.alone:
        _alone(options.alone[0], options.alone[1:])
        return
    folder = Path(tempfile.mkdtemp(prefix="registry-"))
    try:
        data = folder / "data"
        make(data, options.series)
        sums = set()
        took: dict[str, list[float]] = {way: [] for way in options.ways}
        for way in options.ways * options.rounds:
            name, *engine = way.split()
            work = folder / "work"
            arguments = [str(data), *([str(work)] if engine else []), *engine]
            result = measured(name, *arguments)
            shutil.rmtree(work, ignore_errors=True)
            print(json.dumps({"series": options.series, "engine": "".join(engine), **result}), flush=True)
            took[way].append(result.get("statistics_s", result["wall_s"]))
            if "concordant" in result:
                sums.add((result["series"], result["concordant"], result["discordant"]))
        first, *others = options.ways
        for way in others:
            gains = [base / own for base, own in zip(took[first], took[way], strict=True)]
            told = {"gain_over": first, "way": way, "gains": [round(gain, 2) for gain in gains]}
            print(json.dumps({**told, "median": round(median(gains), 2)}))
        if len(sums) > 1:
            raise SystemExit(f"The ways differ: {sorted(sums)}")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
