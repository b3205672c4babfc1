"""The calibration card is of the statistics as they stand, and says what the literature says of them."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from rungwise.single_case.calibration import TABLE, calibration_card

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"
COURSE = ["n_baseline", "n_exposure", "phi", "trend", "place", "effect"]


@pytest.fixture(scope="module")
def card():
    return calibration_card()


@pytest.fixture(scope="module")
def maker():
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(BENCHMARKS))
        spec = importlib.util.spec_from_file_location(
            "calibration_card", BENCHMARKS / "calibration_card.py"
        )
        module = importlib.util.module_from_spec(spec)
        sys.modules["calibration_card"] = module
        spec.loader.exec_module(module)
        yield module


def no_effect(card, **course):
    kept = card[card.effect == "none"]
    for name, value in course.items():
        kept = kept[kept[name] == value]
    return kept


def test_the_first_lines_say_how_to_make_it_again():
    head = TABLE.read_text(encoding="utf-8").splitlines()[:3]
    assert "python benchmarks/calibration_card.py --replications" in head[1]
    assert head[2].startswith("# Seed 20261231, ")


def test_every_statistic_stands_in_every_cell(card, maker):
    cells = list(maker.grid.designs(maker.BASELINES, maker.EXPOSURES))
    counts = card.groupby("statistic").size()
    assert set(counts) == {len(cells)}
    assert len(counts) == 20
    assert card[COURSE].drop_duplicates().shape[0] == len(cells)


@pytest.mark.parametrize("number", [5, 130, 283])
def test_the_card_is_of_the_statistics_as_they_stand(card, maker, number):
    design = list(maker.grid.designs(maker.BASELINES, maker.EXPOSURES))[number]
    cell = card[np.logical_and.reduce([card[name] == getattr(design, name) for name in COURSE])]
    again = maker.one_cell((number, design), int(cell["replications"].max()))
    shipped = cell.set_index("statistic")
    for row in again:
        for column in ("improved", "worsened", "coverage", "no_answer"):
            now = float(row[column]) if row[column] else np.nan
            was = shipped.loc[row["statistic"], column]
            assert now == pytest.approx(was, abs=0.011, nan_ok=True), (row["statistic"], column)


def test_exact_tests_hold_their_level_without_trend_and_autocorrelation(card):
    quiet = card[
        (card.effect == "none") & (card.trend == "none") & (card.phi == 0) & (card.place == "middle")
    ]
    for statistic in ("Tau", "NAP", "Tau-U, trend of both", "Mann-Kendall in baseline"):
        calls = quiet[quiet.statistic == statistic]
        # Nominal .025 each way; standard error of a share of .025 in 500 series is .007.
        assert calls[["improved", "worsened"]].to_numpy().max() <= 0.05, statistic


def test_a_continuing_trend_is_called_improvement_by_the_statistics_that_ignore_it(card):
    # Without any effect; the statistics that say so are reported and never decide.
    falling = no_effect(card, phi=0, trend="strong")
    mean = falling.groupby("statistic")["improved"].mean()
    assert mean["Tau"] > 0.7
    assert mean["Tau-U, trend of baseline"] > 0.5
    for ours in ("Change at the last exposure occasion", "Mean change beyond the baseline"):
        assert mean[ours] < 0.05


def test_the_mean_change_finds_more_than_the_change_at_the_end(card):
    found = card[(card.effect == "standard") & (card.trend == "none") & (card.place == "middle")]
    mean = found.groupby("statistic")["improved"].mean()
    assert mean["Mean change beyond the baseline"] > 1.05 * mean["Change at the last exposure occasion"]


def test_the_correction_applied_always_errs_even_without_trend(card):
    quiet = card[
        (card.effect == "none") & (card.trend == "none") & (card.phi == 0) & (card.place == "middle")
    ]
    assert quiet[quiet.statistic == "Baseline-corrected Tau, always"]["improved"].mean() > 0.15


def test_the_longest_lengths_that_are_not_longer_are_kept():
    rows = calibration_card("NAP", 9, 29)
    assert set(zip(rows.n_baseline, rows.n_exposure, strict=True)) == {(6, 12)}
    assert len(rows) == 36
    assert calibration_card("NAP", 2, 29).empty


def test_an_unknown_statistic_says_which_there_are():
    with pytest.raises(ValueError) as caught:
        calibration_card("tau")
    assert str(caught.value).startswith("statistic must be one of 'Baseline-corrected Tau, always', ")
    assert str(caught.value).endswith("; got 'tau'.")
