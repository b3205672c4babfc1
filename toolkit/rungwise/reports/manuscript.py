"""The parts of a manuscript, written once and shown as a Word document or as a page."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rungwise.reports.blocks import Block, Blocks, Picture, bullets, heading, paragraph, picture, table
from rungwise.reports.word import Italic, WordDocument

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class Heading:
    """A heading of level 1 or 2."""

    text: str
    level: int = 1


@dataclass(frozen=True)
class Text:
    """A paragraph of plain and italic pieces."""

    parts: tuple[str | Italic, ...]


@dataclass(frozen=True)
class Points:
    """A list of sentences."""

    items: tuple[str, ...]


@dataclass(frozen=True)
class Rows:
    """A table; texts are already rounded."""

    rows: tuple[Mapping[str, Any], ...]
    caption: str
    numeric: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Drawing:
    """A figure."""

    axes: Axes
    caption: str
    alt: str


Part = Heading | Text | Points | Rows | Drawing


def text(*parts: str | Italic) -> Text:
    """Give one paragraph."""
    return Text(parts)


def rows(
    entries: Sequence[Mapping[str, Any]],
    caption: str,
    *,
    numeric: Iterable[str] = (),
    notes: Iterable[str] = (),
    when_empty: str = "none recorded.",
) -> Part:
    """Give a table, or a sentence where it would be empty.

    Examples
    --------
    >>> rows([], "Adverse events").parts
    ('Adverse events: none recorded.',)
    """
    if not entries:
        return Text((f"{caption}: {when_empty}",))
    return Rows(tuple(entries), caption, tuple(numeric), tuple(notes))


def to_word(document: WordDocument, parts: Iterable[Part]) -> None:
    """Write parts into a Word document, in order."""
    for part in parts:
        match part:
            case Heading(words, level):
                document.heading(words, level)
            case Text(pieces):
                document.paragraph(*pieces)
            case Points(items):
                document.bullets(items)
            case Rows(entries, caption, numeric, notes):
                document.table(entries, caption=caption, numeric=numeric, notes=notes)
            case Drawing(axes, caption, alt):
                document.figure(axes, caption=caption, alt=alt)


def to_blocks(parts: Iterable[Part]) -> Blocks:
    """Give parts as blocks of a page; headings become those of its second level.

    Examples
    --------
    >>> print(to_blocks([text("Exact ", Italic("p"), " = .006.")]))
    Exact p = .006.
    """
    shown: list[Block | Picture] = []
    for part in parts:
        match part:
            case Heading(words, level):
                shown.append(heading(words, level + 1))
            case Text(pieces):
                shown.append(
                    paragraph("".join(one.text if isinstance(one, Italic) else one for one in pieces))
                )
            case Points(items):
                shown.append(bullets(items))
            case Rows(entries, caption, numeric, notes):
                shown.append(table(entries, caption=caption, numeric=numeric, notes=notes, fold=True))
            case Drawing(axes, caption, alt):
                shown.append(picture(axes, caption=caption, alt=alt))
    return Blocks(shown)
