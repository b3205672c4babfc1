"""Practice ratings: halves, the run that led upward, and the bias they carry."""

import numpy as np
import pytest
from rungwise.ladders.practice_ratings import COLUMNS, practice_ratings, run_that_led_upward
from rungwise.ladders.trials import trials_of
from rungwise.tables.practice import Practice
from rungwise.tables.problems import ProblemReport
from rungwise.tables.table import Table, TableSet


def _row(records, step=1):
    frame = practice_ratings(records.read()).set_index("step")
    return frame.loc[step]


def test_halves_with_and_without_the_run(records):
    for day, peak in enumerate([7, 6, 5, "declined", 5, 4, 3, 2]):
        records.trial(day, 1, peak)
    records.trial(20, 2, 8)
    row = _row(records)
    assert (row["trials"], row["days"], row["declined"], row["run"]) == (8, 8, 1, 2)
    assert (row["early"], row["late"]) == (6, 3)  # 7 6 5 | 5 | 4 3 2
    assert (row["early_without_run"], row["late_without_run"]) == (6.5, 4.5)  # 7 6 | 5 | 5 4
    assert row["change_without_run"] == -2


def test_a_step_that_was_all_run(records):
    for day in range(4):
        records.trial(day, 1, 2)
    records.trial(20, 2, 8)
    row = _row(records)
    assert row["run"] == 4
    assert row["early"] == row["late"] == 2
    assert np.isnan(row["change_without_run"])


def test_a_step_that_led_nowhere_has_no_run(records):
    for day, peak in enumerate([5, 3, 2]):
        records.trial(day, 2, peak)
    records.trial(10, 1, 1)  # back down, not up
    assert _row(records, 2)["run"] == 0
    assert _row(records, 2)["change"] == _row(records, 2)["change_without_run"] == -3


def test_the_run_ends_at_a_decline_a_partial_or_a_higher_rating(records):
    for step, before_run in ((1, "declined"), (2, 6), (3, None)):
        records.trial(10 * step, step, 3)
        if before_run is None:
            records.trial(10 * step + 1, step, 2, outcome="partial")
        else:
            records.trial(10 * step + 1, step, before_run)
        records.trial(10 * step + 2, step, 3)
    records.trial(60, 4, 9)
    frame = practice_ratings(records.read()).set_index("step")
    assert frame["run"].tolist() == [1, 1, 1, 0]


def test_few_ratings_have_no_halves(records):
    records.trial(0, 1, 5)
    records.trial(1, 2, "declined")
    frame = practice_ratings(records.read()).set_index("step")
    assert np.isnan(frame["early"]).all()
    assert frame["trials"].tolist() == [1, 1]


def test_there_is_no_p_value():
    assert not [name for name in COLUMNS if "p_" in name or name == "p"]


def _no_change_child(rng, child):
    """Fear at a step never changes; the child steps up after two ratings of 3 or less in a row."""
    step, run, rows = 1, 0, []
    for trial in range(40):
        peak = float(np.clip(np.rint(5 + rng.normal(0, 1.6)), 0, 10))
        rows.append((child, step, trial, peak))
        run = run + 1 if peak <= 3 else 0
        if run == 2 and step < 6:
            step, run = step + 1, 0
    return rows


def test_with_no_change_at_all_the_run_makes_steps_look_better():
    rng = np.random.default_rng(21)
    rows = [row for i in range(150) for row in _no_change_child(rng, f"C{i:03d}")]
    n = len(rows)
    text = {"ladder_id": "wall", "kind": "practice", "outcome": "completed", "rated_by": "child"}
    columns = {
        "child_id": np.array([row[0] for row in rows], dtype=object),
        "step": np.array([row[1] for row in rows], dtype=float),
        "date": np.datetime64("2026-01-01") + np.array([row[2] for row in rows]),
        "trial": np.ones(n),
        "fear_peak": np.array([row[3] for row in rows]),
        **{name: np.full(n, word, dtype=object) for name, word in text.items()},
        "fear_before": np.full(n, np.nan),
        "fear_end": np.full(n, np.nan),
    }
    table = Table("observations", columns, np.arange(n), np.full(n, "x", dtype=object))
    frame = practice_ratings(TableSet({"observations": table}, Practice(), ProblemReport()))
    frame = frame[(frame["run"] > 0) & frame["change_without_run"].notna()]
    assert len(frame) > 100
    assert frame["change"].mean() < -0.5
    assert abs(frame["change_without_run"].mean()) < 0.25


def test_not_recorded(tmp_path):
    from rungwise.series.caseload import read_caseload

    (tmp_path / "ratings.csv").write_text("child_id,date,phase,rating\nC1,2026-01-01,baseline,4\n")
    frame = practice_ratings(read_caseload(tmp_path))
    assert frame.empty
    assert tuple(frame.columns) == COLUMNS


def test_only_one_child(records):
    records.trial(0, 1, 5)
    records.trial(0, 1, 5, child="C2")
    assert practice_ratings(records.read(), child_id="C2")["child_id"].tolist() == ["C2"]


@pytest.mark.parametrize("primary", ["peak", "before"])
def test_the_primary_rating_is_described(records, primary):
    records.toml = f'primary_rating = "{primary}"\n'
    for day in range(2):
        records.trial(day, 1, 8, before=4)
    assert _row(records)["early"] == (8 if primary == "peak" else 4)


def test_the_run_of_one_step_is_the_one_in_the_table(records):
    for day, step, peak in ((0, 1, 6), (1, 1, 2), (2, 1, 3), (3, 2, 5), (4, 2, 1), (5, 3, 4), (6, 2, 2)):
        records.trial(day, step, peak)
    tables = records.read()
    run = practice_ratings(tables)["run"].tolist()
    assert run == [2, 0, 0]  # step 2 was practiced last of all, and step 3 led nowhere
    part = trials_of(tables)
    assert [run_that_led_upward(part, step, at_most=3.0) for step in (1.0, 2.0, 3.0)] == run
    assert run_that_led_upward(part, 1.0, at_most=2.0) == 0
