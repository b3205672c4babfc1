"""Scores and goals on a page: reproducible by hand, and nothing where nothing was recorded."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from math import sqrt
from types import SimpleNamespace

import numpy as np
import pytest
from rungwise.audit.evidence import share_table
from rungwise.change.from_tables import goal_attainment, measure_changes
from rungwise.reports.blocks import Picture
from rungwise.reports.catalog import words_in
from rungwise.reports.change_section import child_change, practice_change
from rungwise.series.caseload import read_caseload

pytestmark = pytest.mark.usefixtures("unprinted")

# English words that no Spanish sentence of these pages holds.
LEFT_IN_ENGLISH = re.compile(
    r"\b(the|of|and|with|than|is|are|was|were|not|rating|ratings|baseline|exposure|score|scores|child|"
    r"children|fear|declined|day|days|shown|about|from|that|which|trial|trials|reliability|lower|higher)\b",
    re.IGNORECASE,
)
RATINGS = ["child_id,date,phase,rating", "C1,2026-01-05,baseline,7", "C1,2026-02-05,exposure,5"]
MEASURES = [
    "measure_id,title,better,minimum,maximum,reliability,reliability_kind,retest_days,clinical_mean,"
    "clinical_sd,functional_mean,functional_sd,source",
    'MOVEFEAR,Movement fear <invented>,lower,0,60,0.84,test_retest,14,40,10,20,10,"manual, table 4"',
]
SCORES = [
    "child_id,measure_id,date,occasion,score,rated_by",
    *("C1,MOVEFEAR,2026-01-05,intake,45,parent", "C1,MOVEFEAR,2026-06-01,discharge,20,parent"),
    *("C2,MOVEFEAR,2026-01-05,intake,45,parent", "C2,MOVEFEAR,2026-06-01,discharge,42,parent"),
    "C3,MOVEFEAR,2026-01-05,intake,50,parent",
]


@pytest.fixture
def read(tmp_path):
    def written(**tables):
        for name, lines in {"ratings": RATINGS, **tables}.items():
            (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n")
        return read_caseload(tmp_path, today=date(2026, 12, 31))

    return written


@pytest.fixture
def scored(read):
    return read(measures=MEASURES, assessments=SCORES)


def audit_of(caseload, *children):
    """What the page of an audit shows, for children whose outcome was due."""
    kept = replace(
        caseload,
        tables={
            name: table.where(np.isin(table["child_id"], children))
            if "child_id" in table.columns
            else table
            for name, table in caseload.tables.items()
        },
    )
    changes = tuple(one for one in measure_changes(kept) if len(one.classes))
    found = SimpleNamespace(changes=changes, goals=goal_attainment(kept), shares=share_table(changes))
    return SimpleNamespace(evidence=found, headline=SimpleNamespace(confidence=0.95))


def words_of(blocks):
    return " ".join(str(blocks).split())


def test_without_scores_and_goals_there_is_no_section(read):
    caseload = read()
    assert child_change(caseload, "C1") == ()
    assert practice_change(audit_of(caseload, "C1")) == ()


def test_the_column_can_be_worked_by_hand(scored):
    text = str(child_change(scored, "C1"))
    error = sqrt(2) * 10 * sqrt(1 - 0.84)
    lines = {line.split("  ")[0]: line.split("  ")[-1].strip() for line in text.splitlines()}
    assert lines["Error"] == f"{error:.2f}"
    assert lines["Index"] == f"{(45 - 20) / error:.2f}"
    assert (lines["p"], lines["Cutoff"], lines["Change"]) == ("< .001", "30.00", "recovered")
    assert lines["Critical"] == "1.96"
    assert lines["Smallest reliable change"] == f"{1.959963984540054 * error:.2f}"
    assert lines["Source"] == "manual, table 4"
    assert "scores of 2026-01-05 and 2026-06-01. The reliability was measured over 14 days" in words_of(
        child_change(scored, "C1")
    )


def test_a_missing_score_cannot_be_said_and_draws_nothing(scored):
    blocks = child_change(scored, "C3")
    assert "Change cannot be said" in words_of(blocks)
    assert "Cannot be said: the second score is missing" in words_of(blocks)
    assert not any(isinstance(block, Picture) for block in blocks)


def test_absent_reference_values_cannot_be_said_and_are_never_a_default(read):
    bare = ["measure_id,title,better,minimum,maximum", "MOVEFEAR,Movement fear,lower,0,60"]
    caseload = read(measures=bare, assessments=SCORES)
    text = words_of(child_change(caseload, "C1"))
    assert "Cannot be said: the reference group's standard deviation and reliability are not known." in text
    lines = [line.split("  ") for line in str(child_change(caseload, "C1")).splitlines()]
    shown = {line[0]: line[-1].strip() for line in lines}
    assert {shown[name] for name in ("Error", "Index", "Cutoff")} == {"–"}
    assert {shown[name] for name in ("Reliability", "Clinical mean (SD)", "Smallest reliable change",
                                      "Source")} == {"not known"}  # fmt: skip
    page = words_of(practice_change(audit_of(caseload, "C1", "C2")))
    assert "standard deviation and reliability are not known. (2 of 2)" in page
    assert "C1 45 20 – – – – cannot be said" in page


def test_a_title_cannot_become_markup(scored):
    html = "".join(block.html for block in child_change(scored, "C1"))
    assert "&lt;invented&gt;" in html
    assert "<invented>" not in html


def test_the_child_sees_its_own_mark_and_how_it_depends_on_reliability(scored):
    blocks = child_change(scored, "C2")
    (drawn,) = [block for block in blocks if isinstance(block, Picture)]
    assert "First against second scores of 1 child" in drawn.alt
    text = words_of(blocks)
    # 45 to 42 is within the error at every reliability tried; the recorded one is starred.
    assert "Method .70 .75 .80 .84* .85 .90 .95 Jacobson & Truax 1991 = = = = = = =" in text
    assert "say nothing here: differing first and second variances" in text


def test_the_practice_sees_shares_children_and_how_the_counts_depend_on_reliability(scored):
    blocks = practice_change(audit_of(scored, "C1", "C2", "C3"))
    text = words_of(blocks)
    assert sum(isinstance(block, Picture) for block in blocks) == 1
    # One recovered, one unchanged, one of whom it cannot be said; Wilson 1 of 2, bounds of 3.
    assert "Recovered 1 2 50% 9% to 91% 33% to 67%" in text
    assert "Deteriorated 0 2 0% 0% to 66% 0% to 33%" in text
    assert "Jacobson & Truax 1991 1/1/0" in text
    assert "here lower is better, the critical value is 1.96 and the cutoff 30.00." in text
    assert "The error is 5.66 throughout. Expected is the first score." in text
    assert "C2 45 42 0.53 .60 unchanged" in text
    assert "C3 50 – – – cannot be said" in text
    assert (
        "measured over 14 days and the change over 147; the two are not interchangeable. (2 of 3)" in text
    )


def test_cautions_that_differ_in_days_alone_stand_once(read):
    later = [*SCORES, "C4,MOVEFEAR,2026-01-05,intake,45,parent", "C4,MOVEFEAR,2026-03-16,review,42,parent"]
    text = words_of(practice_change(audit_of(read(measures=MEASURES, assessments=later), "C1", "C2", "C4")))
    assert "and the change over 70 to 147; the two are not interchangeable. (3 of 3)" in text
    assert "Raw scores 70 to 147 days apart carry growing up" in text


def test_every_category_of_the_audit_page_follows_from_its_printed_row(read):
    scores = [SCORES[0]]
    for i, (first, later) in enumerate(
        [(45, 20), (55, 38), (45, 42), (40, 55), (50, 29), (29, 10), (41, None)]
    ):
        scores.append(f"C{i},MOVEFEAR,2026-01-05,intake,{first},parent")
        if later is not None:
            scores.append(f"C{i},MOVEFEAR,2026-06-01,discharge,{later},parent")
    audit = audit_of(read(measures=MEASURES, assessments=scores), *(f"C{i}" for i in range(7)))
    blocks = practice_change(audit)
    (html,) = [block.html for block in blocks if "Scores, child by child" in str(block)]
    told = re.search(
        r"here (\w+) is better, the critical value is ([\d.]+) and the cutoff ([\d.]+)\. The error is "
        r"([\d.]+) throughout\. Expected is the first score\.",
        html,
    )
    better, critical, cutoff, error = told[1], *map(float, told.groups()[1:])
    assert better == "lower"
    heads, *rows = (
        re.findall(r"<t[hd][^>]*>([^<]*)</t[hd]>", row) for row in re.findall(r"<tr>.*?</tr>", html)
    )
    found = set()
    for row in rows:
        cells = dict(zip(heads, row, strict=True))
        category = "cannot be said"
        if cells["Later"] != "–":
            first, later = float(cells["First"]), float(cells["Later"])
            index = (first - later) / error
            assert float(cells["Index"].replace("−", "-")) == pytest.approx(index, abs=0.01)
            crossed = first >= cutoff > later
            above = "recovered" if crossed else "improved, not recovered"
            category = "deteriorated" if index < -critical else "unchanged" if index <= critical else above
        assert cells["Change"] == category
        found.add(category)
    assert found == {
        "recovered", "improved, not recovered", "unchanged", "deteriorated", "cannot be said",
    }  # fmt: skip


def test_every_child_has_one_row_with_its_instruments_side_by_side(read):
    more = [MEASURES[0], MEASURES[1], *(
        f"{code},{title},higher,0,50,0.9,internal_consistency,,20,8,40,6,invented"
        for code, title in (("DAY", "Day out"), ("PLAY", "Play"))
    )]  # fmt: skip
    scores = [*SCORES, "C1,DAY,2026-01-05,intake,20,parent", "C1,DAY,2026-06-01,discharge,30,parent",
              "C4,DAY,2026-01-05,intake,22,parent", "C4,PLAY,2026-01-05,intake,9,parent"]  # fmt: skip
    audit = audit_of(read(measures=more, assessments=scores), "C1", "C2", "C3", "C4")
    one, two = [block for block in practice_change(audit) if "Scores, child by child" in str(block)]
    assert "Scores, child by child (1 of 2)" in one.text
    heading, heads, *rows = one.text.splitlines()[1:7]
    assert re.split(r"  +", heading.strip()) == [
        "Movement fear <invented>, by parent",
        "Day out, by parent",
    ]
    assert heads.split() == ["Child", *["First", "Later", "Index", "p", "Change"] * 2]
    assert [row.split()[0] for row in rows] == ["C1", "C2", "C3", "C4"]
    assert rows[0].split() == ["C1", "45", "20", "4.42", "<", ".001", "recovered",
                               "20", "30", "2.80", ".005", "improved,", "not", "recovered"]  # fmt: skip
    assert rows[1].split() == ["C2", "45", "42", "0.53", ".60", "unchanged"]
    assert rows[3].split()[:3] == ["C4", "22", "–"]
    assert "Blank: no score of that instrument was recorded." in one.text
    assert two.text.splitlines()[1].split() == ["Play,", "by", "parent"]
    assert one.html.startswith(
        '<details class="section"><summary>Scores, child by child (1 of 2)</summary>'
    )
    assert '<th scope="colgroup" colspan="5">Day out, by parent</th></tr>' in one.html


def test_numbers_that_differ_between_children_keep_their_column(scored):
    audit = audit_of(scored, "C1", "C2")
    assert "Child First Later Index p Change" in words_of(practice_change(audit))
    (measure,) = audit.evidence.changes
    counts = measure.classes.changes.counts
    counts["expected"] = counts["pre"] - 2
    counts["standard_error"] = np.array([5.0, 6.0])
    text = words_of(practice_change(audit))
    assert "Child First Later Expected Error Index p Change" in text
    assert "C1 45 20 43.00 5.00" in text
    assert "throughout" not in text
    assert "Expected is the first score" not in text


GOALS = [
    "child_id,goal_id,set_on,weight,start_level",
    "C1,G1,2026-01-05,1,-2",
    "C1,G2,2026-01-05,1,-2",
]


def test_goals_are_told_goal_by_goal_with_their_weakness(read):
    caseload = read(
        goals=GOALS,
        goal_ratings=["child_id,goal_id,date,level", "C1,G1,2026-06-01,0", "C1,G2,2026-06-01,0"],
    )
    text = words_of(child_change(caseload, "C1"))
    # T = 50 + 10 (-4) / sqrt(.7 * 2 + .3 * 4).
    start = 50 - 40 / sqrt(0.7 * 2 + 0.3 * 4)
    assert f"Goal attainment T: {start:.1f} at the start, 50.0 at the latest ratings, change" in text
    assert "G1 1 −2 0 2026-06-01" in text
    assert "depends on how the goals were set" in text
    assert "would lie between" not in text
    assert child_change(caseload, "C9") == ()
    page = words_of(practice_change(audit_of(caseload, "C1")))
    assert f"Child Goals T at the start T at the latest Change C1 2 {start:.1f} 50.0" in page


def test_goals_not_rated_bound_the_attainment(read):
    caseload = read(goals=GOALS, goal_ratings=["child_id,goal_id,date,level", "C1,G1,2026-06-01,1"])
    text = words_of(child_change(caseload, "C1"))
    step = 10 / sqrt(0.7 * 2 + 0.3 * 4)
    assert f"the latest T would lie between {50 - step:.1f} and {50 + 3 * step:.1f}." in text
    assert "Goals without a level are left out, and the rest stand for all." in text
    page = words_of(practice_change(audit_of(caseload, "C1")))
    assert f"C1 2 {50 - 4 * step:.1f} 60.0 30.0 1 {3 * step:.1f} to {7 * step:.1f}" in page


@pytest.mark.parametrize("child", ["C1", "C2", "C3"])
def test_no_english_is_left_on_a_spanish_page(read, child):
    scored = read(
        measures=[MEASURES[0], MEASURES[1].replace("Movement fear <invented>", "Miedo")],
        assessments=SCORES,
        goals=[line.replace("C1", child) for line in GOALS],
        goal_ratings=["child_id,goal_id,date,level", f"{child},G1,2026-06-01,1"],
    )
    text = words_of(child_change(scored, child, words_in("es"))).replace("manual, table 4", "")
    assert not (found := LEFT_IN_ENGLISH.search(text)), text[max(0, found.start() - 60) : found.end() + 60]
