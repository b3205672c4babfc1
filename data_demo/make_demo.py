"""Write the demo data: an invented practice, one invented child, and the truth behind them.

Run it in the top folder of the checkout:

    python data_demo/make_demo.py

The same seed gives the same bytes; a test makes everything again and compares.
"""

from __future__ import annotations

import sys
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from rungwise.simulate.practice import simulate_practice
from rungwise.simulate.ratings import simulate_ratings
from rungwise.simulate.writing import csv_text, write_tables

SEED = 20279
ONE_CHILD_SEED = 7

SETTINGS = """\
# Settings of an invented practice.
label = "Gull Steps Movement Practice (invented)"
alpha = 0.05
margin = 1
horizon_days = 84
quarter_start_month = 1
minimum_baseline = 3
minimum_exposure = 5

[scales.fear]
minimum = 0
maximum = 10
better = "lower"
"""


def one_child() -> str:
    """Give one child as a plain list: a clear but not perfect fall, one decline, one week missing."""
    simulated = simulate_ratings(
        np.random.default_rng(ONE_CHILD_SEED),
        1,
        6,
        15,
        start=7.6,
        level_change=-1.2,
        slope_change=-0.28,
        sd=1.1,
        phi=0.15,
    ).series(0)
    monday = date(2026, 3, 2)
    rows = [
        {
            "date": monday + timedelta(weeks=week),
            "phase": str(simulated.phases[week]),
            "rating": "declined" if week == 7 else int(simulated.values[week]),
        }
        for week in range(21)
        if week != 13
    ]
    return csv_text(rows)


def main(folder: Path) -> None:
    """Write everything below `folder`."""
    practice = simulate_practice(np.random.default_rng(SEED), level=1)
    (folder / "practice").mkdir(parents=True, exist_ok=True)
    write_tables(practice.tables, folder / "practice")
    (folder / "practice" / "practice.toml").write_text(SETTINGS, encoding="utf-8", newline="\n")
    write_tables({"truth": practice.truth}, folder)
    (folder / "one_child.csv").write_text(one_child(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
