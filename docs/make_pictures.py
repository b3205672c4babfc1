"""Make the picture of a report page that README.md shows, from the invented demo practice.

Run it in the top folder of the checkout, with Chromium, Chrome or Edge on the machine::

    python docs/make_pictures.py
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from datetime import date
from pathlib import Path

from rungwise.reports.child_report import write_child_report
from rungwise.reports.pdf import browser_command, check_browser

HERE = Path(__file__).resolve().parent
PRACTICE = HERE.parent / "data_demo" / "practice"
# The last day in the demo data, so that the picture does not depend on the day it is made.
TODAY = date(2026, 11, 13)
CHILD = "C003"
WIDTH, HEIGHT, SHARPNESS = 860, 985, 1.5


def main() -> int:
    """Write the report to a folder that is thrown away and photograph the top of it."""
    with tempfile.TemporaryDirectory() as folder:
        [page] = write_child_report(PRACTICE, CHILD, to=Path(folder) / "page.html", today=TODAY)
        subprocess.run(
            [
                *browser_command(check_browser(), Path(folder) / "profile"),
                "--hide-scrollbars",
                f"--force-device-scale-factor={SHARPNESS}",
                f"--window-size={WIDTH},{HEIGHT}",
                f"--screenshot={HERE / 'report_page.png'}",
                page.as_uri(),
            ],
            check=True,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
