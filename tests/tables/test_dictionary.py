from html.parser import HTMLParser

from rungwise.tables.dictionary import dictionary_html
from rungwise.tables.schema import TABLES, schema


class Page(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.ids, self.links, self.loads, self.text = [], set(), [], [], []

    def handle_starttag(self, tag, attributes):
        given = dict(attributes)
        if tag not in ("meta", "br"):
            self.open.append(tag)
        self.ids.add(given.get("id"))
        self.links += [given["href"]] if "href" in given else []
        self.loads += [given["src"]] if "src" in given else []

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def test_the_page_is_whole_and_names_every_table_and_column():
    page = Page()
    page.feed(dictionary_html())
    assert page.open == []
    assert page.loads == []
    assert {link.removeprefix("#") for link in page.links} <= page.ids
    assert all(link.startswith("#") for link in page.links)
    text = " ".join(page.text)
    for table in TABLES:
        assert table in page.ids
        for field in schema(table).fields.values():
            assert field.name in text
            assert field.description in text
            for value in field.enum:
                assert value in text


def test_defaults_and_units_are_told():
    page = dictionary_html()
    assert "needed; without the column: child" in page
    assert "whole number, months" in page
    assert "as <code>step</code>" in page
    assert "needed when occasion is blank" in page
