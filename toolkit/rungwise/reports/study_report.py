"""A study as files: Word document, page, figures, and an archive from which it is rerun."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

import rungwise
from rungwise.figures.single_case_graph import WORDS, single_case_graph
from rungwise.figures.style import blank_axes, picture_bytes
from rungwise.reports.child_page import day
from rungwise.reports.html import render_page
from rungwise.reports.manuscript import Drawing, Heading, Part, Points, Text, rows, text, to_word
from rungwise.reports.notebook_run import run_notebook
from rungwise.reports.provenance import hashes, made_with
from rungwise.reports.rerun import participants_key, rerun_archive
from rungwise.reports.scribe import SOURCE, checklist
from rungwise.reports.study_inputs import StudyInputs, planned_study, read_study
from rungwise.reports.study_method import method
from rungwise.reports.study_results import appraisal_parts, raw_data, results
from rungwise.reports.study_safety import safety_parts
from rungwise.reports.word import WordDocument
from rungwise.reports.words import SAFETY
from rungwise.reports.write import check_free, whole_folder, write_files
from rungwise.simulate.writing import csv_text
from rungwise.study.appraise import appraise
from rungwise.study.masked import INSTRUCTIONS, MaskedStudy, mask_study
from rungwise.study.plan import KINDS
from rungwise.study.preanalysis import TO_WRITE

MARK = "Confidential draft. Not for sharing without the consent of those concerned."


def manuscript(inputs: StudyInputs) -> list[Part]:
    """Give the parts of the manuscript, the author's own marked where they belong."""
    result = inputs.result
    study = result.study
    body: list[Part] = [
        Heading("Abstract"),
        text(f"Structured abstract: {TO_WRITE}"),
        Heading("Introduction"),
        text(f"Background and aims: {TO_WRITE}"),
        *method(result, inputs.planned, inputs.fingerprint),
        *results(result, inputs.masked),
        *safety_parts(study),
        Heading("Departures from the plan"),
        *departure_parts(inputs),
        *appraisal_parts(appraise(study)),
        Heading("Discussion"),
        text(f"Interpretation, limitations beyond those listed above, applicability: {TO_WRITE}"),
        Heading("Cautions"),
        Points(tuple(SAFETY)),
        *raw_data(study),
        Heading("Reproducibility"),
        *reproducibility(inputs),
    ]
    written = {part.text for part in body if isinstance(part, Heading)}
    open_places = {
        name.text
        for name, part in pairwise(body)
        if isinstance(name, Heading) and isinstance(part, Text) and part.parts == (TO_WRITE,)
    }
    entries = checklist(written - open_places)
    return [
        *body,
        Heading("SCRIBE 2016 checklist"),
        rows(entries, "Items of SCRIBE 2016 and their places", numeric=["Item"], notes=[SOURCE]),
    ]


def departure_parts(inputs: StudyInputs) -> list[Part]:
    """Give the departures, or that there is no pre-analysis plan to depart from."""
    found = inputs.departures(rungwise.__version__)
    if found is None:
        return [text("No pre-analysis plan was given, so departures cannot be said.")]
    entries = [{"Topic": one["topic"], "Planned": one["planned"], "Done": one["done"]} for one in found]
    return [
        rows(entries, "Where the study departed from its plan", when_empty="nothing that the files show."),
        text(f"How sessions were really run is not in the files: {TO_WRITE}"),
    ]


def reproducibility(inputs: StudyInputs) -> list[Part]:
    """Give versions, fingerprints of the files, and how to rerun."""
    study = inputs.result.study
    made = made_with("rungwise study --rerun study.zip")
    entries = [{"What": name, "Value": value} for name, value in made.items()]
    fingerprints = hashes(study.caseload.inputs)
    entries += [{"What": f"SHA-256 of {name}", "Value": value} for name, value in fingerprints.items()]
    entries.append({"What": "Seed", "Value": str(inputs.result.seed)})
    return [
        text(
            "The archive study.zip beside this report holds the probes of the participants, the plan, the "
            "settings and all numbers at full precision; rerunning it gives the same numbers. Participants "
            "are named as in this report and days are counted from the first occasion; codes, dates, ages, "
            "notes and places are not in it. The key that leads back to the practice's codes and dates is "
            "a file apart, which stays with the author."
        ),
        rows(entries, "Versions and fingerprints"),
    ]


def write_study(
    path: str | Path,
    *,
    to: str | Path,
    plan: str | Path | None = None,
    schedule: str | Path | None = None,
    design_id: str | None = None,
    answers: str | Path | None = None,
    key: str | Path | None = None,
    statistic: str | None = None,
    alternative: str | None = None,
    alpha: float | None = None,
    seed: int = 1,
    overwrite: bool = False,
    today: date | str | None = None,
    paper: str = "A4",
    page: bool = True,
    participants_to: str | Path | None = None,
) -> list[Path]:
    """Write a study's report into a folder, in one step, and the key of its participants apart from it.

    In the report and its archive the children are P1, P2 and so on, in the order of the plan.

    Parameters
    ----------
    path : str or Path
        The caseload.
    to : str or Path
        Folder to write: ``study.docx``, ``study.html``, ``study.zip``, ``numbers.json`` within it, and
        every figure as PNG at 300 dots per inch and as SVG.
    plan, schedule, design_id, answers, key, statistic, alternative, alpha, seed
        As for `rungwise.reports.study_inputs.read_study`.
    overwrite : bool
    today : datetime.date or str, optional
        Stated in the document's properties; dates after it are refused.
    paper : {"A4", "letter"}
    page : bool
        Also run the notebook ``single_case_study`` and write it as ``study.html``.
    participants_to : str or Path, optional
        File for the key that leads back to the practice's codes and dates, not inside `to`. Default
        beside the folder: its name with ``_participants.json``.

    Returns
    -------
    list of Path

    Raises
    ------
    ValueError
        If a file or an option is not what is allowed.
    NotWritten
        If something is in the way.
    DataProblems, NotEnoughData
        As the files deserve.
    """
    stated = today.isoformat() if isinstance(today, date) else today
    folder_to = check_free(to, overwrite=overwrite)
    key_file = _apart(participants_to or f"{folder_to}_participants.json", folder_to, "participants_to")
    options: dict[str, Any] = {
        "plan": plan, "schedule": schedule, "design_id": design_id, "answers": answers, "key": key,
        "statistic": statistic, "alternative": alternative, "alpha": alpha, "seed": seed,
    }  # fmt: skip
    inputs = read_study(path, **options, today=day(stated))
    key_text = participants_key(inputs)
    known = key_file.is_file() and key_file.read_text(encoding="utf-8") == key_text
    if not known:
        check_free(key_file, overwrite=overwrite)
    parts = manuscript(inputs)
    document = word_document(inputs, parts, stated_on=day(stated), paper=paper)
    with whole_folder(to, overwrite=overwrite) as folder:
        (folder / "study.docx").write_bytes(document)
        (folder / "study.zip").write_bytes(rerun_archive(inputs))
        _write_figures(folder / "figures", [part for part in parts if isinstance(part, Drawing)])
        if page:
            html = _page(path, options, stated, inputs)
            (folder / "study.html").write_text(html, encoding="utf-8", newline="\n")
    if not known:
        write_files({key_file: key_text}, overwrite=overwrite)
    return [*sorted(file for file in folder_to.rglob("*") if file.is_file()), key_file]


def word_document(
    inputs: StudyInputs, parts: Sequence[Part], *, stated_on: date | None = None, paper: str = "A4"
) -> bytes:
    """Give the manuscript as the bytes of a Word document."""
    study = inputs.result.study
    title = f"{KINDS[study.kind][0].upper()}{KINDS[study.kind][1:]}: graded exposure and probe fear"
    if study.plan is None:
        title = f"Single-case study {study.design_id}: graded exposure and probe fear"
    document = WordDocument(title, paper=paper, mark=MARK, stated_on=stated_on)
    document.paragraph(f"Authors, affiliations, funding, conflicts of interest: {TO_WRITE}")
    to_word(document, parts)
    return document.to_bytes()


def write_masked(
    path: str | Path,
    *,
    to: str | Path,
    key_to: str | Path,
    plan: str | Path | None = None,
    design_id: str | None = None,
    seed: int = 1,
    overwrite: bool = False,
    today: date | str | None = None,
) -> list[Path]:
    """Write the masked graphs for raters into a folder, and the key into a file apart from them.

    Parameters
    ----------
    path : str or Path
        The caseload.
    to : str or Path
        Folder for raters: ``graphs.docx`` and ``answers.csv`` to be filled in.
    key_to : str or Path
        File for whoever keeps the key; not inside `to`.
    plan, design_id
        As for `write_study`.
    seed : int
        For the order of the graphs.
    overwrite : bool
    today : datetime.date or str, optional

    Returns
    -------
    list of Path

    Raises
    ------
    ValueError
        If the key would lie beside the graphs.
    NotEnoughData
        If starts were not drawn at random.
    NotWritten
        If something is in the way.
    """
    folder = Path(to).resolve()
    key_file = _apart(key_to, folder, "key_to")
    stated = today.isoformat() if isinstance(today, date) else today
    check_free(key_file, overwrite=overwrite)
    check_free(folder, overwrite=overwrite)
    study = planned_study(path, plan=plan, design_id=design_id, today=day(stated))
    masked = mask_study(study, rng=np.random.default_rng(seed))
    with whole_folder(folder, overwrite=overwrite) as target:
        (target / "graphs.docx").write_bytes(_masked_document(masked))
        sheet = csv_text(masked.sheet_rows())
        (target / "answers.csv").write_text(sheet, encoding="utf-8", newline="\n")
    write_files({key_file: masked.key_text()}, overwrite=overwrite)
    return [folder / "graphs.docx", folder / "answers.csv", key_file]


def _apart(file: str | Path, folder: Path, name: str) -> Path:
    """Give a key's file, which must not go out with the folder that others get."""
    key_file = Path(file).resolve()
    if folder == key_file or folder in key_file.parents:
        raise ValueError(f"{name} must not lie in the folder that others get ({folder}); got {key_file}.")
    return key_file


def _masked_document(masked: MaskedStudy) -> bytes:
    document = WordDocument("Graphs to be rated")
    document.paragraph(INSTRUCTIONS)
    for graph in masked.graphs:
        words = {**WORDS, "baseline": "", "occasion": "Occasion"}
        axes = single_case_graph(
            graph.series, blank_axes(6.3, 2.7), title=graph.graph, rating="Fear", words=words
        )
        listed = ", ".join(map(str, graph.open_starts))
        document.figure(
            axes,
            caption=f"{graph.graph}. The program may have begun at one of these occasions: {listed}.",
            alt=f"{graph.graph}: fear at {len(graph.series)} occasions, without any mark of phases.",
        )
    return document.to_bytes()


def _write_figures(folder: Path, drawings: Sequence[Drawing]) -> None:
    folder.mkdir()
    for number, drawing in enumerate(drawings, start=1):
        whole = drawing.axes.get_figure(root=True)
        if whole is None:
            continue
        (folder / f"figure_{number}.png").write_bytes(picture_bytes(whole, "png", dpi=300))
        (folder / f"figure_{number}.svg").write_bytes(picture_bytes(whole, "svg"))


def _page(path: str | Path, options: dict[str, Any], stated: str | None, inputs: StudyInputs) -> str:
    parameters: dict[str, Any] = {"path": Path(path), "today": stated}
    for name, value in options.items():
        if value is not None:
            parameters[name] = Path(value) if name in ("plan", "schedule", "answers", "key") else value
    notebook = run_notebook("single_case_study", parameters)
    return render_page(notebook, title=f"Single-case study {inputs.result.study.design_id}")
