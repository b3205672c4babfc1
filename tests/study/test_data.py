"""Recorded ratings laid on planned occasions: nothing lost, nothing moved across the start."""

from datetime import date, timedelta

import numpy as np
import pytest
from rungwise.basis.errors import NotEnoughData
from rungwise.study.data import coverage, study_of
from rungwise.study.participants import of_children
from rungwise.study.plan import plan_study
from rungwise.study.scenario import Scenario
from rungwise.study.schedule import draw_schedule

FIRST_DAY = date(2026, 5, 4)


def test_every_rating_lies_on_its_planned_occasion(study, caseload, schedule):
    observations = caseload.tables["observations"]
    for one, start in zip(study.cases, schedule.starts, strict=True):
        assert one.start == start
        assert one.series.n_missing > 0 or one.case.child_id == "P1"
        for occasion, day in enumerate(one.days):
            mine = (observations["child_id"] == one.case.child_id) & (
                observations["date"] == np.datetime64(day)
            )
            expected = observations["fear_peak"][mine]
            if len(expected):
                np.testing.assert_equal(one.series.values[occasion], expected[0])
            else:
                assert np.isnan(one.series.values[occasion])
                assert not one.series.declined[occasion]
        assert (one.series.phases == "exposure").tolist() == [n >= start for n in range(1, 25)]


def test_ratings_on_other_days_keep_their_occasion_and_their_phase(record, schedule, plan, tmp_path):
    def shift(tables):
        for row in tables["observations"]:
            if row["child_id"] == "P1":
                start = plan.day(schedule.starts[0])
                row["date"] += timedelta(days=2 if row["date"] >= start else -2)
        tables["agreement"].clear()

    study = study_of(record(tmp_path, schedule, change=shift), plan=plan)
    first, other = study.cases[0], study.cases[1]
    assert (first.moved, first.extra, first.series.n_missing) == (24, 0, 0)
    assert (other.moved, other.extra) == (0, 0)
    assert first.start == schedule.starts[0]


def test_a_late_baseline_rating_stays_on_the_baseline_side_of_the_start(record, schedule, plan, tmp_path):
    start = schedule.starts[0]

    def late(tables):
        for row in tables["observations"]:
            if row["child_id"] == "P1" and row["date"] == plan.day(start - 1):
                row["date"] += timedelta(days=4)  # nearer to the first exposure occasion than to its own
                row["fear_peak"], row["outcome"] = 10, "completed"
        tables["agreement"].clear()

    one = study_of(record(tmp_path, schedule, change=late), plan=plan).cases[0]
    assert (one.moved, one.extra, one.series.n_missing) == (1, 0, 0)
    assert one.series.values[start - 2] == 10
    assert one.series.phases[start - 2] == "baseline"


def test_a_rating_beyond_the_plan_is_counted_and_not_tested(record, schedule, plan, tmp_path):
    def more(tables):
        last = dict(tables["observations"][23])
        assert last["child_id"] == "P1"
        last["date"] += timedelta(days=21)
        tables["observations"].append(last)

    study = study_of(record(tmp_path, schedule, change=more), plan=plan)
    assert study.cases[0].extra == 1
    assert len(study.cases[0].series) == 24
    assert "1 rating on no planned occasion" in coverage(study)[0]


def test_consent_withdrawn_takes_a_case_out_and_keeps_the_test_of_the_others(
    record, schedule, plan, tmp_path
):
    def withdraw(tables):
        tables["children"][1]["research_consent"] = False

    study = study_of(record(tmp_path, schedule, change=withdraw), plan=plan)
    assert study.left_out == {"P2 gangway": "no research consent, or consent withdrawn"}
    assert [one.case.child_id for one in study.cases] == ["P1", "P3"]
    assert "P2" not in study.caseload.tables["observations"]["child_id"].tolist()
    starts = [one.start for one in study.cases]
    assert sorted(study.design.windows) == sorted(
        window for window in plan.windows if any(start in window for start in starts)
    )
    assert study.design.shuffled


def test_starts_that_are_none_of_the_permitted_leave_no_design(record, schedule, plan, tmp_path):
    def same_start(tables):
        day = plan.day(schedule.starts[0])
        for row in tables["phases"]:
            if row["phase"] == "exposure":
                row["starts_on"] = day

    study = study_of(record(tmp_path, schedule, change=same_start), plan=plan)
    assert study.design is None
    assert "none of the permitted" in study.no_design


def test_without_a_plan_the_table_of_plans_says_the_windows(caseload, schedule):
    study = study_of(caseload)
    assert study.design_id == "MB1"
    assert [one.start for one in study.cases] != []
    for one, design in zip(study.cases, study.design, strict=True):
        days = [
            day for day in one.days if caseload.tables["plans"]["window_opens"][0] <= np.datetime64(day)
        ]
        assert one.days[design.earliest - 1] == days[0]
        assert design.earliest <= one.start <= design.latest


def test_a_start_set_clinically_leaves_no_design(record, schedule, tmp_path):
    def clinical(tables):
        tables["plans"][2]["assignment"] = "clinical"

    study = study_of(record(tmp_path, schedule, change=clinical))
    assert study.design is None
    assert study.no_design.startswith("The start of P3 gangway was not drawn at random")


def test_an_unknown_design_is_refused(caseload, plan):
    with pytest.raises(ValueError, match=r"design code of the table of plans \(MB1\); got 'X'"):
        study_of(caseload, design_id="X")
    with pytest.raises(ValueError, match="that of the plan, 'MB1'; got 'X'"):
        study_of(caseload, plan=plan, design_id="X")


def test_nobody_left_is_said(record, schedule, plan, tmp_path):
    def withdraw(tables):
        for child in tables["children"]:
            child["research_consent"] = False

    with pytest.raises(
        NotEnoughData, match=r"No case of MB1 can be analyzed\. P1 gangway: no research consent"
    ):
        study_of(record(tmp_path, schedule, change=withdraw), plan=plan)


def test_two_ladders_of_one_child_are_two_cases(practice, record, tmp_path):
    across = plan_study(
        practice, (("P5", "gangway"), ("P5", "net")), design_id="ML1", first_day=FIRST_DAY, occasions=20
    )
    drawn = draw_schedule(across, 4)
    study = study_of(record(tmp_path, drawn, Scenario()), plan=across)
    assert [one.case.label for one in study.cases] == ["P5 gangway", "P5 net"]
    assert [one.start for one in study.cases] == list(drawn.starts)


def test_only_the_children_of_a_study_stay(caseload):
    part = of_children(caseload, ["P2"])
    for name, table in part.tables.items():
        if "child_id" in table.columns:
            assert set(table["child_id"].tolist()) <= {"P2"}, name
    assert len(part.tables["ladders"]) == len(caseload.tables["ladders"])
