"""What the shipped table of simulated climbs claims."""

import pandas as pd
import pytest
from rungwise.resources import PACKAGE
from rungwise.single_case.verdict import FELL

RAW = "practice ratings, all steps together"
STEP_BY_STEP = "practice ratings, step by step"
APPROACH = "approach score"
ADJUSTED = "step-adjusted fear (95 % interval)"
PROBE = "probe fear (verdict)"
UNCHANGED = ("no change", "no change, calms within a visit", "eased")
OWN_RULE = "up after 2 calm visits in a row"


@pytest.fixture(scope="module")
def shares():
    table = pd.read_csv(PACKAGE / "data" / "climbing.csv", comment="#")
    assert (table["n"] == 1000).all()
    return table


def share(table, children, outcome, *results):
    rows = table[table["children"].eq(children) & table["outcome"].eq(outcome)]
    chosen = rows[rows["result"].isin(results)]
    found = chosen.groupby(["rule", "autocorrelation"])["share"].sum()
    assert len(found) >= 2
    return found


@pytest.mark.parametrize("children", UNCHANGED)
@pytest.mark.parametrize(
    ("outcome", "result"),
    [(PROBE, "fell_beyond_baseline"), (APPROACH, "improved"), (ADJUSTED, "improved")],
)
def test_unchanged_children_are_called_improved_in_at_most_a_twentieth(shares, children, outcome, result):
    assert (share(shares, children, outcome, result) <= 0.05).all()


def test_any_fall_of_probes_is_held_to_a_twentieth_only_without_autocorrelation(shares):
    for children in UNCHANGED:
        found = share(shares, children, PROBE, *FELL)
        assert (found.xs(0.0, level="autocorrelation") <= 0.05).all()
        assert (found <= 0.10).all()


def test_step_by_step_trends_of_practice_ratings_claim_progress_that_is_not_there(shares):
    # A one-sided test at .025 would be expected to say so in .025 of the children.
    found = share(shares, "no change", STEP_BY_STEP, "improved")
    assert (found > 3 * 0.025).all()
    assert (found.loc[OWN_RULE] > 8 * 0.025).all()
    assert found.max() > 0.25
    without = share(shares, "no change", f"{STEP_BY_STEP}, without the run that led upward", "improved")
    assert (without < found).all()
    assert (without > 2 * 0.025).all()


def test_raw_ratings_fall_where_nothing_but_the_step_got_easier(shares):
    assert (share(shares, "eased", RAW, "improved") > 0.9).all()


def test_raw_ratings_hide_the_progress_of_children_who_climb_and_probes_show_it(shares):
    assert (share(shares, "climbs", RAW, "improved") < 0.1).all()
    assert (share(shares, "climbs", PROBE, *FELL) > 0.9).all()


def test_approach_says_something_where_it_was_asked_often_enough(shares):
    for children in (*UNCHANGED, "climbs"):
        assert (share(shares, children, APPROACH, "cannot be said") < 0.25).all()
    climbed = share(shares, "climbs", APPROACH, "improved")
    assert (climbed > 8 * share(shares, "no change", APPROACH, "improved").max()).all()


def test_the_shares_of_a_cell_add_up(shares):
    sums = shares.groupby(["children", "rule", "autocorrelation", "outcome"])["share"].sum()
    assert len(sums) == 9 * 2 * 6
    assert sums.sub(1).abs().max() < 0.001
