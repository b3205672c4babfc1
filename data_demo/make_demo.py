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

RICHER_SETTINGS = """
[mastery]
rating_at_most = 3
occasions_in_a_row = 2

[criteria.five_baseline]
target = 0.8
source = "set by the practice in June 2026 (invented)"

[criteria.weeks_rated]
target = 0.75
exceptions = ["weeks in which the practice was closed"]
source = "set by the practice in June 2026 (invented)"

[criteria.fell]
target = 0.6
source = "set by the practice in June 2026 (invented)"

[criteria.left_for_fear]
target = 0.1
direction = "at_most"
source = "set by the practice in June 2026 (invented)"
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
    practice = simulate_practice(np.random.default_rng(SEED))
    level_1 = {name: practice.tables[name] for name in ("children", "phases", "ratings")}
    # From level 2 on the probes stand in observations; planned ratings are recorded once.
    level_3 = {name: rows for name, rows in practice.tables.items() if name != "ratings"}
    for name, tables, settings in (
        ("practice", level_3, SETTINGS + RICHER_SETTINGS),
        ("practice_level_1", level_1, SETTINGS),
    ):
        (folder / name).mkdir(parents=True, exist_ok=True)
        write_tables(tables, folder / name)
        (folder / name / "practice.toml").write_text(settings, encoding="utf-8", newline="\n")
    write_tables({"truth": practice.truth}, folder)
    (folder / "one_child.csv").write_text(one_child(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
