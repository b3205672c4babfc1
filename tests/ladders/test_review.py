"""The review of ladders, attribute by attribute."""

import math

import pytest
from rungwise.ladders.review import ORDERS, Remark, remarks_frame, review_ladder, review_ladders
from rungwise.series.caseload import read_caseload

PLAIN = {
    "difficulty": math.nan, "height_cm": 10.0, "width_cm": 50.0, "support": "one hand",
    "direction": "forward", "step_pattern": "step-to", "vision": "open", "surface": "still",
}  # fmt: skip


def _review(*changes):
    steps = [{"step": float(i), **PLAIN, **change} for i, change in enumerate(changes, start=1)]
    return review_ladder("wall", steps)


def test_equal_steps_and_one_thing_at_a_time_raise_no_remark():
    assert _review({}, {}, {"width_cm": 30.0}, {"width_cm": 30.0, "height_cm": 12.0}) == []


@pytest.mark.parametrize(
    ("name", "easy", "hard", "order"),
    [
        ("support", "two hands", "none", "support before less support"),
        ("width_cm", 60.0, 20.0, "wide before narrow"),
        ("direction", "forward", "backward", "forward before backward"),
        ("step_pattern", "step-to", "reciprocal", "step-to before reciprocal stepping"),
        ("surface", "still", "moving", "still before moving"),
        ("vision", "open", "covered", "eyes open before covered"),
    ],
)
def test_the_usual_orders(name, easy, hard, order):
    assert _review({name: easy}, {name: hard}) == []
    (remark,) = _review({name: hard}, {name: easy})
    assert (remark.step, remark.kind) == (2, "usual order")
    assert order in remark.remark
    # What is eased while something else becomes harder is a trade, and not remarked on.
    other = "height_cm"
    assert [one.kind for one in _review({name: hard, other: 10.0}, {name: easy, other: 12.0})] == []


def test_several_things_at_once_are_named_with_both_words():
    (remark,) = _review(
        {"support": "two hands"}, {"support": "none", "surface": "moving", "width_cm": 50.0}
    )
    assert remark.kind == "several at once"
    assert remark.remark == (
        "Several things become harder at once: support from two hands to none and surface from still to "
        "moving."
    )


def test_moving_off_from_the_spot_is_one_thing_and_not_two():
    still = {"direction": "none", "step_pattern": "none"}
    moving = {"direction": "forward", "step_pattern": "step-to"}
    assert _review(still, moving) == []
    (remark,) = _review(still, {**moving, "height_cm": 12.0})
    assert remark.remark == (
        "Several things become harder at once: direction from none to forward, stepping from none to "
        "step-to and height from 10 to 12 cm."
    )


def test_a_step_judged_easier_than_the_one_before():
    remarks = _review({"difficulty": 1.0}, {"difficulty": 3.5}, {"difficulty": 2.0})
    assert remarks == [Remark("wall", 3, "easier than before", (("difficulty", "3.5", "2.0"),), 2)]
    assert remarks[0].remark == "Judged easier than step 2 (difficulty 2.0 after 3.5)."


@pytest.mark.parametrize(
    ("first", "kinds"),
    [(1.3, []), (5.0, []), (5.1, ["first rise in height"]), (300.0, ["first rise in height"])],
)
def test_the_first_rise_in_height(first, kinds):
    heights = [{"height_cm": 0.0}, {"height_cm": first}, {"height_cm": 360.0}]
    remarks = _review(*heights)
    assert [one.kind for one in remarks] == kinds
    if kinds:
        assert f"is {first:g} cm;" in remarks[0].remark
        assert "common practice, no source" in remarks[0].remark


def test_words_it_does_not_know_and_gaps_are_not_judged():
    assert _review({"support": "trapeze"}, {"support": "two hands"}, {"support": None}) == []
    assert _review({"height_cm": math.nan}, {"height_cm": 90.0}) == []
    assert _review({"direction": "sideways"}, {"direction": "forward"}) == []


@pytest.mark.parametrize("name", ORDERS)
def test_words_are_read_whatever_their_case_and_spaces(name):
    easy, hard = ORDERS[name][0][0], ORDERS[name][-1][0]
    (remark,) = _review({name: f" {hard.upper()} "}, {name: easy.title()})
    assert remark.kind == "usual order"


def test_a_ladder_without_attributes_says_so_once():
    steps = [{"step": 1.0, "activity": "a"}, {"step": 2.0, "activity": "b", "difficulty": 2.0}]
    (remark,) = review_ladder("wall", steps)
    assert remark.kind == "not recorded"
    assert review_ladder("wall", steps[:1]) == []


def test_ladders_through_files(tmp_path):
    (tmp_path / "ladders.csv").write_text(
        "ladder_id,step,activity,height_cm,support\n"
        "gangway,2,Along it,40,none\ngangway,1,At the top,0,two hands\nnet,1,Lie on it,0,two hands\n"
    )
    caseload = read_caseload(tmp_path)
    remarks = review_ladders(caseload)
    assert [(one.ladder_id, one.step, one.kind) for one in remarks] == [
        ("gangway", 2, "first rise in height"),
        ("gangway", 2, "several at once"),
    ]
    frame = remarks_frame(remarks)
    assert frame["step"].tolist() == [2, 2]
    assert remarks_frame(()).empty


def test_ladders_not_recorded(tmp_path):
    (tmp_path / "ratings.csv").write_text("child_id,date,phase,rating\nC1,2026-01-01,baseline,4\n")
    assert review_ladders(read_caseload(tmp_path)) == ()
