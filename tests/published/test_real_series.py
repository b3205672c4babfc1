"""Measured series arrive whole, in the form every command reads."""

import csv
import subprocess
import sys
import tomllib
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from rungwise.published.listing import checks, topics
from rungwise.published.real_series import CASELOADS, NILE, SEATBELTS, SLEEPSTUDY, measured
from rungwise.series.batch import SeriesBatch
from rungwise.series.caseload import read_caseload
from rungwise.single_case.verdict import Rule, verdicts


def test_sleepstudy_has_eighteen_people_on_ten_days():
    series = SLEEPSTUDY.series()
    assert len(series) == 18
    assert {(one.n_baseline, one.n_exposure) for one in series.values()} == {(3, 7)}
    first = series["S308"]
    # First and last value of the first person, as printed by R's head(sleepstudy) and by row 10.
    assert first.values[0] == 249.56
    assert first.values[-1] == pytest.approx(466.3535)
    assert first.times.tolist() == list(range(10))


def test_nile_has_the_means_before_and_after_1899():
    series = NILE.series()["nile"]
    assert (series.n_baseline, series.n_exposure) == (28, 72)
    assert np.mean(series.of("baseline")) == 1097.75
    assert np.mean(series.of("exposure")) == pytest.approx(849.9722, abs=5e-5)


def test_seatbelts_change_phase_with_the_law():
    series = SEATBELTS.series()
    lengths = {code: (one.n_baseline, one.n_exposure) for code, one in series.items()}
    assert lengths == {
        **{f"{group}-all": (169, 23) for group in ("drivers", "front", "rear")},
        **{f"{group}-year": (12, 12) for group in ("drivers", "front", "rear")},
    }
    means = {
        group: [
            round(float(np.mean(series[f"{group}-year"].of(phase))), 2)
            for phase in ("baseline", "exposure")
        ]
        for group in ("drivers", "front", "rear")
    }
    assert means == {"drivers": [1624.83, 1277.92], "front": [790.17, 547.33], "rear": [395.75, 384.83]}


@pytest.mark.parametrize("name", sorted(CASELOADS))
def test_the_folder_holds_ratings_and_settings(name, tmp_path):
    caseload = measured(name)
    folder = caseload.write(tmp_path / name)
    assert sorted(path.name for path in folder.iterdir()) == ["practice.toml", "ratings.csv"]
    with (folder / "ratings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert Counter(row["child_id"] for row in rows) == {
        code: len(series) for code, series in caseload.series().items()
    }
    settings = tomllib.loads((folder / "practice.toml").read_text(encoding="utf-8"))
    scale = settings["scales"][caseload.outcome]
    values = [float(row["rating"]) for row in rows]
    assert scale["minimum"] <= min(values) <= max(values) <= scale["maximum"]
    assert {row["better"] for row in rows} == {scale["better"]} == {caseload.better}


def test_an_unknown_name_says_which_there_are():
    with pytest.raises(ValueError) as caught:
        measured("niles")
    assert str(caught.value) == "name must be one of 'sleepstudy', 'nile', 'seatbelts'; got 'niles'."


def test_lost_sleep_is_never_called_an_improvement():
    judged = verdicts(SeriesBatch.of(*SLEEPSTUDY.series().values()), Rule(margin=SLEEPSTUDY.margin))
    assert Counter(judged.codes.tolist()) == {"rose": 11, "no_clear_change": 7}
    assert int(np.sum(judged.fell.value < 0)) == 16


@pytest.mark.parametrize("name", sorted(CASELOADS))
def test_the_folder_passes_every_check_and_comes_back_whole(name, tmp_path):
    caseload = read_caseload(measured(name).write(tmp_path / name))
    assert caseload.report.ok
    assert not len(caseload.report)
    for code, series in measured(name).series().items():
        read = caseload.series(code)
        np.testing.assert_array_equal(read.values, series.values)
        np.testing.assert_array_equal(read.phases, series.phases)
        np.testing.assert_array_equal(np.diff(read.times), np.diff(series.times))
        assert (read.better, read.floor, read.ceiling) == (series.better, series.floor, series.ceiling)


@pytest.mark.parametrize("name", sorted(CASELOADS))
def test_the_script_writes_the_folder_and_prints_the_comparison(name, tmp_path):
    script = Path(__file__).parents[2] / "real_data" / f"{name}.py"
    run = subprocess.run(
        [sys.executable, str(script), str(tmp_path / name)],
        capture_output=True, text=True, check=True, cwd=tmp_path, encoding="utf-8",
    )  # fmt: skip
    assert (tmp_path / name / "ratings.csv").exists()
    assert measured(name).carrier in run.stdout
    listed = [check for topic in topics() for check in checks(topic)]
    about = [check for check in listed if check.example.lower().startswith(name)]
    assert len(about) >= 2
    assert run.stdout.count(" agrees") == len(about)
    assert "DIFFERS" not in run.stdout
