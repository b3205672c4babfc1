"""The answer about one child, in data and in words."""

import pytest
import rungwise as rw
from rungwise.single_case import verdict_words as words
from rungwise.single_case.answer_text import WIDTH, answer_lines
from rungwise.single_case.child_answer import child_answer, which_child
from rungwise.single_case.verdict import VERDICTS

FALLING = (
    ("baseline", 7),
    ("baseline", 8),
    ("baseline", 7),
    ("baseline", 8),
    ("baseline", 7),
    ("baseline", 8),
)
EXPOSED = tuple(("exposure", rating) for rating in (6, 6, 5, 5, 4, 4, 3, 3, 2, 2))


def write(folder, rows, header="child_id,ladder_id,date,phase,rating"):
    lines = [header]
    lines += [",".join(map(str, row)) for row in rows]
    (folder / "ratings.csv").write_text("\n".join(lines), encoding="utf-8")
    return rw.read_caseload(folder)


def days(child, ladder, entries, month=1):
    return [
        (child, ladder, f"2026-{month + i // 28:02d}-{i % 28 + 1:02d}", phase, rating)
        for i, (phase, rating) in enumerate(entries)
    ]


@pytest.fixture
def caseload(tmp_path):
    return write(
        tmp_path,
        days("C1", "net", FALLING + EXPOSED)
        + days("C2", "net", FALLING + EXPOSED)
        + days("C2", "swing", FALLING + tuple(("exposure", 8 if i % 2 else 7) for i in range(10)))
        + days("C3", "net", FALLING[:2]),
    )


def test_the_answer_is_the_verdict_in_a_sentence_with_its_uncertainty(caseload):
    answer = child_answer(caseload, "C1")
    assert answer.verdict.code == "fell_beyond_baseline"
    assert answer.headline.startswith(
        "C1's fear came down, and by more than where the baseline was heading."
    )
    assert "likely between" in answer.headline
    assert answer.outcome == "fear"
    assert answer.level == 1


def test_several_ladders_are_shown_and_counted_once(caseload):
    answer = child_answer(caseload, "C2")
    assert [ladder.ladder_id for ladder in answer.ladders] == ["net", "swing"]
    assert answer.ladders[0].verdict.code == "fell_beyond_baseline"
    assert answer.verdict.fell.counts["strata"] == 2
    text = "\n".join(answer_lines(answer))
    assert "Ladder by ladder (shown, not counted one by one)" in text
    assert "  swing: " in text


def test_the_same_files_give_the_same_answer(caseload):
    assert answer_lines(child_answer(caseload, "C2")) == answer_lines(child_answer(caseload, "C2"))


def test_too_few_occasions_are_said_first(caseload):
    answer = child_answer(caseload, "C3")
    assert answer.verdict.code == "too_few"
    assert answer.headline == "There are too few occasions yet to say whether C3's fear changed."
    assert "2 baseline occasions and 0 exposure occasions" in "\n".join(answer_lines(answer))


def test_lines_fit_the_width_and_end_with_the_caution(caseload):
    for child in caseload.children:
        lines = answer_lines(child_answer(caseload, child))
        assert max(map(len, lines)) <= WIDTH
        assert lines[-1] == words.CAUTION


def test_missing_ratings_and_rows_set_aside_are_said(tmp_path):
    rows = days("C1", "net", FALLING + EXPOSED)
    rows[3] = (*rows[3][:4], "")
    rows.append(("C1", "net", "2026-13-01", "exposure", 3))
    answer = child_answer(write(tmp_path, rows), "C1")
    assert answer.set_aside >= 1
    text = " ".join(" ".join(answer_lines(answer)).split())
    assert "could not be used" in text


def test_a_missing_child_is_answered_with_the_nearest_codes(caseload):
    with pytest.raises(
        ValueError, match=r"^There is no child 'C4' with ratings; did you mean C3, C2, C1\?$"
    ):
        child_answer(caseload, "C4")


def test_a_child_must_be_named_among_several(caseload):
    with pytest.raises(ValueError, match=r"^There are 3 children; name one: C1, C2, C3\.$"):
        which_child(caseload, None)


def test_an_outcome_that_was_not_rated_is_refused(caseload):
    with pytest.raises(ValueError, match=r"C1 has no ratings of 'joy'; there are: fear\."):
        child_answer(caseload, "C1", "joy")


def test_an_outcome_that_should_rise_is_told_as_rising(tmp_path):
    rows = [(*row[:4], 10 - row[4], "confidence", "higher") for row in days("C1", "net", FALLING + EXPOSED)]
    (tmp_path / "practice.toml").write_text(
        '[scales.confidence]\nminimum = 0\nmaximum = 10\nbetter = "higher"\n', encoding="utf-8"
    )
    caseload = write(tmp_path, rows, "child_id,ladder_id,date,phase,rating,outcome,better")
    answer = child_answer(caseload, "C1")
    assert answer.headline.startswith(
        "C1's confidence went up, and by more than where the baseline was heading."
    )
    assert "the exposure rating was higher" in answer.headline
    assert answer.verdict.questions[0].question == "Did it rise from baseline to exposure?"
    assert "above the projected baseline" in answer.verdict.questions[2].numbers


@pytest.mark.parametrize("code", VERDICTS)
def test_every_verdict_has_its_sentence_in_both_directions(caseload, code):
    from dataclasses import replace

    verdict = replace(child_answer(caseload, "C1").verdict, code=code)
    down, up = (words.headline(verdict, "C1's fear", lower=lower) for lower in (True, False))
    assert "C1's fear" in down
    assert down != up or code in ("no_clear_change", "about_the_same", "too_few")
    assert "{" not in down + up


def test_phrases_are_turned_once_each():
    assert words._turn("came down, had been coming down and went up from the bottom") == (
        "went up, had been going up and came down from the top"
    )


def test_ratings_of_one_day_stay_together_however_late_a_ladder_began(tmp_path):
    early = days("C1", "net", FALLING + EXPOSED)
    # The same ratings on a second ladder that began eight days later.
    late = [
        (child, "swing", *rest) for child, _, *rest in days("C1", "net", FALLING + EXPOSED + EXPOSED[:8])
    ][8:]
    late = [(*row[:3], "baseline" if i < 6 else "exposure", early[i][4]) for i, row in enumerate(late[:16])]
    caseload = write(tmp_path, early + late)
    swing = caseload.series("C1", "swing")
    assert (swing.starts_on - caseload.series("C1", "net").starts_on).days == 8
    answer = child_answer(caseload, "C1")
    # 16 days of the first ladder and 8 more of the second are the days that trade places.
    assert answer.verdict.fell.counts["days"] == 24


def test_a_code_is_found_in_any_case_and_a_listed_child_without_ratings_is_known(caseload, tmp_path):
    assert child_answer(caseload, " c1").child_id == "C1"
    (tmp_path / "children.csv").write_text("child_id\nC1\nC2\nC3\nC9\n", encoding="utf-8")
    with pytest.raises(rw.NotEnoughData, match=r"^C9 is listed, but has no planned rating yet\.$"):
        child_answer(rw.read_caseload(tmp_path), "C9")


def test_a_child_in_baseline_on_two_ladders_has_too_few_occasions(tmp_path):
    both = days("C1", "net", FALLING[:2]) + days("C1", "swing", FALLING[:3])
    answer = child_answer(write(tmp_path, both), "C1")
    assert answer.verdict.code == "too_few"
    assert "It rests on 5 baseline occasions and 0 exposure occasions" in " ".join(answer_lines(answer))


def test_files_without_any_planned_rating_say_so(tmp_path):
    (tmp_path / "observations.csv").write_text(
        "child_id,ladder_id,date,trial,kind,step,outcome,fear_peak\n"
        "C1,net,2026-03-02,1,practice,1,completed,4\n",
        encoding="utf-8",
    )
    for child in (None, "C1"):
        with pytest.raises(rw.NotEnoughData, match=r"^There is no planned rating of any child yet, so"):
            which_child(rw.read_caseload(tmp_path), child)


def test_what_is_no_caseload_is_refused():
    with pytest.raises(ValueError, match=r"^caseload must come from read_caseload; got 'practice'\.$"):
        child_answer("practice", "C1")


def test_the_only_child_need_not_be_named_and_is_called_the_child(tmp_path):
    (tmp_path / "one.csv").write_text(
        "date,phase,rating\n"
        + "\n".join(",".join(map(str, row[2:])) for row in days("", "", FALLING + EXPOSED)),
        encoding="utf-8",
    )
    answer = child_answer(rw.read_caseload(tmp_path / "one.csv"))
    assert answer.headline.startswith("The child's fear came down")
    assert repr(answer) == f"ChildAnswer(child: {answer.headline})"
    assert answer.only_child


def test_a_child_who_always_declined_is_told_as_that(tmp_path):
    rows = [(*row[:4], "declined") for row in days("C1", "net", FALLING + EXPOSED)]
    answer = child_answer(write(tmp_path, rows), "C1")
    assert answer.headline == (
        "Every planned step was declined, so nothing can be said yet about how C1's fear changed."
    )
    assert answer.verdict.questions[1].numbers == "6 baseline occasions, all declined"


def test_the_same_is_said_with_its_interval(tmp_path):
    steady = tuple(("baseline" if i < 12 else "exposure", 7 if i % 3 else 8) for i in range(36))
    answer = child_answer(write(tmp_path, days("C1", "net", steady)), "C1")
    assert answer.verdict.code == "about_the_same"
    assert "The difference between the phases is 0.0 points, likely between" in answer.headline


def test_no_rates_stand_beside_a_verdict_over_several_ladders(caseload):
    said = "How often the verdict errs over several ladders has not been simulated."
    assert said in "\n".join(child_answer(caseload, "C2").cautions)
    assert child_answer(caseload, "C2").rates is None
    assert said not in child_answer(caseload, "C1").cautions
    assert child_answer(caseload, "C1").rates is not None


def test_rates_of_beyond_are_left_out_where_c_could_not_be_asked(tmp_path):
    rows = [
        ("C1", "net", f"2026-01-{day + 1:02d}", "baseline" if day < 6 else "exposure", rating, declined)
        for day, (rating, declined) in enumerate([("", "yes")] * 6 + [(5, "no"), (4, "no")] * 5)
    ]
    answer = child_answer(write(tmp_path, rows, "child_id,ladder_id,date,phase,rating,declined"), "C1")
    assert answer.verdict.code == "fell_short_baseline"
    text = " ".join(line.strip() for line in answer_lines(answer))
    assert "are called “fell, beyond" not in text
    assert "called fallen at all" in text
