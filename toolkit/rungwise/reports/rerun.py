"""A zip from which a reviewer reruns a study to the same numbers."""

from __future__ import annotations

import io
import json
import platform
import sys
import tempfile
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

import rungwise
from rungwise.reports.study_inputs import StudyInputs, read_study
from rungwise.series.caseload import Caseload
from rungwise.simulate.writing import csv_text

# The same study must give the same bytes, so entries carry no time.
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)
# What a rerun does not need and what could point to a person or a place.
LEFT_OUT = (
    "note", "clinician_id", "site", "referral_reason", "co_occurring", "end_reason", "referred_on",
    "entered_on", "ended_on", "recorded_on",
)  # fmt: skip
NEEDED = ("children", "ladders", "plans", "phases", "ratings", "observations", "agreement", "sessions",
          "fidelity", "incidents")  # fmt: skip
README = """\
Rerun of study {design}

This archive holds the data of the children in the study, the plan, the settings, the numbers of the
report at full precision and the versions they were computed with.

    python -m pip install rungwise=={version}
    python rerun.py

says whether the same numbers come out. environment.json lists the version of every package used.

It holds children's codes and the days of their ratings, which is what a rerun needs. Free text, places
and staff are left out. Share it as the ethics approval allows, and not publicly without a check.
"""
SCRIPT = """\
import sys
from rungwise.reports.rerun import rerun_study

outcome = rerun_study(sys.argv[1] if len(sys.argv) > 1 else ".")
print(*outcome.lines(), sep="\\n")
sys.exit(0 if outcome.same else 1)
"""


@dataclass(frozen=True)
class Rerun:
    """What a rerun gave.

    Attributes
    ----------
    numbers : int
        Numbers compared.
    differences : tuple of str
        Where the rerun differs from the report; empty where all is the same.
    versions : tuple of str
        Packages whose version differs from the report's.
    """

    numbers: int
    differences: tuple[str, ...]
    versions: tuple[str, ...]

    @property
    def same(self) -> bool:
        """Whether every number came out the same."""
        return not self.differences

    def lines(self) -> list[str]:
        """Say it in words."""
        if self.same:
            told = [f"All {self.numbers} numbers are the same."]
        else:
            told = [f"{len(self.differences)} of {self.numbers} numbers differ:", *self.differences]
        return told + [f"Other version: {one}" for one in self.versions]


def rerun_archive(inputs: StudyInputs) -> bytes:
    """Give the zip of a study: data, plan, settings, numbers, versions.

    Parameters
    ----------
    inputs : StudyInputs

    Returns
    -------
    bytes
        The same for the same study and environment.
    """
    result = inputs.result
    study = result.study
    settings = {
        "design_id": study.design_id,
        "statistic": result.statistic,
        "alternative": result.alternative,
        "alpha": result.alpha,
        "seed": result.seed,
    }
    files: dict[str, str] = {
        f"data/{name}.csv": content for name, content in _tables(study.caseload).items()
    }
    files["data/practice.toml"] = _practice(study.caseload)
    if inputs.planned is not None:
        files["plan.json"] = inputs.planned.text()
    elif study.plan is not None:
        files["plan.json"] = _json(study.plan.as_dict())
    if inputs.schedule is not None:
        files["schedule.json"] = inputs.schedule.sealed()
    files["settings.json"] = _json(settings)
    files["numbers.json"] = _json(result.numbers())
    files["environment.json"] = _json(environment())
    files["rerun.py"] = SCRIPT
    files["README.txt"] = README.format(design=study.design_id, version=rungwise.__version__)
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for name in sorted(files):
            entry = zipfile.ZipInfo(name, _ZIP_TIME)
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, files[name].encode("utf-8"))
    return stream.getvalue()


def rerun_study(path: str | Path) -> Rerun:
    """Rerun a study from its archive, or from the folder it was unpacked into.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Rerun

    Raises
    ------
    ValueError
        If it is not such an archive.
    """
    source = Path(path)
    if source.is_dir():
        return _rerun(source)
    if not zipfile.is_zipfile(source):
        raise ValueError(f"{source.name} is not an archive of a study.")
    with tempfile.TemporaryDirectory(prefix="rungwise-") as folder, zipfile.ZipFile(source) as archive:
        for name in archive.namelist():
            target = (Path(folder) / name).resolve()
            if Path(folder).resolve() not in target.parents:
                raise ValueError(f"{source.name} holds an entry that leads out of it ({name}).")
        archive.extractall(folder)
        return _rerun(Path(folder))


def environment() -> dict[str, Any]:
    """Give the versions of Python, the system and every package this program requires."""
    packages = {"rungwise": rungwise.__version__}
    try:
        required = metadata.requires("rungwise") or []
    except metadata.PackageNotFoundError:
        required = []
    for line in required:
        if "extra ==" in line:
            continue
        name = "".join(letter for letter in line.split(";")[0].split("[")[0] if letter not in " ()")
        for mark in "<>=!~":
            name = name.split(mark)[0]
        try:
            packages[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return {
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.machine()}",
        "byte_order": sys.byteorder,
        "packages": dict(sorted(packages.items())),
    }


def _rerun(folder: Path) -> Rerun:
    for name in ("settings.json", "numbers.json", "environment.json"):
        if not (folder / name).is_file():
            raise ValueError(f"This is not the archive of a study: {name} is missing.")
    settings, stated, made = (
        json.loads((folder / name).read_text(encoding="utf-8"))
        for name in ("settings.json", "numbers.json", "environment.json")
    )
    plan = folder / "plan.json"
    inputs = read_study(
        folder / "data",
        plan=plan if plan.is_file() else None,
        design_id=settings["design_id"],
        statistic=settings["statistic"],
        alternative=settings["alternative"],
        alpha=settings["alpha"],
        seed=settings["seed"],
    )
    before, after = _flat(stated), _flat(json.loads(_json(inputs.result.numbers())))
    differences = tuple(
        f"{name}: {before.get(name)!r} in the report, {after.get(name)!r} now"
        for name in sorted(set(before) | set(after))
        if before.get(name) != after.get(name)
    )
    now = environment()
    versions = tuple(
        f"{name} {made['packages'].get(name)} then, {now['packages'].get(name)} now"
        for name in sorted(set(made["packages"]) | set(now["packages"]))
        if made["packages"].get(name) != now["packages"].get(name)
    )
    return Rerun(len(before), differences, versions)


def _flat(value: Any, name: str = "") -> dict[str, Any]:
    if isinstance(value, Mapping):
        entries = {str(key): inner for key, inner in value.items()}
    elif isinstance(value, list):
        entries = {str(number): inner for number, inner in enumerate(value)}
    else:
        return {name: value}
    flat: dict[str, Any] = {}
    for key, inner in entries.items():
        flat |= _flat(inner, f"{name}.{key}" if name else key)
    return flat


def _tables(caseload: Caseload) -> dict[str, str]:
    """Give the tables needed as CSV text, without free text, places and staff."""
    written = {}
    for name in NEEDED:
        table = caseload.tables.get(name)
        if table is None or not len(table):
            continue
        columns = [column for column in table.columns if column not in LEFT_OUT]
        entries = [{column: _plain_cell(table[column][i]) for column in columns} for i in range(len(table))]
        used = [column for column in columns if any(entry[column] is not None for entry in entries)]
        written[name] = csv_text([{column: entry[column] for column in used} for entry in entries])
    return written


def _plain_cell(value: Any) -> Any:
    kind = getattr(getattr(value, "dtype", None), "kind", "")
    if kind == "M":
        return None if value != value else value.astype(object)
    if kind in "fiub" and kind:
        value = value.item()
    if isinstance(value, float) and value != value:
        return None
    return value


def _practice(caseload: Caseload) -> str:
    """Give the settings that the numbers depend on, as the practice's own file."""
    practice = caseload.practice
    lines = [
        f'primary_rating = "{practice.primary_rating}"',
        f"alpha = {practice.alpha!r}",
        f"margin = {practice.margin!r}",
        f"minimum_baseline = {practice.minimum_baseline}",
        f"minimum_exposure = {practice.minimum_exposure}",
    ]
    for outcome, scale in practice.scales.items():
        lines += [
            "",
            f'[scales."{outcome}"]',
            f"minimum = {scale.minimum!r}",
            f"maximum = {scale.maximum!r}",
            f'better = "{scale.better}"',
        ]
    return "\n".join(lines) + "\n"


def _json(value: Any) -> str:
    return json.dumps(value, indent=2, sort_keys=True, ensure_ascii=False) + "\n"
