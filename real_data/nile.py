"""The annual flow of the Nile as one long series, and what others found beside ours.

    python real_data/nile.py [FOLDER]

1871 to 1898 stand as baseline, 1899 to 1970 as exposure; more water counts as better. Then:

    rungwise child out/real_data/nile nile
"""

from __future__ import annotations

import argparse

import comparison
from rungwise.published.real_series import NILE
from rungwise.single_case.verdict import Rule, verdict


def main(folder: str) -> None:
    """Write the caseload and print verdict and published results beside ours."""
    print(f"Written: {NILE.write(folder)}")
    print(f"{NILE.about}\nData: {NILE.carrier}.\n")
    print(f"Verdict: {verdict(NILE.series()['nile'], Rule(margin=NILE.margin)).words}\n")
    comparison.show("Nile")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", default="out/real_data/nile", help="where to write")
    main(parser.parse_args().folder)
