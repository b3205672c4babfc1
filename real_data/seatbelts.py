"""Road casualties around the seat belt law as six series, and what others found beside ours.

    python real_data/seatbelts.py [FOLDER]

Each group twice: the year before against the year after the law (which evens out the seasons), and
the whole sixteen years, in which seasons and a long decline stand beside the law and no two-phase
comparison means much. Then:

    rungwise child out/real_data/seatbelts drivers-year
"""

from __future__ import annotations

import argparse

import comparison
import numpy as np
from rungwise.published.real_series import SEATBELTS
from rungwise.single_case.verdict import Rule, verdict

# Harvey & Durbin 1986, abstract: change attributed to the law by a structural time-series model.
HARVEY_DURBIN = {"drivers": -23, "front": -30, "rear": 3}


def main(folder: str) -> None:
    """Write the caseload and print verdicts and published results beside ours."""
    print(f"Written: {SEATBELTS.write(folder)}")
    print(f"{SEATBELTS.about}\nData: {SEATBELTS.carrier}.\n")
    for code, series in SEATBELTS.series().items():
        before, after = np.mean(series.of("baseline")), np.mean(series.of("exposure"))
        group, stretch = code.split("-")
        line = f"{code:13s} mean {before:7.2f} → {after:7.2f} ({100 * (after / before - 1):+.1f} %)"
        if stretch == "year":
            line += f", model of Harvey & Durbin {HARVEY_DURBIN[group]:+d} %"
        print(f"{line}; verdict: {verdict(series, Rule(margin=SEATBELTS.margin)).words}")
    print("\nThe raw change and the model's differ: the model takes out the decline that was under way.\n")
    comparison.show("Seatbelts")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", default="out/real_data/seatbelts", help="where to write")
    main(parser.parse_args().folder)
