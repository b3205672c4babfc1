from datetime import date

import pandas as pd
import pytest
from rungwise.audit.actions import STATES, actions_table, plan_to_fill_in, read_back, to_decide
from rungwise.audit.quarter import Quarter
from rungwise.series.caseload import read_caseload

Q3 = Quarter.parse("2026Q3")


def action(raised, what, due, done=None):
    return {
        "raised_in": raised,
        "action": what,
        "owner_role": "practice lead",
        "due_on": due,
        "done_on": done,
    }


@pytest.fixture
def load(caseload):
    return caseload(
        actions=[
            action("2026Q2", "probe before each session", "2026-08-01", "2026-07-20"),
            action("2026Q1", "order mats", "2026-05-01", "2026-06-01"),
            action("2026Q2", "train observers", "2026-09-01"),
            action("2026q2", "write the plan", "2026-09-15", "2026-10-10"),
            action("2026Q3", "ask families", "2026-12-01"),
            action("2026Q4", "later", "2027-01-01"),
        ]
    )


def test_actions_are_read_back_with_where_they_stand(load):
    table = actions_table(load, Q3, Q3.last)
    assert table["action"].tolist() == [
        "order mats", "probe before each session", "train observers", "write the plan", "ask families"
    ]  # fmt: skip
    assert table["state"].tolist() == ["done_late", "done", "overdue", "overdue", "open"]
    assert set(table["state"]) <= set(STATES)
    assert table["done_on"][3] is None
    assert read_back(table, Q3, recorded=True) == (
        "Of 4 actions from earlier audits: 2 done, 2 overdue. "
        "Overdue: “train observers” and “write the plan”.",
    )


def test_an_action_due_today_is_not_overdue(load):
    table = actions_table(load, Q3, date(2026, 9, 1)).set_index("action")
    assert table.loc["train observers", "state"] == "open"


def test_no_table_says_nothing_and_an_empty_one_says_so(caseload):
    assert read_back(actions_table(caseload(), Q3, Q3.last), Q3, recorded=False) == ()
    empty = actions_table(caseload(actions=[]), Q3, Q3.last)
    assert read_back(empty, Q3, recorded=True) == ("No earlier audit raised an action.",)


def test_the_next_plan_starts_from_what_was_missed(load, tmp_path):
    standards = pd.DataFrame(
        {"words": ["children judged", "children who left"], "result": ["not_met", "met"]}
    )
    discuss = pd.DataFrame({"child_id": ["C2", "C2", "C7"], "rule_words": ["Rose", "Rose", "Left"]})
    answers = to_decide(standards, discuss, actions_table(load, Q3, Q3.last))
    assert answers == (
        "Standard not met: children judged", "Rose: 1 child", "Left: 1 child",
        "Overdue since September 1, 2026: train observers",
        "Overdue since September 15, 2026: write the plan",
    )  # fmt: skip
    plan = plan_to_fill_in(answers, Q3)
    assert plan["note"].tolist() == list(answers)
    assert len(plan_to_fill_in((), Q3)) == 1
    # Filled in, the lines are read back by the next audit as the practice's own table is.
    filled = plan.head(1).assign(
        action="plan two more baseline weeks", owner_role="lead", due_on="2026-11-30"
    )
    rating = "child_id,date,phase,rating\nC1,2026-09-01,baseline,8\n"
    (tmp_path / "ratings.csv").write_text(rating, encoding="utf-8")
    (tmp_path / "actions.csv").write_text(filled.to_csv(index=False), encoding="utf-8")
    caseload = read_caseload(tmp_path, today=date(2027, 1, 15))
    assert caseload.report.ok
    read = actions_table(caseload, Q3.next, Q3.next.last)
    assert read[["raised_in", "state"]].to_numpy().tolist() == [["2026Q3", "overdue"]]


def test_actions_that_are_all_done_are_said_as_all(caseload):
    done = [
        action("2026Q2", "a", "2026-08-01", "2026-07-20"), action("2026Q1", "b", "2026-05-01", "2026-06-01")
    ]  # fmt: skip
    said = [
        read_back(actions_table(caseload(actions=some), Q3, Q3.last), Q3, recorded=True)
        for some in (done, done[:1])
    ]
    assert said == [
        ("All 2 actions from earlier audits are done.",), ("The one action from earlier audits is done.",)
    ]  # fmt: skip
