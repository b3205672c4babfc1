"""What the tables say is printed on the sheet; what they do not say is left open."""

from __future__ import annotations

import math

import pytest
from rungwise.reports.sheet_facts import facts_of, facts_without_child
from rungwise.series.caseload import read_caseload
from rungwise.tables.practice import Practice

CHILDREN = "child_id,sex,co_occurring\nC014,female,asthma\nC015,male,\nC016,male,\n"
LADDERS = (
    "ladder_id,step,activity,height_cm,support,surface\n"
    "net,2,Two rungs up,60,one hand,moving\nnet,1,One rung up,30.5,none,moving\nnet,3,Over the top,,,\n"
    "gangway,1,Stand at the top,0,two hands,still\n"
)
PLANS = (
    "child_id,ladder_id,probe_step,primary,trained,fear_minimum,fear_maximum,usual_rater,usual_setting\n"
    "C014,net,3,no,yes,1,20,parent,home\nC014,net,2,yes,yes,1,20,child,harbor\n"
    "C015,net,2,yes,yes,0,10,child,\nC015,gangway,1,yes,no,0,10,child,\n"
)


@pytest.fixture
def folder(tmp_path):
    for name, text in (("children", CHILDREN), ("ladders", LADDERS), ("plans", PLANS)):
        (tmp_path / f"{name}.csv").write_text(text)
    (tmp_path / "practice.toml").write_text(
        'label = "Gull Steps (invented)"\nprimary_rating = "before"\n'
        "[scales.fear]\nminimum = 0\nmaximum = 8\n"
    )
    return tmp_path


@pytest.fixture
def caseload(folder):
    return read_caseload(folder)


def test_a_child_without_any_rating_has_a_sheet_with_the_plan_on_it(caseload):
    facts = facts_of(caseload, "C014")
    assert (facts.child_id, facts.ladder_id, facts.probe_step) == ("C014", "net", 2)
    assert (facts.minimum, facts.maximum, facts.primary) == (1, 20, "fear_before")
    assert (facts.usual_rater, facts.usual_setting) == ("child", "harbor")
    assert [step.number for step in facts.steps] == [1, 2, 3]
    assert [step.activity for step in facts.steps] == ["One rung up", "Two rungs up", "Over the top"]
    assert [step.height for step in facts.steps] == ["30.5 cm", "60 cm", ""]
    assert facts.probe.conditions == "60 cm high, support one hand, surface moving"
    assert facts.steps[0].conditions == "30.5 cm high, surface moving"
    assert facts.label == "Gull Steps (invented)"


def test_another_probe_step_of_the_plan_can_be_asked_for(caseload):
    facts = facts_of(caseload, "C014", probe_step=3)
    assert (facts.probe_step, facts.usual_rater, facts.usual_setting) == (3, "parent", "home")
    with pytest.raises(
        ValueError, match=r"probe_step must be one of those of the plan of C014: 3, 2; got 1"
    ):
        facts_of(caseload, "C014", probe_step=1)


def test_a_child_without_a_plan_has_lines_to_fill_in_and_the_practices_scale(caseload):
    facts = facts_of(caseload, "C016")
    assert (facts.child_id, facts.ladder_id, facts.steps, facts.probe_step) == ("C016", "", (), None)
    assert (facts.minimum, facts.maximum) == (0, 8)
    named = facts_of(caseload, "C016", "net", probe_step=3)
    assert (named.ladder_id, named.probe_step, len(named.steps)) == ("net", 3, 3)
    with pytest.raises(ValueError, match="probe_step must be one of those of net: 1, 2, 3; got 7"):
        facts_of(caseload, "C016", "net", probe_step=7)


def test_a_ladder_kept_untrained_has_no_practice_sheet(caseload):
    assert facts_of(caseload, "C015", practiced=True).ladder_id == "net"
    assert facts_of(caseload, "C015", "gangway").ladder_id == "gangway"
    with pytest.raises(ValueError, match="'gangway' is kept untrained in the plan of C015"):
        facts_of(caseload, "C015", "gangway", practiced=True)
    with pytest.raises(ValueError, match="ladder_id must be given: one of 'gangway', 'net'"):
        facts_of(caseload, "C015")


def test_what_is_not_there_is_named(caseload):
    with pytest.raises(ValueError, match="child_id must be given: one of 'C014', 'C015', 'C016'"):
        facts_of(caseload, None)
    with pytest.raises(ValueError, match=r"child_id must be one of those of the tables: .*; got 'C999'"):
        facts_of(caseload, "C999")
    with pytest.raises(ValueError, match="ladder_id must be one of those of C014: 'net'; got 'rope'"):
        facts_of(caseload, "C014", "rope")
    with pytest.raises(
        ValueError, match=r"ladder_id must be one of those of the table ladders: .*; got 'rope'"
    ):
        facts_without_child(Practice(), caseload, "rope")


def test_a_sheet_for_any_child_of_a_ladder(caseload):
    facts = facts_without_child(caseload.practice, caseload, "net")
    assert (facts.child_id, facts.ladder_id, len(facts.steps)) == ("", "net", 3)
    empty = facts_without_child(Practice())
    assert (empty.ladder_id, empty.steps, empty.label) == ("", (), "")
    assert not math.isnan(empty.maximum)


def test_level_1_files_give_child_and_ladder(tmp_path):
    (tmp_path / "ratings.csv").write_text(
        "child_id,ladder_id,date,phase,rating\nC014,net,2026-03-04,baseline,7\n"
    )
    facts = facts_of(read_caseload(tmp_path), None)
    assert (facts.child_id, facts.ladder_id, facts.steps) == ("C014", "net", ())
