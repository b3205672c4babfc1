"""What an answer left out is said, and rows of other children are counted only."""

from __future__ import annotations

from dataclasses import replace

from child_rows import ratings, rows_of
from rungwise.reports import child_left_out as page


def test_nothing_left_out_is_said(answer_of, caseload):
    answer = answer_of()
    series = answer.ladders[0].series.only("baseline", "exposure")
    whole = series.where(series.usable)
    answer = replace(answer, ladders=(replace(answer.ladders[0], series=whole),))
    assert (
        str(page.left_out(caseload, answer)) == "Nothing was left out: every row about this child was used."
    )


def test_missing_maintenance_other_raters_and_other_outcomes_are_said(answer_of, caseload_of):
    caseload = caseload_of(
        *ratings("C014", n=8), *ratings("C014", n=3, by="parent"), *ratings("C014", n=4, outcome="calm")
    )
    told = str(page.left_out(caseload, answer_of()))
    assert "2 maintenance ratings shown in the picture and not counted as exposure." in told
    assert "1 planned rating not recorded" in told
    assert "Ratings by parent: only those by therapist were used" in told
    assert "Ratings of calm: this page is about fear." in told


def test_rows_set_aside_are_listed_if_they_may_be_this_childs_and_only_counted_otherwise(
    answer_of, caseload_of, read_page
):
    caseload = caseload_of(
        *ratings("C014"),
        *ratings("C020"),
        "C014,gangway,2026-06-01,exposure,77,,fear,therapist",
        "C020,gangway,2026-06-01,exposure,88,,fear,therapist",
    )
    blocks = page.left_out(caseload, answer_of())
    told = str(blocks)
    assert "77" in told
    assert "88" not in told
    assert "C020" not in told
    assert "1 row of other children set aside" in told
    [row] = rows_of(blocks[-1], read_page)
    assert (row["File"], row["Row"], row["What stands there"]) == ("ratings.csv", "18", "77")
