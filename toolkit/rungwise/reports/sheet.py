"""Recording sheets as files: one page to print, to write on and to type into the workbook."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

from rungwise.basis.errors import RungwiseError, check_choice
from rungwise.reports import sheet_words as say
from rungwise.reports.catalog import LANGUAGES
from rungwise.reports.pdf import PAPERS, find_browser, page_to_pdf
from rungwise.reports.sheet_facts import facts_of, facts_without_child
from rungwise.reports.sheet_forms import KINDS, LEVELS, about, form_of, lowest_level
from rungwise.reports.sheet_page import paper_word, sheet_html
from rungwise.reports.write import check_free, write_files
from rungwise.series.caseload import Caseload, read_caseload
from rungwise.series.planned import FEAR
from rungwise.tables.practice import Practice

# Tables without which a practice records at level 1, whatever else it keeps.
_LEVEL_2 = ("plans", "observations")


def write_sheet(
    path: str | Path | None = None,
    child_id: str | None = None,
    *,
    to: str | Path,
    kind: str = "probe",
    paper: str = "A4",
    ladder_id: str | None = None,
    probe_step: int | None = None,
    level: int | None = None,
    outcome: str = FEAR,
    lang: str = "en",
    blank: bool = False,
    overwrite: bool = False,
    today: date | None = None,
) -> list[Path]:
    """Write a recording sheet for one child's ladder, or a blank one, on exactly one page.

    Its titles are those of the workbook, in the same order. It bears the child's code and never a
    name. What the tables say is printed (the steps, the probe step, the child's scale, the usual
    rater); what they do not say is left to be filled in.

    Parameters
    ----------
    path : str or Path, optional
        What `read_caseload` reads; not needed for a blank sheet.
    child_id : str, optional
        The child's code; may be left out where there is only one child.
    to : str or Path
        A file ending in ``.html`` or ``.pdf``, or a folder, which then gets ``sheet_KIND_CODE``.
    kind : {"probe", "approach", "practice", "home", "observer"}
        Probe: planned occasions at the probe step. Approach: one occasion of steps offered upward.
        Practice: one day's trials. Home: practice at home (at level 1 the weekly rating), in large
        plain type. Observer: a second observer's view of trials.
    paper : {"A4", "letter"}
    ladder_id : str, optional
        May be left out where the child has only one ladder.
    probe_step : int, optional
        Default the primary one of the plan.
    level : {1, 2, 3}, optional
        Recording level; default that of the files, for a blank sheet the lowest that has the kind.
        At level 1 the probe sheet asks date, phase, rating, declined, once a week.
    outcome : str
        What is rated. Another than fear stands in the table ``ratings`` only, so it has the weekly
        sheets (kind ``probe`` or ``home``), on the scale that practice.toml declares for it.
    lang : {"en", "es"}
        Language of a home sheet, which a family fills in; the titles of the workbook stand small
        beside those of the language. The other sheets are kept in English.
    blank : bool
        For any child. With `path`, the practice's scale is printed, and the steps of `ladder_id`.
    overwrite : bool
        Whether earlier files of these names may be replaced.
    today : date, optional
        Day after which dates are refused; default the computer's. It is not printed.

    Returns
    -------
    list of Path
        The page, then the PDF; the page alone where no browser on the computer can print
        (`printing_words` then says how).

    Raises
    ------
    ValueError
        If an argument is wrong, or a child, ladder or step is not there.
    DataProblems
        If nothing in the files can be used.
    RungwiseError
        If a file is in the way or cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> written = write_sheet(to=Path(tempfile.mkdtemp()) / "week.html", blank=True)
    >>> written[0].name
    'week.html'
    """
    check_choice("kind", kind, KINDS)
    check_choice("paper", paper, PAPERS)
    check_choice("lang", lang, LANGUAGES)
    if lang != "en" and kind != "home":
        raise ValueError(f"lang must be 'en' for a sheet of kind {kind!r}; only home sheets have {lang!r}.")
    if blank and child_id is not None:
        raise ValueError(f"child_id must be left out for a blank sheet; got {child_id!r}.")
    if path is None and not blank:
        raise ValueError("path must be given, unless the sheet is blank.")
    if path is None and ladder_id is not None:
        raise ValueError(f"ladder_id needs the path of the files that describe it; got {ladder_id!r}.")
    caseload = None if path is None else read_caseload(path, today=today)
    if level is None:
        level = _level(kind, caseload) if outcome == FEAR else lowest_level(kind)
    form = form_of(kind, level)
    if outcome != FEAR and form.table != "ratings":
        raise ValueError(
            f"outcome must be 'fear' on this sheet, because {form.table} records nothing else; the weekly "
            f"sheets (kind 'probe' or 'home', level 1) take other outcomes; got {outcome!r}."
        )
    form = about(form, outcome)
    if blank or caseload is None:
        practice = Practice() if caseload is None else caseload.practice
        facts = facts_without_child(practice, caseload, ladder_id, outcome)
    else:
        practiced = form.trial_kind == "practice"
        facts = facts_of(
            caseload, child_id, ladder_id, probe_step=probe_step, practiced=practiced, outcome=outcome
        )
    named = [kind, facts.child_id or "blank", *([] if outcome == FEAR else [outcome])]
    page_file = _page_file(Path(to), "_".join(named))
    pdf_file = page_file.with_suffix(".pdf")
    for target in (page_file, pdf_file):
        check_free(target, overwrite=overwrite)
    page = sheet_html(form, facts, paper, lang)
    contents: dict[str | Path, str | bytes] = {page_file: page}
    printed = _printed(page, paper)
    if printed is not None:
        contents[pdf_file] = printed
    return write_files(contents, overwrite=overwrite)


def printing_words(written: list[Path], paper: str = "A4") -> str:
    """Say how to print a sheet of which no PDF was made; ``""`` where there is one.

    Examples
    --------
    >>> printing_words([Path("week.html"), Path("week.pdf")])
    ''
    >>> printing_words([Path("week.html")])[:22]
    'No PDF was made, becau'
    """
    if any(file.suffix == ".pdf" for file in written):
        return ""
    return say.NO_PDF.format(page=written[0], paper=paper_word(paper))


def _level(kind: str, caseload: Caseload | None) -> int:
    level = min(LEVELS)
    if caseload is not None and any(table in caseload.tables for table in _LEVEL_2):
        level = max(caseload.level, 2)
    return max(level, lowest_level(kind))


def _printed(page: str, paper: str) -> bytes | None:
    if find_browser() is None:
        return None
    try:
        return page_to_pdf(page, paper=paper)
    except RungwiseError:
        # The page is as good without the PDF, and `printing_words` says what to do with it.
        return None


def _page_file(to: Path, stem: str) -> Path:
    if to.suffix.lower() in (".html", ".htm", ".pdf"):
        return to.with_suffix(".html") if to.suffix.lower() == ".pdf" else to
    return to / f"sheet_{re.sub(r'[^A-Za-z0-9._-]+', '_', stem)}.html"
