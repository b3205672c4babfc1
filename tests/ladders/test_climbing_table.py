"""What the shipped table of simulated climbs claims."""

import pandas as pd
import pytest
from rungwise.resources import PACKAGE
from rungwise.single_case.verdict import FELL

STEP_BY_STEP = "practice ratings, step by step"


@pytest.fixture(scope="module")
def shares():
    table = pd.read_csv(PACKAGE / "data" / "climbing.csv", comment="#")
    assert (table["n"] == 1000).all()
    return table


def share(table, children, outcome, *results):
    rows = table[table["children"].eq(children) & table["outcome"].eq(outcome)]
    chosen = rows[rows["result"].isin(results)]
    return chosen.groupby(["rule", "autocorrelation"])["share"].sum()


def test_unchanged_children_are_hardly_ever_called_fallen_beyond_baseline(shares):
    for children in ("no change", "no change, calms within a visit", "eased"):
        found = share(shares, children, "probe fear (verdict)", "fell_beyond_baseline")
        assert (found <= 0.05).all()


def test_step_by_step_trends_of_practice_ratings_claim_progress_that_is_not_there(shares):
    # A one-sided test at .025 would be expected to say so in .025 of the children.
    assert (share(shares, "no change", STEP_BY_STEP, "improved") > 2 * 0.025).all()


def test_raw_ratings_fall_where_nothing_but_the_step_got_easier(shares):
    assert (share(shares, "eased", "practice ratings, all steps together", "improved") > 0.9).all()


def test_raw_ratings_hide_the_progress_of_children_who_climb_and_probes_show_it(shares):
    assert (share(shares, "climbs", "practice ratings, all steps together", "improved") < 0.05).all()
    assert (share(shares, "climbs", "probe fear (verdict)", *FELL) > 0.9).all()


def test_the_shares_of_a_cell_add_up(shares):
    sums = shares.groupby(["children", "rule", "autocorrelation", "outcome"])["share"].sum()
    assert sums.sub(1).abs().max() < 0.001
