"""Scores and goals, from files."""

from datetime import date, timedelta

import pytest
from rungwise.audit.audit import audit_quarter
from rungwise.series.caseload import read_caseload

MEASURE = (
    "measure_id,title,better,minimum,maximum,score_kind,reliability,reliability_kind,clinical_mean,"
    "clinical_sd,functional_mean,functional_sd\n"
    "fom,Fear of movement,lower,0,100,raw,0.8,internal,40,7.5,20,7.5\n"
)


@pytest.fixture
def folder(tmp_path):
    rows = ["child_id,date,phase,rating"]
    for child in ("C01", "C02"):
        day = date(2026, 5, 4)
        for i, value in enumerate([7, 8, 7, 9, 6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1]):
            rows.append(f"{child},{day},{'baseline' if i < 4 else 'exposure'},{value}")
            day += timedelta(days=7)
    scores = [
        "child_id,measure_id,date,occasion,score,rated_by",
        "C01,fom,2026-05-01,intake,47.5,parent",
        "C01,fom,2026-08-20,review,25,parent",
        "C01,fom,2026-09-20,discharge,60,parent",  # after the outcome was due: not used
        "C02,fom,2026-05-01,intake,45,parent",
    ]
    goals = [
        "child_id,goal_id,set_on,weight,start_level",
        "C01,g1,2026-05-01,1,-2",
        "C02,g1,2026-05-01,1,-1",
    ]
    levels = ["child_id,goal_id,date,level", "C01,g1,2026-08-01,1", "C02,g1,2026-08-01,0"]
    files = {"ratings": rows, "assessments": scores, "goals": goals, "goal_ratings": levels}
    for name, lines in files.items():
        (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "measures.csv").write_text(MEASURE, encoding="utf-8")
    return tmp_path


def test_reliable_change_counts_scores_up_to_the_due_day(folder):
    audit = audit_quarter(read_caseload(folder, today=date(2026, 11, 1)), "2026Q3", today="2026-11-01")
    (row,) = audit.scores.to_dict("records")
    # 47.5 to 25 passes the cutoff of 30 and is beyond 1.96 × 4.74; with the later 60 it would be neither.
    assert [row[name] for name in ("recovered", "unchanged", "deteriorated", "cannot_be_said", "n")] == [
        1, 0, 0, 1, 1
    ]  # fmt: skip
    assert row["share"] == 1


def test_goals_are_averaged_over_children(folder):
    audit = audit_quarter(read_caseload(folder, today=date(2026, 11, 1)), "2026Q3", today="2026-11-01")
    # One goal of weight 1: T moves by 10 for every level, so by 30 and by 10.
    assert audit.goals.n == 2
    assert audit.goals.value == pytest.approx(20)


def test_what_was_not_recorded_is_not_zero(caseload, weekly):
    rows = weekly("C01", "2026-05-04", [7, 8, 7, 8], [6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1])
    audit = audit_quarter(caseload(ratings=rows), "2026Q3", today="2026-11-01")
    assert audit.scores.empty
    assert audit.goals is None
