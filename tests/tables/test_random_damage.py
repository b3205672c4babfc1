"""Sound caseloads, varied and damaged at random: the damage is named at its cell, the rest survives."""

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.tables.read import read_tables

TODAY = date(2026, 11, 25)
COLUMNS = ("child_id", "ladder_id", "date", "phase", "rating", "declined", "rated_by", "note")
HEADERS = {
    "child_id": ("child_id", "Child", "CLIENT ID", "participant"),
    "ladder_id": ("ladder_id", "Ladder"),
    "date": ("date", "Date of rating", " DAY "),
    "phase": ("phase", "Phase", "condition"),
    "rating": ("rating", "Fear (0-10)", "fear rating"),
    "declined": ("declined", "Refused"),
    "rated_by": ("rated_by", "Rater"),
    "note": ("note", "Remarks"),
}
PHASES = {
    "baseline": ("baseline", "A", " Baseline", "base line"),
    "exposure": ("exposure", "b", "Intervention "),
}


@st.composite
def caseloads(draw):
    """Rows of several children, each with a sound series, as mappings of column to text."""
    rows = []
    for child in range(draw(st.integers(1, 3))):
        day = date(2026, 1, 5) + timedelta(days=draw(st.integers(0, 100)))
        for phase, count in (("baseline", draw(st.integers(1, 4))), ("exposure", draw(st.integers(1, 5)))):
            for _ in range(count):
                day += timedelta(days=draw(st.integers(1, 9)))
                declined = draw(st.booleans()) and draw(st.booleans())
                rows.append(
                    {
                        "child_id": f"C{child + 1:03d}",
                        "ladder_id": "gangway",
                        "date": day.isoformat(),
                        "phase": draw(st.sampled_from(PHASES[phase])),
                        "rating": "" if declined else draw(st.sampled_from(["0", "3", "4.5", " 7", "10 "])),
                        "declined": draw(
                            st.sampled_from(["yes", "x", "TRUE"] if declined else ["no", "", "0"])
                        ),
                        "rated_by": draw(st.sampled_from(["child", "Child", "self"])),
                        "note": draw(
                            st.sampled_from(["", "windy", "two, three", 'said "yes"', "first line\nsecond"])
                        ),
                    }
                )
    return rows


def put(column, text):
    return lambda row: row.update({column: text})


def rated(text):
    return lambda row: row.update(rating=text, declined="no")


def respelled(row):
    row["child_id"] = row["child_id"].lower() + " "


def doubly(row):
    row.update(rating="5", declined="yes")


# Name of the damage: what it does to a row, where it is then named, and whether the row is set aside.
DAMAGES = {
    "no such day": (put("date", "2026-02-30"), "date", "date_unreadable", True),
    "a day to come": (put("date", "2027-01-01"), "date", "date_future", True),
    "no day": (put("date", ""), "date", "time_missing", True),
    "words for a day": (put("date", "last week"), "date", "date_unreadable", True),
    "day or month": (put("date", "03/04/2026"), "date", "date_ambiguous", True),
    "no phase": (put("phase", ""), "phase", "required_blank", True),
    "misspelled phase": (put("phase", "exposer"), "phase", "word_unknown", True),
    "a fraction": (put("rating", "7/10"), "rating", "number_unreadable", True),
    "a range": (put("rating", "6-7"), "rating", "number_unreadable", True),
    "off the scale": (rated("11"), "rating", "rating_off_scale", True),
    "below the scale": (rated("-1"), "rating", "rating_off_scale", True),
    "a failed formula": (put("rating", "#DIV/0!"), "rating", "formula_failed", True),
    "perhaps": (put("declined", "perhaps"), "declined", "yes_no_unknown", True),
    "a stranger": (put("rated_by", "neighbor"), "rated_by", "word_unknown", True),
    "no code": (put("child_id", ""), "child_id", "required_blank", True),
    "a name": (put("child_id", "Sample, Mira"), "child_id", "identity_value", True),
    "nobody": (put("child_id", "C999"), "child_id", "unknown_child", True),
    "no form": (put("child_id", "C#1"), "child_id", "code_form", True),
    "a phone number": (put("note", "call 555-0134"), "note", "identity_text", False),
    "a respelled code": (respelled, "child_id", "code_respelled", False),
    "both given": (doubly, "rating", "rating_and_declined", False),
    "neither given": (rated(""), "rating", "rating_blank", False),
}  # fmt: skip


def quoted(text, delimiter):
    return (
        '"' + text.replace('"', '""') + '"'
        if any(mark in text for mark in (delimiter, '"', "\n"))
        else text
    )


@st.composite
def layouts(draw):
    """How a sound table is laid out in a file; none of it is a problem."""
    names = {column: draw(st.sampled_from(HEADERS[column])) for column in COLUMNS}
    order = draw(st.permutations(COLUMNS))
    return {
        "names": names,
        "order": order,
        "delimiter": draw(st.sampled_from([",", ";", "\t"])),
        "ending": draw(st.sampled_from(["\n", "\r\n"])),
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16"])),
        "blanks": draw(st.lists(st.integers(0, 20), max_size=3)),
    }


def write(path, rows, layout):
    """Write the rows; give the row number a person sees beside each."""
    mark = layout["delimiter"]
    lines = [mark.join(quoted(layout["names"][column], mark) for column in layout["order"])]
    numbers = []
    for place, row in enumerate(rows):
        lines += [""] * layout["blanks"].count(place)
        lines.append(mark.join(quoted(row[column], mark) for column in layout["order"]))
        numbers.append(len(lines))
    path.write_bytes((layout["ending"].join(lines) + layout["ending"]).encode(layout["encoding"]))
    return numbers


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("caseload")
    (folder / "children.csv").write_text("child_id\n" + "".join(f"C{n:03d}\n" for n in (1, 2, 3)))
    return folder


SETTINGS = settings(max_examples=60, derandomize=True, database=None)


@SETTINGS
@given(caseloads(), layouts())
def test_a_sound_caseload_has_no_problem_however_it_is_laid_out(folder, rows, layout):
    numbers = write(folder / "ratings.csv", rows, layout)
    tables = read_tables(folder, today=TODAY)
    assert [problem.code for problem in tables.report] == []
    ratings = tables.tables["ratings"]
    assert ratings.rows.tolist() == numbers
    assert ratings["child_id"].tolist() == [row["child_id"] for row in rows]
    assert ratings["date"].astype(str).tolist() == [row["date"] for row in rows]
    expected = [float(row["rating"]) if row["rating"] else np.nan for row in rows]
    np.testing.assert_array_equal(ratings["rating"], expected)
    assert ratings["declined"].tolist() == [row["declined"] in ("yes", "x", "TRUE") for row in rows]
    assert ratings["note"].tolist() == [row["note"] or None for row in rows]


@pytest.mark.parametrize("damage", DAMAGES)
@settings(SETTINGS, max_examples=12)
@given(caseloads(), layouts(), st.data())
def test_damage_is_named_at_its_cell_and_every_sound_row_survives(damage, folder, rows, layout, data):
    harm, column, code, aside = DAMAGES[damage]
    place = data.draw(st.integers(0, len(rows) - 1))
    before = dict(rows[place])
    harm(rows[place])
    numbers = write(folder / "ratings.csv", rows, layout)
    tables = read_tables(folder, today=TODAY)
    found = [(problem.row, problem.column, problem.code) for problem in tables.report]
    assert found == [(numbers[place], layout["names"][column].strip(), code)]
    assert [row.row for row in tables.report.set_aside] == ([numbers[place]] if aside else [])
    kept = [number for number in numbers if not aside or number != numbers[place]]
    ratings = tables.tables["ratings"]
    assert ratings.rows.tolist() == kept
    if not aside and column == "child_id":
        assert ratings["child_id"].tolist()[place] == before["child_id"]
    if code == "rating_and_declined":
        assert np.isnan(ratings["rating"][place])
        assert ratings["declined"][place]


@settings(SETTINGS, max_examples=25)
@given(caseloads(), layouts(), st.data())
def test_a_row_given_twice_is_named_and_the_first_kept(folder, rows, layout, data):
    place = data.draw(st.integers(0, len(rows) - 1))
    differs = data.draw(st.booleans())
    twin = dict(rows[place])
    if differs:
        twin["rating"], twin["declined"] = ("5.25", "no")
    rows.append(twin)
    numbers = write(folder / "ratings.csv", rows, layout)
    report = read_tables(folder, today=TODAY).report
    found = {(problem.row, problem.code) for problem in report}
    if differs:
        assert found == {(numbers[place], "key_repeated"), (numbers[-1], "key_repeated")}
    else:
        assert found == {(numbers[-1], "row_repeated")}
