"""A Word document made of real styles, captions that count themselves, tables and figures.

Figures go in twice: as a picture at 300 dots per inch, which every program shows, and as vector
drawing, which Word prefers and prints at any size.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from rungwise.basis.errors import check_choice
from rungwise.figures.style import PALETTE, picture_bytes
from rungwise.reports.blocks import records_and_columns

if TYPE_CHECKING:
    import pandas as pd
    from docx.document import Document
    from docx.text.paragraph import Paragraph
    from matplotlib.axes import Axes

PAPERS = {"A4": (210, 297), "letter": (215.9, 279.4)}
FONT = "Calibri"
PICTURE_DPI = 300
_SVG_EXTENSION = "{96DAC541-7B7A-43D3-8B79-37D633B846F1}"
_SVG_SPACE = "http://schemas.microsoft.com/office/drawing/2016/SVG/main"
# Zip entries carry a time; the same document must give the same bytes.
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)
_UNDATED = date(2000, 1, 1)
# Generous width of a letter in a table, since not every computer has the font; margins of a cell;
# texts up to so many letters, such as "< .001", are kept on one line.
_LETTER_MM, _BOLD_MM, _CELL_MARGINS_MM = 2.0, 2.35, 4.4
_SHORT, _LONGEST_WORD = 11, 20
# Latin symbols of statistics, in italics by APA 7 (section 6.44, from memory); M and SD in headings only.
SYMBOLS, HEAD_SYMBOLS = re.compile(r"\bp\b"), re.compile(r"\b(?:p|M|SD)\b")
_SHORT_TABLE = 12


@dataclass(frozen=True)
class Italic:
    """A piece of a paragraph set in italics, such as the symbol of a statistic."""

    text: str


class WordDocument:
    """A document that is filled from top to bottom and then given as bytes.

    Parameters
    ----------
    title : str
        In the document's properties, and as its title.
    paper : {"A4", "letter"}
    mark : str
        Text in the header of every page, for example a mark of confidentiality.
    stated_on : datetime.date, optional
        Date in the document's properties; without it a fixed one, never the clock's.
    line_spacing : float
        1 for reading, 2 for a manuscript.
    lang : str
        Language tag for spelling checks and reading aloud.

    Examples
    --------
    >>> document = WordDocument("One study")
    >>> document.heading("Results")
    >>> document.table([{"Case": "C014", "NAP": ".91"}], caption="Effects", numeric=["NAP"])
    'Table 1'
    >>> document.paragraph("The exact test gave ", Italic("p"), " = .016.")
    >>> document.to_bytes() == document.to_bytes()
    True
    """

    def __init__(
        self,
        title: str,
        *,
        paper: str = "A4",
        mark: str = "",
        stated_on: date | None = None,
        line_spacing: float = 1.15,
        lang: str = "en-US",
    ):
        import docx

        check_choice("paper", paper, PAPERS)
        self._document: Document = docx.Document()
        self._tables = 0
        self._figures = 0
        self._below_a_table = False
        _set_styles(self._document, line_spacing, lang)
        _set_page(self._document, paper, mark)
        day = datetime.combine(stated_on or _UNDATED, datetime.min.time())
        properties = self._document.core_properties
        properties.title, properties.language = title, lang
        properties.author, properties.last_modified_by, properties.comments = "rungwise", "rungwise", ""
        properties.created = properties.modified = day
        self._document.add_paragraph(title, style="Title")

    def heading(self, text: str, level: int = 1) -> None:
        """Add a heading of level 1 to 4."""
        check_choice("level", level, (1, 2, 3, 4))
        self._below_a_table = False
        self._document.add_heading(text, level)

    def paragraph(self, *parts: str | Italic, style: str = "Normal") -> None:
        """Add a paragraph of plain and italic parts."""
        paragraph = self._document.add_paragraph(style=style)
        if self._below_a_table:
            paragraph.paragraph_format.space_before = _below_table()
        self._below_a_table = False
        _fill(paragraph, parts)

    def bullets(self, items: Iterable[str]) -> None:
        """Add a list of sentences."""
        for item in items:
            _fill(self._document.add_paragraph(style="List Bullet"), [item])

    def table(
        self,
        rows: pd.DataFrame | Sequence[Mapping[str, Any]],
        *,
        caption: str,
        numeric: Iterable[str] = (),
        notes: Iterable[str] = (),
    ) -> str:
        """Add a table with its caption above and its notes below; give its label.

        The heading row repeats on every page the table takes, and no row is cut in two.

        Parameters
        ----------
        rows : DataFrame or sequence of mappings
            Already written as text where rounding matters.
        caption : str
        numeric : iterable of str
            Columns set right-aligned.
        notes : iterable of str

        Returns
        -------
        str
            For example ``"Table 1"``, to refer to it.

        Raises
        ------
        ValueError
            If there are no rows; say so in a paragraph instead.
        """
        from docx.enum.text import WD_ALIGN_PARAGRAPH
        from docx.shared import Mm

        records, columns = records_and_columns(rows)
        if not records:
            raise ValueError(f"rows of the table {caption!r} must hold at least one row; got none.")
        self._tables += 1
        self._caption("Table", self._tables, caption, keep_with_next=True)
        numeric = set(numeric)
        table = self._document.add_table(rows=1 + len(records), cols=len(columns))
        table.autofit = False
        widths = _column_widths(records, columns, _text_width_mm(self._document))
        for place, name in enumerate(columns):
            table.columns[place].width = Mm(widths[name])
            for row, text in enumerate([name, *(record[name] for record in records)]):
                cell = table.cell(row, place)
                cell.width = Mm(widths[name])
                paragraph = cell.paragraphs[0]
                paragraph.style = self._document.styles["Table Head" if row == 0 else "Table Cell"]
                # A short table is not torn over two pages.
                paragraph.paragraph_format.keep_with_next = row < len(records) <= _SHORT_TABLE or None
                _fill(paragraph, [text], HEAD_SYMBOLS if row == 0 else SYMBOLS)
                if name in numeric:
                    paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
        _rule_table(table, caption)
        notes = list(notes)
        self._below_a_table = not notes
        for note in notes:
            _fill(self._document.add_paragraph(style="Table Note"), [note])
        return f"Table {self._tables}"

    def figure(self, axes: Axes, *, caption: str, alt: str, width_mm: float | None = None) -> str:
        """Add a figure with its caption below; give its label.

        Parameters
        ----------
        axes : matplotlib.axes.Axes
            Any axes of the figure.
        caption : str
        alt : str
            Alternative text.
        width_mm : float, optional
            Default the figure's own width, at most the width of the text.

        Returns
        -------
        str
            For example ``"Figure 1"``.

        Raises
        ------
        ValueError
            If `alt` is empty.
        """
        from docx.shared import Mm

        if not alt.strip():
            raise ValueError("alt must say what the figure shows; got an empty text.")
        figure = axes.get_figure(root=True)
        if figure is None:
            raise ValueError("axes must belong to a figure; these were removed from theirs.")
        self._figures += 1
        width = min(width_mm or 25.4 * figure.get_figwidth(), _text_width_mm(self._document))
        paragraph = self._document.add_paragraph(style="Figure")
        png = io.BytesIO(picture_bytes(figure, "png", dpi=PICTURE_DPI))
        shape = paragraph.add_run().add_picture(png, width=Mm(width))
        properties = shape._inline.docPr
        properties.set("name", f"Figure {self._figures}")
        properties.set("descr", alt)
        self._add_vector(shape, picture_bytes(figure, "svg"))
        self._caption("Figure", self._figures, caption, keep_with_next=False)
        return f"Figure {self._figures}"

    def to_bytes(self) -> bytes:
        """Give the document as the bytes of a ``.docx`` file, the same for the same content."""
        written = io.BytesIO()
        self._document.save(written)
        steady = io.BytesIO()
        with zipfile.ZipFile(written) as source, zipfile.ZipFile(steady, "w") as target:
            for entry in source.infolist():
                fixed = zipfile.ZipInfo(entry.filename, _ZIP_TIME)
                fixed.compress_type = zipfile.ZIP_DEFLATED
                target.writestr(fixed, source.read(entry))
        return steady.getvalue()

    def _caption(self, kind: str, number: int, text: str, *, keep_with_next: bool) -> None:
        paragraph = self._document.add_paragraph(style="Caption")
        if self._below_a_table:
            paragraph.paragraph_format.space_before = _below_table()
        self._below_a_table = False
        paragraph.paragraph_format.keep_with_next = keep_with_next
        label = paragraph.add_run(f"{kind} ")
        label.bold = True
        _field(paragraph, f"SEQ {kind} \\* ARABIC", str(number), bold=True)
        paragraph.add_run(f". {text}")

    def _add_vector(self, shape: Any, svg: bytes) -> None:
        """Put the drawing beside the picture, the way Word itself stores one."""
        from docx.opc.constants import RELATIONSHIP_TYPE
        from docx.opc.packuri import PackURI
        from docx.opc.part import Part
        from docx.oxml import parse_xml
        from docx.oxml.ns import nsdecls

        name = PackURI(f"/word/media/figure{self._figures}.svg")
        part = Part(name, "image/svg+xml", svg, self._document.part.package)
        related = self._document.part.relate_to(part, RELATIONSHIP_TYPE.IMAGE)
        extension = parse_xml(
            f'<a:extLst {nsdecls("a", "r")}><a:ext uri="{_SVG_EXTENSION}">'
            f'<asvg:svgBlip xmlns:asvg="{_SVG_SPACE}" r:embed="{related}"/></a:ext></a:extLst>'
        )
        shape._inline.graphic.graphicData.pic.blipFill.blip.append(extension)


def _below_table() -> Any:
    """Room between a table without notes and what follows."""
    from docx.shared import Pt

    return Pt(8)


def _fill(paragraph: Paragraph, parts: Iterable[str | Italic], symbols: re.Pattern[str] = SYMBOLS) -> None:
    """Add plain and italic runs; the symbol of a statistic is italic wherever it stands alone."""
    for part in parts:
        if isinstance(part, Italic):
            paragraph.add_run(part.text).italic = True
            continue
        done = 0
        for found in symbols.finditer(part):
            if found.start() > done:
                paragraph.add_run(part[done : found.start()])
            paragraph.add_run(found[0]).italic = True
            done = found.end()
        if done < len(part):
            paragraph.add_run(part[done:])


def _set_styles(document: Any, line_spacing: float, lang: str) -> None:
    from docx.enum.style import WD_STYLE_TYPE
    from docx.oxml.ns import qn
    from docx.shared import Pt, RGBColor

    ink, soft = (RGBColor.from_string(PALETTE[name][1:].upper()) for name in ("ink", "soft"))
    styles = document.styles

    def shape(
        name: str, size: float, *, bold: bool = False, color: Any = ink, before: float = 0, after: float = 6
    ) -> Any:
        known = [style.name for style in styles]
        style = styles[name] if name in known else styles.add_style(name, WD_STYLE_TYPE.PARAGRAPH)
        style.font.name, style.font.size, style.font.bold, style.font.italic = FONT, Pt(size), bold, False
        style.font.color.rgb = color
        fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
        for attribute in list(fonts.attrib):
            if "heme" in attribute:  # a theme's font would win over the one set here
                del fonts.attrib[attribute]
        fonts.set(qn("w:eastAsia"), FONT)
        style.paragraph_format.space_before, style.paragraph_format.space_after = Pt(before), Pt(after)
        return style

    shape("Normal", 11).paragraph_format.line_spacing = line_spacing
    title = shape("Title", 20, bold=True, after=10)
    for border in title.element.findall(".//" + qn("w:pBdr")):
        border.getparent().remove(border)
    for level, size in ((1, 15), (2, 13), (3, 11.5), (4, 11)):
        shape(f"Heading {level}", size, bold=True, before=14 - 2 * level, after=4)
    shape("List Bullet", 11, after=3)
    shape("Caption", 10, after=4).paragraph_format.line_spacing = 1
    shape("Figure", 11, after=2).paragraph_format.keep_with_next = True
    for name, bold, color in (
        ("Table Head", True, ink),
        ("Table Cell", False, ink),
        ("Table Note", False, soft),
    ):
        note = name == "Table Note"
        style = shape(name, 9.5, bold=bold, color=color, before=2, after=8 if note else 2)
        style.base_style = styles["Normal"]
        style.paragraph_format.line_spacing = 1
    language = styles.element.find(".//" + qn("w:rPrDefault") + "//" + qn("w:lang"))
    if language is not None:
        language.set(qn("w:val"), lang)


def _set_page(document: Any, paper: str, mark: str) -> None:
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.shared import Mm

    section = document.sections[0]
    section.page_width, section.page_height = (Mm(side) for side in PAPERS[paper])
    section.left_margin = section.right_margin = Mm(25)
    section.top_margin = section.bottom_margin = Mm(22)
    if mark:
        header = section.header.paragraphs[0]
        header.style = document.styles["Table Note"]
        header.add_run(mark)
    footer = section.footer.paragraphs[0]
    footer.style = document.styles["Table Note"]
    footer.alignment = WD_ALIGN_PARAGRAPH.RIGHT
    _field(footer, "PAGE", "1")
    footer.add_run(" of ")
    _field(footer, "NUMPAGES", "1")


def _text_width_mm(document: Any) -> float:
    from docx.shared import Mm

    section = document.sections[0]
    return float((section.page_width - section.left_margin - section.right_margin) / Mm(1))


def _column_widths(
    records: Sequence[Mapping[str, str]], columns: Sequence[str], whole: float
) -> dict[str, float]:
    """Give each column room for its longest word, and share the rest by the longest text.

    Where the words alone do not fit, the width is shared in proportion to them.
    """
    texts = {name: [name, *(record[name] for record in records)] for name in columns}
    words = {
        name: _CELL_MARGINS_MM
        + max(
            _BOLD_MM * _longest_word(name),
            _LETTER_MM * max(_longest_word(text) for text in texts[name][1:]),
        )
        for name in columns
    }
    left = whole - sum(words.values())
    if left <= 0:
        return {name: whole * width / sum(words.values()) for name, width in words.items()}
    wanted = {
        name: max(_CELL_MARGINS_MM + _LETTER_MM * min(max(map(len, texts[name])), 60) - words[name], 0.0)
        for name in columns
    }
    asked = sum(wanted.values())
    if asked == 0:
        return {name: width + left / len(columns) for name, width in words.items()}
    return {name: words[name] + left * wanted[name] / asked for name in columns}


def _longest_word(text: str) -> int:
    """Give the letters of the longest piece that must stay on one line; hashes may be cut."""
    if len(text) <= _SHORT:
        return len(text)
    return min(max(map(len, text.split()), default=0), _LONGEST_WORD)


def _field(paragraph: Any, code: str, shown: str, *, bold: bool = False) -> None:
    """Add a field that Word keeps up to date, with what it shows until then."""
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    for kind, text in (("begin", ""), ("code", code), ("separate", ""), ("shown", shown), ("end", "")):
        run = paragraph.add_run(text if kind == "shown" else "")
        run.bold = bold or None
        if kind == "code":
            element = OxmlElement("w:instrText")
            element.set(qn("xml:space"), "preserve")
            element.text = f" {text} "
            run._r.append(element)
        elif kind != "shown":
            element = OxmlElement("w:fldChar")
            element.set(qn("w:fldCharType"), kind)
            run._r.append(element)


def _rule_table(table: Any, caption: str) -> None:
    """Give a table its rules (above, below and under the heading), repeated heading and whole rows."""
    from docx.oxml import OxmlElement, parse_xml
    from docx.oxml.ns import nsdecls, qn

    color = PALETTE["ink"][1:].upper()
    properties = table._tbl.tblPr
    properties.append(
        parse_xml(
            f"<w:tblBorders {nsdecls('w')}>"
            f'<w:top w:val="single" w:sz="8" w:space="0" w:color="{color}"/>'
            f'<w:bottom w:val="single" w:sz="8" w:space="0" w:color="{color}"/>'
            "</w:tblBorders>"
        )
    )
    described = OxmlElement("w:tblCaption")
    described.set(qn("w:val"), caption)
    properties.append(described)
    for place, row in enumerate(table.rows):
        settings = row._tr.get_or_add_trPr()
        settings.append(OxmlElement("w:cantSplit"))
        if place == 0:
            settings.append(OxmlElement("w:tblHeader"))
            for cell in row.cells:
                cell._tc.get_or_add_tcPr().append(
                    parse_xml(
                        f"<w:tcBorders {nsdecls('w')}>"
                        f'<w:bottom w:val="single" w:sz="4" w:space="0" w:color="{color}"/></w:tcBorders>'
                    )
                )
