"""The building blocks of a page: what a notebook cell shows and a report prints.

Every text handed to a block is escaped, so free text from a practice's files cannot become markup.
A block shows itself in a notebook, and its plain text is what the test run compares.
"""

from __future__ import annotations

import base64
import html
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rungwise.figures.style import picture_bytes

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH = 96
# Longer tables may break across printed pages, with their headings repeated; shorter ones stay whole.
_LONG = 20
# Characters of a number, and of what it is called, so short that two of them share a line of a card.
_SHORT, _SHORT_NAME = 5, 22
# Characters that fit side by side where a long report is printed in two columns.
_HALF_A_PAGE = 70
_HALF_A_PAGE_UNBROKEN = 66


@dataclass(frozen=True)
class Block:
    """A piece of a page as HTML and as plain text.

    Attributes
    ----------
    html : str
        Markup in which every text has been escaped.
    text : str
        The same content without markup.

    Examples
    --------
    >>> print(paragraph("Fear < 3 & falling") + note("Supervise."))
    Fear < 3 & falling
    <BLANKLINE>
    Supervise.
    """

    html: str
    text: str

    def _repr_mimebundle_(self, **_: Any) -> dict[str, str]:
        return {"text/html": self.html, "text/plain": self.text}

    def __str__(self) -> str:
        return self.text

    def __add__(self, other: Block) -> Block:
        return Block(self.html + "\n" + other.html, self.text + "\n\n" + other.text)


@dataclass(frozen=True)
class Picture:
    """A figure as PNG with its alternative text and caption.

    Attributes
    ----------
    png : bytes
    alt : str
        What the figure shows, for those who do not see it.
    caption : str
    width : int
        Width in CSS pixels at which it is meant to be seen; narrower pages scale it down.
    narrow : bytes
        The same figure drawn for the width of a phone; empty if there is none.
    """

    png: bytes
    alt: str
    caption: str
    width: int
    narrow: bytes = b""

    def _repr_mimebundle_(self, **_: Any) -> tuple[dict, dict]:
        seen: dict[str, Any] = {"alt": self.alt, "caption": self.caption, "width": self.width}
        if self.narrow:
            seen["narrow"] = base64.b64encode(self.narrow).decode("ascii")
        data = {"image/png": base64.b64encode(self.png).decode("ascii"), "text/plain": str(self)}
        return data, {"image/png": seen}

    @property
    def html(self) -> str:
        """The picture as markup that holds everything it needs, for a widget or another page."""
        data = base64.b64encode(self.png).decode("ascii")
        caption = f"<figcaption>{_safe(self.caption)}</figcaption>" if self.caption else ""
        return (
            f'<figure><img src="data:image/png;base64,{data}" alt="{_safe(self.alt)}" '
            f'width="{self.width}">{caption}</figure>'
        )

    def __str__(self) -> str:
        return "\n".join(textwrap.wrap(f"[Figure] {self.caption} {self.alt}".strip(), _WIDTH))


class Blocks(tuple[Block | Picture, ...]):
    """Several blocks shown one after the other by one notebook cell."""

    def _ipython_display_(self) -> None:
        from IPython.display import display

        for block in self:
            display(block)

    def __str__(self) -> str:
        return "\n\n".join(str(block) for block in self)


def paragraph(*sentences: str, kind: str = "") -> Block:
    """Give one paragraph; `kind` is a class name of the page's style sheet."""
    text = " ".join(sentences)
    return Block(f"<p{_class(kind)}>{_safe(text)}</p>", _fill(text))


def heading(text: str, level: int = 2) -> Block:
    """Give a heading; a page has one of level 1."""
    if level not in (1, 2, 3, 4):
        raise ValueError(f"level must be one of 1, 2, 3, 4; got {level!r}.")
    return Block(f"<h{level}>{_safe(text)}</h{level}>", text)


def lead(answer: str, *, uncertainty: str = "") -> Block:
    """Give the answer a page opens with, and its uncertainty under it in smaller type."""
    parts = [f'<p class="answer">{_safe(answer)}</p>']
    if uncertainty:
        parts.append(f'<p class="uncertainty">{_safe(uncertainty)}</p>')
    text = _fill(answer) + ("\n\n" + _fill(uncertainty) if uncertainty else "")
    return Block('<div class="lead">' + "".join(parts) + "</div>", text)


def note(*sentences: str, title: str = "") -> Block:
    """Give a set-off note, for cautions that must not be overlooked."""
    head = f'<p class="note-title">{_safe(title)}</p>' if title else ""
    body = "".join(f"<p>{_safe(sentence)}</p>" for sentence in sentences)
    lines = [*([title] if title else []), *map(_fill, sentences)]
    return Block(f'<aside class="note">{head}{body}</aside>', "\n".join(lines))


def bullets(items: Iterable[str]) -> Block:
    """Give a list of sentences.

    Examples
    --------
    >>> print(bullets(["Nothing was set aside.", "Nothing is missing."]))
      - Nothing was set aside.
      - Nothing is missing.
    """
    items = list(items)
    entries = "".join(f"<li>{_safe(item)}</li>" for item in items)
    return Block(f"<ul>{entries}</ul>", "\n".join(_fill(item, "  - ", "    ") for item in items))


def facts(pairs: Mapping[str, str], *, kind: str = "") -> Block:
    """Give names with their values, such as versions and file hashes."""
    entries = "".join(
        f"<div><dt>{_safe(name)}</dt><dd>{_safe(value)}</dd></div>" for name, value in pairs.items()
    )
    width = max((len(name) for name in pairs), default=0)
    lines = [f"{name:<{width}}  {value}" for name, value in pairs.items()]
    return Block(f"<dl{_class(kind)}>{entries}</dl>", "\n".join(lines))


def table(
    rows: pd.DataFrame | Sequence[Mapping[str, Any]],
    *,
    caption: str,
    numeric: Iterable[str] = (),
    notes: Iterable[str] = (),
    when_empty: str = "There is nothing to list.",
    fold: bool = True,
    over: Mapping[str, Mapping[str, str]] | None = None,
    closed: bool = False,
) -> Block:
    """Give a table; the first column names its row.

    Parameters
    ----------
    rows : DataFrame or sequence of mappings
        Already written as text where rounding matters (`rungwise.basis.page_numbers`); a frame's
        index is not shown.
    caption : str
        What the table shows; also its name for those who do not see it.
    numeric : iterable of str
        Columns set right-aligned with figures of one width.
    notes : iterable of str
        Sentences under the table.
    when_empty : str
        What stands there instead of a table without rows.
    fold : bool
        On a narrow screen, turn each row into a small card; otherwise the table scrolls sideways.
    over : mapping of str to mapping of str to str, optional
        Headings that stand over several columns, each with its columns and what is written over these;
        neighbors in the table.
    closed : bool
        On a screen, closed under its name until that is chosen; on paper open.

    Examples
    --------
    >>> print(table([{"Phase": "baseline", "Ratings": 8}], caption="What was rated", numeric=["Ratings"]))
    What was rated
    Phase     Ratings
    baseline        8
    """
    records, columns = records_and_columns(rows)
    numeric = set(numeric)
    if not records:
        return paragraph(f"{caption}: {when_empty}")
    over = over or {}
    heads = {name: name for name in columns} | {
        name: words for own in over.values() for name, words in own.items()
    }
    begins = {next(iter(own)): heading for heading, own in over.items()}
    head = "".join(
        f'<th scope="col"{_class("number" if name in numeric else "")}>{_safe(heads[name])}</th>'
        for name in columns
    )
    above = _above(columns, over)
    short = {
        name
        for name in numeric & set(columns)
        if len(heads[name]) <= _SHORT_NAME and all(len(record[name]) <= _SHORT for record in records)
    }
    body = []
    for record in records:
        first, *rest = columns
        cells = [f'<th scope="row" data-label="{_safe(first)}">{_safe(record[first])}</th>']
        cells += [
            f'<td data-label="{_safe(heads[name])}"'
            + (f' data-over="{_safe(begins[name])}"' if name in begins else "")
            + (" data-short" if name in short else "")
            + f"{_class('number' if name in numeric else '')}>{_safe(record[name])}</td>"
            for name in rest
        ]
        body.append("<tr>" + "".join(cells) + "</tr>")
    under = "".join(f'<p class="table-note">{_safe(sentence)}</p>' for sentence in notes)
    least, unbroken = _least_width(records, heads), _unbroken_width(records, heads, numeric)
    kinds = "table" + (" folds" if fold else "") + (" long" if len(records) > _LONG else "")
    kinds += " wide" if least > _HALF_A_PAGE or unbroken > _HALF_A_PAGE_UNBROKEN else ""
    markup = (
        f'<div class="{kinds}" role="region" aria-label="{_safe(caption)}" '
        f'tabindex="0"><table><caption>{_safe(caption)}</caption><thead>{above}<tr>{head}</tr></thead>'
        f"<tbody>{''.join(body)}</tbody></table>{under}</div>"
    )
    if closed:
        markup = f'<details class="section"><summary>{_safe(caption)}</summary>{markup}</details>'
    lines = [caption, *_columns(records, heads, numeric, begins), *map(_fill, notes)]
    return Block(markup, "\n".join(lines))


def picture(
    axes: Axes, *, alt: str, caption: str = "", narrow: Axes | None = None, dpi: float = 200
) -> Picture:
    """Turn a drawn figure into a picture for the page.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Any axes of the figure, drawn at the size at which it is to be printed (7 inches wide fills
        a page).
    alt : str
        Alternative text; each figure module has a function that writes it.
    caption : str
    narrow : matplotlib.axes.Axes, optional
        The same figure drawn about 3.8 inches wide, shown instead on a phone.
    dpi : float
        Dots per inch.

    Raises
    ------
    ValueError
        If `alt` is empty: no picture goes out without it.
    """
    if not alt.strip():
        raise ValueError("alt must say what the figure shows; got an empty text.")
    figure = _figure(axes)
    small = picture_bytes(_figure(narrow), "png", dpi=dpi) if narrow is not None else b""
    width = round(96 * figure.get_figwidth())
    return Picture(picture_bytes(figure, "png", dpi=dpi), alt, caption, width, small)


def _figure(axes: Axes) -> Figure:
    figure = axes.get_figure(root=True)
    if figure is None:
        raise ValueError("axes must belong to a figure; these were removed from theirs.")
    return figure


def _safe(value: Any) -> str:
    return html.escape(str(value), quote=True)


def _class(name: str) -> str:
    return f' class="{name}"' if name else ""


def _fill(text: str, first: str = "", rest: str = "") -> str:
    return textwrap.fill(text, _WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False)


def records_and_columns(rows: Any) -> tuple[list[dict[str, str]], list[str]]:
    """Give the rows of a table as texts by column, and its columns in order."""
    records = rows.to_dict("records") if hasattr(rows, "to_dict") else [dict(row) for row in rows]
    columns = list(rows.columns) if hasattr(rows, "columns") else list(records[0]) if records else []
    written = [
        {name: "" if record[name] is None else str(record[name]) for name in columns} for record in records
    ]
    return written, columns


def _above(columns: Sequence[str], over: Mapping[str, Mapping[str, str]]) -> str:
    """Give the row of headings that stand over several columns; nothing without any."""
    if not over:
        return ""
    spans = {next(iter(own)): (heading, len(own)) for heading, own in over.items()}
    under = {name for own in over.values() for name in own}
    cells = []
    for name in columns:
        if name in spans:
            heading, n = spans[name]
            cells.append(f'<th scope="colgroup" colspan="{n}">{_safe(heading)}</th>')
        elif name not in under:
            cells.append("<td></td>")
    return f'<tr class="over">{"".join(cells)}</tr>'


def _columns(
    records: list[dict[str, str]], heads: Mapping[str, str], numeric: set[str], begins: Mapping[str, str]
) -> list[str]:
    widths = {
        name: max(len(words), *(len(record[name]) for record in records)) for name, words in heads.items()
    }
    lines = [_headings(widths, begins)] if begins else []
    for entry in (heads, *records):
        cells = [
            entry[name].rjust(width) if name in numeric else entry[name].ljust(width)
            for name, width in widths.items()
        ]
        lines.append("  ".join(cells).rstrip())
    return lines


def _headings(widths: Mapping[str, int], begins: Mapping[str, str]) -> str:
    """Write headings over several columns where the first of these begins."""
    line, place = "", 0
    for name, width in widths.items():
        if name in begins:
            line = f"{line.ljust(place)}{'  ' if len(line) > place else ''}{begins[name]}"
        place += width + 2
    return line


def _least_width(records: list[dict[str, str]], heads: Mapping[str, str]) -> int:
    """Characters a table needs side by side when long texts are broken, with the gaps between columns."""
    gap, longest = 2, 26
    return sum(
        gap
        + max(
            max(map(len, words.split()), default=0),
            min(longest, max(len(record[name]) for record in records)),
        )
        for name, words in heads.items()
    )


def _unbroken_width(records: list[dict[str, str]], heads: Mapping[str, str], numeric: set[str]) -> int:
    """Characters below which a table is cut off: figures are never broken, texts between words."""
    gap = 2
    return sum(
        gap
        + max(
            max(map(len, words.split()), default=0),
            *(
                len(record[name]) if name in numeric else max(map(len, record[name].split()), default=0)
                for record in records
            ),
        )
        for name, words in heads.items()
    )
