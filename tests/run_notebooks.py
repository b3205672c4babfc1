"""Execute the shipped notebooks again with their own defaults and save them.

They are committed executed, so that the test run compares every cell. Run this after a change that
is meant to change them, and read the difference. Names of notebooks may be given; default all.
"""

from __future__ import annotations

import sys

import nbformat
from rungwise.reports.notebook_run import run_notebook
from rungwise.resources import shipped

# Holds live controls, which are dead in a saved copy; it is committed as it is first opened.
LIVE = ("start_here",)


def main(names: list[str]) -> int:
    """Run each notebook and write it back in place."""
    folder = shipped("notebooks")
    every = sorted(path.stem for path in folder.glob("*.ipynb") if path.stem not in LIVE)
    for name in names or every:
        print(name, flush=True)
        nbformat.write(run_notebook(name), folder / f"{name}.ipynb")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
