"""Drawing, sealing and entering a schedule."""

import json
from collections import Counter
from datetime import date

import pytest
from rungwise.series.caseload import read_caseload
from rungwise.simulate.writing import write_tables
from rungwise.study.plan import plan_study
from rungwise.study.schedule import draw_schedule, open_schedule, plan_rows

TODAY, FIRST_DAY = date(2026, 11, 13), date(2026, 5, 4)


def test_the_same_seed_draws_the_same_and_every_draw_is_permitted(plan):
    assert draw_schedule(plan, 7).sealed() == draw_schedule(plan, 7).sealed()
    for seed in range(40):
        assert plan.design.permits_starts(draw_schedule(plan, seed).starts)


def test_all_assignments_are_equally_likely(plan):
    seen = Counter(draw_schedule(plan, seed).starts for seed in range(6000))
    assert len(seen) == plan.n_assignments == 162
    expected = 6000 / 162
    statistic = sum((count - expected) ** 2 / expected for count in seen.values())
    assert statistic < 161 + 4 * (2 * 161) ** 0.5


def test_a_random_start_is_drawn_from_the_whole_window(practice):
    alone = plan_study(
        practice, ("P1", "P2"), design_id="R1", first_day=FIRST_DAY, kind="random_start", occasions=16
    )
    seen = {draw_schedule(alone, seed).starts for seed in range(2500)}
    assert len(seen) == alone.n_assignments == 49


def test_a_sealed_schedule_opens_and_shows_when_it_was_changed(plan):
    drawn = draw_schedule(plan, 2**90 + 5)
    assert open_schedule(drawn.sealed()) == drawn
    changed = json.loads(drawn.sealed())
    changed["drawn"][0]["exposure_starts_at"] += 1
    with pytest.raises(ValueError, match="changed after it was drawn"):
        open_schedule(json.dumps(changed))
    with pytest.raises(ValueError, match="not a sealed schedule"):
        open_schedule("{}")
    assert drawn.commitment != draw_schedule(plan, 5).commitment


def test_the_seed_must_be_a_whole_number(plan):
    for seed in (-1, 1.5, True, "7"):
        with pytest.raises(ValueError, match="seed must be a whole number of 0 or more"):
            draw_schedule(plan, seed)


def test_rows_for_plans_tell_the_window_and_never_the_draw(plan):
    rows = plan_rows(plan)
    assert {row["window_opens"] for row in rows} == {plan.day(6)}
    assert {row["window_closes"] for row in rows} == {plan.day(20)}
    assert {row["tier"] for row in rows} == {None}
    assert {row["assignment"] for row in rows} == {"random"}
    # Nothing in the rows depends on the draw, as they are made from the plan alone.
    assert [row["design_id"] for row in rows] == ["MB1"] * 3


def test_the_rows_are_accepted_by_the_schema_and_agree_with_the_phases(plan, practice, tmp_path):
    drawn = draw_schedule(plan, 11)
    tables = {
        "children": [{"child_id": case.child_id, "research_consent": True} for case in plan.cases],
        "ladders": [
            {"ladder_id": "gangway", "step": step, "activity": f"step {step}"} for step in range(1, 6)
        ],
        "plans": plan_rows(plan),
        "phases": drawn.phase_rows(),
        "ratings": [
            {"child_id": "P1", "ladder_id": "gangway", "date": FIRST_DAY, "phase": "baseline", "rating": 7}
        ],
    }
    write_tables(tables, tmp_path)
    caseload = read_caseload(tmp_path, today=TODAY)
    assert not caseload.report.errors
    assert len(caseload.tables["plans"]) == 3
    starts = caseload.tables["phases"]
    exposed = starts["starts_on"][starts["phase"] == "exposure"].astype(object).tolist()
    assert exposed == [plan.day(start) for start in drawn.starts]


def test_only_phases_that_have_come_are_given_out(plan):
    drawn = draw_schedule(plan, 11)
    assert {row["phase"] for row in drawn.phase_rows(until=FIRST_DAY)} == {"baseline"}
    earliest = plan.day(min(drawn.starts))
    begun = [row for row in drawn.phase_rows(until=earliest) if row["phase"] == "exposure"]
    assert len(begun) == 1


def test_tiers_follow_the_order_of_starts(plan):
    drawn = draw_schedule(plan, 3)
    order = sorted(range(3), key=lambda i: drawn.starts[i])
    assert [drawn.tiers[i] for i in order] == [1, 2, 3]


def test_the_person_who_assigns_reads_days_and_criteria(practice):
    changing = plan_study(
        practice, ("P1",), design_id="CC1", first_day=FIRST_DAY, kind="changing_criterion",
        criteria=(6, 4, 2), fewest_per_phase=4,
    )  # fmt: skip
    drawn = draw_schedule(changing, 1)
    (line,) = drawn.lines()
    assert f"exposure from occasion {drawn.starts[0]} ({changing.day(drawn.starts[0])})" in line
    assert line.count("criterion") == 3
    assert [row["criterion"] for row in drawn.phase_rows()] == [None, 6, 4, 2]
    assert plan_rows(changing)[0]["window_opens"] == changing.day(5)
