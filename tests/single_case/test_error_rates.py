"""The shipped error rates are those of the verdict as it stands, and are read as they are meant."""

import csv
import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from rungwise.single_case.error_rates import TABLE, error_rates
from rungwise.single_case.verdict import VERDICTS

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


@pytest.fixture(scope="module")
def rows() -> list[dict[str, str]]:
    with TABLE.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


@pytest.fixture(scope="module")
def maker(monkeypatch_module):
    monkeypatch_module.syspath_prepend(str(BENCHMARKS))
    spec = importlib.util.spec_from_file_location("verdict_rates", BENCHMARKS / "verdict_rates.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["verdict_rates"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def monkeypatch_module():
    with pytest.MonkeyPatch.context() as patch:
        yield patch


def test_the_first_lines_say_how_to_make_it_again():
    head = TABLE.read_text(encoding="utf-8").splitlines()[:4]
    assert all(line.startswith("# ") for line in head)
    assert "python benchmarks/verdict_rates.py --replications" in head[1]
    assert head[2].startswith("# Seed 20260930, ")


def test_every_cell_of_the_grid_is_there_and_its_shares_add_up(rows, maker):
    cells = [design.as_row() for design in maker.grid.designs()]
    names = ("n_baseline", "n_exposure", "phi", "trend", "place", "effect")
    assert [tuple(str(cell[name]) for name in names) for cell in cells] == [
        tuple(row[name] for name in names) for row in rows
    ]
    for row in rows:
        assert sum(float(row[code]) for code in VERDICTS) == pytest.approx(1, abs=5e-4)


@pytest.mark.parametrize("number", [0, 229, 501, 784, 1079])
def test_the_rates_are_those_of_the_verdict_as_it_stands(rows, maker, number):
    design = list(maker.grid.designs())[number]
    again = maker.one_row((number, design), int(rows[number]["replications"]))
    for code in VERDICTS:
        assert float(again[code]) == pytest.approx(float(rows[number][code]), abs=0.003), (design, code)


def test_no_effect_is_called_beyond_the_baseline_in_at_most_five_percent(rows):
    shares = [float(row["fell_beyond_baseline"]) for row in rows if row["effect"] == "none"]
    assert len(shares) > 500
    assert max(shares) <= 0.05


def test_rates_come_from_the_longest_simulated_series_that_is_not_longer(rows):
    rates = error_rates(7, 15)
    assert (rates.n_baseline, rates.n_exposure) == (6, 12)
    cell = [row for row in rows if (row["n_baseline"], row["n_exposure"]) == ("6", "12")]
    for phi in (0.0, 0.2, 0.4, 0.6):
        at_phi = [row for row in cell if float(row["phi"]) == phi]
        wrong = [float(row["fell_beyond_baseline"]) for row in at_phi if row["effect"] == "none"]
        assert len(wrong) == 5
        assert rates.wrong[phi] == max(wrong)
        found = [
            float(row["fell_beyond_baseline"])
            for row in at_phi
            if (row["effect"], row["trend"], row["place"]) == ("standard", "none", "middle")
        ]
        assert [rates.power[phi]] == found
    assert error_rates(2, 30) is None
    assert error_rates(5, 4) is None
    assert np.isclose(max(error_rates(100, 300).wrong), 0.6)


def test_the_sentence_names_lengths_rates_and_effect():
    sentence = error_rates(6, 14).said()
    assert (
        "design that is not longer (6 baseline and 12 exposure occasions, ratings from 0 to 10)" in sentence
    )
    assert "a fall of 1.5 points at once that grows to 4 points" in sentence
    assert "autocorrelation 0 to 0.6" in sentence


def test_how_often_a_change_is_called_without_any_is_said_beside_it():
    rates = error_rates(6, 14)
    fallen, risen = rates.fallen_wrongly, rates.risen_wrongly
    assert sorted(fallen) == sorted(risen) == [0.0, 0.2, 0.4, 0.6]
    # Two-sided .05 for a fall, one-sided .05 for a rise, where nothing is autocorrelated.
    assert 0.01 < fallen[0.0] < 0.045
    assert 0.02 < risen[0.0] < 0.07
    assert fallen[0.6] > 2 * fallen[0.0]
    assert "are called fallen at all in " in rates.said_of_change("fell_short_baseline")
    assert "are called risen at all in " in rates.said_of_change("rose")
    assert "are called risen at all in " in rates.said_of_change("fell_beyond_baseline", lower=False)
    assert rates.said_of_change("no_clear_change") == ""
