"""Measured series arrive whole, in the form every command reads."""

import csv
import tomllib
from collections import Counter

import numpy as np
import pytest
from rungwise.published.real_series import CASELOADS, NILE, SEATBELTS, SLEEPSTUDY, measured


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
