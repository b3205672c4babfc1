"""Plans: who may enter, what is permitted, and the smallest p, against slow enumeration."""

from datetime import date
from itertools import pairwise, permutations, product

import pytest
from rungwise.basis.errors import NotEnoughData
from rungwise.study.plan import StudyPlan, consenting, plan_study, staggered_windows
from rungwise.tables.table import TableSet

FIRST_DAY = date(2026, 5, 4)


def plan(practice, cases=("P1", "P2", "P3"), **changes):
    return plan_study(practice, cases, **{"design_id": "MB1", "first_day": FIRST_DAY, **changes})


def test_only_children_with_research_consent_enter(practice):
    assert consenting(practice) == {"P1", "P2", "P3", "P4", "P5"}
    with pytest.raises(ValueError, match=r"P6 is not one\. Ask the family first"):
        plan(practice, ("P1", "P6"))
    with pytest.raises(ValueError, match="P7 is not one"):
        plan(practice, ("P1", "P7"))


def test_without_a_table_of_children_nobody_enters(practice):
    bare = TableSet(
        {name: table for name, table in practice.tables.items() if name != "children"},
        practice.practice,
        practice.report,
    )
    with pytest.raises(NotEnoughData, match="nobody's research consent is known"):
        plan(bare)


def test_a_child_who_has_begun_exposure_is_refused(practice):
    with pytest.raises(ValueError, match="P4 began on gangway on 2026-05-04"):
        plan(practice, ("P1", "P4"))


def test_a_child_with_two_ladders_needs_one_named_or_both(practice):
    with pytest.raises(ValueError, match=r"P5 has several ladders \(gangway, net\)"):
        plan(practice, ("P1", "P5"))
    across = plan(practice, (("P5", "gangway"), ("P5", "net")))
    assert [case.label for case in across.cases] == ["P5 gangway", "P5 net"]
    assert [case.probe_step for case in across.cases] == [3, 3]


def test_the_permitted_set_is_what_enumeration_gives(practice):
    for shuffled in (True, False):
        fixed = plan(practice, shuffled=shuffled)
        draws = [
            tuple(order)
            for starts in product(*fixed.windows)
            for order in (permutations(starts) if shuffled else [starts])
        ]
        assert fixed.n_assignments == len(draws)
        assert fixed.smallest_p == pytest.approx(1 / len(draws))
        assert {start for draw in draws for start in draw} == {
            start for case in range(3) for start in fixed.open_starts(case)
        }


def test_the_announcement_says_permitted_set_and_smallest_p_before_anyone_begins(practice):
    text = " ".join(plan(practice).announcement())
    assert "162 assignments" in text
    assert "(improvement) is p = .006, that is 1 in 162" in text
    assert "No result" not in text
    hopeless = plan(practice, width=1)
    assert hopeless.smallest_p == pytest.approx(1 / 6)
    assert "No result, however clear, can reach p ≤ 0.05" in hopeless.announcement()[-1]


def test_two_sided_doubles_the_smallest_p(practice):
    assert plan(practice, alternative="two-sided").smallest_p == pytest.approx(2 / 162)


def test_a_random_start_is_drawn_for_each_case_on_its_own(practice):
    alone = plan(practice, ("P1", "P2"), kind="random_start", occasions=20)
    assert alone.n_assignments == 11 * 11
    assert alone.open_starts(0) == tuple(range(6, 17))


def test_a_changing_criterion_plan_lists_its_schedules(practice):
    changing = plan(practice, ("P1",), kind="changing_criterion", criteria=(6, 4, 2), fewest_per_phase=4)
    assert changing.n_assignments == 165
    assert changing.open_starts(0) == tuple(range(5, 14))
    assert "165 schedules a case" in " ".join(changing.announcement())


def test_windows_are_spread_and_leave_the_minima():
    windows = staggered_windows(5, 30, width=2, fewest_per_phase=4)
    assert windows[0][0] == 5
    assert windows[-1][-1] == 27
    assert all(a[-1] < b[0] for a, b in pairwise(windows))
    with pytest.raises(ValueError, match=r"at least 21; got 20"):
        staggered_windows(4, 20)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"windows": [[6, 7], [7, 8], [12]]}, "windows that are shuffled must not overlap"),
        ({"windows": [[4, 5], [7, 8], [12]]}, r"between occasions 6 and 20"),
        ({"windows": [[6, 8], [10], [12]]}, "consecutive occasions"),
        ({"windows": [[6], [10]]}, r"one per case \(3\); got 2"),
        ({"cases": ("P1",)}, "two or more in a multiple baseline"),
        ({"cases": ("P1", "P1")}, "each child and ladder once"),
        ({"alpha": 5}, "alpha must be a number between 0 and 1; got 5"),
        ({"days_apart": 0}, "days_apart must be a whole number of 1 or more; got 0"),
        ({"design_id": " "}, "design_id must be a short code"),
        ({"width": 0}, r"^width must be 1 or more; got 0\.$"),
    ],
)
def test_what_cannot_be_is_refused(practice, changes, told):
    with pytest.raises(ValueError, match=told):
        plan(practice, **changes)


def test_a_plan_comes_back_from_its_file_and_any_change_shows(practice):
    first = plan(practice)
    again = StudyPlan.from_dict(first.as_dict())
    assert again == first
    assert again.sha256 == first.sha256
    assert plan(practice, alpha=0.01).sha256 != first.sha256
    with pytest.raises(ValueError, match="entries are missing or new"):
        StudyPlan.from_dict({**first.as_dict(), "note": "x"})
