"""Whether ratings can be trusted: told where it was recorded, silent where it was not."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import pandas as pd
import pytest
from rungwise.reports.agreement_section import child_agreement, practice_agreement
from rungwise.reports.blocks import Picture
from rungwise.series.caseload import read_caseload
from rungwise.single_case.child_answer import child_answer

FIRST = date(2026, 1, 5)


def day(week):
    return FIRST + timedelta(days=7 * week)


@pytest.fixture
def read(tmp_path):
    def written(**tables):
        for name, lines in tables.items():
            (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n")
        return read_caseload(tmp_path, today=date(2026, 12, 31))

    return written


def ratings(*raters, n=14, missing=()):
    lines = ["child_id,date,phase,rating,rated_by"]
    for number, rater in enumerate(raters):
        for week in range(n):
            rating = "" if week in missing else 9 - week // 2 - (0 if number == 0 else week % 2)
            lines.append(f"C1,{day(week)},{'baseline' if week < 5 else 'exposure'},{rating},{rater}")
    return lines


def probes(second=()):
    trials = ["child_id,ladder_id,date,trial,kind,step,outcome,fear_peak,rated_by,rater_id"]
    seen = ["child_id,ladder_id,date,trial,kind,step,rater_id,outcome,fear_peak"]
    for week in range(12):
        trials.append(f"C1,wall,{day(week)},1,probe,2,completed,{8 - week // 2},observer,R1")
        if week in second:
            outcome = "partial" if week == 6 else "completed"
            seen.append(f"C1,wall,{day(week)},1,probe,2,R2,{outcome},{8 - week // 2}")
    return {
        "observations": trials,
        "agreement": seen,
        "phases": [
            "child_id,ladder_id,starts_on,phase",
            f"C1,,{day(0)},baseline",
            f"C1,,{day(5)},exposure",
        ],
        "ladders": ["ladder_id,step,activity", "wall,1,one", "wall,2,two"],
    }


def test_where_only_one_rating_was_recorded_the_page_reads_as_before(read):
    caseload = read(ratings=ratings("child", missing=(3, 8)))
    assert child_agreement(caseload, child_answer(caseload, "C1")) == ()


def test_second_observers_are_told_by_phase_and_held_against_the_standard(read):
    caseload = read(**probes(second=(0, 1, 5, 6, 7)))
    text = " ".join(str(child_agreement(caseload, child_answer(caseload, "C1"))).split())
    assert "Outcome of the trial baseline 5 2 1.00" in text
    assert "Outcome of the trial exposure 7 3 .67" in text
    assert "Fear peak baseline 5 2" in text
    assert "2 of 5 trials seen by a second observer (40.0 %, at least 20 %)" in text


def test_other_raters_stand_apart_and_missing_ratings_are_bounded(read):
    caseload = read(ratings=ratings("child", "parent", missing=(3, 8)))
    answer = child_answer(caseload, "C1")
    text = " ".join(str(child_agreement(caseload, answer)).split())
    assert "The same change by each kind of rater, never mixed" in text
    assert "unnamed ladder child 12" in text
    assert "unnamed ladder parent 12" in text
    assert "2 planned ratings missing: Tau lies between" in text
    low, high = text.split("Tau lies between ")[1].split(" whatever")[0].split(" and ")
    # 4 baseline and 8 exposure ratings: with the missing ones at worst, 0 in baseline, 10 in exposure.
    baseline, exposure = [9, 9, 8, 7], [7, 6, 6, 5, 4, 4, 3, 3]

    def share(a, b):
        return sum((y < x) - (y > x) for x in a for y in b) / (len(a) * len(b))

    assert float(low) == pytest.approx(share([*baseline, 0], [*exposure, 10]), abs=0.005)
    assert float(high) == pytest.approx(share([*baseline, 10], [*exposure, 0]), abs=0.005)


def audit_of(fell, judged, due):
    return SimpleNamespace(beside=pd.DataFrame({"fell": [fell], "judged": [judged], "due": [due]}))


def test_the_headline_is_bounded_by_those_not_judged(read):
    caseload = read(ratings=ratings("child"))
    text = " ".join(str(practice_agreement(caseload, audit_of(12, 20, 25))).split())
    assert "12 of 20 fell; with the 5 who could not be judged it is between 12 and 17 of 25." in text
    assert practice_agreement(caseload, audit_of(12, 20, 20)) == ()


def test_two_kinds_of_rater_of_the_same_occasions_are_drawn_and_never_mixed(read):
    caseload = read(ratings=ratings("child", "parent"))
    blocks = practice_agreement(caseload, audit_of(1, 1, 1))
    (drawn,) = [block for block in blocks if isinstance(block, Picture)]
    assert "compared and never mixed" in drawn.caption
    few = read(ratings=[*ratings("child"), *ratings("parent", n=9)[1:]])
    assert not any(isinstance(block, Picture) for block in practice_agreement(few, audit_of(1, 1, 1)))


def test_an_answer_about_another_child_brings_none_of_this_one(read):
    caseload = read(**probes(second=(0, 1)))
    answer = replace(child_answer(caseload, "C1"), child_id="C2", ladders=())
    assert child_agreement(caseload, answer) == ()
