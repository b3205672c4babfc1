"""How often each verdict is given to simulated children, with and without an effect.

    python benchmarks/verdict_rates.py [--replications 1000] [--workers 2] [--to FILE]

Writes ``toolkit/rungwise/data/verdict_rates.csv``, from which every report takes its error rates.
The same seed and replications give the same table, whatever the number of workers.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import grid
import numpy as np
from rungwise.single_case.verdict import VERDICTS, verdict_codes

SEED = 20260930
TABLE = Path(__file__).parents[1] / "toolkit" / "rungwise" / "data" / "verdict_rates.csv"


# False calls without a trend are printed beside every fall and rise, one row at a time.
PRINTED_ALONE = 5


def replications_of(design: grid.Design, replications: int) -> int:
    """Give how often a cell is simulated."""
    alone = (design.trend, design.place, design.effect) == ("none", "middle", "none")
    return replications * (PRINTED_ALONE if alone else 1)


def one_row(numbered: tuple[int, grid.Design], replications: int) -> dict[str, Any]:
    """Give one row of the table: the cell, and the share of each verdict."""
    number, design = numbered
    rng = np.random.default_rng([SEED, number])
    codes = verdict_codes(design.simulate(rng, replications).batch())
    shares = {code: f"{np.mean(codes == code):.4f}" for code in VERDICTS}
    return {**design.as_row(), "replications": replications, **shares}


def main() -> None:
    """Make the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--replications", type=int, default=1000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--to", type=Path, default=TABLE)
    chosen = parser.parse_args()
    begun = time.perf_counter()
    cells = list(enumerate(grid.designs()))
    rows = []
    with ProcessPoolExecutor(chosen.workers) as pool:
        often = [replications_of(design, chosen.replications) for _, design in cells]
        for done, row in enumerate(pool.map(one_row, cells, often, chunksize=4), start=1):
            rows.append(row)
            if done % 100 == 0:
                print(f"{done} of {len(cells)} rows, {time.perf_counter() - begun:.0f} s", flush=True)
    grid.write_table(
        chosen.to,
        rows,
        "Share of each verdict in simulated children; rows without effect and trend, in the middle of the "
        f"scale, have {PRINTED_ALONE} times as many replications.",
        SEED,
        chosen.replications,
        f"python benchmarks/verdict_rates.py --replications {chosen.replications}",
    )
    print(f"{len(rows)} rows written to {chosen.to} in {time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
