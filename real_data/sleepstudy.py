"""Reaction times of 18 people over ten days as a caseload, and what others found beside ours.

    python real_data/sleepstudy.py [FOLDER]

Days 0 to 2 (usual sleep) stand as baseline, days 3 to 9 (three hours in bed a night) as exposure.
Lower is better, and sleep loss makes reactions slower: nobody may come out as "fell". Three and seven
days are few, so an exact test can call only the clearest rises beyond doubt. Then:

    rungwise child out/real_data/sleepstudy S308
"""

from __future__ import annotations

import argparse
from collections import Counter

import comparison
import numpy as np
from rungwise.published.real_series import SLEEPSTUDY
from rungwise.series.batch import SeriesBatch
from rungwise.single_case.verdict import Rule, verdicts, words_of


def main(folder: str) -> None:
    """Write the caseload, count the verdicts and print the published results beside ours."""
    print(f"Written: {SLEEPSTUDY.write(folder)}")
    print(f"{SLEEPSTUDY.about}\nData: {SLEEPSTUDY.carrier}.\n")
    judged = verdicts(SeriesBatch.of(*SLEEPSTUDY.series().values()), Rule(margin=SLEEPSTUDY.margin))
    for code, count in Counter(judged.codes.tolist()).most_common():
        print(f"{count:3d} of {len(judged)}: {words_of(code)}")
    slower = int(np.sum(judged.fell.value < 0))
    print(f"\nReactions were slower in the second phase in {slower} of {len(judged)} people.")
    print()
    comparison.show("sleepstudy")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", default="out/real_data/sleepstudy", help="where to write")
    main(parser.parse_args().folder)
