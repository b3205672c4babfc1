"""Measured therapy scores through files: written, read back, judged, counted."""

import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from rungwise.published.depression_scores import CHECKS, RELIABILITIES, change_at_two_months, write
from rungwise.series.caseload import read_caseload

SCRIPT = Path(__file__).parents[2] / "real_data" / "bdi_therapy.py"


@pytest.mark.parametrize(
    ("reliability", "improved", "unchanged", "deteriorated"),
    list(zip(RELIABILITIES, (19, 30, 36), (77, 64, 57), (1, 3, 4), strict=True)),
)
def test_counts_through_files(tmp_path, reliability, improved, unchanged, deteriorated):
    folder = write(tmp_path, reliability)
    assert read_caseload(folder).report.problems == ()
    change = change_at_two_months(folder)
    assert Counter(change.classes.categories.tolist()) == {
        "improved": improved,
        "unchanged": unchanged,
        "deteriorated": deteriorated,
        "cannot_be_said": 3,
    }
    assert change.reference.sd == pytest.approx(10.84049, abs=5e-6)


def test_each_category_can_be_worked_by_hand(tmp_path):
    frame = change_at_two_months(write(tmp_path)).frame()
    assert len(frame) == 100
    for _, row in frame.dropna(subset=["post"]).iterrows():
        moved = (row["post"] - row["pre"]) / (10.84049 * np.sqrt(2 * (1 - 0.80)))
        word = "deteriorated" if moved > 1.96 else "improved" if moved < -1.96 else "unchanged"
        assert row["category"].startswith(word)
    assert (frame["category"][frame["post"].isna()] == "cannot be said").all()
    assert frame["cautions"].iloc[0].startswith("It is not known what kind of reliability this is")


def test_without_reliability_nothing_is_filled_in(tmp_path):
    change = change_at_two_months(write(tmp_path, None))
    assert set(change.classes.categories) == {"cannot_be_said"}
    assert np.isnan(change.classes.shares()["improved_in_all"].value)


def test_the_script_runs_as_its_help_says(tmp_path):
    run = subprocess.run(
        [sys.executable, str(SCRIPT), str(tmp_path / "scores")], capture_output=True, text=True, check=True
    )
    assert "19 of 97 improved" in run.stdout
    assert "DIFFERS" not in run.stdout
    assert run.stdout.count("agrees") == len(CHECKS)
    # Every outside value stands under its source.
    for check in CHECKS:
        before = run.stdout.split(f"  {check.statistic} ")[0]
        assert (
            check.source
            in before.splitlines()[
                -1
                - next(i for i, line in enumerate(reversed(before.splitlines())) if check.example in line)
            ]
        )
