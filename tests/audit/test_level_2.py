"""An audit of files that record ladders, plans, trials, sessions and incidents."""

from datetime import date, timedelta

import pytest
from rungwise.audit.audit import audit_quarter
from rungwise.audit.planned import planned_ratings
from rungwise.series.caseload import read_caseload
from rungwise.single_case.child_answer import child_answer

FALLING = [6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1]


@pytest.fixture
def folder(tmp_path):
    trials = ["child_id,ladder_id,date,trial,kind,step,outcome,fear_peak,rated_by,recorded_on"]
    phases = ["child_id,ladder_id,starts_on,phase"]
    plans = ["child_id,ladder_id,probe_step,primary,trained,planned_per_week"]
    ladders = ["ladder_id,step,activity"]
    for ladder in ("net", "tire"):
        ladders += [f"{ladder},{step},step {step}" for step in range(1, 6)]
    sessions = ["child_id,date,attended,exposure_minutes"]
    for child in ("C01", "C02"):
        day = date(2026, 5, 4)
        phases += [f"{child},net,{day},baseline", f"{child},net,{day + timedelta(days=35)},exposure"]
        phases += [f"{child},tire,{day},baseline"]
        plans += [f"{child},net,4,yes,yes,1", f"{child},tire,3,no,no,0.5"]
        for i, fear in enumerate([8, 7, 8, 9, 8, *FALLING]):
            late = day + timedelta(days=9 if i == 12 else 0)
            trials.append(f"{child},net,{day},1,probe,4,completed,{fear},child,{late}")
            if i >= 5:
                trials.append(f"{child},net,{day},1,practice,1,completed,2,child,{day}")
                sessions.append(f"{child},{day},yes,30")
            if i % 2:
                trials.append(f"{child},tire,{day},1,probe,3,declined,,child,{day}")
            day += timedelta(days=7)
    incidents = ["child_id,date,kind,severity,ladder_id,step", "C01,2026-07-06,near_fall,serious,net,2"]
    tables = {"observations": trials, "phases": phases, "plans": plans, "ladders": ladders,
              "sessions": sessions, "incidents": incidents}  # fmt: skip
    for name, lines in tables.items():
        (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return tmp_path


def test_the_audit_reads_trials_as_it_reads_ratings(folder):
    caseload = read_caseload(folder, today=date(2026, 11, 1))
    assert caseload.report.ok, [problem.problem for problem in caseload.report]
    audit = audit_quarter(caseload, "2026Q3", today="2026-11-01")
    children = audit.children.set_index("child_id")
    # Exposure began on June 8 and the horizon is August 31; the ladder that is only probed, still in
    # baseline, neither keeps the child from being judged nor counts among its occasions.
    assert children.loc["C01", "due_on"] == date(2026, 8, 31)
    assert children.loc["C01", ["n_baseline", "n_exposure"]].tolist() == [5, 12]
    assert children["stage"].tolist() == ["judged", "judged"]
    assert audit.quality.level == 3
    assert audit.told.answer.startswith("Fear fell in both children judged in 2026Q3")


def test_incidents_are_set_against_sessions_and_hours(folder):
    audit = audit_quarter(read_caseload(folder, today=date(2026, 11, 1)), "2026Q3", today="2026-11-01")
    assert audit.safety.occasions == 16  # eight Mondays of two children, July 6 to August 24
    assert audit.safety.hours == 8
    assert audit.safety.serious["child_id"].tolist() == ["C01"]
    by_step = audit.safety.rates.set_index(["group", "value"])
    assert by_step.loc[("step", "2"), "incidents"] == 1


def test_late_entry_is_counted_where_the_day_of_entry_is_recorded(folder):
    audit = audit_quarter(read_caseload(folder, today=date(2026, 11, 1)), "2026Q3", today="2026-11-01")
    late, known = audit.quality.late
    assert late == 2
    assert known > 30


def test_second_observers_and_checklists_are_reviewed_within_the_quarter(folder):
    agreement = ["child_id,ladder_id,date,trial,kind,step,rater_id,outcome"]
    for day in ("2026-06-29", "2026-07-06", "2026-07-13"):
        agreement.append(f"C01,net,{day},1,probe,4,T9,completed")
    (folder / "agreement.csv").write_text("\n".join(agreement) + "\n", encoding="utf-8")
    fidelity = ["child_id,date,steps_planned,steps_done", "C01,2026-07-06,10,9", "C01,2026-06-29,10,1"]
    (folder / "fidelity.csv").write_text("\n".join(fidelity) + "\n", encoding="utf-8")
    audit = audit_quarter(read_caseload(folder, today=date(2026, 11, 1)), "2026Q3", today="2026-11-01")
    observers, checklists = audit.quality.procedure
    assert observers.startswith("Second observers of probe outcomes: the usual standard is not met (")
    assert "2 of " in observers
    assert "3 of " not in observers
    assert "1 of 16 sessions have a checklist" in checklists
    assert "90.0 %" in checklists


def test_fields_are_asked_only_of_rows_that_can_have_them(folder):
    audit = audit_quarter(read_caseload(folder, today=date(2026, 11, 1)), "2026Q3", today="2026-11-01")
    table = audit.quality.completeness.set_index(["table", "field"])
    declined = (
        table.loc[("observations", "outcome"), "rows"] - table.loc[("observations", "fear_peak"), "rows"]
    )
    assert declined > 0
    assert table.loc[("observations", "fear_peak"), "share"] == 1
    assert ("plans", "design_id") not in table.index


def test_a_child_with_no_practiced_ladder_is_judged_by_the_others_as_in_the_child_answer(folder):
    plans = folder / "plans.csv"
    text = plans.read_text(encoding="utf-8").replace("C02,net,4,yes,yes,1", "C02,net,4,yes,no,1")
    plans.write_text(text, encoding="utf-8")
    caseload = read_caseload(folder, today=date(2026, 11, 1))
    counted = {ladder.ladder_id for ladder in child_answer(caseload, "C02").ladders}
    ratings = planned_ratings(caseload)
    assert set(ratings["ladder_id"][ratings["child_id"] == "C02"]) == counted == {"net", "tire"}
    assert set(ratings["ladder_id"][ratings["child_id"] == "C01"]) == {"net"}
    audit = audit_quarter(caseload, "2026Q3", today="2026-11-01")
    assert audit.children.set_index("child_id").loc["C02", "n_ladders"] == 2
