"""Depression scores before and after therapy as measures and assessments, and reliable change.

    python real_data/bdi_therapy.py [FOLDER]

One hundred adults; what is tried is the tables `measures` and `assessments` and the statistics of
change on scores with people lost on the way. The reliability written in `measures.csv` is assumed, so
the strip at the end matters: the number of people called improved nearly doubles between .80 and .93.
Without a functional group there is no cutoff, and whether anybody recovered cannot be said.
"""

from __future__ import annotations

import argparse

from rungwise.agreement.missing import headline_bounds
from rungwise.basis.page_numbers import format_interval, of_hundred
from rungwise.change.classify import change_sensitivity
from rungwise.published.depression_scores import (
    ABOUT,
    CARRIER,
    CHECKS,
    RELIABILITIES,
    change_at_two_months,
    write,
)


def main(folder: str) -> None:
    """Write the folder, judge the change read back from it, and print published counts beside ours."""
    print(f"Written: {write(folder)}")
    print(f"{ABOUT}\nData: {CARRIER}.\n")
    change = change_at_two_months(folder)
    for name, share in change.classes.shares().items():
        words = name.replace("_", " ")
        caution = f"  {share.cautions[0]}" if share.cautions else ""
        print(f"{words:16s} {of_hundred(share.value):>14s} of 100 {format_interval(share)}{caution}")
    lost = change.classes.count("cannot_be_said")
    count = change.classes.count("improved")
    print(headline_bounds(count, len(change.classes) - lost, lost).sentence)
    print("\nHow far that depends on the reliability assumed:")
    counts = change.classes.changes.counts
    strip = change_sensitivity(
        counts["pre"],
        counts["post"],
        change.reference,
        better=change.better,
        reliabilities=RELIABILITIES,
        methods=["jacobson_truax", "regression_to_mean"],
    )
    print(
        strip[["method", "reliability", "improved", "unchanged", "deteriorated", "n"]].to_string(
            index=False
        )
    )
    print()
    width = max(len(check.statistic) for check in CHECKS)
    last = ""
    for check in CHECKS:
        origin = f"{check.example}. {check.source} ({check.standing})."
        if origin != last:
            print(origin)
            last = origin
        word = "agrees" if check.agrees() else "DIFFERS"
        outside = f"published {check.published:<10g}"
        print(f"  {check.statistic:{width}s}  {outside} ours {check.ours():<10.8g} {word}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", default="out/real_data/bdi_therapy", help="where to write")
    main(parser.parse_args().folder)
