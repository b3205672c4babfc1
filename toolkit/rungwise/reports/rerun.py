"""A zip from which a reviewer reruns a study to the same numbers, without codes and dates."""

from __future__ import annotations

import csv
import io
import json
import platform
import sys
import tempfile
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np

import rungwise
from rungwise.reports.study_inputs import StudyInputs, read_study
from rungwise.series.caseload import Caseload
from rungwise.simulate.writing import csv_text
from rungwise.study.plan import StudyPlan
from rungwise.study.preanalysis import PreAnalysis
from rungwise.study.schedule import draw_schedule

# The same study must give the same bytes, so entries carry no time.
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)
# What a rerun does not need and what could point to a person or a place.
LEFT_OUT = (
    "note", "action", "clinician_id", "site", "referral_reason", "co_occurring", "end_reason",
    "age_months", "sex", "referred_on", "entered_on", "ended_on", "recorded_on", "support", "condition",
)  # fmt: skip
# Dates become days from the study's first occasion, which is day 0.
DAYS = {
    "date": "day", "starts_on": "starts_on_day", "window_opens": "window_opens_day",
    "window_closes": "window_closes_day",
}  # fmt: skip
# Where a rerun puts day 0: any day does, since only days between ratings enter a number.
DAY_0 = date(2000, 1, 3)
NUMBERED = {"setting": "setting", "usual_setting": "setting", "rater_id": "observer"}
NEEDED = ("children", "ladders", "plans", "phases", "ratings", "observations", "agreement", "sessions",
          "fidelity", "incidents")  # fmt: skip
README = """\
Rerun of study {design}

This archive holds the data of the participants in the study, the plan, the settings, the numbers of the
report at full precision and the versions they were computed with.

    python -m pip install rungwise=={version}
    python rerun.py

says whether the same numbers come out. environment.json lists the version of every package used.

Participants are P1, P2 and so on, in the order of the plan, and not the practice's codes. Days are
counted from the first occasion of the study, which is day 0; no date is in the archive. Settings,
observers and masked raters are numbered. Age, sex, notes and actions, sites and staff are left out, and
so are trials that were no probes and ladders that were not probed: no number of the report rests on them.
Who a participant is stands in a key that is not in this archive and stays with the author.

Ladders are described as in the report. A rare pattern of ratings can still be known to somebody who was
there; share the archive as consent and the ethics approval allow.

The fingerprints in registered.json are those of the plan and the sealed schedule as they were written
before the study, with codes and dates. They cannot be computed again from this archive; the author, who
keeps those files, can show that they fit.
"""
SCRIPT = """\
import sys
from rungwise.reports.rerun import rerun_study

outcome = rerun_study(sys.argv[1] if len(sys.argv) > 1 else ".")
print(*outcome.lines(), sep="\\n")
sys.exit(0 if outcome.same else 1)
"""
KEY_FOR = (
    "Key of the participants. For the author alone: keep it apart from the report and the archive, and "
    "hand it to nobody."
)


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
    """Give the zip of a study: data, plan, settings, numbers, versions; neither codes nor dates.

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
        f"data/{name}.csv": content for name, content in _tables(study.caseload, inputs.first_day).items()
    }
    files["data/practice.toml"] = _practice(study.caseload)
    if inputs.planned is not None:
        files["plan.json"] = _json(_without_dates(inputs.planned.as_dict()))
    elif study.plan is not None:
        files["plan.json"] = _json(_without_dates({"plan": study.plan.as_dict()}))
    files["registered.json"] = _json(
        {
            "preanalysis_sha256": inputs.fingerprint,
            "schedule_sha256": "" if inputs.planned is None else inputs.planned.commitment,
        }
    )
    if inputs.schedule is not None:
        files["draw.json"] = _json({"seed": inputs.schedule.seed})
    if inputs.answers:
        files["masked_answers.csv"] = csv_text(inputs.answers)
        files["masked_key.json"] = _json(inputs.key)
    files["settings.json"] = _json(settings)
    files["numbers.json"] = _json(_numbers(inputs))
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


def participants_key(inputs: StudyInputs) -> str:
    """Give the text of the key that leads from the report's names back to codes and dates."""
    return _json(
        {
            "only_for": KEY_FOR,
            "design_id": inputs.result.study.design_id,
            "day_0": inputs.first_day.isoformat(),
            "participants": {name: code for code, name in inputs.participants.items()},
            "raters": {name: code for code, name in inputs.raters.items()},
        }
    )


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
    draw = folder / "draw.json"
    seed = json.loads(draw.read_text(encoding="utf-8"))["seed"] if draw.is_file() else None
    masked = folder / "masked_answers.csv", folder / "masked_key.json"
    there = all(file.is_file() for file in masked)
    with tempfile.TemporaryDirectory(prefix="rungwise-") as place:
        inputs = read_study(
            _dated(folder, Path(place)),
            plan=_dated_plan(folder / "plan.json", Path(place)),
            answers=masked[0] if there else None,
            key=masked[1] if there else None,
            **settings,
        )
    before, after = _flat(stated), _flat(json.loads(_json(_numbers(inputs, seed))))
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


def _numbers(inputs: StudyInputs, seed: int | None = None) -> dict[str, Any]:
    """Give the report's numbers, and the starts that the plan and the seed of the draw give."""
    if seed is None and inputs.schedule is not None:
        seed = inputs.schedule.seed
    plan = inputs.result.study.plan
    drawn = {}
    if plan is not None and seed is not None:
        drawn = {
            case.label: list(numbers)
            for case, numbers in zip(plan.cases, draw_schedule(plan, seed).phase_numbers, strict=True)
        }
    return inputs.numbers() | {"drawn": drawn}


def _without_dates(plain: dict[str, Any]) -> dict[str, Any]:
    """Give a plan with day 0 for its first date, and no places."""
    plan = plain["plan"]
    cases = [{**case, "usual_setting": ""} for case in plan["cases"]]
    return {**plain, "plan": {**plan, "first_day": 0, "cases": cases}}


def _dated_plan(file: Path, place: Path) -> Path | None:
    """Write a plan as `read_study` takes it, with day 0 set to a date."""
    if not file.is_file():
        return None
    plain = json.loads(file.read_text(encoding="utf-8"))
    plain["plan"]["first_day"] = DAY_0.isoformat()
    target = place / "plan.json"
    if set(plain) == {"plan"}:
        text = _json(StudyPlan.from_dict(plain["plan"]).as_dict())
    else:
        text = PreAnalysis.from_dict(plain).text()
    target.write_text(text, encoding="utf-8", newline="\n")
    return target


def _dated(folder: Path, place: Path) -> Path:
    """Write the archive's tables as the reader takes them, with days counted from a date."""
    target = place / "data"
    target.mkdir()
    back = {day: name for name, day in DAYS.items()}
    for file in sorted((folder / "data").iterdir()):
        if file.suffix != ".csv":
            (target / file.name).write_bytes(file.read_bytes())
            continue
        with file.open(encoding="utf-8", newline="") as stream:
            entries = list(csv.DictReader(stream))
        dated = [
            {back.get(name, name): _date(cell) if name in back else cell for name, cell in row.items()}
            for row in entries
        ]
        (target / file.name).write_text(csv_text(dated), encoding="utf-8", newline="\n")
    return target


def _date(cell: str) -> str:
    return (DAY_0 + timedelta(days=int(cell))).isoformat() if cell else ""


def _tables(caseload: Caseload, first_day: date) -> dict[str, str]:
    """Give the tables needed as CSV text, without dates, free text, places and staff."""
    written = {}
    numbered = {kind: _numbering(caseload, kind) for kind in set(NUMBERED.values())}
    for name in NEEDED:
        table = caseload.tables.get(name)
        if table is None or not len(table):
            continue
        if name in ("observations", "agreement"):
            table = table.where(table["kind"] == "probe")
        elif name == "ladders":
            table = table.where(np.isin(table["ladder_id"].astype(str), _ladders_probed(caseload)))
        columns = [column for column in table.columns if column not in LEFT_OUT]
        entries = []
        for i in range(len(table)):
            row = {column: _plain_cell(table[column][i]) for column in columns}
            for column in set(NUMBERED) & set(row):
                row[column] = numbered[NUMBERED[column]].get(row[column])
            entries.append(
                {
                    DAYS.get(column, column): (cell - first_day).days if isinstance(cell, date) else cell
                    for column, cell in row.items()
                }
            )
        used = {column for entry in entries for column, cell in entry.items() if cell is not None}
        written[name] = csv_text(
            [{column: cell for column, cell in entry.items() if column in used} for entry in entries]
        )
    return written


def _ladders_probed(caseload: Caseload) -> list[str]:
    return sorted({str(ladder) for ladder in caseload.planned["ladder_id"].tolist() if ladder})


def _numbering(caseload: Caseload, kind: str) -> dict[str, str]:
    """Number what must not be named, the same in every table: settings, observers."""
    found = {
        str(cell): None
        for name in NEEDED
        if name in caseload.tables
        for column, told in NUMBERED.items()
        if told == kind and column in caseload.tables[name].columns
        for cell in caseload.tables[name][column].tolist()
        if cell is not None
    }
    return {cell: f"{kind}-{number}" for number, cell in enumerate(found, start=1)}


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
