"""An executed notebook as one page: light, offline, readable on paper, on a phone and aloud."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import rungwise
from rungwise.basis.errors import check_choice
from rungwise.figures.style import PALETTE
from rungwise.reports.catalog import words_in
from rungwise.reports.words import ENGLISH

if TYPE_CHECKING:
    from nbformat import NotebookNode

TEMPLATES = Path(__file__).resolve().parent / "templates"
_TEMPLATE = "rungwise_page"
EDITIONS = {
    "practice": ENGLISH("edition.practice"),
    "sharing": "",
    "family": "",
}
NOTEBOOK_ONLY = "notebook-only"
PAGE_FOOTER = "page-footer"
# A section for those who want to know more: closed on a screen until its heading is chosen.
FOLDED = "folded"
_HEADING = re.compile(r"\s*<h2>(.*?)</h2>\s*", re.DOTALL)


def render_page(
    notebook: NotebookNode,
    *,
    title: str,
    edition: str = "practice",
    lang: str = "en",
    compact: bool = False,
) -> str:
    """Turn an executed notebook into one HTML page.

    The page holds everything it needs: no script, no link to anywhere, pictures embedded with their
    alternative text. No code is shown. Cells tagged ``notebook-only`` are left out; cells tagged
    ``page-footer`` close the page; what cells tagged ``folded`` show is closed under its own heading until
    that is chosen, and open on paper. What cells printed on standard error is left out.

    Parameters
    ----------
    notebook : NotebookNode
        Executed, as `run_notebook` gives it.
    title : str
        Name of the page in a browser's tab and on a screen reader.
    edition : {"practice", "sharing", "family"}
        The practice's edition is marked confidential at its top and on every printed page; in the
        family's, only the sheet for the file is (`rungwise.reports.family_page`).
    lang : str
        Language of the page; its own few words come from that catalog.
    compact : bool
        Print in two columns of small type, for long reports; on a screen nothing changes.

    Returns
    -------
    str
        The same for the same notebook, byte by byte.

    Raises
    ------
    ValueError
        For an unknown edition, or a figure without alternative text.
    """
    from nbconvert import HTMLExporter

    check_choice("edition", edition, EDITIONS)
    say = words_in(lang)
    ordered = _ordered(notebook)
    _check_figures(ordered)
    page = {
        "title": title,
        "lang": lang,
        "edition": edition,
        "mark": say("edition.practice") if edition == "practice" else EDITIONS[edition],
        "skip": say("lang.skip"),
        "style": style_sheet(compact=compact),
        "kind": "compact" if compact else "",
        "generator": f"rungwise {rungwise.__version__}",
        "has_footer": any(cell.metadata.get("page_footer_starts") for cell in ordered.cells),
    }
    exporter = HTMLExporter(
        template_name=_TEMPLATE,
        extra_template_basedirs=[str(TEMPLATES)],
        exclude_input=True,
        exclude_anchor_links=True,
    )
    body, _ = exporter.from_notebook_node(ordered, resources={"page": page})
    return "\n".join(line.rstrip() for line in body.splitlines() if line.strip()) + "\n"


def style_sheet(*, compact: bool = False) -> str:
    """Give the page's style sheet, with the palette of the figures as its color variables."""
    colors = "; ".join(f"--{name}: {color}" for name, color in PALETTE.items())
    sheets = ("page.css", "compact.css") if compact else ("page.css",)
    rules = "".join((TEMPLATES / _TEMPLATE / sheet).read_text(encoding="utf-8") for sheet in sheets)
    return f":root {{ {colors}; }}\n{rules}"


def _ordered(notebook: NotebookNode) -> NotebookNode:
    """Copy the notebook without the cells meant for its readers only, footer cells last."""
    from nbformat import from_dict

    kept = [
        from_dict(cell) for cell in notebook.cells if NOTEBOOK_ONLY not in cell.metadata.get("tags", [])
    ]
    for cell in kept:
        if FOLDED in cell.metadata.get("tags", []):
            _fold(cell)
    body = [cell for cell in kept if PAGE_FOOTER not in cell.metadata.get("tags", [])]
    footer = [cell for cell in kept if PAGE_FOOTER in cell.metadata.get("tags", [])]
    if footer:
        footer[0].metadata["page_footer_starts"] = True
    return from_dict({**notebook, "cells": body + footer})


def _fold(cell: NotebookNode) -> None:
    """Take the heading a cell begins with for the summary of what it shows; without one nothing folds."""
    for output in cell.get("outputs", []):
        markup = output.get("data", {}).get("text/html", "")
        if found := _HEADING.match(markup):
            cell.metadata["page_fold"] = found[1]
            output.data["text/html"] = markup[found.end() :]
        return


def _check_figures(notebook: NotebookNode) -> None:
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            if "image/png" not in output.get("data", {}) or "text/html" in output["data"]:
                continue
            if not output.metadata.get("image/png", {}).get("alt"):
                raise ValueError(
                    "Every figure of a page needs alternative text; make it with "
                    "rungwise.reports.blocks.picture(axes, alt=...). The cell without is: "
                    f"{cell.source[:80]!r}."
                )
