"""Parts of a manuscript shown as a page and as a Word document."""

import io

import docx
import pytest
from rungwise.figures.style import blank_axes
from rungwise.reports.manuscript import Drawing, Heading, Points, Rows, rows, text, to_blocks, to_word
from rungwise.reports.word import Italic, WordDocument


@pytest.fixture
def parts():
    return [
        Heading("Results"),
        Heading("Primary test", 2),
        text("It gave ", Italic("p"), " = .006."),
        Points(("One thing.", "Another.")),
        rows([{"Case": "P1", "M": "7.1"}], "Ratings", numeric=["M"], notes=["A note."]),
        Drawing(blank_axes(3, 2), "What was seen.", "An empty graph."),
    ]


def test_word_holds_every_part_in_its_own_style(parts):
    document = WordDocument("Study")
    to_word(document, parts)
    word = docx.Document(io.BytesIO(document.to_bytes()))
    styled = [(one.style.name, one.text) for one in word.paragraphs if one.text]
    assert ("Heading 1", "Results") in styled
    assert ("Heading 2", "Primary test") in styled
    assert ("Normal", "It gave p = .006.") in styled
    assert ("List Bullet", "Another.") in styled
    assert ("Caption", "Table 1. Ratings") in styled
    assert ("Caption", "Figure 1. What was seen.") in styled
    (sentence,) = [one for one in word.paragraphs if one.text.startswith("It gave")]
    assert [run.text for run in sentence.runs if run.italic] == ["p"]
    assert [[cell.text for cell in row.cells] for row in word.tables[0].rows] == [
        ["Case", "M"],
        ["P1", "7.1"],
    ]


def test_the_page_says_the_same(parts):
    words = str(to_blocks(parts))
    for piece in ("Results", "Primary test", "It gave p = .006.", "Another.", "A note.", "What was seen."):
        assert piece in words
    markup = "".join(getattr(block, "html", "") for block in to_blocks(parts))
    assert "<h2>Results</h2>" in markup
    assert "<h3>Primary test</h3>" in markup


def test_an_empty_table_is_a_sentence():
    assert rows([], "Adverse events", when_empty="none.").parts == ("Adverse events: none.",)
    assert isinstance(rows([{"a": "1"}], "x"), Rows)
