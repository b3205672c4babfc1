"""Scores and goals on a page: reproducible by hand, and nothing where nothing was recorded."""

from __future__ import annotations

from datetime import date
from math import sqrt

import pytest
from rungwise.reports.blocks import Picture
from rungwise.reports.change_section import child_change, practice_change
from rungwise.series.caseload import read_caseload

RATINGS = ["child_id,date,phase,rating", "C1,2026-01-05,baseline,7", "C1,2026-02-05,exposure,5"]
MEASURES = [
    "measure_id,title,better,minimum,maximum,reliability,reliability_kind,retest_days,clinical_mean,"
    "clinical_sd,functional_mean,functional_sd",
    "MFQ,Movement fear <invented>,lower,0,60,0.84,test_retest,14,40,10,20,10",
]
SCORES = [
    "child_id,measure_id,date,occasion,score,rated_by",
    *("C1,MFQ,2026-01-05,intake,45,parent", "C1,MFQ,2026-06-01,discharge,20,parent"),
    *("C2,MFQ,2026-01-05,intake,45,parent", "C2,MFQ,2026-06-01,discharge,42,parent"),
    "C3,MFQ,2026-01-05,intake,50,parent",
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


def test_without_scores_and_goals_there_is_no_section(read):
    assert child_change(read(), "C1") == ()
    assert practice_change(read()) == ()


def test_the_row_can_be_worked_by_hand(scored):
    text = str(child_change(scored, "C1"))
    error = sqrt(2) * 10 * sqrt(1 - 0.84)
    index = (45 - 20) / error
    row = next(line for line in text.splitlines() if line.startswith("Movement fear"))
    cells = row.split()
    assert f"{error:.2f}" in cells
    assert f"{index:.2f}" in cells
    assert cells[-4:] == ["<", ".001", "30.0", "recovered"]
    assert "±1.96" in text
    assert "reliability was measured over 14 days" in text


def test_a_missing_score_cannot_be_said(scored):
    text = str(child_change(scored, "C3"))
    assert "cannot be said" in text
    assert "The second score is missing" in text or "the second score is missing" in text


def test_a_title_cannot_become_markup(scored):
    html = "".join(block.html for block in child_change(scored, "C1"))
    assert "&lt;invented&gt;" in html
    assert "<invented>" not in html


def test_the_practice_sees_how_the_counts_depend_on_reliability(scored):
    blocks = practice_change(scored)
    text = " ".join(str(blocks).split())
    assert sum(isinstance(block, Picture) for block in blocks) == 1
    assert "Jacobson & Truax 1991 0.84 yes 1 0 1 0 1" in text
    # Not one child is judged by a method that needs a retested group.
    assert "say nothing here: differing first and second variances" in text


def test_goals_are_told_with_their_weakness(read):
    caseload = read(
        goals=[
            "child_id,goal_id,set_on,weight,start_level",
            "C1,G1,2026-01-05,1,-2",
            "C1,G2,2026-01-05,1,-2",
        ],
        goal_ratings=["child_id,goal_id,date,level", "C1,G1,2026-06-01,0", "C1,G2,2026-06-01,0"],
    )
    text = " ".join(str(child_change(caseload, "C1")).split())
    # T = 50 + 10 (-4) / sqrt(.7 * 2 + .3 * 4).
    start = 50 - 40 / sqrt(0.7 * 2 + 0.3 * 4)
    assert f"2 goals, goal attainment T {start:.1f} at the start and 50.0 at the latest" in text
    assert "depends on how the goals were set" in text
    assert child_change(caseload, "C9") == ()
