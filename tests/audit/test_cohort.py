from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rungwise.audit.cohort import STAGES, censored, cohort, flow
from rungwise.audit.courses import DUE_BY, Course, _due, _exposure, courses
from rungwise.audit.quarter import Quarter

Q3 = Quarter.parse("2026Q3")
LATER = date(2027, 1, 15)


def stages_of(caseload, quarter=Q3, today=LATER):
    return dict(cohort(caseload, quarter, today).stages)


def test_ratings_alone_place_every_child(caseload, weekly):
    rows = [
        *weekly("C01", "2026-05-04", [7] * 4, [5] * 12),  # exposure June 1, horizon August 24
        *weekly("C02", "2026-08-03", [7] * 4, [5] * 5),  # exposure August 31: running
        *weekly("C03", "2026-09-07", [7] * 4),  # in baseline
        *weekly("C04", "2026-01-05", [7] * 4, [5] * 30),  # exposure February 2, due April 27
        *weekly("C05", "2025-01-06", [7] * 4, [5] * 6),  # silent since March 2025
        *weekly("C06", "2026-10-05", [7] * 4),  # began later
        *weekly("C07", "2026-05-04", [7] * 4, [5] * 5, [2] * 4),  # maintenance from July 6
        {"child_id": "C08", "occasion": 1, "phase": "baseline", "rating": 4},
    ]
    assert stages_of(caseload(ratings=rows)) == {
        "C01": "due",
        "C02": "running",
        "C03": "in_baseline",
        "C04": "counted_earlier",
        "C05": "closed_before",
        "C06": "began_later",
        "C07": "due",
        "C08": "no_dates",
    }


def test_a_child_who_falls_silent_before_the_horizon_is_still_due(caseload, weekly):
    # Exposure June 1; the last rating is June 22, the horizon August 24.
    rows = weekly("C01", "2026-05-04", [7] * 4, [5] * 4)
    assert stages_of(caseload(ratings=rows)) == {"C01": "due"}
    assert stages_of(caseload(ratings=rows), Quarter.parse("2026Q4")) == {"C01": "closed_before"}


def test_children_and_phases_tell_what_ratings_cannot(caseload, weekly):
    rows = [*weekly("C01", "2026-05-04", [7] * 4, [5] * 6), *weekly("C02", "2026-06-01", [7] * 3)]
    children = [
        {"child_id": "C01", "entered_on": "2026-04-20", "ended_on": "2026-07-15", "end_reason": "moved"},
        {"child_id": "C02", "entered_on": "2026-05-25", "ended_on": "2026-07-03", "end_reason": "moved"},
        {"child_id": "C03", "referred_on": "2026-08-01"},
        {"child_id": "C04", "referred_on": "2026-08-01", "entered_on": "2026-08-20"},
        {"child_id": "C05", "entered_on": "2025-01-10"},
    ]
    phases = [
        {"child_id": "C01", "ladder_id": "", "starts_on": "2026-04-20", "phase": "baseline"},
        {"child_id": "C01", "ladder_id": "", "starts_on": "2026-05-29", "phase": "exposure"},
        {"child_id": "C05", "ladder_id": "net", "starts_on": "2026-08-20", "phase": "exposure"},
    ]
    load = caseload(ratings=rows, children=children, phases=phases)
    assert stages_of(load) == {
        "C01": "due",
        "C02": "left_before_exposure",
        "C03": "waiting",
        "C04": "nothing_recorded",
        "C05": "running",
    }
    one = courses(load, Q3.last)[0]
    assert (one.began_on, one.began_by) == (date(2026, 4, 20), "children")
    assert (one.exposure_on, one.exposure_by) == (date(2026, 5, 29), "phases")
    assert (one.due_on, one.due_by) == (date(2026, 7, 15), "left_early")


def test_records_after_the_day_looked_at_change_nothing(caseload, weekly):
    rows = weekly("C01", "2026-08-03", [7] * 4, [5] * 20, [2] * 4)
    children = [
        {"child_id": "C01", "entered_on": "2026-08-03", "ended_on": "2027-01-10", "end_reason": "moved"}
    ]
    early = courses(caseload(ratings=rows, children=children), Q3.last)[0]
    assert early.last_rating <= Q3.last
    assert early.ended_on is None
    assert stages_of(caseload(ratings=rows, children=children)) == {"C01": "running"}


def test_while_the_quarter_runs_only_the_past_is_due(caseload, weekly):
    rows = weekly("C01", "2026-05-04", [7] * 4, [5] * 12)  # due August 24
    assert stages_of(caseload(ratings=rows), today=date(2026, 8, 23)) == {"C01": "running"}
    assert stages_of(caseload(ratings=rows), today=date(2026, 8, 24)) == {"C01": "due"}


def test_a_quarter_that_has_not_begun_has_nobody_in_it(caseload, weekly):
    rows = weekly("C01", "2026-05-04", [7] * 4, [5] * 12)
    assert stages_of(caseload(ratings=rows), today=date(2026, 6, 30)) == {"C01": "quarter_not_begun"}


def test_a_child_of_whom_nothing_was_rated_is_counted_and_not_lost(caseload, weekly):
    blank = [
        row | {"declined": None}
        for row in [
            *weekly("C01", "2026-05-04", [None] * 4, [None] * 12),
            *weekly("C02", "2026-05-04", [7] * 4),
            *weekly("C02", "2026-06-01", [], [None] * 12),
        ]
    ]
    load = caseload(ratings=blank)
    assert stages_of(load) == {"C01": "due", "C02": "due"}
    due = {
        one.child_id: (one.exposure_on, one.n_baseline, one.n_exposure) for one in courses(load, Q3.last)
    }
    assert due == {"C01": (date(2026, 6, 1), 0, 0), "C02": (date(2026, 6, 1), 4, 0)}


def test_declines_are_occasions_and_blank_ratings_are_not(caseload, weekly):
    rows = weekly("C01", "2026-05-04", [7, None, 7, 7], [None, 5, 5])
    rows[0]["rating"] = None
    one = courses(caseload(ratings=rows), Q3.last)[0]
    assert (one.n_baseline, one.n_exposure) == (3, 3)
    assert one.first_rating == date(2026, 5, 11)


def test_occasions_are_those_of_fear_where_fear_was_rated(caseload, weekly):
    rows = [
        *weekly("C01", "2026-05-04", [7] * 4, [5] * 4, outcome="fear"),
        *weekly("C01", "2026-05-05", [7] * 3, [5] * 3, outcome="distance"),
        *weekly("C02", "2026-05-04", [7] * 3, [5] * 2, outcome="distance"),
    ]
    one, two = courses(caseload(ratings=rows), Q3.last)
    assert (one.n_baseline, one.n_exposure) == (4, 4)
    assert (two.n_baseline, two.n_exposure) == (3, 2)


def test_several_ladders_end_together_and_are_read_forward_in_time():
    def on(day, ladder, phase):
        return (date(2026, 1, day), ladder, phase, "phases")

    staggered = [
        on(1, "net", "baseline"),
        on(1, "tire", "baseline"),
        on(8, "net", "exposure"),
        on(15, "net", "maintenance"),
        on(15, "tire", "exposure"),
        on(22, "tire", "maintenance"),
    ]
    assert _exposure(staggered)[2] == date(2026, 1, 22)
    again = [*staggered, on(29, "boat", "baseline"), on(30, "boat", "exposure")]
    assert _exposure(again)[2] == date(2026, 1, 22)


@pytest.mark.parametrize(
    ("after", "ended", "reason", "expected"),
    [
        (None, None, "", (date(2026, 3, 26), "horizon")),
        (date(2026, 2, 1), None, "", (date(2026, 2, 1), "exposure_ended")),
        (date(2026, 2, 1), date(2026, 2, 1), "moved", (date(2026, 2, 1), "exposure_ended")),
        (None, date(2026, 2, 1), "moved", (date(2026, 2, 1), "left_early")),
        (None, date(2026, 2, 1), "", (date(2026, 2, 1), "left_early")),
        (None, date(2026, 2, 1), "goals_met", (date(2026, 2, 1), "exposure_ended")),
        (None, date(2026, 6, 1), "moved", (date(2026, 3, 26), "horizon")),
    ],
)
def test_what_comes_first_makes_the_outcome_due(after, ended, reason, expected):
    assert _due(date(2026, 1, 1), after, ended, reason, timedelta(days=84)) == expected
    assert expected[1] in DUE_BY


day = st.dates(date(2025, 1, 1), date(2026, 12, 31))


@given(
    began=day,
    wait=st.integers(0, 100),
    exposed=st.booleans(),
    after=st.none() | st.integers(0, 200),
    ended=st.none() | st.integers(-20, 300),
    silent=st.integers(0, 100),
    recorded=st.booleans(),
)
def test_every_child_is_counted_in_exactly_one_quarter(
    began, wait, exposed, after, ended, silent, recorded
):
    exposure = began + timedelta(days=wait) if exposed else None
    ended_on = max(began, began + timedelta(days=wait + ended)) if ended is not None and recorded else None
    after_on = exposure + timedelta(days=after) if exposed and after is not None else None
    due_on, due_by = _due(exposure, after_on, ended_on, "moved", timedelta(days=84))
    course = Course(
        "C01",
        began_on=began,
        exposure_on=exposure,
        after_exposure_on=after_on,
        ended_on=ended_on,
        end_recorded=recorded,
        due_on=due_on,
        due_by=due_by,
        first_rating=began,
        last_rating=began + timedelta(days=silent),
        phase_recorded=True,
    )
    quarters = [Quarter(year, number) for year in range(2024, 2029) for number in (1, 2, 3, 4)]
    seen = [course.stage(quarter, quarter.last) for quarter in quarters]
    assert seen.count("due") == (1 if exposed else 0)
    order = ["began_later", "in_baseline", "left_before_exposure", "running", "due", "counted_earlier",
             "closed_before"]  # fmt: skip
    places = [order.index(stage) for stage in seen]
    assert places == sorted(places)


def test_the_flow_loses_nobody():
    stages = {f"C{i:02d}": stage for i, stage in enumerate([*STAGES, "judged", "running"])}
    table = flow(stages)
    losses = table[table["kind"] == "loss"]["children"].sum()
    totals = table[table["kind"] == "total"].set_index("code")["children"]
    assert totals["known"] == len(stages)
    assert totals["known"] - losses == totals["judged"] == 2
    assert totals.is_monotonic_decreasing


def test_censoring_keeps_each_child_up_to_its_own_day(caseload, weekly):
    rows = [*weekly("C01", "2026-05-04", [7] * 4, [5] * 4), *weekly("C02", "2026-05-04", [7] * 4, [5] * 4)]
    rows.append({"child_id": "C01", "phase": "exposure", "rating": 1})
    children = [{"child_id": "C01"}, {"child_id": "C02"}]
    cut = censored(caseload(ratings=rows, children=children), {"C01": date(2026, 6, 1)})
    assert cut.tables["children"]["child_id"].tolist() == ["C01"]
    assert set(cut.tables["ratings"]["child_id"]) == {"C01"}
    assert cut.tables["ratings"]["date"].max() == np.datetime64("2026-06-01")
    assert len(cut.tables["ratings"]) == 5


def test_what_the_files_do_not_tell_is_said(caseload, weekly):
    rows = weekly("C01", "2026-05-04", [7] * 4, [5] * 4)
    rows.append({"child_id": "C02", "occasion": 1, "phase": "baseline", "rating": 4})
    unknown = cohort(caseload(ratings=rows), Q3, LATER).unknown
    assert len(unknown) == 3
    assert "no children table" in unknown[0]
    assert "For 1 of 2 children" in unknown[1]
    assert "1 planned ratings of 1 children" in unknown[2]
    full = caseload(
        ratings=weekly("C01", "2026-05-04", [7] * 4),
        children=[{"child_id": "C01", "entered_on": "2026-05-01"}],
    )
    assert cohort(full, Q3, LATER).unknown == ()


def test_occasions_are_those_of_the_usual_rater(caseload, weekly):
    rows = [
        *weekly("C01", "2026-05-04", [7] * 4, [5] * 4, rated_by="child"),
        *weekly("C01", "2026-05-04", [7] * 2, [5], rated_by="parent"),
        *weekly("C02", "2026-05-04", [7] * 2, [5], rated_by="parent"),
    ]
    one, two = courses(caseload(ratings=rows), Q3.last)
    assert (one.n_baseline, one.n_exposure) == (4, 4)
    assert (two.n_baseline, two.n_exposure) == (2, 1)


@pytest.mark.parametrize(
    ("ended", "stage"), [("2026-06-30", "closed_before"), ("2026-07-01", "left_before_exposure")]
)
def test_a_program_open_on_the_first_day_belongs_to_the_quarter(caseload, weekly, ended, stage):
    children = [{"child_id": "C01", "entered_on": "2026-05-01", "ended_on": ended, "end_reason": "moved"}]
    load = caseload(ratings=weekly("C01", "2026-05-04", [7] * 4), children=children)
    assert stages_of(load) == {"C01": stage}


def test_one_child_whose_exposure_is_read_off_is_one_child(caseload, weekly):
    one, other = (weekly(child, "2026-05-04", [7] * 3, [6] * 5) for child in ("C01", "C02"))
    for rows, whom in ((one, "the one child"), ([*one, *other], "both children")):
        unknown = cohort(caseload(ratings=rows), Q3, LATER).unknown
        assert [said for said in unknown if said.startswith(f"For {whom} no phase table")]
