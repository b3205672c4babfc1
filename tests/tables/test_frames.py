"""Data frames: the pandera schema and the reading of files flag the same cells."""

from datetime import date, datetime

import numpy as np
import pandas as pd
import pandera.errors
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.basis.errors import DataProblems
from rungwise.series.caseload import read_frames
from rungwise.tables.frames import CODES_BY_TYPE, frame_problems, frame_schema
from rungwise.tables.read import read_tables
from rungwise.tables.schema import TABLES, schema

TODAY = date(2026, 11, 25)
CELL_RULES = {"required_blank", *(code for codes in CODES_BY_TYPE.values() for code in codes)}
# Entries sound and unsound for every kind of column, as notebooks and spreadsheets hold them.
ENTRIES = {
    "number": [
        "7", 7, 7.5, "7,5", "1,250", "7/10", None, np.nan, "declined", "#N/A", datetime(2026, 10, 7), "-1",
    ],
    "integer": [86, "86", 86.5, "8 years", 7, 900, None, "86.0"],
    "date": [
        "2026-03-04", datetime(2026, 3, 11), pd.Timestamp("2026-03-18"), "2026-02-30", "soon", None, 46085,
        "04/04/2026", "#REF!",
    ],
    "string": [
        "baseline", "A", "exposre", "", None, "Sample, Mira", "C014", "child", "C 14#", "lower", "girl",
    ],
    "boolean": [True, False, "yes", "perhaps", None, "x", 1, 0, "#N/A"],
}  # fmt: skip


def cells_of(problems):
    return sorted((p.row, p.column, p.code) for p in problems if p.code in CELL_RULES)


def by_pandera(table, frame):
    return cells_of(frame_problems(table, frame))


def by_files(table, frame, folder):
    frame.to_csv(folder / f"{table}.csv", index=False)
    return cells_of(read_tables(folder, today=TODAY).report)


@pytest.mark.parametrize("table", ["ratings", "children", "observations", "measures"])
@settings(max_examples=5, derandomize=True, database=None)
@given(data=st.data())
def test_pandera_and_the_files_flag_the_same_cells(tmp_path_factory, table, data):
    fields = schema(table).fields
    rows = data.draw(st.integers(1, 6))
    columns = {}
    for name, field in fields.items():
        entries = data.draw(st.lists(st.sampled_from(ENTRIES[field.type]), min_size=rows, max_size=rows))
        columns[name] = pd.Series(entries, dtype=object)
    # A row that is sure to be sound in its text columns keeps every row from being blank.
    frame = pd.DataFrame(columns)
    frame["note" if "note" in fields else next(iter(fields))] = "C014"
    folder = tmp_path_factory.mktemp("frame")
    assert by_pandera(table, frame) == by_files(table, frame, folder)


@pytest.mark.parametrize("table", ["ratings", "children"])
def test_every_kind_of_entry_is_flagged_alike(tmp_path, table):
    fields = schema(table).fields
    frame = pd.DataFrame(
        {name: pd.Series([ENTRIES[f.type][n % len(ENTRIES[f.type])] for n in range(12)], dtype=object)
         for name, f in fields.items()}
    )  # fmt: skip
    flagged = by_pandera(table, frame)
    assert flagged == by_files(table, frame, tmp_path)
    assert len({code for _, _, code in flagged}) >= 6


def test_typed_columns_are_read_as_they_are():
    frame = pd.DataFrame(
        {
            "Child": pd.Categorical(["C1", "C1", "C2"]),
            "date": pd.to_datetime(["2026-03-04", "2026-03-11", "2026-03-04"]),
            "phase": ["baseline", "exposure", "baseline"],
            "rating": [7.0, np.nan, 3.0],
            "declined": pd.array([False, True, None], dtype="boolean"),
        },
        index=[5, 5, 5],
    )
    caseload = read_frames({"ratings": frame}, today=TODAY)
    assert len(caseload.report) == 0
    assert caseload.children == ("C1", "C2")
    assert caseload.series("C1").declined.tolist() == [False, True]
    assert caseload.tables["ratings"].rows.tolist() == [2, 3, 4]
    assert [file.name for file in caseload.inputs] == ["data frame ratings"]


def test_a_half_is_not_made_whole():
    frame = pd.DataFrame({"child_id": ["C1", "C2"], "age_months": [86.5, 90]})
    (only,) = frame_problems("children", frame)
    assert (only.row, only.column, only.code, only.value) == (2, "age_months", "number_not_whole", "86.5")


def test_rows_are_told_apart_though_their_labels_are_the_same():
    frame = pd.DataFrame({"child_id": ["C1", "C 1#", "C3"]}, index=["a", "a", "a"])
    assert [(p.row, p.code) for p in frame_problems("children", frame)] == [(3, "code_form")]


def test_a_missing_column_is_named():
    (only,) = frame_problems("ratings", pd.DataFrame({"child_id": ["C1"], "rating": [3]}))
    assert (only.code, only.row) == ("column_missing", 0)
    assert "Phase" in only.problem


def test_open_dates_are_one_problem_for_the_column():
    frame = pd.DataFrame({"child_id": ["C1"] * 2, "phase": ["A"] * 2, "date": ["03/04/2026", "04/05/2026"]})
    (only,) = frame_problems("ratings", frame)
    assert (only.row, only.code) == (2, "date_ambiguous")
    assert "2 rows" in only.problem
    assert frame_problems("ratings", frame, date_order="day_first") == ()


def test_a_name_is_not_shown():
    (only,) = frame_problems("children", pd.DataFrame({"child_id": ["Sample, Mira"]}))
    assert (only.code, only.value) == ("identity_value", "(not shown)")


def test_the_schema_is_a_pandera_schema_with_the_words_of_the_descriptor():
    for table in TABLES:
        built = frame_schema(table)
        assert list(built.columns) == list(schema(table).fields)
        for name, column in built.columns.items():
            assert column.title == schema(table).fields[name].title
    with pytest.raises(pandera.errors.SchemaErrors) as raised:
        frame_schema("children").validate(pd.DataFrame({"child_id": ["C1", None]}), lazy=True)
    assert raised.value.failure_cases["check"].tolist() == ["required_blank"]
    sound = pd.DataFrame({"child_id": ["C1", "C2"]})
    assert frame_schema("children").validate(sound).equals(sound)


def test_nothing_usable_raises_and_a_wrong_name_is_named():
    with pytest.raises(DataProblems):
        read_frames(
            {"ratings": pd.DataFrame({"date": ["soon"], "phase": ["A"], "rating": [3]})}, today=TODAY
        )
    with pytest.raises(ValueError, match="table must be one of ratings"):
        read_frames({"rating": pd.DataFrame()})
