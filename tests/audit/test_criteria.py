import math

import pandas as pd
import pytest
from rungwise.audit.criteria import (
    MEASURES,
    RESULTS,
    allowed,
    criteria_table,
    measured,
    result_of,
    standards_sentence,
)
from rungwise.tables.practice import Criterion, Practice
from scipy.stats import binomtest

NO_WEEKS = pd.DataFrame(columns=["child_id", "weeks", "rated", "missing"])


def practice(**criteria):
    return Practice(criteria=criteria, given=frozenset({"criteria"}))


def test_a_standard_is_met_only_when_the_whole_interval_says_so(outcome):
    group = [outcome(f"C{i}") for i in range(18)] + [outcome(f"D{i}", "rose") for i in range(2)]
    table = criteria_table(
        practice(
            fell=Criterion(0.6),
            fell_beyond_baseline=Criterion(0.9),
            judged=Criterion(0.8, exceptions=("moved away",), source="set in the practice's plan"),
            rose=Criterion(0.01, direction="at_most"),
        ),
        group,
        NO_WEEKS,
    ).set_index("criterion")
    wilson = binomtest(18, 20).proportion_ci(0.95, method="wilson")
    assert table.loc["fell", ["count", "n", "share"]].tolist() == [18, 20, 0.9]
    assert table.loc["fell", "ci_low"] == pytest.approx(wilson.low)
    assert table.loc["fell", "ci_high"] == pytest.approx(wilson.high)
    assert table["result"].to_dict() == {
        "fell": "met",
        "fell_beyond_baseline": "too_few",
        "judged": "met",
        "rose": "not_met",
    }
    assert table["reached"].to_dict() == {
        "fell": "yes", "fell_beyond_baseline": "yes", "judged": "yes", "rose": "no"
    }  # fmt: skip
    assert table.loc["judged", ["exceptions", "source"]].tolist() == [
        "moved away", "set in the practice's plan"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("direction", "target", "low", "high", "result"),
    [
        ("at_least", 0.5, 0.5, 0.9, "met"),
        ("at_least", 0.5, 0.1, 0.5, "not_met"),
        ("at_least", 0.5, 0.4, 0.6, "too_few"),
        ("at_most", 0.5, 0.1, 0.5, "met"),
        ("at_most", 0.5, 0.5, 0.9, "not_met"),
        ("at_most", 0.5, math.nan, math.nan, "nobody"),
    ],
)
def test_sides_of_a_target(direction, target, low, high, result):
    assert result_of(direction, target, low, high) == result
    assert result in RESULTS


def test_every_measure_counts_children(outcome):
    group = [
        outcome("C1", baseline=5),
        outcome("C2", "rose", baseline=4, due_by="left_early", end_reason="fear"),
        outcome("C3", "fell_short_baseline", baseline=3, due_by="left_early", end_reason="moved"),
        outcome("C4", "", stage="no_ratings", baseline=0),
    ]
    weeks = pd.DataFrame({"child_id": ["C1", "C2", "C3"], "weeks": [10, 5, 3], "rated": [8, 3, 3]})
    assert measured(group, weeks) == {
        "judged": (3, 4),
        "fell": (2, 3),
        "fell_beyond_baseline": (1, 3),
        "rose": (1, 3),
        "left_early": (2, 4),
        "left_for_fear": (1, 4),
        "five_baseline": (1, 4),
        "weeks_rated": (2, 3),
    }
    assert set(measured([], NO_WEEKS)) == set(MEASURES)


def test_nobody_to_count_and_unknown_names_are_said(outcome):
    table = criteria_table(practice(fell=Criterion(0.6), happiness=Criterion(0.9)), [], NO_WEEKS)
    assert table["result"].tolist() == ["nobody", "unknown"]
    assert table["share"].isna().all()
    assert criteria_table(Practice(), [outcome()], NO_WEEKS).empty


def test_an_allowed_exception_leaves_out_the_children_who_left_for_it(outcome):
    group = [
        outcome("C1"), outcome("C2"),
        outcome("C3", "no_clear_change", due_by="left_early", end_reason="moved"),
        outcome("C4", "rose", due_by="left_early", end_reason="fear"),
    ]  # fmt: skip
    weeks = pd.DataFrame({"child_id": ["C2", "C3"], "weeks": [10, 10], "rated": [9, 1], "missing": [1, 9]})
    without = criteria_table(practice(fell=Criterion(0.5), weeks_rated=Criterion(0.5)), group, weeks)
    assert without[["count", "n", "excepted"]].to_numpy().tolist() == [[2, 4, 0], [1, 2, 0]]
    rule = ("moved away", "a week of storms")
    table = criteria_table(
        practice(fell=Criterion(0.5, exceptions=rule), weeks_rated=Criterion(0.5, exceptions=rule)),
        group,
        weeks,
    )
    assert table[["count", "n", "excepted"]].to_numpy().tolist() == [[2, 3, 1], [1, 1, 1]]
    assert allowed(rule) == (("moved",), ("a week of storms",))
    only_stated = criteria_table(practice(fell=Criterion(0.5, exceptions=rule[1:])), group, weeks)
    assert only_stated[["n", "excepted"]].to_numpy().tolist() == [[4, 0]]


def test_the_first_page_names_the_standards_that_are_not_met(outcome):
    group = [outcome(f"C{i}", "rose") for i in range(20)]
    table = criteria_table(practice(fell=Criterion(0.6), rose=Criterion(0.5)), group, NO_WEEKS)
    assert standards_sentence(table) == (
        "Of the 2 standards the practice set: 1 met and 1 not met.",
        "Not met: children whose ratings fell, of those judged (0 of 20; standard at least 60%).",
    )


def test_standards_that_are_all_met_are_said_as_all(outcome):
    group = [outcome(f"C{i}") for i in range(20)]
    table = criteria_table(practice(fell=Criterion(0.6), judged=Criterion(0.5)), group, NO_WEEKS)
    assert standards_sentence(table) == ("Of the 2 standards the practice set: both met.",)
    assert standards_sentence(table.head(1)) == ("The one standard the practice set: met.",)
