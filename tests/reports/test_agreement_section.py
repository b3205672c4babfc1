"""Whether ratings can be trusted: told where it was recorded, silent where it was not."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import pandas as pd
import pytest
from rungwise.agreement.coverage import _which_counted
from rungwise.audit.evidence import BOUND_COLUMNS
from rungwise.reports.agreement_section import child_agreement, practice_agreement
from rungwise.reports.blocks import Picture
from rungwise.reports.catalog import words_in
from rungwise.series.caseload import read_caseload
from rungwise.single_case.child_answer import child_answer

pytestmark = pytest.mark.usefixtures("unprinted")

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


def words_of(blocks):
    return " ".join(str(blocks).split())


def test_where_nothing_speaks_of_trust_there_is_no_section(read):
    bare = [",".join(line.split(",")[:4]) for line in ratings("child")]
    caseload = read(ratings=bare)
    assert child_agreement(caseload, child_answer(caseload, "C1")) == ()


def test_an_answer_that_rests_on_one_kind_of_rater_says_so(read):
    caseload = read(ratings=ratings("child"))
    blocks = child_agreement(caseload, child_answer(caseload, "C1"))
    assert "All ratings are by the child; nobody else's view stands beside them." in words_of(blocks)
    assert not any(isinstance(block, Picture) for block in blocks)


def test_second_observers_are_told_by_phase_and_held_against_the_standard(read):
    caseload = read(**probes(second=(0, 1, 5, 6, 7)))
    text = words_of(child_agreement(caseload, child_answer(caseload, "C1")))
    outcomes, fear = text.split("peak fear as an observer rated it")
    assert "baseline 2 of 5 .40 [.12, .77] 1.00 [.34, 1.00] –" in outcomes
    # Of the three outcomes seen twice in exposure one differs.
    assert "exposure 3 of 7 .43 [.16, .75] .67 [.21, .94]" in outcomes
    assert "all phases 5 of 12 .42 [.19, .68] .80 [.38, .96]" in outcomes
    # Equal ratings of differing steps: exact, within 1 point, kappa, weighted kappa and ICC are 1.
    assert "all phases 5 of 12 .42 [.19, .68] 1.00 [.57, 1.00] 1.00 1.00 1.00 1.00" in fear
    assert "ICC(1,1): one rater, other raters for each target [ICC(1)]." in text
    assert "2 of 5 trials seen by a second observer (40.0 %, at least 20 %)" in text
    assert "details of later versions are unconfirmed" in text


def test_trials_without_a_phase_are_told_too(read):
    tables = probes(second=(0, 1, 5))
    del tables["phases"]
    caseload = read(ratings=ratings("child"), **tables)
    assert "not recorded 3 of 12" in words_of(child_agreement(caseload, child_answer(caseload, "C1")))


def test_other_raters_stand_apart_with_their_difference_and_its_limits(read):
    caseload = read(ratings=ratings("child", "parent"))
    blocks = child_agreement(caseload, child_answer(caseload, "C1"))
    text = words_of(blocks)
    assert "The same change by each kind of rater, never mixed" in text
    assert "unnamed ladder child 14" in text
    assert "unnamed ladder parent 14" in text
    (drawn,) = [block for block in blocks if isinstance(block, Picture)]
    # The parent is 0 or 1 point lower, week about: mean .5, SD of 7 zeros and 7 ones.
    reach = 1.959963984540054 * (7 * 0.25 * 2 / 13) ** 0.5
    said = "On 14 occasions the child rated 0.5 points higher than the parent on average; single"
    assert (
        f"{said} differences lie between {f'{0.5 - reach:.1f}'.replace('-', '−')} and {0.5 + reach:.1f}."
        in text
    )
    assert said in drawn.alt
    assert "not independent, so the difference has no interval" in text


def audit_of(*, fell=12, one_kind=(0, 0, 0), bounds=(), missing=()):
    """What the page of an audit shows."""
    columns = ("child_id", "ladder_id", "phase", "planned", "missing")
    found = SimpleNamespace(
        agreement=pd.DataFrame(),
        fidelity=pd.DataFrame(),
        missing=pd.DataFrame(list(missing), columns=list(columns)),
        bounds=pd.DataFrame(list(bounds), columns=list(BOUND_COLUMNS)),
        one_kind_of_rater=one_kind,
    )
    return SimpleNamespace(evidence=found)


def test_every_headline_is_bounded_by_what_is_missing(read):
    caseload = read(ratings=ratings("child", missing=(3, 8)))
    audit = audit_of(
        bounds=[
            ("verdict: fell", "fell, in all", 0.6, 20, 0.48, 0.68, 25, "5 not judged", ""),
            ("mean NAP", "mean NAP", 0.8, 20, 0.64, 0.84, 25, "5 not judged", ""),
            ("goals: mean change of T", "mean change of T", 17.2, 20, 11.5, 22.0, 25, "3 goals", ""),
        ],
        missing=[("C1", "", "baseline", 5, 1)],
    )
    text = words_of(practice_agreement(caseload, audit))
    assert "Fell, in all 60% 20 48% 68% 25 5 not judged" in text
    assert "Mean NAP .80 20 .64 .84 25" in text
    assert "Mean change of T 17.2 20 11.5 22.0 25 3 goals" in text
    assert "C1 unnamed ladder baseline 5 1" in text
    assert "Whether ratings go missing after worse ones:" in text


def test_falls_that_rest_on_one_kind_of_rater_are_counted(read):
    caseload = read(ratings=ratings("child"))
    text = words_of(practice_agreement(caseload, audit_of(one_kind=(7, 8, 9))))
    assert "Of the 9 falls, 7 rest on ratings by one kind of rater alone" in text
    assert "Who rated is not recorded for 1 of them." in text
    assert "rest on" not in words_of(practice_agreement(caseload, audit_of()))


def test_two_kinds_of_rater_of_the_same_occasions_are_drawn_and_never_mixed(read):
    caseload = read(ratings=ratings("child", "parent"))
    blocks = practice_agreement(caseload, audit_of())
    (drawn,) = [block for block in blocks if isinstance(block, Picture)]
    assert "compared and never mixed" in drawn.caption
    few = read(ratings=[*ratings("child"), *ratings("parent", n=9)[1:]])
    assert not any(isinstance(block, Picture) for block in practice_agreement(few, audit_of()))


def test_an_answer_about_another_child_brings_none_of_this_one(read):
    caseload = read(**probes(second=(0, 1)))
    answer = replace(child_answer(caseload, "C1"), child_id="C2", ladders=())
    assert "seen by a second observer" not in words_of(child_agreement(caseload, answer))


@pytest.mark.parametrize(
    ("agreement", "kappa"), list(itertools.product([math.nan, 0.7, 0.9], [math.nan, 0.3, 0.7]))
)
def test_which_of_the_two_measures_counted_is_said_in_spanish(agreement, kappa):
    why = _which_counted(agreement, kappa, agreement >= 0.8, kappa >= 0.6)
    told = words_in("es").sentence(why)
    assert told != why
    assert "acuerdo" in told
    assert re.findall(r"\.\d\d", told) == re.findall(r"\.\d\d", why)
