"""What the printed answer and the page say of approach and mastery in a line each."""

from rungwise.ladders.child_lines import ladder_lines, mastery_of, printed_lines
from rungwise.series.caseload import read_caseload


def climb(records):
    records.ladder(4)
    records.phase_from(0, "baseline")
    records.exposure_from(20)
    for day, top in ((0, 1), (7, 2), (30, 3), (40, 3)):
        for step in range(1, top + 1):
            records.trial(day, step, 3 if step < 3 else 5, kind="approach", number=step)
        records.trial(day, top + 1, "declined", kind="approach", number=top + 1)
    for day, step, peak in ((21, 1, 3), (22, 1, 2), (23, 2, 6), (24, 2, 3), (25, 2, 3), (26, 2, "declined"),
                            (27, 3, 7)):  # fmt: skip
        records.trial(day, step, peak)
    return records.read()


def test_what_became_of_each_practiced_step(records):
    (one,) = mastery_of(climb(records), "C1")
    assert one.mastered == ((1, 2),)
    assert one.lost == (2,)
    assert one.stalled == ((3, 3),)  # two of them approach occasions
    assert one.sentences() == [
        "Mastered so far by that criterion: step 1 (on occasion 2).",
        "Mastered and lost again: step 2.",
        "Offered since exposure began and not mastered: step 3 (3 occasions so far).",
    ]


def test_the_printed_lines_say_scores_tau_and_what_is_possible(records):
    approach, mastery = ladder_lines(climb(records), "C1")
    # Complete separation of 2 and 2 occasions with a tie: both orders of the phases are as far, 2 of 6.
    assert approach == (
        "Approach on the wall: highest step done 1, 2 in baseline, 3, 3 in exposure of 4 steps (Tau 1.00, "
        "p = .33; such numbers could at best have given p = .33)."
    )
    assert mastery.startswith(
        "Steps of the wall mastered by the practice's own criterion: 1; mastered and lost again: 2. Last "
        "practiced: step 3 of 4, criterion not met there."
    )


def test_nothing_recorded_is_nothing_said(tmp_path, records):
    records.trial(0, 1, 5)
    assert mastery_of(records.read(), "C1")[0].sentences()[0].startswith("No step is mastered")
    other = tmp_path / "other"
    other.mkdir()
    (other / "ratings.csv").write_text("child_id,date,phase,rating\nC1,2026-01-01,baseline,4\n")
    assert ladder_lines(read_caseload(other), "C1") == []
    assert printed_lines(read_caseload(other), "C1") == []


def test_printed_lines_are_wrapped_under_a_heading(records):
    caseload = climb(records)
    lines = printed_lines(caseload, "C1", width=60)
    assert lines[:2] == ["", "On the ladder"]
    assert max(map(len, lines)) <= 60
    assert " ".join(line.strip().removeprefix("- ") for line in lines[2:]) == " ".join(
        ladder_lines(caseload, "C1")
    )
