"""The quarterly audit as files: the page, its tables and its JSON, all in one step."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path

from rungwise.audit.quarter import Quarter
from rungwise.audit.sharing import NotShared
from rungwise.basis.errors import DataProblems, check_choice
from rungwise.reports.child_page import day
from rungwise.reports.earlier_audits import read_earlier
from rungwise.reports.html import render_page
from rungwise.reports.notebook_run import run_notebook
from rungwise.reports.pdf import page_to_pdf
from rungwise.reports.write import check_free, whole_folder
from rungwise.series.caseload import read_caseload

__all__ = ["NotShared", "show_progress", "write_audit"]

# Edition to its notebook and the name of its page.
EDITIONS = {"practice": ("quarterly_audit", "audit.html"), "sharing": ("shared_audit", "shared_audit.html")}
# What the running header of the PDF says about the edition.
HEADERS = {"practice": "confidential, for use within the practice only", "sharing": "for sharing"}


def show_progress(done: int, total: int) -> None:
    """Say on standard error how far the audit has come, on one line where that is a terminal."""
    words = f"audit: {done} of {total} parts"
    if sys.stderr.isatty():
        print(f"\r{words}", end="\n" if done == total else "", file=sys.stderr, flush=True)  # noqa: T201
    elif done == total:
        print(words, file=sys.stderr, flush=True)  # noqa: T201


def write_audit(
    path: str | Path,
    quarter: str,
    *,
    to: str | Path,
    overwrite: bool = False,
    today: date | str | None = None,
    edition: str = "practice",
    last_shared: str | Path | None = None,
    earlier: str | Path | None = None,
    pdf: bool = False,
    progress: Callable[[int, int], None] | None = show_progress,
) -> list[Path]:
    """Write the audit of one quarter into a folder: page, JSON, and tables as CSV and workbook.

    ``audit.html`` is the notebook ``quarterly_audit`` run on these files; the edition for sharing is
    ``shared_audit.html`` with its JSON, and holds no child and no small number. Everything appears in
    one step: if anything fails, or the program is killed, what stood at `to` before is still there, whole.

    Parameters
    ----------
    path : str or Path
        The caseload: a folder, a CSV file or a workbook.
    quarter : str
        For example ``"2026Q3"``.
    to : str or Path
        Folder to write; an earlier report in it is replaced only with `overwrite`.
    overwrite : bool
    today : date or str, optional
        Default the computer's date; matters only while the quarter runs.
    edition : {"practice", "sharing"}
    last_shared : str or Path, optional
        JSON of the report shared last, which the edition for sharing is held against.
    earlier : str or Path, optional
        The ``audit.json`` of an earlier audit, or a folder of them: what was reported then is held
        against today's count. Only for the practice's edition.
    pdf : bool
        Also print the page as PDF with page numbers, which needs a browser on this computer.
    progress : callable, optional
        Called with parts of the page done and parts in all; None for silence.

    Returns
    -------
    list of Path
        The files written, the page first.

    Raises
    ------
    ValueError
        If `quarter`, `today`, `edition` or `earlier` is not what is allowed.
    NotWritten
        If something is in the way, or the folder may not be written to.
    NotShared
        If a report for sharing, together with the last one, would give a small number away.
    DataProblems
        If the files could not be used; ``.report`` lists every problem.

    Examples
    --------
    >>> write_audit("data_demo/practice", "2026Q3", to="out/audit")  # doctest: +SKIP
    [PosixPath('out/audit/audit.html'), PosixPath('out/audit/audit.json'), ...]
    """
    check_choice("edition", edition, EDITIONS)
    name, page_name = EDITIONS[edition]
    if last_shared is not None and edition != "sharing":
        raise ValueError("last_shared must be left out unless edition is 'sharing'.")
    if earlier is not None and edition != "practice":
        raise ValueError("earlier must be left out unless edition is 'practice'.")
    read_earlier(earlier)
    Quarter.parse(quarter)
    stated = today.isoformat() if isinstance(today, date) else today
    day(stated)
    target = check_free(to, overwrite=overwrite)
    with whole_folder(target, overwrite=overwrite) as folder:
        parameters = {"path": Path(path), "quarter": quarter, "today": stated, "tables": folder}
        if last_shared is not None:
            parameters["last_shared"] = Path(last_shared)
        if earlier is not None:
            parameters["earlier"] = Path(earlier)
        try:
            notebook = run_notebook(name, parameters, progress=progress)
        except DataProblems:
            # The list of problems does not come back from the notebook; the files give it again.
            read_caseload(path, today=day(stated))
            raise
        title = f"Quarterly audit {quarter}"
        page = render_page(notebook, title=title, edition=edition, compact=True)
        (folder / page_name).write_text(page, encoding="utf-8", newline="\n")
        if pdf:
            (folder / page_name).with_suffix(".pdf").write_bytes(
                page_to_pdf(page, header=f"{title}: {HEADERS[edition]}")
            )
    files = [file for file in target.rglob("*") if file.is_file()]
    return sorted(files, key=lambda file: (file.suffix != ".html", file.suffix == ".csv", file))
