"""Settings of every test, and what is made once for all of them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings
from rungwise.reports.notebook_run import _without_address_grammars
from rungwise.reports.pdf import find_browser

with _without_address_grammars():
    import jsonschema  # noqa: F401  # or the first test that needs it would build them

# How long an example may take says something about the machine, nothing about the code.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

DEMO = Path(__file__).resolve().parent.parent / "data_demo"


@pytest.fixture(scope="session")
def made_once(tmp_path_factory) -> Callable[[str, Callable[[Path], object]], Path]:
    """Give a function that fills a folder once in a test run, however many workers want it."""
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base

    def give(name: str, make: Callable[[Path], object]) -> Path:
        place, done = shared / name, shared / f"{name}.done"
        try:
            place.mkdir()
        except FileExistsError:
            for _ in range(6000):
                if done.exists():
                    break
                time.sleep(0.05)
            said = done.read_text(encoding="utf-8") if done.exists() else "it was never finished"
        else:
            said = "it could not be made"
            try:
                make(place)
                said = ""
            finally:
                done.write_text(said, encoding="utf-8")
        if said:
            pytest.fail(f"{name}: {said}")
        return place

    return give


@pytest.fixture(scope="session")
def demo_audits(made_once) -> Path:
    """Audits of the demo practice, made on the command line, beside what was said about each.

    ``practice`` is the practice's own edition of 2026Q3; ``2026Q2`` and ``2026Q3`` are for sharing, the
    second held against the first and printed where there is a browser.
    """

    def audit(place: Path, name: str, quarter: str, *more: str) -> None:
        command = [sys.executable, "-m", "rungwise.command", "audit", str(DEMO / "practice")]
        about = ["--quarter", quarter, "--to", str(place / name), "--today", "2026-11-13", *more]
        run = subprocess.run([*command, *about], capture_output=True, text=True, check=False)
        said = {"code": run.returncode, "out": run.stdout, "err": run.stderr}
        (place / f"{name}.said.json").write_text(json.dumps(said), encoding="utf-8")

    def make(place: Path) -> None:
        sharing = ["--edition", "sharing"]
        audit(place, "practice", "2026Q3")
        audit(place, "2026Q2", "2026Q2", *sharing)
        last = ["--last-shared", str(place / "2026Q2" / "shared_audit.json")]
        audit(place, "2026Q3", "2026Q3", *sharing, *last, *([] if find_browser() is None else ["--pdf"]))

    return made_once("demo_audits", make)
