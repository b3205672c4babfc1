import pytest
from rungwise.tables.identity import code_identity, header_identity, shown, text_identity
from rungwise.tables.schema import TABLES, schema


@pytest.mark.parametrize(
    ("header", "what"),
    [
        ("Name", "a name"), ("Child's name", "a name"), ("First name", "a name"), ("SURNAME", "a name"),
        ("Mother name", "a name"), ("DOB", "a birth date"), ("Date of Birth", "a birth date"),
        ("Birthday", "a birth date"), ("Home address", "an address"), ("ZIP code", "an address"),
        ("Phone", "a phone number"), ("Parent mobile", "a phone number"), ("E-mail", "an email address"),
        ("email (parent)", "an email address"), ("MRN", "a record number"), ("Record no.",
        "a record number"),
        ("Insurance id", "a record number"), ("patient number", "a record number"),
    ],
)  # fmt: skip
def test_headers_that_name_a_person(header, what):
    assert header_identity(header) == what


@pytest.mark.parametrize(
    "header", ["mood", "ladder name", "Fear before", "activity name", "week", "step number", ""]
)
def test_headers_that_do_not(header):
    assert header_identity(header) == ""


def test_no_column_of_the_schemas_looks_like_an_identity():
    for table in TABLES:
        for field in schema(table).fields.values():
            for header in field.headers:
                assert header_identity(header) == "", (table, header)


def test_no_example_of_the_schemas_looks_like_an_identity():
    for table in TABLES:
        for field in schema(table).fields.values():
            look = code_identity if field.kind == "person" else text_identity
            assert look(field.example) == "", (table, field.name)


@pytest.mark.parametrize(
    "code", ["Sample Mira", "Sample, Mira", "Mira S.", "emma", "Grace", "mira@example.org",
    "AB20190412", "2019-04-12",
             "4711004711", "123-45-6789"]
)  # fmt: skip
def test_codes_that_are_somebody(code):
    assert code_identity(code) != ""


@pytest.mark.parametrize(
    "code", ["C014", "c-14", "SEAL", "blue-heron", "4711", "T2", "child", "N.07", "2026Q3", "P_3"]
)
def test_codes_that_are_codes(code):
    assert code_identity(code) == ""


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("mail mira@example.org", "an email address"), ("call (555) 555-0134 first", "a phone number"),
        ("call 555-0134", "a phone number"), ("+4915112345678", "a phone number"),
        ("born 12 April 2019", "a birth date"), ("DOB: 12/04/2019", "a birth date"),
        ("lives at 12 Harbor View Road", "an address"), ("MRN 0012345", "a record number"),
        ("with Mrs. Sample", "a name"), ("Name: Mira", "a name"), ("went with Emma", "a name"),
        ("held Emma's hand", "a name"), ("123-45-6789", "a record number"),
    ],
)  # fmt: skip
def test_remarks_that_name_a_person(text, what):
    assert text_identity(text) == what
    assert shown(text) == "(not shown)"


@pytest.mark.parametrize(
    "text",
    [
        "windy, 3 steps", "Grace period over", "May be tired", "7 8 7 6 5 4", "10-12 cm high", "2026-03-04",
        "step 3 of 12, 2 hands", "will try again", "Will try again", "North pier", "rope net 1.5 m, 30 cm",
        "5 min at 100 cm then 200 cm", "manual, table 4 (2018), pp. 339-351", "T2 helped", "",
    ],
)  # fmt: skip
def test_remarks_that_do_not(text):
    assert text_identity(text) == ""
    assert shown(text) == text
