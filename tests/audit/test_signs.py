"""What stands beside the verdicts, from the demo practice and from small made-up files."""

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from rungwise.audit.audit import audit_quarter
from rungwise.audit.courses import courses
from rungwise.audit.outcomes import judge
from rungwise.audit.signs import BESIDE, beside_of, signs
from rungwise.series.caseload import read_caseload

DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "practice"
TODAY = date(2026, 11, 1)
# By child: probe fear of exposure, highest approach steps of baseline and of exposure, practice ratings.
CHILDREN = {
    "C01": ([6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1], [1, 1], [3, 4]),
    "C02": ([8, 7, 8, 9, 8, 7, 8, 9, 8, 7, 8, 9], [1, 2], [4, 4]),
    "C03": ([6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1], [4, 4], [1, 1]),
    "C04": ([6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1], [2], [4, 4]),
}


@pytest.fixture
def caseload(tmp_path):
    trials = ["child_id,ladder_id,date,trial,kind,step,outcome,fear_peak"]
    phases = ["child_id,ladder_id,starts_on,phase"]
    plans = ["child_id,ladder_id,probe_step,primary,trained,planned_per_week"]
    ladders = ["ladder_id,step,activity", *(f"net,{step},step {step}" for step in range(1, 6))]
    for child, (exposure, before, after) in CHILDREN.items():
        first = date(2026, 5, 4)
        start = first + timedelta(days=35)
        phases += [f"{child},net,{first},baseline", f"{child},net,{start},exposure"]
        plans.append(f"{child},net,4,yes,yes,1")
        for week, fear in enumerate([8, 7, 8, 9, 8, *exposure]):
            trials.append(f"{child},net,{first + timedelta(days=7 * week)},1,probe,4,completed,{fear}")
        for begin, scores in ((first, before), (start, after)):
            for week, top in enumerate(scores):
                day = begin + timedelta(days=7 * week + 1)
                for step in range(1, top + 1):
                    trials.append(f"{child},net,{day},{step},approach,{step},completed,3")
                trials.append(f"{child},net,{day},{top + 1},approach,{top + 1},declined,")
        # Step 1 leads upward after two days, step 2 does not; after the due day nothing counts.
        for n, (step, fear) in enumerate([(1, 2), (1, 1), (2, 8), (2, 6), (2, 5), (2, 4)]):
            trials.append(
                f"{child},net,{start + timedelta(days=7 * n + 2)},1,practice,{step},completed,{fear}"
            )
        late = start + timedelta(days=200)
        trials += [f"{child},net,{late + timedelta(days=n)},1,practice,2,completed,0" for n in range(4)]
    tables = {"observations": trials, "phases": phases, "plans": plans, "ladders": ladders}
    for name, lines in tables.items():
        (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    found = read_caseload(tmp_path, today=date(2027, 2, 1))
    assert found.report.ok, [problem.problem for problem in found.report]
    return found


def test_each_sign_is_set_beside_the_verdict_up_to_the_day_it_was_due(caseload):
    found = audit_quarter(caseload, "2026Q3", today=TODAY).signs
    table = found.table.set_index("child_id")
    assert found.recorded == ("approach", "practice")
    assert table["verdict_way"].to_dict() == {
        "C01": "better", "C02": "neither", "C03": "better", "C04": "better",
    }  # fmt: skip
    assert table["beside"].to_dict() == {
        "C01": "agree", "C02": "further_only", "C03": "differ", "C04": "unknown",
    }  # fmt: skip
    assert table.loc["C01", ["approach_before", "approach_after"]].tolist() == [1, 3.5]
    # Steps 1 to 3 on two approach occasions of exposure in a row; step 4, the probe step, where fear
    # came down. C03 went less far in exposure.
    assert table["steps_mastered"].tolist() == [4, 3, 2, 4]
    assert table["mastery_way"].tolist() == ["better"] * 4
    assert table["practice_way"].tolist() == ["better"] * 4
    assert table["together"].to_dict() == {
        "C01": "same: approach, mastery, practice ratings",
        "C02": "better: approach, mastery, practice ratings",
        "C03": "same: mastery, practice ratings; worse: approach",
        "C04": "same: mastery, practice ratings",
    }
    # (5 + 4) / 2 - (8 + 6) / 2: the ratings of 0 came after the day the outcome was due.
    assert table["practice_change"].tolist() == [-2.5] * 4


def test_the_caseload_is_told_where_approach_and_verdict_part(caseload):
    said = " ".join(audit_quarter(caseload, "2026Q3", today=TODAY).signs.sentences)
    assert "beside the verdicts of 3 of the 4 children judged: it agrees in 1." in said
    assert "1 child went further up although ratings did not clearly change" in said
    assert "1 child went the opposite way" in said
    assert "says the same as the verdict in 2, some of it in 1, none of it in 1." in said
    assert "approach in 1 of 3, mastery in 3 of 4 and practice ratings in 3 of 4." in said


def test_steps_mastered_before_exposure_began_are_no_sign_of_it(caseload):
    """C03 masters three steps on approach occasions of baseline, and since then only the probe step."""
    table = caseload.tables["observations"]
    exposure = np.datetime64("2026-06-08")
    keep = (table["date"] < exposure) | (table["kind"] == "probe")
    tables = {**caseload.tables, "observations": table.where(keep & (table["fear_peak"] != 2))}
    outcomes = judge(caseload, [one for one in courses(caseload, TODAY) if one.child_id == "C03"])
    (row,) = signs(replace(caseload, tables=tables), outcomes).table.to_dict("records")
    assert row["steps_mastered"] == 1


def test_nothing_recorded_gives_no_sentence(caseload, outcome):
    empty = signs(caseload, [outcome("C09", "", stage="no_ratings")])
    assert (empty.recorded, empty.sentences, len(empty.table)) == ((), (), 0)


def test_every_pair_of_ways_has_words():
    ways = ("better", "neither", "worse")
    found = {beside_of(verdict, approach) for verdict in ways for approach in (*ways, "")}
    assert found == set(BESIDE)


def test_signs_of_the_demo_practice_are_one_row_per_child_judged():
    audit = audit_quarter(read_caseload(DEMO, today=date(2026, 11, 13)), "2026Q3", today="2026-11-13")
    judged = audit.children.loc[audit.children["stage"] == "judged", "child_id"]
    assert audit.signs.table["child_id"].tolist() == judged.tolist()
    assert (audit.signs.table["beside"] == "agree").sum() > len(judged) / 2
