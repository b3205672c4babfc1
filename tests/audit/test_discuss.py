from datetime import date

import pytest
from rungwise.audit.cohort import cohort
from rungwise.audit.discuss import RULES, children_to_discuss, points_table
from rungwise.audit.quarter import Quarter

Q3 = Quarter.parse("2026Q3")
LATER = date(2027, 1, 15)


def facts_of(load, rule, today=LATER):
    points = children_to_discuss(load, cohort(load, Q3, today), ())
    return {point.child_id: point.fact for point in points if point.rule == rule}


def test_a_child_without_a_rating_for_two_typical_gaps_is_named_with_the_days(caseload, weekly):
    rows = [
        *weekly("C01", "2026-07-06", [7] * 4, [5] * 4),  # last August 24, 37 days before the end
        *weekly("C02", "2026-08-10", [7] * 4, [5] * 4),  # last September 28
        *weekly("C03", "2026-08-03", [7] * 4, [5] * 3),  # last September 14, 16 days: above two gaps
        *weekly("C04", "2026-07-06", [7, 7], [5], every=21),  # too few to know a gap
    ]
    assert facts_of(caseload(ratings=rows), "overdue") == {
        "C01": "Last planned rating on August 24, 2026, 37 days before September 30, 2026; "
        "typical gap 7 days.",
        "C03": "Last planned rating on September 14, 2026, 16 days before September 30, 2026; "
        "typical gap 7 days.",
    }


def test_the_planned_gap_comes_before_the_typical_one(caseload, weekly):
    rows = weekly("C01", "2026-07-06", [7] * 4, [5] * 4)
    plan = {"child_id": "C01", "ladder_id": "net", "probe_step": 3, "planned_per_week": 0.25}
    assert facts_of(caseload(ratings=rows, plans=[plan]), "overdue") == {}
    plan["planned_per_week"] = 7
    assert "planned gap 1 day." in facts_of(caseload(ratings=rows, plans=[plan]), "overdue")["C01"]


@pytest.mark.parametrize(("today", "raised"), [(date(2026, 9, 7), False), (date(2026, 9, 8), True)])
def test_overdue_begins_after_two_weeks(caseload, weekly, today, raised):
    rows = weekly("C01", "2026-07-06", [7] * 4, [5] * 4)
    assert bool(facts_of(caseload(ratings=rows), "overdue", today)) is raised


def test_who_left_or_finished_is_not_overdue(caseload, weekly):
    rows = [
        *weekly("C01", "2026-07-06", [7] * 4, [5] * 4),
        *weekly("C02", "2026-06-01", [7] * 4, [5] * 4, [4]),
    ]
    children = [
        {"child_id": "C01", "entered_on": "2026-07-01", "ended_on": "2026-08-25", "end_reason": "moved"},
        {"child_id": "C02", "entered_on": "2026-06-01"},
        {"child_id": "C03", "entered_on": "2026-09-01"},
    ]
    assert facts_of(caseload(ratings=rows, children=children), "overdue") == {
        "C03": "No planned rating since the program began on September 1, 2026, 29 days."
    }


@pytest.mark.parametrize(
    ("exposure", "fact"),
    [
        ([5, 5, 5, 5, 5, None, None, 4], "2 of the last 4 exposure occasions, 0"),
        ([5, None, 5, 5, None, None, None, 4], "3 of the last 4 exposure occasions, 1"),
        ([5, 5, None, None, 5, None, None, 4], None),  # not more than before
        ([5, 5, 5, 5, 5, 5, None, 4], None),  # one decline
        ([5, 5, 5, None, None, 4, 4], None),  # fewer than eight occasions
    ],
)  # fmt: skip
def test_rising_declines_are_counted_in_two_windows(caseload, weekly, exposure, fact):
    rows = weekly("C01", "2026-07-06", [7] * 4, exposure)
    found = facts_of(caseload(ratings=rows), "declines_rising")
    assert found == ({"C01": f"Declined {fact} of the 4 before."} if fact else {})


def test_declines_of_an_earlier_quarter_are_not_raised_again(caseload, weekly):
    exposure = [5, 5, 5, 5, 5, None, None, None]
    rows = weekly("C01", "2026-04-06", [7] * 4, exposure)  # ends June 22, horizon July 27
    children = [{"child_id": "C01", "entered_on": "2026-04-01"}]
    assert facts_of(caseload(ratings=rows, children=children), "declines_rising") == {}


def test_serious_incidents_of_the_quarter_come_first(caseload, weekly):
    rows = weekly("C01", "2026-07-06", [7] * 4, [5] * 4)
    incidents = [
        {"child_id": "C09", "date": "2026-08-02", "kind": "near_fall", "severity": "serious"},
        {"child_id": "C01", "date": "2026-08-02", "kind": "fall", "severity": "minor"},
        {"child_id": "C01", "date": "2026-06-30", "kind": "fall", "severity": "serious"},
        {"child_id": "C01", "date": "2026-10-01", "kind": "fall", "severity": "serious"},
    ]
    load = caseload(ratings=rows, incidents=incidents)
    table = points_table(children_to_discuss(load, cohort(load, Q3, LATER), ()))
    assert table["rule"].tolist() == ["serious_incident", "overdue"]
    assert table["fact"][0] == "Near fall on August 2, 2026."
    assert table["rule_words"].tolist() == [RULES["serious_incident"], RULES["overdue"]]


def test_nothing_to_discuss_is_an_empty_table_with_its_columns(caseload):
    load = caseload()
    table = points_table(children_to_discuss(load, cohort(load, Q3, LATER), ()))
    assert list(table.columns) == ["child_id", "rule", "fact", "rule_words"]
    assert table.empty


def test_a_rise_is_named_with_its_own_one_sided_p_and_others_with_the_two_sided(caseload, weekly, outcome):
    load = caseload(ratings=weekly("C01", "2026-07-06", [7] * 4, [5] * 4))
    group = [outcome("C01", "rose", nap=0.2, p=0.04), outcome("C02", "no_clear_change", nap=0.6, p=0.4)]
    points = children_to_discuss(load, cohort(load, Q3, LATER), group)
    facts = {point.rule: point.fact for point in points}
    assert "one-sided p = .020" in facts["rose"]
    assert "NAP .60, p = .40," in facts["no_fall"]
