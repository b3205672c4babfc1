"""What the tests of pages share: a reader of HTML, and cells made without running a notebook."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

import nbformat
import pytest

VOID = {"meta", "img", "br", "hr", "source", "link", "input"}


@dataclass
class Element:
    tag: str
    attributes: dict[str, str]
    inside: list[str]
    text: str = ""


@dataclass
class Page(HTMLParser):
    """Elements of a page in order, with their texts and the tags they stand in."""

    elements: list[Element] = field(default_factory=list)
    open: list[Element] = field(default_factory=list)

    def __post_init__(self):
        super().__init__()

    def handle_starttag(self, tag, attributes):
        element = Element(tag, dict(attributes), [outer.tag for outer in self.open])
        self.elements.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        assert self.open, f"</{tag}> closes nothing"
        assert self.open[-1].tag == tag, f"</{tag}> closes <{self.open[-1].tag}>"
        self.open.pop()

    def handle_data(self, data):
        for element in self.open:
            element.text += data

    def all(self, tag: str, **attributes: str) -> list[Element]:
        wanted = {name.rstrip("_").replace("_", "-"): value for name, value in attributes.items()}
        return [
            element
            for element in self.elements
            if element.tag == tag
            and all(element.attributes.get(name) == value for name, value in wanted.items())
        ]


@pytest.fixture
def read_page():
    def read(html: str) -> Page:
        page = Page()
        page.feed(html)
        page.close()
        assert page.open == [], "every tag is closed"
        return page

    return read


@pytest.fixture
def cell_of():
    """Make an executed cell that shows a block."""

    def make(block, *tags: str):
        shown = block._repr_mimebundle_()
        data, metadata = shown if isinstance(shown, tuple) else (shown, {})
        output = nbformat.v4.new_output("display_data", data=data, metadata=metadata)
        return nbformat.v4.new_code_cell(
            "secret_code()", execution_count=1, metadata={"tags": list(tags)}, outputs=[output]
        )

    return make
