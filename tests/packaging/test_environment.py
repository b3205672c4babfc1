"""The three places that name dependencies agree."""

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
REQUIREMENT = re.compile(r"^(?P<name>[A-Za-z0-9._-]+?)\s*(?P<range>[<>=!~][^;]*)?(;.*)?$")


def requirement(line: str) -> tuple[str, str]:
    found = REQUIREMENT.match(line.strip())
    if found is None:
        raise ValueError(f"cannot read the requirement {line!r}")
    return found["name"].lower().replace("_", "-"), (found["range"] or "").strip()


def conda_dependencies() -> dict[str, str]:
    text = (ROOT / "environment.yml").read_text(encoding="utf-8")
    lines = text.partition("dependencies:\n")[2].splitlines()
    entries = [line.strip()[2:] for line in lines if line.startswith("  - ") and "pip:" not in line]
    return dict(requirement(entry) for entry in entries if entry != "pip")


def test_conda_and_pip_ask_for_the_same_ranges():
    conda = conda_dependencies()
    assert conda.pop("python") == PROJECT["requires-python"]
    assert conda == dict(requirement(line) for line in PROJECT["dependencies"])


@pytest.mark.parametrize("extra", [None, "dev"])
def test_every_dependency_is_pinned_once_per_marker(extra):
    wanted = PROJECT["dependencies"] if extra is None else PROJECT["optional-dependencies"][extra]
    pins = [
        requirement(line) for line in (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    ]
    pinned = {name for name, pin in pins if pin.startswith("==")}
    assert {requirement(line)[0] for line in wanted} <= pinned


def test_constraints_name_no_index_or_host():
    text = (ROOT / "constraints.txt").read_text(encoding="utf-8")
    assert not re.search(r"https?:|--(extra-)?index|--find-links", text)
