"""A planned study as files: announcement, pre-analysis plan, sealed schedule, and rows for ``plans``."""

from __future__ import annotations

import csv
import io
import secrets
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from rungwise.reports.plan_page import Planned, plan_of, scenario_words
from rungwise.reports.word import WordDocument
from rungwise.reports.write import NotWritten, check_free, whole_folder, write_files
from rungwise.series.caseload import read_caseload
from rungwise.simulate.writing import csv_text, write_tables
from rungwise.study.preanalysis import TO_WRITE, PreAnalysis, read_preanalysis
from rungwise.study.rehearsal import rehearse
from rungwise.study.scenario import Scenario
from rungwise.study.schedule import ONLY_FOR, Schedule, draw_schedule, plan_rows

KEYS = ("child_id", "ladder_id", "probe_step")
DRAWN = ("design_id", "tier", "assignment", "window_opens", "window_closes")
SEED_BITS = 128


def write_plan(
    path: str | Path,
    cases: str,
    *,
    to: str | Path,
    sealed_to: str | Path,
    design_id: str,
    first_day: str,
    seed: int | None = None,
    question: str = TO_WRITE,
    stopping: str = TO_WRITE,
    masking: str = TO_WRITE,
    scenario: Scenario | None = None,
    replications: int = 2_000,
    enter: bool = False,
    overwrite: bool = False,
    today: date | None = None,
    **options: Any,
) -> list[Path]:
    """Plan a study, draw its starts, seal them, and write everything in one step.

    Parameters
    ----------
    path : str or Path
        The caseload.
    cases : str
        Child codes separated by commas; ``child/ladder`` where a child has several ladders.
    to : str or Path
        Folder for everybody: ``preanalysis.docx``, ``preanalysis.md``, ``plan.json``, ``plans.csv``.
    sealed_to : str or Path
        Folder for the person who assigns: ``schedule.json``, ``schedule.docx``; not inside `to`.
    design_id, first_day : str
    seed : int, optional
        Default a secret one of 128 bits, which then stands in the sealed schedule only.
    question, stopping, masking : str
        The author's texts of the pre-analysis plan.
    scenario : Scenario, optional
        What the power rests on.
    replications : int
    enter : bool
        Also enter the rows into ``plans.csv`` of the caseload's folder.
    overwrite : bool
        Replace an earlier plan. A sealed schedule is never replaced: draw once.
    today : datetime.date, optional
    **options
        As for `rungwise.study.plan.plan_study`.

    Returns
    -------
    list of Path

    Raises
    ------
    ValueError
        As `plan_study`, or if the sealed folder lies inside the other.
    NotWritten
        If something is in the way, or the rows cannot be entered.
    """
    folder, sealed = Path(to).resolve(), Path(sealed_to).resolve()
    if sealed == folder or folder in sealed.parents or sealed in folder.parents:
        raise ValueError(
            f"sealed_to must be apart from the folder that everybody may see ({folder}); got {sealed}."
        )
    check_free(folder, overwrite=overwrite)
    check_free(sealed)
    caseload = read_caseload(path, today=today)
    planned = plan_of(
        caseload, cases, design_id=design_id, first_day=first_day, scenario=scenario,
        replications=replications, **options,
    )  # fmt: skip
    schedule = draw_schedule(planned.plan, secrets.randbits(SEED_BITS) if seed is None else seed)
    document = planned.preanalysis(
        schedule.commitment, question=question, stopping=stopping, masking=masking
    )
    entered = _entered(Path(path), planned) if enter else None
    with whole_folder(sealed) as target:
        (target / "schedule.json").write_text(schedule.sealed(), encoding="utf-8", newline="\n")
        (target / "schedule.docx").write_bytes(schedule_document(schedule))
    with whole_folder(folder, overwrite=overwrite) as target:
        (target / "preanalysis.docx").write_bytes(preanalysis_document(document, planned))
        (target / "preanalysis.md").write_text(document.markdown(), encoding="utf-8", newline="\n")
        (target / "plan.json").write_text(document.text(), encoding="utf-8", newline="\n")
        rows = csv_text(plan_rows(planned.plan))
        (target / "plans.csv").write_text(rows, encoding="utf-8", newline="\n")
    written = [*sorted(folder.iterdir()), *sorted(sealed.iterdir())]
    if entered is not None:
        written += write_files(entered, overwrite=True)
    return written


def write_rehearsal(
    plan: str | Path,
    *,
    to: str | Path,
    scenario: Scenario | None = None,
    seed: int = 1,
    overwrite: bool = False,
) -> list[Path]:
    """Write simulated records of a planned study, to try its analysis before the first child begins.

    Parameters
    ----------
    plan : str or Path
        ``plan.json``, as `write_plan` wrote it.
    to : str or Path
        Folder to write: ``records`` with the tables, and ``schedule.json`` with the starts rehearsed.
    scenario : Scenario, optional
        Default what the plan's power rests on.
    seed : int
        Of starts and ratings. The starts are drawn for the rehearsal alone and say nothing about those
        sealed; so the report of a rehearsal lists the schedule as a departure.
    overwrite : bool

    Returns
    -------
    list of Path

    Raises
    ------
    ValueError
        If `plan` is no pre-analysis plan, or was changed.
    NotWritten
        If something is in the way.
    """
    check_free(to, overwrite=overwrite)
    planned = read_preanalysis(Path(plan).read_text(encoding="utf-8"))
    schedule = draw_schedule(planned.plan, seed)
    supposed = scenario or planned.scenario or Scenario()
    tables = rehearse(schedule, supposed, np.random.default_rng(seed))
    with whole_folder(to, overwrite=overwrite) as folder:
        (folder / "records").mkdir()
        write_tables(tables, folder / "records")
        (folder / "schedule.json").write_text(schedule.sealed(), encoding="utf-8", newline="\n")
    return sorted(file for file in check_free(to, overwrite=True).rglob("*") if file.is_file())


def preanalysis_document(document: PreAnalysis, planned: Planned) -> bytes:
    """Give the pre-analysis plan as the bytes of a Word document."""
    word = WordDocument(f"Pre-analysis plan, design {document.plan.design_id}")
    for heading, lines in document.sections():
        word.heading(heading)
        if len(lines) == 1:
            word.paragraph(lines[0])
        else:
            word.bullets(lines)
        if heading == "Cases":
            word.table(
                [
                    {
                        "Case": case.label,
                        "Probe step": str(case.probe_step),
                        "May start at occasion": ", ".join(map(str, document.plan.open_starts(number))),
                        "Window": f"{document.plan.day(document.plan.open_starts(number)[0])} to "
                        f"{document.plan.day(document.plan.open_starts(number)[-1])}",
                    }
                    for number, case in enumerate(document.plan.cases)
                ],
                caption="What is open before the draw",
                numeric=["Probe step"],
            )
    if document.power is not None:
        word.heading("What the power supposes")
        word.bullets(scenario_words(planned.scenario, planned.plan.kind))
    return word.to_bytes()


def schedule_document(schedule: Schedule) -> bytes:
    """Give the sealed schedule as the bytes of a Word document, for the person who assigns."""
    word = WordDocument(f"Sealed schedule, design {schedule.plan.design_id}", mark=ONLY_FOR)
    word.paragraph(ONLY_FOR)
    word.bullets(schedule.lines())
    word.paragraph(f"Fingerprint in the pre-analysis plan: {schedule.commitment}.")
    word.paragraph(
        "On each of these days tell the therapist concerned, and nobody else, that exposure starts; write "
        "the day into the table of phases. A start that cannot be kept is written down as it was, and the "
        "report will say so."
    )
    return word.to_bytes()


def _entered(path: Path, planned: Planned) -> dict[str | Path, str]:
    """Give the new text of ``plans.csv``; all its other cells stay as they are."""
    file = path / "plans.csv"
    if not path.is_dir() or not file.is_file():
        raise NotWritten(
            f"{path.name} is not a folder with plans.csv; copy the rows of the plans.csv that is written "
            "beside the pre-analysis plan into your table of plans."
        )
    with file.open(encoding="utf-8-sig", newline="") as stream:
        reader = csv.DictReader(stream)
        names, rows = list(reader.fieldnames or ()), list(reader)
    missing = [name for name in KEYS if name not in names]
    if missing:
        raise NotWritten(
            f"plans.csv has no column named {missing[0]}; copy the rows in by hand, or rename its columns."
        )
    names += [name for name in DRAWN if name not in names]
    for entry in plan_rows(planned.plan):
        _enter(rows, entry, names)
    out = io.StringIO()
    writer = csv.DictWriter(out, names, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return {file: out.getvalue()}


def _enter(rows: Sequence[dict[str, str]], entry: Mapping[str, Any], names: Sequence[str]) -> None:
    header, values = csv_text([entry]).splitlines()
    written = dict(zip(header.split(","), next(csv.reader([values])), strict=True))
    mine = [row for row in rows if all(_same(row[name], written[name]) for name in KEYS)]
    if len(mine) != 1:
        raise NotWritten(
            f"plans.csv has {len(mine)} rows for {written['child_id']}, {written['ladder_id']}, step "
            f"{written['probe_step']}; exactly one is needed to enter the window into."
        )
    other = (mine[0].get("design_id") or "").strip()
    if other and other != written["design_id"]:
        raise NotWritten(
            f"{written['child_id']} is in design {other} already; a ladder is in one design at a time."
        )
    mine[0].update({name: written[name] for name in DRAWN if name in names})


def _same(cell: str | None, wanted: str) -> bool:
    text = (cell or "").strip()
    try:
        return float(text) == float(wanted)
    except ValueError:
        return text == wanted
