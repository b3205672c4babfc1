"""A Word document has real styles, captions that count, tables that repeat their heads, both figures."""

from __future__ import annotations

import io
import zipfile
from datetime import date

import docx
import pytest
from docx.oxml.ns import qn
from rungwise.figures.style import blank_axes
from rungwise.reports.word import Italic, WordDocument

ROWS = [{"Day": i, "Rating": f"{10 - i}", "Note": "as planned"} for i in range(3)]


def read(document: WordDocument):
    return docx.Document(io.BytesIO(document.to_bytes()))


def axes():
    ax = blank_axes(4, 2)
    ax.plot([1, 2, 3])
    return ax


@pytest.fixture
def document():
    document = WordDocument("One <study> & more", mark="Draft.", stated_on=date(2026, 11, 13))
    document.heading("Results")
    document.paragraph("The test gave ", Italic("p"), " = .016.")
    document.bullets(["One.", "Two."])
    document.table(ROWS, caption="Raw data", numeric=["Rating"], notes=["Declines rank worst."])
    document.figure(axes(), caption="Fear by day.", alt='Fear "falls".')
    document.table(ROWS, caption="More data")
    return document


def test_every_paragraph_has_its_style(document):
    styles = [(p.style.name, p.text) for p in read(document).paragraphs if p.text]
    assert styles == [
        ("Title", "One <study> & more"),
        ("Heading 1", "Results"),
        ("Normal", "The test gave p = .016."),
        ("List Bullet", "One."),
        ("List Bullet", "Two."),
        ("Caption", "Table 1. Raw data"),
        ("Table Note", "Declines rank worst."),
        ("Caption", "Figure 1. Fear by day."),
        ("Caption", "Table 2. More data"),
    ]


def test_captions_are_fields_that_word_counts(document):
    codes = [e.text.strip() for e in read(document).element.iter(qn("w:instrText"))]
    assert codes == ["SEQ Table \\* ARABIC", "SEQ Figure \\* ARABIC", "SEQ Table \\* ARABIC"]


def test_labels_are_given_back_to_refer_to():
    document = WordDocument("x")
    assert document.table(ROWS, caption="a") == "Table 1"
    assert document.figure(axes(), caption="b", alt="c") == "Figure 1"
    assert document.table(ROWS, caption="d") == "Table 2"


def test_symbols_are_set_in_italics(document):
    [paragraph] = [p for p in read(document).paragraphs if "test gave" in p.text]
    assert [run.text for run in paragraph.runs if run.italic] == ["p"]


def test_a_table_holds_its_cells_repeats_its_head_and_keeps_rows_whole(document):
    table = read(document).tables[0]
    assert [[cell.text for cell in row.cells] for row in table.rows] == [
        ["Day", "Rating", "Note"],
        *[[str(i), str(10 - i), "as planned"] for i in range(3)],
    ]
    heads = [row._tr.find(".//" + qn("w:tblHeader")) is not None for row in table.rows]
    assert heads == [True, False, False, False]
    assert all(row._tr.find(".//" + qn("w:cantSplit")) is not None for row in table.rows)
    assert table._tbl.tblPr.find(qn("w:tblCaption")).get(qn("w:val")) == "Raw data"
    assert table.cell(1, 1).paragraphs[0].alignment == docx.enum.text.WD_ALIGN_PARAGRAPH.RIGHT
    assert table.cell(1, 2).paragraphs[0].alignment is None


def test_a_figure_is_there_as_picture_and_as_drawing_with_alternative_text(document):
    [shape] = read(document).inline_shapes
    assert shape._inline.docPr.get("descr") == 'Fear "falls".'
    with zipfile.ZipFile(io.BytesIO(document.to_bytes())) as archive:
        media = {name: archive.read(name) for name in archive.namelist() if "/media/" in name}
        relations = archive.read("word/_rels/document.xml.rels").decode()
        types = archive.read("[Content_Types].xml").decode()
    [png] = [data for name, data in media.items() if name.endswith(".png")]
    [svg] = [name for name in media if name.endswith(".svg")]
    # The width in the PNG header: 4 inches at 300 dots each.
    assert int.from_bytes(png[16:20], "big") == 1200
    assert b"<svg" in media[svg]
    assert "image/svg+xml" in types
    blip = next(e for e in shape._inline.iter() if e.tag.endswith("}svgBlip"))
    assert f'Id="{blip.get(qn("r:embed"))}"' in relations


def test_a_figure_is_never_wider_than_the_text():
    document = WordDocument("x", paper="letter")
    document.figure(blank_axes(12, 2), caption="a", alt="b")
    [shape] = read(document).inline_shapes
    assert shape.width.mm == pytest.approx(215.9 - 50, abs=0.1)


def test_header_footer_and_properties(document):
    made = read(document)
    assert made.sections[0].header.paragraphs[0].text == "Draft."
    codes = [e.text.strip() for e in made.sections[0].footer._element.iter(qn("w:instrText"))]
    assert codes == ["PAGE", "NUMPAGES"]
    assert made.core_properties.title == "One <study> & more"
    assert made.core_properties.created.date() == date(2026, 11, 13)


@pytest.mark.parametrize(("paper", "width"), [("A4", 210), ("letter", 215.9)])
def test_paper(paper, width):
    assert read(WordDocument("x", paper=paper)).sections[0].page_width.mm == pytest.approx(width, abs=0.1)


def test_the_same_content_gives_the_same_bytes():
    def made():
        document = WordDocument("x")
        document.figure(axes(), caption="a", alt="b")
        document.table(ROWS, caption="c")
        return document.to_bytes()

    assert made() == made()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda d: d.heading("x", 5), "level must be one of 1, 2, 3, 4; got 5"),
        (lambda d: d.table([], caption="Raw"), "rows of the table 'Raw' must hold at least one row"),
        (lambda d: d.figure(axes(), caption="a", alt=" "), "alt must say what the figure shows"),
        (lambda d: WordDocument("x", paper="A5"), "paper must be one of 'A4', 'letter'; got 'A5'"),
    ],
)
def test_what_cannot_be_written_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call(WordDocument("x"))


def test_columns_are_wide_enough_for_their_words():
    from rungwise.reports.word import _column_widths

    records = [
        {"Item": "10", "Evidence": "a long sentence of many words that may break " * 3, "p": "< .001"}
    ]
    widths = _column_widths(records, ["Item", "Evidence", "p"], 160)
    assert sum(widths.values()) == pytest.approx(160)
    assert widths["Item"] > 2 * 4
    assert widths["p"] > 2 * 6
    assert widths["Evidence"] > 100
    crowded = {str(i): "wordwordwordword" for i in range(12)}
    assert sum(_column_widths([crowded], list(crowded), 160).values()) == pytest.approx(160)


def test_a_short_table_is_kept_on_one_page():
    document = WordDocument("Study")
    document.table([{"a": "1"}, {"a": "2"}], caption="Short")
    document.table([{"a": str(i)} for i in range(40)], caption="Long")
    word = docx.Document(io.BytesIO(document.to_bytes()))
    short, long = (
        [row.cells[0].paragraphs[0].paragraph_format.keep_with_next for row in table.rows]
        for table in word.tables
    )
    assert short == [True, True, None]
    assert set(long) == {None}


def test_symbols_of_statistics_are_italic_wherever_they_stand(tmp_path):
    document = WordDocument("One study")
    document.paragraph("The smallest attainable p is p < .001; a p-value of P1 up to step 3.")
    document.bullets(["smallest p .02"])
    document.table(
        [{"M": "p", "SD": "1.2", "p of Tau": ".03", "MSD": "M"}], caption="Effects", notes=["p: one"]
    )
    (tmp_path / "one.docx").write_bytes(document.to_bytes())
    word = docx.Document(str(tmp_path / "one.docx"))
    italic = [[run.text for run in one.runs if run.italic] for one in word.paragraphs]
    assert italic == [[], ["p", "p", "p"], ["p"], [], ["p"]]
    cells = [
        [[run.text for run in cell.paragraphs[0].runs if run.italic] for cell in row.cells]
        for row in word.tables[0].rows
    ]
    assert cells == [[["M"], ["SD"], ["p"], []], [["p"], [], [], []]]


@pytest.mark.parametrize("notes", [(), ("a note",)])
def test_what_follows_a_table_keeps_its_distance(notes):
    document = WordDocument("One study")
    document.table(ROWS, caption="Ratings", notes=notes)
    document.paragraph("Right below.")
    document.paragraph("Further down.")
    below, further = read(document).paragraphs[-2:]
    assert (below.paragraph_format.space_before is not None) == (not notes)
    assert further.paragraph_format.space_before is None
