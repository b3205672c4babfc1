"""The table of verdicts is that of the single answers, in memory and from a registry alike."""

import math
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rungwise as rw
from rungwise.audit.outcomes import shares
from rungwise.series.registry import open_registry
from rungwise.single_case.caseload_verdicts import COLUMNS, caseload_verdicts

DEMO = Path(__file__).parents[2] / "data_demo" / "practice"
TODAY = date(2026, 11, 1)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Planned ratings of 150 children, every fifth on two ladders that started on different days."""
    rng = np.random.default_rng(11)
    rows = []
    for child in range(150):
        for ladder in ("gangway", "dinghy")[: 1 + (child % 5 == 0)]:
            days = np.datetime64("2026-02-02") + int(rng.integers(0, 4)) + 3 * np.arange(14)
            level = rng.integers(4, 10) - 3 * (child % 3 == 0) * (np.arange(14) >= 5)
            ratings = np.clip(np.rint(level + rng.normal(0, 1, 14)), 0, 10)
            for place, (day, rating) in enumerate(zip(days, ratings, strict=True)):
                phase = "baseline" if place < 5 else "exposure"
                rows.append((f"C{child:03d}", ladder, day.astype(object), phase, rating))
    frame = pd.DataFrame(rows, columns=["child_id", "ladder_id", "date", "phase", "rating"])
    home = tmp_path_factory.mktemp("registry")
    (home / "ratings").mkdir()
    shuffled = frame.sample(frac=1, random_state=4)
    for place, piece in enumerate(np.array_split(np.arange(len(frame)), 3)):
        shuffled.iloc[piece].to_parquet(home / "ratings" / f"{place}.parquet", index=False)
    return home


def test_a_registry_gives_the_table_of_the_caseload_to_the_last_bit(folder):
    whole = caseload_verdicts(rw.read_caseload(folder, today=TODAY))
    found = caseload_verdicts(open_registry(folder, today=TODAY, rows_together=600))
    pd.testing.assert_frame_equal(found, whole, check_exact=True, check_dtype=False)
    assert tuple(found.columns) == COLUMNS
    assert (found["n_ladders"] == 2).sum() == 30
    assert found["verdict"].nunique() >= 3


def test_each_row_is_the_answer_about_the_child(folder):
    caseload = rw.read_caseload(folder, today=TODAY)
    table = caseload_verdicts(caseload).set_index("child_id")
    for child in ("C000", "C001", "C003", "C005", "C077"):
        verdict = rw.child_answer(caseload, child).verdict
        row = table.loc[child]
        assert row["verdict"] == verdict.code
        assert row["verdict_words"] == verdict.words
        for name, value in (
            ("tau", verdict.fell.value),
            ("p_value", verdict.fell.p_value),
            ("nap_low", verdict.size.ci_low),
            ("beyond_low", verdict.beyond_baseline.ci_low),
        ):
            assert row[name] == pytest.approx(value, rel=1e-9, nan_ok=True)


def test_occasions_are_those_the_verdict_rests_on(folder):
    caseload = rw.read_caseload(folder, today=TODAY)
    table = caseload_verdicts(caseload).set_index("child_id")
    for child, occasions in (("C000", [10, 18]), ("C001", [5, 9])):
        counts = rw.child_answer(caseload, child).verdict.fell.counts
        assert [counts["n_baseline"], counts["n_exposure"]] == occasions
        assert table.loc[child, ["n_baseline", "n_exposure"]].tolist() == occasions


def test_a_ladder_without_exposure_does_not_count_unless_none_has_any(tmp_path):
    lines = ["child_id,ladder_id,date,phase,rating"]
    for child, phases in (("C1", "baseline exposure"), ("C2", "baseline")):
        for ladder, its in (("gangway", phases.split()), ("dinghy", ["baseline"])):
            for week in range(12):
                phase = its[-1] if week >= 5 else its[0]
                day = np.datetime64("2026-01-05") + 7 * week
                lines.append(f"{child},{ladder},{day},{phase},{9 - week // 2}")
    (tmp_path / "ratings.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    caseload = rw.read_caseload(tmp_path, today=TODAY)
    table = caseload_verdicts(caseload).set_index("child_id")
    assert table.loc["C1", ["n_ladders", "n_baseline", "n_exposure"]].tolist() == [2, 5, 7]
    assert rw.child_answer(caseload, "C1").verdict.fell.counts["n_baseline"] == 5
    assert table.loc["C2", ["n_ladders", "n_baseline", "n_exposure"]].tolist() == [2, 24, 0]


def test_shares_of_an_audit_follow_from_the_table(folder):
    table = caseload_verdicts(open_registry(folder, today=TODAY, rows_together=600))
    codes = [code for code in table["verdict"].tolist() if code != "too_few"]
    made = shares(codes).set_index("code")
    assert made.loc["fell", "n"] == len(codes)
    assert made.loc["rose", "children"] == codes.count("rose")


def test_the_demo_practice_has_a_verdict_for_every_child():
    caseload = rw.read_caseload(DEMO)
    table = caseload_verdicts(caseload)
    assert table["child_id"].tolist() == list(caseload.children)
    assert not any(math.isnan(n) for n in table["n_baseline"])


def test_a_caseload_without_planned_ratings_has_no_rows(tmp_path):
    (tmp_path / "observations.csv").write_text(
        "child_id,ladder_id,date,trial,kind,step,outcome,fear_peak\n"
        "C1,net,2026-03-02,1,practice,1,completed,4\n",
        encoding="utf-8",
    )
    table = caseload_verdicts(rw.read_caseload(tmp_path))
    assert (len(table), list(table.columns)) == (0, list(COLUMNS))
