"""A page is one file, offline, without code, and well formed for those who hear it."""

from __future__ import annotations

import re

import nbformat
import pytest
from rungwise.figures.style import PALETTE, blank_axes
from rungwise.reports import blocks, pdf
from rungwise.reports.html import render_page, style_sheet
from rungwise.reports.pdf import NARROW_ON_PAPER


@pytest.fixture
def notebook(cell_of):
    axes = blank_axes(7, 3)
    axes.plot([1, 2, 3])
    printed = nbformat.v4.new_code_cell(
        "noisy()",
        execution_count=2,
        outputs=[
            nbformat.v4.new_output("stream", name="stdout", text="printed & kept"),
            nbformat.v4.new_output("stream", name="stderr", text="a warning"),
        ],
    )
    return nbformat.v4.new_notebook(
        cells=[
            nbformat.v4.new_markdown_cell("How to use this", metadata={"tags": ["notebook-only"]}),
            cell_of(blocks.facts({"ratings.csv": "ab12"}), "page-footer"),
            cell_of(blocks.heading("C014", 1)),
            cell_of(blocks.lead("Fear < came down.")),
            nbformat.v4.new_markdown_cell("## The picture"),
            cell_of(
                blocks.picture(
                    axes, alt='Fear "falls" <here>.', caption="By day.", narrow=blank_axes(3, 3), dpi=40
                )
            ),
            printed,
        ]
    )


def test_the_page_has_its_landmarks_title_and_language(notebook, read_page):
    page = read_page(render_page(notebook, title="C014 <fear>", lang="es"))
    assert page.all("html")[0].attributes["lang"] == "es"
    assert page.all("a", class_="skip")[0].text == "Ir a la respuesta"
    assert page.all("div", class_="mark")[0].text.startswith("Confidencial")
    assert page.all("title")[0].text == "C014 <fear>"
    assert [len(page.all(tag)) for tag in ("main", "footer", "h1")] == [1, 1, 1]
    assert page.all("a", class_="skip")[0].attributes["href"] == "#" + page.all("main")[0].attributes["id"]
    assert "main" in page.all("h1")[0].inside
    assert "footer" in page.all("dl")[0].inside


def test_the_answer_is_the_first_paragraph(notebook, read_page):
    page = read_page(render_page(notebook, title="x"))
    assert page.all("p")[0].text == "Fear < came down."


def test_figures_have_alternative_text_caption_and_a_narrow_version(notebook, read_page):
    page = read_page(render_page(notebook, title="x"))
    [image] = page.all("img")
    assert image.attributes["alt"] == 'Fear "falls" <here>.'
    assert image.attributes["src"].startswith("data:image/png;base64,")
    assert page.all("source")[0].attributes["srcset"].startswith("data:image/png;base64,")
    assert page.all("figcaption")[0].text == "By day."


def test_nothing_is_fetched_and_nothing_runs(notebook, read_page):
    html = render_page(notebook, title="x")
    page = read_page(html)
    assert page.all("script") == page.all("link") == page.all("iframe") == []
    assert "://" not in html
    assert "url(" not in html
    assert "@import" not in html
    for element in page.elements:
        assert not [name for name in element.attributes if name.startswith("on")]
        for name in ("src", "href", "srcset"):
            assert re.match(r"(data:|#)", element.attributes.get(name, "#"))


def test_code_and_notes_for_notebook_readers_are_left_out(notebook):
    html = render_page(notebook, title="x")
    for hidden in ("secret_code", "noisy", "How to use this", "a warning", "In [", "Out["):
        assert hidden not in html
    assert "printed &amp; kept" in html


def test_the_practice_edition_is_marked_and_the_sharing_edition_is_not(notebook, read_page):
    marked = read_page(render_page(notebook, title="x", edition="practice"))
    assert marked.all("div", class_="mark")[0].text.startswith("Confidential")
    assert marked.all("div", class_="spine")[0].attributes["aria-hidden"] == "true"
    shared = render_page(notebook, title="x", edition="sharing")
    assert "Confidential" not in shared
    assert read_page(shared).all("div", class_="spine") == []


def test_the_mark_stands_on_every_printed_page():
    printed = style_sheet().split("@media print")[1]
    assert re.search(r"\.spine \{[^}]*position: fixed", printed)


def test_an_unknown_edition_is_refused(notebook):
    with pytest.raises(ValueError, match=r"edition must be one of .*'family'; got 'public'"):
        render_page(notebook, title="x", edition="public")


def test_a_figure_without_alternative_text_is_refused(notebook):
    notebook.cells[5].outputs[0].metadata["image/png"].alt = ""
    with pytest.raises(ValueError, match="Every figure of a page needs alternative text"):
        render_page(notebook, title="x")


def test_the_same_notebook_gives_the_same_bytes_and_is_not_changed(notebook):
    before = nbformat.writes(notebook)
    assert render_page(notebook, title="x") == render_page(notebook, title="x")
    assert nbformat.writes(notebook) == before


def test_a_page_without_footer_cells_is_well_formed(notebook, read_page):
    del notebook.cells[1]
    page = read_page(render_page(notebook, title="x"))
    assert page.all("footer") == []
    assert len(page.all("main")) == 1


def test_what_a_cell_returns_is_shown_like_what_it_displays(notebook, read_page):
    shown = notebook.cells[3].outputs[0]
    notebook.cells[3].outputs[0] = nbformat.v4.new_output(
        "execute_result", data=shown.data, execution_count=1
    )
    assert read_page(render_page(notebook, title="x")).all("p")[0].text == "Fear < came down."


def luminance(color: str) -> float:
    channels = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(PALETTE[one]), luminance(PALETTE[other])), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("back", ["paper", "wash"])
@pytest.mark.parametrize("text", ["ink", "soft", "tide", "brick"])
def test_text_stands_out_enough_from_its_ground(text, back):
    # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1 for text.
    assert contrast(text, back) >= 4.5


def test_a_compact_page_asks_for_its_narrow_pictures_on_paper_and_for_small_type(notebook, read_page):
    plain, compact = (render_page(notebook, title="x", compact=compact) for compact in (False, True))
    assert "class" not in read_page(plain).all("html")[0].attributes
    assert read_page(compact).all("html")[0].attributes["class"] == "compact"
    assert NARROW_ON_PAPER in compact
    assert NARROW_ON_PAPER not in plain
    assert "columns: 2" in style_sheet(compact=True)
    assert "columns: 2" not in style_sheet()


def test_a_folded_section_is_closed_under_its_own_heading_and_open_on_paper(
    cell_of, read_page, monkeypatch
):
    section = blocks.heading("More of it") + blocks.paragraph("Only if wanted.")
    bare = blocks.paragraph("No heading, nothing to fold.")
    cells = [cell_of(section, "folded"), cell_of(section), cell_of(bare, "folded")]
    made = render_page(nbformat.v4.new_notebook(cells=cells), title="x")
    page = read_page(made)
    [folded] = page.all("details")
    assert folded.attributes == {"class": "section"}
    assert [h.inside[-1] for h in page.all("h2")] == ["summary", "main"]
    assert "Only if wanted." in folded.text
    assert "No heading" not in folded.text
    printed = []
    monkeypatch.setattr(pdf, "check_browser", lambda: "browser")
    monkeypatch.setattr(pdf, "_print", lambda browser, page, *_: printed.append(page) or b"%PDF")
    pdf.page_to_pdf(made)
    assert read_page(printed[0]).all("details")[0].attributes == {"class": "section", "open": None}
