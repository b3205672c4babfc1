from datetime import date

import pytest
from rungwise.audit.cohort import Cohort, flow
from rungwise.audit.outcomes import beside, mean_nap, shares
from rungwise.audit.quarter import Quarter
from rungwise.audit.sentences import tell, words_for

Q3 = Quarter.parse("2026Q3")


def told(outcomes, others=(), *, quarter=Q3, as_of=Q3.last, unknown=(), to_discuss=0, set_aside=0):
    """Sentences of an audit with these outcomes and other children at these stages."""
    stages = {f"X{i}": stage for i, stage in enumerate(others)}
    stages |= {one.course.child_id: one.stage for one in outcomes}
    codes = [one.code for one in outcomes if one.code]
    return tell(
        Cohort(quarter, as_of, (), stages, tuple(unknown)),
        outcomes,
        flow=flow(stages),
        shares=shares(codes),
        beside=beside(outcomes),
        headline=mean_nap(outcomes),
        to_discuss=to_discuss,
        rows_set_aside=set_aside,
        level=1,
        false_discovery=(),
    )


def group(outcome, **codes):
    """Outcomes by verdict code: ``group(outcome, rose=2)``."""
    numbers = [code for code, n in codes.items() for _ in range(n)]
    return [outcome(f"C{i:02d}", code) for i, code in enumerate(numbers)]


def test_the_answer_is_one_sentence_with_its_uncertainty_after_it(outcome):
    found = told(
        group(outcome, fell_beyond_baseline=5, fell_short_baseline=3, rose=1, about_the_same=1,
              no_clear_change=2, no_room=1),
        ["in_baseline", "running", "running"],
    )  # fmt: skip
    assert found.answer == (
        "Fear fell in 8 of the 13 children judged in 2026Q3, rose in 1, did not clearly change in 3 and "
        "had no room to improve in 1."
    )
    assert found.uncertainty == (
        "8 of 13 is 62%; for children like these the share could be anywhere from 36% to 82% (95% "
        "interval). In 5 of the 8 it fell beyond where the baseline was heading; in the other 3 the "
        "baseline may explain it, or cannot say why."
    )
    assert found.first_page[0] == (
        "The outcome was due for 13 of the 16 children with an open program, and every one of them could "
        "be judged."
    )


EXPLAINED = "the baseline may explain it, or cannot say why."
BEYOND = "it fell beyond where the baseline was heading."


@pytest.mark.parametrize(
    ("codes", "ending"),
    [
        ({"fell_beyond_baseline": 2, "rose": 1}, f"In both {BEYOND}"),
        ({"fell_beyond_baseline": 1, "rose": 1}, f"In that child {BEYOND}"),
        ({"fell_short_baseline": 1, "rose": 1}, f"In that child {EXPLAINED}"),
        ({"fell_short_baseline": 2, "rose": 1}, f"In both {EXPLAINED}"),
        ({"rose": 2}, "(95% interval)."),
        ({"fell_beyond_baseline": 2, "fell_short_baseline": 1}, f"heading; in the other one {EXPLAINED}"),
    ],
)
def test_what_the_baseline_explains_is_said_apart(outcome, codes, ending):
    assert told(group(outcome, **codes)).uncertainty.endswith(ending)


def test_all_is_said_as_all(outcome):
    found = told(group(outcome, fell_beyond_baseline=3))
    assert found.answer == "Fear fell in all 3 children judged in 2026Q3."
    assert found.first_page[0].startswith(
        "The outcome was due for all 3 children with an open program, and"
    )


def test_one_child_is_not_spoken_of_in_percent(outcome):
    found = told([outcome("C01", "rose")])
    assert found.answer == "Fear rose in the one child judged in 2026Q3."
    assert found.uncertainty == "One child says next to nothing about a caseload."
    assert "%" not in " ".join(found.first_page)


@pytest.mark.parametrize(
    ("stages", "answer"),
    [
        ([], "There is no child in these files, so there is nothing to say about 2026Q3."),
        (
            ["quarter_not_begun"] * 3,
            "2026Q3 has not begun: it runs from July 1 to September 30, 2026. There is nothing to audit "
            "yet.",
        ),
        (
            ["began_later", "closed_before"],
            "No program was open in 2026Q3 (July 1 to September 30, 2026), so there is nothing to judge.",
        ),
        (
            ["in_baseline", "in_baseline", "running", "counted_earlier"],
            "No child's outcome was due in 2026Q3; 2 in baseline and 1 in exposure, still in progress.",
        ),
        (["counted_earlier"], "No child's outcome was due in 2026Q3."),
    ],
)
def test_a_quarter_without_outcomes_says_why(stages, answer):
    found = told([], stages)
    assert found.answer == answer
    assert found.uncertainty == ""


def test_nothing_judged_although_due(outcome):
    found = told([outcome(f"C{i}", "", stage="no_ratings") for i in (1, 2)])
    assert found.answer == (
        "Nothing can be said about outcomes in 2026Q3: 2 outcomes were due, and too little was recorded to "
        "judge any."
    )
    assert found.first_page[0] == (
        "The outcome was due for both children with an open program; none of them could be judged, for "
        "want of any usable rating."
    )


def test_losses_are_counted_by_reason_and_could_change_the_picture(outcome):
    found = told(
        [
            *group(outcome, fell_short_baseline=2, no_clear_change=2),
            outcome("N1", "", stage="no_ratings"),
            outcome("N2", "too_few", stage="few_baseline"),
        ]
    )
    assert found.first_page[0].endswith(
        "; 2 could not be judged: 1 for want of any usable rating and 1 for too few baseline occasions."
    )
    assert (
        "2 children could not be judged, which could change the picture: if fear fell in none of them, it "
        "fell in 2 of 6 (33%); if in all of them, in 4 of 6 (67%)."
    ) in found.trust


def test_early_leavers_are_named_with_their_outcome(outcome):
    found = told(
        [
            outcome("C01", due_by="left_early", end_reason="fear"),
            outcome("C02", "rose", due_by="left_early"),
            outcome("C03", "", stage="no_ratings", due_by="left_early"),
            outcome("C04"),
        ]
    )
    assert (
        "3 children left before the horizon, 1 of them because of fear; fear fell in 1 of the 2 of them "
        "who could be judged."
    ) in found.first_page


@pytest.mark.parametrize(
    ("code", "reason", "sentence"),
    [
        ("rose", "fear", " because of fear and was judged: fear had not fallen."),
        ("fell_short_baseline", "moved", " and was judged: fear fell."),
        ("", "moved", " and could not be judged."),
    ],
)
def test_one_early_leaver_is_one_child(outcome, code, reason, sentence):
    stage = "judged" if code else "no_ratings"
    one = outcome("C01", code, stage=stage, due_by="left_early", end_reason=reason)
    assert f"One child left before the horizon{sentence}" in told([one, outcome("C02")]).first_page


def test_a_running_quarter_says_so():
    found = told([], ["running"], as_of=date(2026, 8, 12))
    assert found.first_page[0] == (
        "The quarter is still running; this is how things stood on August 12, 2026."
    )
    assert told([], ["running"]).first_page[0] != found.first_page[0]


def test_set_aside_and_discussion_are_always_said(outcome):
    quiet = told(group(outcome, rose=1)).first_page
    assert "No child met a rule for discussion." in quiet
    assert "No row of the files was set aside." in quiet
    loud = told(group(outcome, rose=1), to_discuss=1, set_aside=3).first_page
    assert "1 child is listed to discuss, with the reason." in loud
    assert "3 rows of the files were set aside because of errors; nothing is inferred from them." in loud


def test_words_follow_what_was_rated_and_which_way_is_better(outcome):
    assert words_for([outcome(what="distance", better="higher")]).better == "rose"
    mixed = words_for([outcome(what="distance", better="higher"), outcome(what="fear")])
    assert (mixed.subject, mixed.better, mixed.worse) == ("the rating", "improved", "worsened")


def test_no_sentence_claims_proof_or_tells_anyone_what_to_do(outcome):
    found = told(group(outcome, fell_beyond_baseline=3, rose=2), ["running"], to_discuss=2)
    text = " ".join([found.answer, found.uncertainty, *found.first_page, *found.trust]).lower()
    for word in ("prove", "proof", "must", "should", "significant", "treatment", "effective"):
        assert word not in text


def test_those_who_all_left_for_fear_are_not_counted_twice(outcome):
    left = [outcome(f"C0{i}", "rose", due_by="left_early", end_reason="fear") for i in (1, 2)]
    said = " ".join(told(left).first_page)
    assert "2 children left before the horizon, because of fear; fear fell in 0 of the 2 of them" in said
