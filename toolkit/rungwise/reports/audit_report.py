"""The quarterly audit as files: the page, its tables and its JSON, all in one step."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path

from rungwise.audit.quarter import Quarter
from rungwise.basis.errors import DataProblems
from rungwise.reports.child_page import day
from rungwise.reports.html import render_page
from rungwise.reports.notebook_run import run_notebook
from rungwise.reports.write import check_free, whole_folder
from rungwise.series.caseload import read_caseload

NOTEBOOK = "quarterly_audit"
PAGE = "audit.html"


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
    progress: Callable[[int, int], None] | None = show_progress,
) -> list[Path]:
    """Write the audit of one quarter into a folder: ``audit.html``, ``audit.json`` and tables as CSV.

    The page is the notebook ``quarterly_audit`` run on these files. Everything appears in one step:
    if anything fails, or the program is killed, what stood at `to` before is still there, whole.

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
    progress : callable, optional
        Called with parts of the page done and parts in all; None for silence.

    Returns
    -------
    list of Path
        The files written, the page first.

    Raises
    ------
    ValueError
        If `quarter` or `today` cannot be read.
    NotWritten
        If something is in the way, or the folder may not be written to.
    DataProblems
        If the files could not be used; ``.report`` lists every problem.

    Examples
    --------
    >>> write_audit("data_demo/practice", "2026Q3", to="out/audit")  # doctest: +SKIP
    [PosixPath('out/audit/audit.html'), PosixPath('out/audit/audit.json'), ...]
    """
    Quarter.parse(quarter)
    stated = today.isoformat() if isinstance(today, date) else today
    day(stated)
    target = check_free(to, overwrite=overwrite)
    with whole_folder(target, overwrite=overwrite) as folder:
        parameters = {"path": Path(path), "quarter": quarter, "today": stated, "tables": folder}
        try:
            notebook = run_notebook(NOTEBOOK, parameters, progress=progress)
        except DataProblems:
            # The list of problems does not come back from the notebook; the files give it again.
            read_caseload(path, today=day(stated))
            raise
        page = render_page(notebook, title=f"Quarterly audit {quarter}")
        (folder / PAGE).write_text(page, encoding="utf-8", newline="\n")
    return sorted(target.iterdir(), key=lambda file: (file.suffix != ".html", file.suffix == ".csv", file))
