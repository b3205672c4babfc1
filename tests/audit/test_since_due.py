"""The answer from the whole record beside the audit's, which stops at the day the outcome was due."""

from datetime import date

import pytest
from rungwise.audit.audit import audit_quarter
from rungwise.audit.cohort import cohort
from rungwise.audit.outcomes import judge
from rungwise.audit.quarter import Quarter
from rungwise.audit.since_due import about_since_due, since_due
from rungwise.single_case.child_answer import child_answer

Q3 = Quarter.parse("2026Q3")
LATER = date(2027, 1, 15)


@pytest.fixture
def found(caseload, weekly):
    """C01 falls only after the due day, C02 before and after, C03 has no later rating."""
    flat, low = [8, 7, 8, 9], [1, 0, 1, 0]
    rows = [
        *weekly("C01", "2026-05-04", [8, 7, 9, 8, 7], [*flat * 3, *low * 8]),
        *weekly("C02", "2026-05-04", [8, 7, 9, 8, 7], [*low * 4]),
        *weekly("C03", "2026-05-04", [8, 7, 9, 8, 7], [*low * 3]),
    ]
    load = caseload(ratings=rows)
    outcomes = judge(load, cohort(load, Q3, LATER).due)
    return load, outcomes


def test_only_children_rated_on_afterwards_are_asked_again(found):
    load, outcomes = found
    table = since_due(load, outcomes).set_index("child_id")
    assert table.index.tolist() == ["C01", "C02"]
    assert table.loc["C01", "verdict"] == "no_clear_change"
    # The horizon of 84 days is the day of the thirteenth exposure rating.
    assert table["later_ratings"].tolist() == [31, 3]
    for child, row in table.iterrows():
        assert row["verdict_now"] == child_answer(load, child).verdict.code
    assert table.loc["C01", "verdict_now"] != table.loc["C01", "verdict"]


def test_the_page_names_the_children_whose_answer_differs(found):
    load, outcomes = found
    (said,) = about_since_due(since_due(load, outcomes))
    assert said.startswith("2 children judged here were rated on after the outcome was due")
    assert "differs for 1: C01, here “no clear change”, there “fell" in said
    assert "C02" not in said
    (same,) = about_since_due(since_due(load, [one for one in outcomes if one.course.child_id == "C02"]))
    assert same.startswith("1 child judged here was rated on")
    assert same.endswith("uses those ratings too, and says the same.")
    assert about_since_due(since_due(load, [])) == ()


def test_a_very_large_caseload_is_not_asked_again_and_says_so(found, monkeypatch):
    load, outcomes = found
    monkeypatch.setattr("rungwise.audit.since_due.AT_MOST", 1)
    table = since_due(load, outcomes)
    assert table["verdict_now"].tolist() == ["", ""]
    (said,) = about_since_due(table)
    assert said.endswith("With so many, the two were not compared here, and may differ.")


def test_maintenance_does_not_count_as_rated_on(caseload, weekly):
    rows = weekly("C01", "2026-05-04", [8, 7, 9, 8, 7], [1, 0, 1, 0] * 3, [1, 1, 0])
    audit = audit_quarter(caseload(ratings=rows), "2026Q3", today=LATER)
    assert audit.since_due.empty
