import numpy as np
import pytest
from rungwise.tables.cells import FORMULA_BLANK, parse, range_in_words
from rungwise.tables.grid import TextColumn
from rungwise.tables.schema import schema


def read(name, *texts, table="ratings", **options):
    column = TextColumn(name, "A", np.arange(len(texts), dtype=np.int32), list(texts))
    described = schema(table)
    parsed = parse(column, described.fields[name], described, **options)
    return parsed, [(fault.code, fault.place) for fault in parsed.faults]


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("7", 7), ("7 ", 7), ("\u00a07", 7), ("7.5", 7.5), (" 7,5", 7.5), ("７", 7), ("+3", 3), ("-2", -2),
        ("\u22122", -2), ("1e1", 10), (".5", 0.5), ("7.", 7), ("07", 7), ("0,25", 0.25),
    ],
)  # fmt: skip
def test_numbers_as_people_type_them(text, number):
    assert read("rating", text)[0].values.tolist() == [number]


@pytest.mark.parametrize(
    "text",
    [
        "7/10",
        "7-8",
        "~7",
        "7?",
        "seven",
        "7 points",
        "nan",
        "inf",
        "1e999x",
        "70%",
        "7;5",
        "½",
        "x",
        "dnf",
        "--7",
    ],
)
def test_what_is_not_one_number_is_an_error(text):
    parsed, faults = read("rating", text)
    assert faults == [("number_unreadable", 0)]
    assert np.isnan(parsed.values[0])


def test_a_comma_before_three_digits_may_be_either():
    assert read("rating", "1,250")[1] == [("number_ambiguous", 0)]
    assert read("rating", "1,250", decimal_comma=True)[0].values.tolist() == [1.25]


def test_decimal_commas_are_told_once_and_not_where_they_are_the_rule():
    assert read("rating", "7,5", "6,5")[1] == [("decimal_comma", 0)]
    assert read("rating", "7,5", "6,5", decimal_comma=True)[1] == []


@pytest.mark.parametrize(
    "text",
    [
        "declined",
        "Declined.",
        "REFUSED",
        "no way!",
        "  said no",
        "decl",
        "wouldn't",
        "didn’t want to",
    ],
)
def test_declined_is_written_many_ways(text):
    parsed, faults = read("rating", text)
    assert faults == []
    assert parsed.signals["declined"].tolist() == [True]


@pytest.mark.parametrize("text", ["missed", "sick", "Absent", "no show", "DNA", "cancelled"])
def test_a_missed_occasion_is_no_decline(text):
    parsed, faults = read("rating", text)
    assert faults == []
    assert parsed.signals["missed"].tolist() == [True]
    assert parsed.signals["declined"].tolist() == [False]


@pytest.mark.parametrize("text", ["", "  ", "NA", "n/a", "-", "\u2013", ".", "not recorded", "\u200b"])
def test_words_for_missing_are_blank(text):
    assert read("rating", text)[0].blank.tolist() == [True]


def test_whole_numbers_and_ranges():
    assert read("age_months", "86", "8.5", "7", "300", "86.0", table="children")[1] == [
        ("number_not_whole", 1),
        ("number_out_of_range", 2),
        ("number_out_of_range", 3),
    ]
    assert (range_in_words(None, 3), range_in_words(1, None)) == ("3 or less", "1 or more")


@pytest.mark.parametrize(("text", "value"), [("Yes", True), ("y", True), ("✓", True),
("1", True), ("x", True),
                                             ("NO", False), ("0", False), ("", None)])  # fmt: skip
def test_yes_and_no(text, value):
    assert read("declined", text)[0].values.tolist() == [value]


def test_words_are_read_in_any_case_and_with_their_synonyms():
    parsed, faults = read("phase", "BASELINE", " b ", "Follow-Up", "follow_up", "exposre", "tratment")
    assert parsed.values.tolist() == ["baseline", "exposure", "follow_up", "follow_up", None, None]
    assert faults == [("word_unknown", 4), ("word_unknown", 5)]
    assert parsed.faults[0].facts["hint"] == " (perhaps exposure was meant)"


def test_cells_of_failed_and_unsaved_formulas_say_so_once():
    assert read("rating", FORMULA_BLANK, "#REF!", "#N/A")[1] == [
        ("formula_blank", 0), ("formula_failed", 1), ("formula_failed", 2),
    ]  # fmt: skip
    assert read("phase", FORMULA_BLANK)[1] == [("formula_blank", 0)]
    assert read("date", "#VALUE!")[1] == [("formula_failed", 0)]


def test_codes_have_a_form_and_are_no_names():
    texts = ["C014", "child-3", "C 14", "Sample, Mira", "Mira", "Emma", "AB2019-04-12", "x" * 41]
    assert sorted(read("child_id", *texts)[1]) == [
        ("code_form", 2), ("code_form", 7), ("identity_value", 3), ("identity_value", 5),
        ("identity_value", 6),
    ]  # fmt: skip


def test_ladders_may_have_names_of_several_words():
    parsed, faults = read("ladder_id", "rope net", "captain's gangway")
    assert faults == []
    assert parsed.values.tolist() == ["rope net", "captain's gangway"]
