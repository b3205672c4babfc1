"""The built package stands on its own: schemas and notebooks come along, commands work elsewhere."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def installed(tmp_path_factory) -> Path:
    place = tmp_path_factory.mktemp("elsewhere")
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check"]
    build = [*pip, "wheel", "--quiet", "--no-deps", "--no-build-isolation", "-w", str(place), str(ROOT)]
    subprocess.run(build, check=True, cwd=place)
    (wheel,) = place.glob("rungwise-*.whl")
    subprocess.run(
        [*pip, "install", "--quiet", "--no-deps", "--target", str(place / "site"), wheel], check=True
    )
    return place


def python(installed: Path, *arguments: str) -> subprocess.CompletedProcess:
    environment = {**os.environ, "PYTHONPATH": str(installed / "site"), "PYTHONSAFEPATH": "1"}
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=installed,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )


def test_it_is_the_installed_copy_that_runs(installed):
    run = python(installed, "-c", "import rungwise; print(rungwise.__file__)")
    assert Path(run.stdout.strip()).is_relative_to(installed / "site")


def test_schemas_and_notebooks_come_along(installed):
    code = (
        "from rungwise.resources import shipped\n"
        "for kind in ('schemas', 'notebooks'):\n    print(*(path.name for path in shipped(kind).iterdir()))"
    )
    names = python(installed, "-c", code).stdout.split()
    here = {path.name for kind in ("schemas", "notebooks") for path in (ROOT / kind).iterdir()}
    assert {"ratings.json", "one_child.ipynb", "quarterly_audit.ipynb"} <= set(names)
    assert set(names) == {name for name in here if not name.startswith(".")}


def test_the_child_answer_runs_elsewhere(installed):
    run = python(installed, "-m", "rungwise.command", "child", str(ROOT / "data_demo" / "one_child.csv"))
    assert run.returncode == 0, run.stderr
    assert "A statistic informs; a clinician decides" in run.stdout


def test_the_audit_runs_elsewhere(installed):
    arguments = ["audit", str(ROOT / "data_demo" / "one_child.csv"), "--quarter", "2026Q3", "--to", "audit"]
    run = python(installed, "-m", "rungwise.command", *arguments)
    assert run.returncode == 0, run.stderr
    assert list((installed / "audit").glob("*.html"))
