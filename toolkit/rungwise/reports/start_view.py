"""What the start page shows: the problems of a file and one child's answer, as HTML for a widget."""

from __future__ import annotations

import base64
import csv
import html
import io
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from rungwise.figures.single_case_graph import single_case_graph
from rungwise.reports import child_page as page
from rungwise.reports.blocks import Block, Picture, bullets, heading, paragraph, picture, table
from rungwise.reports.catalog import Words
from rungwise.reports.child_numbers import meanings_table, numbers_table
from rungwise.reports.html import TEMPLATES, style_sheet
from rungwise.reports.problem_words import problem_and_remedy
from rungwise.reports.words import glossary, named, verdict_words
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.verdict import verdict
from rungwise.tables.problems import FIELDS, Problem, ProblemReport

if TYPE_CHECKING:
    from rungwise.basis.errors import DataProblems
    from rungwise.series.caseload import Caseload
    from rungwise.single_case.child_answer import ChildAnswer

SHOWN_OF_A_KIND = 3


def frame(inside: str, *, live: bool = False) -> str:
    """Give markup its look; `live` has it read aloud when it changes."""
    spoken = ' role="status" aria-live="polite"' if live else ""
    return f'<div class="rungwise"{spoken}>{inside}</div>'


def style(*, alone: bool = False) -> str:
    """Give the style of the page, held to what stands inside `frame`, so that the rest keeps its own.

    `alone` hides the notebook's own words, whose Start button has nothing to start where the page is
    shown by itself.
    """
    variables, rules = style_sheet().split("\n", 1)
    own = (TEMPLATES / "start_page.css").read_text(encoding="utf-8")
    hidden = ".jp-MarkdownCell { display: none; }\n" if alone else ""
    return f"<style>{variables}\n.rungwise {{ {rules} }}\n{own}{hidden}</style>"


def told(text: str, *, kind: str = "") -> str:
    """Give one sentence that is read aloud when it changes."""
    return frame(paragraph(text, kind=kind).html, live=True)


def download(name: str, content: bytes, words: str, *, media: str) -> str:
    """Give a link that hands over a file which stands in the page itself."""
    data = base64.b64encode(content).decode("ascii")
    return (
        f'<p><a download="{html.escape(name, quote=True)}" href="data:{media};base64,{data}">'
        f"{html.escape(words)}</a></p>"
    )


def warm_up() -> None:
    """Load what the first answer needs and draw once, so that the first child is as quick as the rest."""
    series = PhaseSeries.from_phases([7, 8, 7, 8, 7], [6, 5, 4, 3, 3, 2], floor=0, ceiling=10)
    picture(single_case_graph(series, projection=True, answer=verdict(series)), alt="a graph", dpi=50)


def problems_html(report: ProblemReport, say: Words) -> str:
    """List the problems of a file, the first few of each kind, and say how many more there are."""
    if not len(report):
        return frame(paragraph(say("start.no_problems"), kind="small").html)
    summary = say(
        "start.problems_summary",
        errors=say.count("error", len(report.errors)),
        warnings=say.count("warning", len(report.warnings)),
        rows=say.count("row", report.rows_set_aside),
    )
    rows = [
        {
            say("start.where"): f"{problem.source}, {_place(problem, say)}",
            say("start.what"): problem.value,
            say("start.why"): " ".join(problem_and_remedy(problem, say))
            + (f" {say('start.problems_more', n=more)}" if more else ""),
        }
        for problem, more in _shown(report)
    ]
    listed = table(rows, caption=say("start.problems"))
    whole = download(
        "problems.csv", problems_csv(report).encode("utf-8-sig"), say("start.problems_download"),
        media="text/csv",
    )  # fmt: skip
    note = say("start.problems_language")
    parts = [paragraph(summary).html, *([paragraph(note, kind="small").html] if note else [])]
    return frame("\n".join([*parts, listed.html, whole]))


def reason_words(error: DataProblems, say: Words) -> str:
    """Say why nothing in a file can be used, without its name; only one error is told by its own words."""
    problems = error.report.errors
    if len(problems) == 1:
        return " ".join(problem_and_remedy(problems[0], say))
    return say.sentence(str(error))


def problems_csv(report: ProblemReport) -> str:
    """Write every problem, one a row."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(FIELDS)
    writer.writerows([getattr(problem, name) for name in FIELDS] for problem in report)
    return out.getvalue()


def answer_html(caseload: Caseload, answer: ChildAnswer, say: Words, ladder: str | None = None) -> str:
    """Show one child's answer: the sentence, the picture, and the rest to be opened.

    Parameters
    ----------
    caseload : Caseload
    answer : ChildAnswer
    say : Words
    ladder : str, optional
        Show this ladder's picture only; the answer is over all of them all the same.
    """
    parts = [page.opening(caseload, answer, say).html]
    shown = answer
    if ladder is not None and len(answer.ladders) > 1:
        shown = replace(answer, ladders=tuple(one for one in answer.ladders if one.ladder_id == ladder))
        only = shown.ladders[0]
        alone = say(
            "start.one_ladder",
            ladder=named(only, say),
            verdict=verdict_words(only.verdict.code, answer, say),
        )
        parts.append(paragraph(alone[0].upper() + alone[1:], kind="small").html)
    parts += [_html(block) for block in page.pictures(shown, say, narrow=False)]
    for key, blocks in (
        ("page.numbers", [numbers_table(answer, say)]),
        ("page.trust", page.trust(answer, say, caseload)),
        ("page.settle", [page.next_to_find_out(answer, say), page.safety(say)]),
        ("page.left_out", page.left_out(caseload, answer, say)),
        ("start.glossary", [meanings_table(say), bullets(glossary(say))]),
    ):
        inside = "\n".join(_html(block) for block in blocks)
        parts.append(f"<details><summary>{html.escape(say(key))}</summary>{inside}</details>")
    return frame("\n".join(parts))


def _html(block: Block | Picture) -> str:
    return block.html


def _shown(report: ProblemReport) -> Iterable[tuple[Problem, int]]:
    """Give the first few problems of each kind, the last of them with how many are left out."""
    kinds = Counter((one.source, one.code, one.column) for one in report)
    met: Counter[tuple[str, str, str]] = Counter()
    for problem in report.problems:
        kind = (problem.source, problem.code, problem.column)
        met[kind] += 1
        if met[kind] < SHOWN_OF_A_KIND or kinds[kind] == met[kind] == SHOWN_OF_A_KIND:
            yield problem, 0
        elif met[kind] == SHOWN_OF_A_KIND:
            yield problem, kinds[kind] - SHOWN_OF_A_KIND


def _place(problem: Problem, say: Words) -> str:
    if not problem.row:
        return problem.column or say("start.whole_file")
    if not problem.column:
        return say("start.row", row=problem.row)
    return say("start.row_column", row=problem.row, column=problem.column)


_MEDIA = {
    ".html": "text/html",
    ".pdf": "application/pdf",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def heading_html(text: str, level: int, *sentences: str) -> str:
    """Give a heading with sentences under it."""
    under = "".join(paragraph(sentence, kind="small").html for sentence in sentences)
    return frame(f"{heading(text, level).html}{under}")


def saved_html(files: Iterable[Path], folder: Path, say: Words) -> str:
    """Say where files were saved, and hand them over."""
    files = list(files)
    names = ", ".join(
        str(file.relative_to(folder)) if file.is_relative_to(folder) else str(file) for file in files
    )
    links = "".join(_link(file, say) for file in files)
    return frame(paragraph(say("start.saved", files=names)).html + links, live=True)


def handed_over(files: Iterable[Path], say: Words) -> str:
    """Hand over files that were made for the page only."""
    return frame("".join(_link(file, say) for file in files), live=True)


def _link(file: Path, say: Words) -> str:
    return download(
        file.name, file.read_bytes(), say("start.download", name=file.name), media=_MEDIA[file.suffix]
    )
