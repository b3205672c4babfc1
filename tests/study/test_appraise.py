"""Items of the standards at their edges, with the evidence they rest on."""

from datetime import date, timedelta

import pytest
from rungwise.study.appraise import ROBINT, WWC, appraise
from rungwise.study.data import study_of
from rungwise.study.plan import plan_study
from rungwise.study.scenario import Scenario
from rungwise.study.schedule import draw_schedule

FIRST_DAY = date(2026, 5, 4)


def item(appraisal, number, standard=WWC):
    return next(one for one in appraisal.items if (one.standard, one.number) == (standard, number))


def test_a_complete_study_meets_what_the_files_can_show(record, schedule, plan, tmp_path):
    appraisal = appraise(study_of(record(tmp_path, schedule, Scenario()), plan=plan))
    assert {one.number: one.finding for one in appraisal.items if one.standard == WWC} == {
        1: "meets",
        2: "meets",
        3: "meets",
        4: "meets",
        5: "for a person to judge",
        6: "meets",
        7: "meets",
    }
    assert appraisal.wwc == "meets"
    assert len([one for one in appraisal.items if one.standard == ROBINT]) == 15
    assert item(appraisal, 3, ROBINT).score == 2
    assert item(appraisal, 5, ROBINT).finding == "for a person to judge"
    assert "unconfirmed" in item(appraisal, 7).source


@pytest.mark.parametrize(
    ("kept", "finding", "score"),
    [(5, "meets", 2), (4, "meets with reservations", 1), (3, "meets with reservations", 1),
     (2, "does not meet", 0)],
)  # fmt: skip
def test_points_in_the_shortest_phase_decide(record, schedule, plan, tmp_path, kept, finding, score):
    first = schedule.starts.index(min(schedule.starts))
    child = plan.cases[first].child_id

    def thin(tables):
        days = sorted(row["date"] for row in tables["observations"] if row["child_id"] == child)
        gone = days[: min(schedule.starts) - 1 - kept]
        for name in ("observations", "agreement"):
            tables[name] = [
                row for row in tables[name] if not (row["child_id"] == child and row["date"] in gone)
            ]

    appraisal = appraise(study_of(record(tmp_path, schedule, Scenario(), change=thin), plan=plan))
    assert item(appraisal, 6).finding == finding
    assert (item(appraisal, 3, ROBINT).finding, item(appraisal, 3, ROBINT).score) == (finding, score)
    assert f"{plan.cases[first].label} {kept} + " in item(appraisal, 6).evidence


def test_two_cases_are_too_few_attempts_and_phases(practice, record, tmp_path):
    small = plan_study(practice, ("P1", "P2"), design_id="MB2", first_day=FIRST_DAY, occasions=20)
    appraisal = appraise(study_of(record(tmp_path, draw_schedule(small, 1), Scenario()), plan=small))
    assert item(appraisal, 4).finding == "does not meet"
    assert item(appraisal, 6).finding == "does not meet"
    assert appraisal.wwc == "does not meet"
    assert any("2 attempts" in line for line in appraisal.cannot)


def test_agreement_below_a_fifth_of_the_trials_does_not_meet(record, schedule, plan, tmp_path):
    def fewer(tables):
        tables["agreement"] = tables["agreement"][::3]

    appraisal = appraise(study_of(record(tmp_path, schedule, Scenario(), change=fewer), plan=plan))
    assert item(appraisal, 3).finding == "does not meet"
    assert "less than 20 %" in item(appraisal, 3).evidence
    assert item(appraisal, 6, ROBINT).score is None


def test_without_second_observers_it_cannot_be_said(record, schedule, plan, tmp_path):
    def none(tables):
        del tables["agreement"]
        del tables["fidelity"]

    appraisal = appraise(study_of(record(tmp_path, schedule, Scenario(), change=none), plan=plan))
    assert item(appraisal, 3).finding == "cannot be said"
    assert item(appraisal, 7, ROBINT).finding == "cannot be said"


def test_baselines_one_after_the_other_are_not_concurrent(record, schedule, plan, tmp_path):
    def later(tables):
        for name in ("observations", "agreement", "sessions", "fidelity", "phases", "incidents"):
            for row in tables.get(name, ()):
                if row["child_id"] == "P1":
                    key = "starts_on" if name == "phases" else "date"
                    row[key] -= timedelta(weeks=25)
        for row in tables["plans"]:
            if row["child_id"] == "P1":
                row["window_opens"] -= timedelta(weeks=25)
                row["window_closes"] -= timedelta(weeks=25)

    appraisal = appraise(study_of(record(tmp_path, schedule, Scenario(), change=later)))
    assert item(appraisal, 7).finding == "does not meet"
    assert any("did not run at the same time" in line for line in appraisal.cannot)


def test_a_clinical_start_is_left_to_a_person_and_said_in_words(record, schedule, tmp_path):
    def clinical(tables):
        for row in tables["plans"]:
            row["assignment"] = "clinical"

    appraisal = appraise(study_of(record(tmp_path, schedule, Scenario(), change=clinical)))
    assert item(appraisal, 2).finding == "for a person to judge"
    assert item(appraisal, 2, ROBINT).finding == "does not meet"
    assert any("not drawn at random" in line for line in appraisal.cannot)


def test_the_table_has_a_row_per_item(study):
    frame = appraise(study).frame(ROBINT)
    assert frame["Item"].tolist() == list(range(1, 16))
    assert (frame["Evidence"] != "").all()
