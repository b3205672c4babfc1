"""One child's reports as files: a notebook run on a practice's own data."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from rungwise.reports.catalog import words_in
from rungwise.reports.html import render_page
from rungwise.reports.notebook_run import run_notebook
from rungwise.reports.pdf import check_browser, page_to_pdf
from rungwise.reports.write import check_free, write_files
from rungwise.series.caseload import read_caseload
from rungwise.single_case.child_answer import which_child

if TYPE_CHECKING:
    from nbformat import NotebookNode


def write_child_report(
    path: str | Path,
    child_id: str | None = None,
    *,
    to: str | Path,
    outcome: str | None = None,
    overwrite: bool = False,
    today: date | None = None,
    pdf: bool = False,
    paper: str = "A4",
    lang: str = "en",
    progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Write the page about one child.

    Everything that can be refused is refused before the work begins, and the files appear whole or
    not at all.

    Parameters
    ----------
    path : str or Path
        What `read_caseload` reads.
    child_id : str, optional
        The child's code; may be left out where there is only one child.
    to : str or Path
        A file ending in ``.html``, or a folder, which then gets ``child_CODE.html``.
    outcome : str, optional
        What was rated; needed only where a child has several outcomes and none is ``"fear"``.
    overwrite : bool
        Whether earlier files of these names may be replaced.
    today : datetime.date, optional
        Stated on the page, and the day after which dates are refused. Without it the page bears no
        date, and the computer's date is used for the check only.
    pdf : bool
        Also print the page to a PDF beside it, with a browser that is already on the computer.
    paper : {"A4", "letter"}
        Paper of the PDF.
    lang : {"en", "es"}
        Language of the page. What stands in the practice's own files, and what is wrong in them, stays
        as it is.
    progress : callable, optional
        Called with the number of steps done and their total.

    Returns
    -------
    list of Path
        The files written, the page first.

    Raises
    ------
    ValueError
        If the child or the outcome is not there, or there is no catalog of the language.
    DataProblems
        If nothing in the files can be used.
    RungwiseError
        If a file is in the way or cannot be written, or a PDF is wanted and no browser is found.
    """
    return _write([(_FULL, pdf)], path, child_id, to, outcome, overwrite, today, paper, lang, progress)


def write_family_report(
    path: str | Path,
    child_id: str | None = None,
    *,
    to: str | Path,
    outcome: str | None = None,
    overwrite: bool = False,
    today: date | None = None,
    pdf: bool = True,
    paper: str = "A4",
    lang: str = "en",
    progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Write two sheets about one child, each a file: one to hand to the family, one for the practice.

    Only the second is marked confidential, so it never shares a file with the first. A folder gets
    ``family_CODE.html`` and ``file_CODE.html``; a page named ``NAME.html`` gets ``NAME_file.html`` beside
    it; with `pdf`, each has a PDF of its own. Arguments and errors are those of `write_child_report`; the
    family's files come first in the result.
    """
    return _write([(_FAMILY, pdf)], path, child_id, to, outcome, overwrite, today, paper, lang, progress)


def write_child_pages(
    path: str | Path,
    child_id: str | None = None,
    *,
    to: str | Path,
    outcome: str | None = None,
    overwrite: bool = False,
    today: date | None = None,
    pdf: bool = True,
    paper: str = "A4",
    lang: str = "en",
    progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Write the page about one child and both sheets into a folder: all of them, or none.

    Arguments, files and errors are those of `write_child_report` and `write_family_report`, but `to` is
    always a folder, and `pdf` is about the sheets.
    """
    kinds = [(_FULL, False), (_FAMILY, pdf)]
    if Path(to).suffix.lower() in PAGE_ENDINGS:
        raise ValueError(f"to must be a folder, which gets several pages; got {to}.")
    return _write(kinds, path, child_id, to, outcome, overwrite, today, paper, lang, progress)


@dataclass(frozen=True)
class _Kind:
    notebook: str
    stem: str
    title: str
    edition: str
    file_sheet: bool = False


_FULL = _Kind("one_child", "child", "title.child", "practice")
_FAMILY = _Kind("family_and_file", "family", "title.family", "family", file_sheet=True)
PAGE_ENDINGS = (".html", ".htm")
# The tag of the cells that make the sheet for the practice's file.
FILE_SHEET = "file-sheet"


def _write(
    kinds: Sequence[tuple[_Kind, bool]],
    path: str | Path,
    child_id: str | None,
    to: str | Path,
    outcome: str | None,
    overwrite: bool,
    today: date | None,
    paper: str,
    lang: str,
    progress: Callable[[int, int], None] | None,
) -> list[Path]:
    say = words_in(lang)
    caseload = read_caseload(path, today=today)
    child_id = which_child(caseload, child_id)
    planned = [(kind, pdf, _pages(kind, Path(to), child_id)) for kind, pdf in kinds]
    for _, pdf, pages in planned:
        for page_file, _, _ in pages:
            for target in (page_file, *([page_file.with_suffix(".pdf")] if pdf else [])):
                check_free(target, overwrite=overwrite)
    if any(pdf for _, pdf, _ in planned):
        check_browser()
    parameters = {
        "path": Path(path),
        "child": child_id,
        "outcome": outcome,
        "today": None if today is None else today.isoformat(),
        "lang": lang,
    }
    contents: dict[str | Path, str | bytes] = {}
    for kind, pdf, pages in planned:
        notebook = run_notebook(kind.notebook, parameters, progress=progress)
        for page_file, title, file_sheet in pages:
            sheet = _cells(notebook, file_sheet=file_sheet)
            page = render_page(sheet, title=say(title, child=child_id), edition=kind.edition, lang=lang)
            contents[page_file] = page
            if pdf:
                contents[page_file.with_suffix(".pdf")] = page_to_pdf(page, paper=paper)
    return write_files(contents, overwrite=overwrite)


def _pages(kind: _Kind, to: Path, child_id: str) -> list[tuple[Path, str, bool]]:
    """Give the pages of a notebook: place, title, and whether it is the sheet for the file."""
    pages = [(_target(to, kind.stem, child_id), kind.title, False)]
    if kind.file_sheet:
        pages.append((_beside(to, pages[0][0], child_id), "title.file", True))
    return pages


def _cells(notebook: NotebookNode, *, file_sheet: bool) -> NotebookNode:
    """Give the notebook with the cells of the sheet for the file, or with all others."""
    from nbformat import from_dict

    kept = [cell for cell in notebook.cells if (FILE_SHEET in cell.metadata.get("tags", [])) == file_sheet]
    return from_dict({**notebook, "cells": kept})


def _beside(to: Path, family: Path, child_id: str) -> Path:
    """Name the sheet for the file after the one for the family."""
    return family.with_name(f"{family.stem}_file.html") if family == to else _target(to, "file", child_id)


def _target(to: Path, stem: str, child_id: str) -> Path:
    if to.suffix.lower() in PAGE_ENDINGS:
        return to
    return to / f"{stem}_{re.sub(r'[^A-Za-z0-9._-]+', '_', child_id)}.html"
