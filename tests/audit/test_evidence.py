"""What the audit rests on, child by child, and how far missing entries could move it."""

from __future__ import annotations

import math
from datetime import date, timedelta

import pytest
from rungwise.audit.audit import audit_quarter
from rungwise.audit.serialize import audit_frames
from rungwise.basis.intervals import share_interval
from rungwise.series.caseload import read_caseload

RATINGS = [7, 8, 7, 9, 6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1]
MEASURE = [
    "measure_id,title,better,minimum,maximum,reliability,reliability_kind,clinical_mean,clinical_sd,"
    "functional_mean,functional_sd,source",
    "fom,Fear of movement,lower,0,100,0.8,test_retest,40,7.5,20,7.5,manual",
]


def weekly(child, values, rater):
    days = [date(2026, 5, 4) + timedelta(days=7 * i) for i in range(len(values))]
    phases = ["baseline" if i < 4 else "exposure" for i in range(len(values))]
    return [
        f"{child},{day},{phase},{x},{rater}" for day, phase, x in zip(days, phases, values, strict=True)
    ]


@pytest.fixture
def audit(tmp_path, request):
    rows = ["child_id,date,phase,rating,rated_by"]
    rows += weekly("C01", RATINGS, "child")
    # A best rating on the missing day of so short a baseline, and a decline later, would undo this fall.
    rows += weekly("C02", [7, "", 7, 8, 6, 6, "", 5, 4, 4, 3, 3, 2, 2, 1, 1], "child")
    rows += weekly("C03", [5, 6, 5, 7, 5, 6, 6, 5, 7, 6, 5, 5, 6, 7, 5, 6], "parent")
    # Two baseline ratings are too few to judge.
    rows += weekly("C04", [7, "", "", 8, *RATINGS[4:]], "child")
    scores = ["child_id,measure_id,date,occasion,score,rated_by"]
    for child, first, later in (("C01", 47.5, 25), ("C02", 45, 44), ("C03", 41, None), ("C04", 40, 60)):
        scores.append(f"{child},fom,2026-05-01,intake,{first},parent")
        if later is not None:
            scores.append(f"{child},fom,2026-07-20,review,{later},parent")
    goals = ["child_id,goal_id,set_on,weight,start_level"]
    goals += [f"{child},{goal},2026-05-01,1,-2" for child in ("C01", "C02") for goal in ("g1", "g2")]
    levels = ["child_id,goal_id,date,level", "C01,g1,2026-07-01,1", "C01,g2,2026-07-01,0",
              "C02,g1,2026-07-01,-1"]  # fmt: skip
    files = {
        "ratings": rows, "assessments": scores, "goals": goals, "goal_ratings": levels, "measures": MEASURE,
    }  # fmt: skip
    for name, lines in files.items():
        (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "practice.toml").write_text(getattr(request, "param", ""), encoding="utf-8")
    return audit_quarter(read_caseload(tmp_path, today=date(2026, 11, 1)), "2026Q3", today="2026-11-01")


def row_of(frame, **where):
    for name, value in where.items():
        frame = frame[frame[name] == value]
    (row,) = frame.to_dict("records")
    return row


def test_every_share_of_scores_has_its_wilson_interval_and_its_bounds(audit):
    shares = audit.evidence.shares
    for category, count in (
        ("recovered", 1), ("improved", 0), ("improved_in_all", 1), ("unchanged", 1), ("deteriorated", 1),
    ):  # fmt: skip
        row = row_of(shares, category=category)
        wilson = share_interval(count, 3)
        assert (row["children"], row["n"], row["share"]) == (count, 3, count / 3)
        assert (row["ci_low"], row["ci_high"]) == (wilson.ci_low, wilson.ci_high)
        assert (row["lowest"], row["highest"]) == (count / 4, (count + 1) / 4)


@pytest.mark.parametrize("audit", ["alpha = 0.10\n"], indirect=True)
def test_shares_and_goals_have_the_practice_s_own_confidence(audit):
    assert audit.headline.confidence == audit.goals.confidence == pytest.approx(0.90)
    improved, on_the_page = row_of(audit.evidence.shares, category="improved_in_all"), row_of(audit.scores)
    wilson = share_interval(1, 3, confidence=0.90)
    for row in (improved, on_the_page):
        assert (row["ci_low"], row["ci_high"]) == (wilson.ci_low, wilson.ci_high)


def test_files_hold_what_every_category_rests_on(audit):
    frames = audit_frames(audit)
    changes = frames["score_changes"]
    assert dict(zip(changes["child_id"], changes["category"], strict=True)) == {
        "C01": "recovered", "C02": "unchanged", "C03": "cannot be said", "C04": "deteriorated",
    }  # fmt: skip
    for row in changes.to_dict("records"):
        if row["category"] == "cannot be said":
            assert row["why_missing"] == "Cannot be said: the second score is missing."
            continue
        index = (row["expected"] - row["post"]) / row["standard_error"]
        assert row["index"] == pytest.approx(index)
    reference = row_of(frames["score_references"], measure_id="fom")
    assert (reference["source"], reference["cutoff_c"]) == ("manual", 30)
    assert "practice_effect" in reference["why_missing"]
    given = row_of(frames["score_sensitivity"], method="jacobson_truax", given="yes")
    assert [given[name] for name in ("recovered", "unchanged", "deteriorated", "n")] == [1, 1, 1, 3]
    assert len(frames["goals"]) == 4


def test_headlines_are_bounded_by_children_not_judged(audit):
    bounds = audit.evidence.bounds
    fell = row_of(bounds, headline="verdict: fell")
    assert (fell["value"], fell["n"]) == (2 / 3, 3)
    assert (fell["lowest"], fell["highest"], fell["of"]) == (2 / 4, 3 / 4, 4)
    rose = row_of(bounds, headline="verdict: rose")
    assert (rose["value"], rose["lowest"], rose["highest"]) == (0, 0, 1 / 4)
    too = row_of(bounds, headline="verdict: fell, missing ratings too")
    assert too["rests_on"] == "1 not judged, and missing ratings of 1 judged"
    assert (too["lowest"], too["highest"]) == (1 / 4, 3 / 4)


def test_the_mean_nap_is_bounded_by_missing_ratings_too(audit):
    row = row_of(audit.evidence.bounds, headline="mean NAP")
    judged = audit.children[audit.children["stage"] == "judged"].set_index("child_id")["nap"]
    kept = [judged["C01"], judged["C03"]]
    # C02: 3 baseline and 11 exposure ratings; a decline is worse than all, and 0 better than all.
    before, after = [7, 7, 8], [6, 6, 5, 4, 4, 3, 3, 2, 2, 1, 1]

    def nap(a, b):
        return sum((y < x) + (y == x) / 2 for x in a for y in b) / (len(a) * len(b))

    worst, best = nap([*before, 0], [*after, 99]), nap([*before, 99], [*after, 0])
    assert row["value"] == pytest.approx((sum(kept) + judged["C02"]) / 3)
    assert row["lowest"] == pytest.approx((sum(kept) + worst + 0) / 4)
    assert row["highest"] == pytest.approx((sum(kept) + best + 1) / 4)


def test_goals_are_bounded_by_those_not_rated(audit):
    step = 10 / math.sqrt(0.7 * 2 + 0.3 * 4)
    mean = row_of(audit.evidence.bounds, headline="goals: mean change of T")
    # C01 moved by 3 and 2 levels; C02 by 1 on one goal, so that T moves by 10, and by 0 to 4 on the other.
    assert mean["value"] == pytest.approx((5 * step + 10) / 2)
    assert mean["lowest"] == pytest.approx((5 * step + 1 * step) / 2)
    assert mean["highest"] == pytest.approx((5 * step + 5 * step) / 2)
    reached = row_of(audit.evidence.bounds, headline="goals: T at least 50")
    # C01 is above 50 whatever happens; C02, with −1 and at best +2, could be.
    assert (reached["value"], reached["lowest"], reached["highest"]) == (1 / 2, 1 / 2, 1)
    assert reached["rests_on"] == "1 goals not rated"


def test_falls_by_one_kind_of_rater_are_counted(audit):
    assert audit.evidence.one_kind_of_rater == (2, 2, 2)


def test_where_nothing_was_recorded_every_table_is_there_and_empty(caseload, weekly):
    rows = weekly("C01", "2026-05-04", [7, 8, 7, 8], [6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1])
    found = audit_quarter(caseload(ratings=rows), "2026Q3", today="2026-11-01").evidence
    frames = found.frames()
    assert found.goals is None
    assert found.one_kind_of_rater == (0, 0, 1)
    for name in ("score_shares", "score_changes", "score_references", "score_sensitivity", "goals",
                 "goal_attainment", "agreement", "fidelity"):  # fmt: skip
        assert frames[name].empty, name
        assert "why_missing" in frames[name].columns
