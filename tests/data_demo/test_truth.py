"""The verdicts on the demo practice, held against what was simulated behind each child."""

import csv
from collections import defaultdict
from pathlib import Path

import pytest
from rungwise.series.caseload import read_caseload
from rungwise.single_case.child_answer import child_answer
from rungwise.single_case.verdict import FELL

DEMO = Path(__file__).parents[2] / "data_demo"


@pytest.fixture(scope="module")
def codes() -> dict[str, dict[str, str]]:
    """Verdict code of every child, by scenario."""
    caseload = read_caseload(DEMO / "practice")
    by_scenario: dict[str, dict[str, str]] = defaultdict(dict)
    with (DEMO / "truth.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            answer = child_answer(caseload, row["child_id"])
            by_scenario[row["scenario"]][row["child_id"]] = answer.verdict.code
    return by_scenario


@pytest.fixture(scope="module")
def effects() -> dict[str, str]:
    with (DEMO / "truth.csv").open(encoding="utf-8", newline="") as file:
        return {row["child_id"]: row["effect"] for row in csv.DictReader(file)}


def test_a_clear_fall_is_seen(codes):
    assert len(codes["improves_clearly"]) == 18
    assert set(codes["improves_clearly"].values()) <= set(FELL)
    assert set(codes["two_ladders"].values()) <= set(FELL)
    assert set(codes["many_weeks_missing"].values()) <= set(FELL)


def test_a_rise_is_seen(codes):
    assert set(codes["gets_worse"].values()) == {"rose"}


def test_nothing_is_made_of_no_change(codes):
    unchanged = codes["no_change"] | codes["two_ladders_no_change"]
    assert len(unchanged) == 8
    assert set(unchanged.values()) <= {"no_clear_change", "about_the_same"}


def test_a_baseline_at_the_floor_has_no_room(codes):
    assert set(codes["at_floor"].values()) == {"no_room"}


def test_two_baseline_occasions_are_too_few_and_three_are_enough_to_say_it_fell(codes):
    assert codes["short_baseline"]["C021"] == codes["short_baseline"]["C050"] == "too_few"
    assert codes["short_baseline"]["C018"] in FELL


def test_a_fall_that_was_under_way_is_seldom_called_more_than_the_baseline_explains(codes, effects):
    without = {
        child: code
        for scenario in codes.values()
        for child, code in scenario.items()
        if effects[child] == "none"
    }
    assert len(without) == 15
    # One of them (C028, who declined late in baseline and so seemed to be rising) is called so: an
    # error of the kind whose rate is published.
    beyond = [child for child, code in without.items() if code == "fell_beyond_baseline"]
    assert beyond == ["C028"]
    assert set(codes["baseline_continues"].values()) <= set(FELL)


def test_no_child_whose_fear_fell_is_called_worse(codes, effects):
    for scenario in codes.values():
        for child, code in scenario.items():
            assert effects[child] != "fell" or code != "rose"


def test_a_child_who_left_early_is_not_judged_on_three_occasions(codes):
    assert codes["leaves_early"]["C008"] == codes["leaves_early"]["C038"] == "too_few"
