import json

import pytest
from rungwise.resources import shipped
from rungwise.tables.schema import TABLES, plain, schema, table_named, tidy

DESCRIPTORS = {
    table: json.loads((shipped("schemas") / f"{table}.json").read_text("utf-8")) for table in TABLES
}


@pytest.mark.parametrize("table", TABLES)
def test_the_descriptor_is_a_valid_table_schema(table):
    frictionless = pytest.importorskip("frictionless")
    described = {name: part for name, part in DESCRIPTORS[table].items() if name != "foreignKeys"}
    found = frictionless.Schema.from_descriptor(described)
    assert found.field_names == list(schema(table).fields)


@pytest.mark.parametrize("table", TABLES)
def test_keys_and_references_name_columns_that_exist(table):
    described = schema(table)
    assert set(described.key) <= set(described.fields)
    for key in described.foreign_keys:
        assert set(key.fields) <= set(described.fields)
        assert set(key.reference) <= set(schema(key.table).fields)
    needed = {name for name, field in described.fields.items() if field.required}
    assert set(DESCRIPTORS[table].get("primaryKey", ())) <= needed


@pytest.mark.parametrize("table", TABLES)
def test_no_header_names_two_columns_and_no_word_two_values(table):
    taken = {}
    for field in schema(table).fields.values():
        for header in field.headers:
            assert taken.setdefault(header, field.name) == field.name, header
        listed = [word for words in _words(table, field.name).values() for word in words]
        assert len({plain(word) for word in listed}) == len(listed), field.name


def test_no_name_stands_for_two_tables():
    names = [name for table in TABLES for name in schema(table).names]
    assert len(names) == len(set(names))
    for table in TABLES:
        assert table_named(table) == table
        assert table_named(schema(table).title) in (table, None)


@pytest.mark.parametrize("table", TABLES)
def test_every_column_says_what_it_is(table):
    for field in schema(table).fields.values():
        assert field.title
        assert field.description.endswith(".")
        if field.type in ("number", "integer") and field.name.startswith(("fear", "height", "width")):
            assert field.unit
        assert field.default is None or not field.default_from


def test_texts_are_compared_without_what_nobody_sees():
    assert tidy("\u00a0\ufeff C014\u200b\t") == "C014"
    assert plain("Follow\u2010UP") == "follow up"
    assert plain("\uff26ear") == "fear"
    with pytest.raises(ValueError, match="table must be one of ratings"):
        schema("rating")


def _words(table, column):
    fields = {entry["name"]: entry for entry in DESCRIPTORS[table]["fields"]}
    return fields[column].get("rungwise:words", {})
