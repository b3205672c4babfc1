from datetime import date

from rungwise.audit.cohort import cohort
from rungwise.audit.quality import _check, completeness, quality, set_aside, weeks_rated
from rungwise.audit.quarter import Quarter
from rungwise.tables.problems import Problem

Q3 = Quarter.parse("2026Q3")
LATER = date(2027, 1, 15)


def test_completeness_counts_rows_of_the_quarter_only(caseload, weekly):
    rows = weekly("C01", "2026-06-22", [7] * 4, [5, None, 5], rated_by="child")  # two before July 1
    rows[4]["rating"] = None
    rows[5]["rated_by"] = None
    children = [{"child_id": "C01", "entered_on": "2026-06-01", "age_months": 80}, {"child_id": "C02"}]
    load = caseload(ratings=rows, children=children)
    frame, never = completeness(load, cohort(load, Q3, LATER))
    found = frame.set_index(["table", "field"])
    assert found.loc[("ratings", "rating"), ["rows", "recorded"]].tolist() == [5, 4]
    assert found.loc[("ratings", "rated_by"), ["rows", "recorded"]].tolist() == [5, 4]
    assert found.loc[("ratings", "rated_by"), "share"] == 0.8
    assert found.loc[("children", "age_months"), ["rows", "recorded"]].tolist() == [1, 1]
    assert "children.sex" in never
    assert "children.ended_on" not in never
    assert ("ratings", "occasion") not in found.index


def test_a_reason_is_asked_only_of_programs_that_ended(caseload, weekly):
    children = [
        {"child_id": "C01", "entered_on": "2026-06-01", "ended_on": "2026-08-01"},
        {"child_id": "C02", "entered_on": "2026-06-01", "ended_on": "2026-08-01", "end_reason": "moved"},
        {"child_id": "C03", "entered_on": "2026-06-01"},
    ]
    load = caseload(children=children)
    frame, _ = completeness(load, cohort(load, Q3, LATER))
    row = frame[frame["field"] == "end_reason"].iloc[0]
    assert (row["rows"], row["recorded"]) == (2, 1)


def test_weeks_are_whole_weeks_under_way_in_the_quarter(caseload, weekly):
    rows = [
        *weekly("C01", "2026-06-03", [7] * 4, [5] * 20),  # the whole quarter: 13 weeks, due September 23
        *weekly("C02", "2026-07-08", [7] * 3, [5] * 5),  # July 8 to September 30: 12 weeks, 8 rated
        *weekly("C03", "2026-09-28", [7]),  # three days: no whole week
        *weekly("C04", "2026-06-03", [7] * 4, [5] * 4, [2] * 8),  # maintenance from July 29: 4 weeks
    ]
    load = caseload(ratings=rows)
    table = weeks_rated(load, cohort(load, Q3, LATER)).set_index("child_id")
    assert table.loc["C01"].tolist() == [12, 12, 0]
    assert table.loc["C02"].tolist() == [12, 8, 4]
    assert table.loc["C04"].tolist() == [4, 4, 0]
    assert "C03" not in table.index


def test_rows_set_aside_are_counted_once_per_rule_and_file(caseload):
    def problem(severity, row, code, column="rating"):
        return Problem(
            severity, "ratings", "ratings.csv", row, column, "x", code, f"Wrong: {code}.", "Mend."
        )

    load = caseload(
        problems=[
            problem("warning", 3, "odd"),
            problem("error", 4, "scale"),
            problem("error", 4, "scale", "date"),
            problem("error", 9, "scale"),
            problem("error", 9, "phase"),
            problem("error", 0, "column"),
        ]
    )
    table = set_aside(load)
    assert table[["severity", "code", "rows"]].to_numpy().tolist() == [
        ["error", "column", 1],
        ["error", "phase", 1],
        ["error", "scale", 2],
        ["warning", "odd", 1],
    ]
    assert table["problem"][0] == "Wrong: column."


def test_reasons_after_a_semicolon_begin_small():
    said = _check(
        "Procedure checklists", "does not meet", ["9 of 99 (less than 20 %).", "On average 84 %."]
    )
    assert said == (
        "Procedure checklists: the usual standard is not met (9 of 99 (less than 20 %); on average 84 %)."
    )


def test_nothing_recorded_gives_empty_tables_and_no_division_by_zero(caseload):
    load = caseload()
    found = quality(load, cohort(load, Q3, LATER))
    assert found.completeness.empty
    assert found.weeks.empty
    assert found.late == (0, 0)
    assert found.level == 1


def test_a_table_without_rows_is_not_a_table_of_gaps(caseload, weekly):
    load = caseload(ratings=weekly("C01", "2026-07-06", [7] * 4), incidents=[])
    complete, never = completeness(load, cohort(load, Q3, LATER))
    assert set(complete["table"]) == {"ratings"}
    assert not [field for field in never if field.startswith("incidents")]
