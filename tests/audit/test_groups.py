from datetime import date
from pathlib import Path

import numpy as np
import pytest
from rungwise.audit.audit import audit_quarter
from rungwise.audit.groups import ENOUGH, SEVERAL, about_groups, groups_table, shrunken
from rungwise.series.caseload import read_caseload


@pytest.fixture
def folder_level_3():
    return Path(__file__).resolve().parents[2] / "data_demo" / "practice"


def child(code, site="Harbor", months=80, reason="heights"):
    return {"child_id": code, "site": site, "age_months": months, "referral_reason": reason}


def test_groups_are_counted_by_name_and_not_by_rate(caseload, outcome):
    children = [
        child("C1", "Harbor", 70), child("C2", "Cliff", 100), child("C3", "Cliff", 130),
        child("C4", None, None), child("C5", "Harbor", 71),
    ]  # fmt: skip
    group = [outcome("C1"), outcome("C2", "rose"), outcome("C3", "rose"), outcome("C4"), outcome("C5"),
             outcome("C6", "", stage="no_ratings")]  # fmt: skip
    table = groups_table(caseload(children=children), group)
    assert table[["grouping", "group", "judged", "fell"]].to_numpy().tolist() == [
        ["site", "Cliff", 2, 0],
        ["site", "Harbor", 2, 2],
        ["site", "not recorded", 1, 1],
        ["age_band", "under 6 years", 2, 2],
        ["age_band", "6 to 9 years", 1, 0],
        ["age_band", "10 to 12 years", 1, 0],
        ["age_band", "not recorded", 1, 1],
    ]
    assert table["share"].tolist()[:2] == [0, 1]
    assert "fewer than 30 judged children" in about_groups(table)
    assert "by site and age at entry" in about_groups(table)


@pytest.mark.parametrize(
    ("months", "band"), [(71, "under 6 years"), (72, "6 to 9 years"), (156, "13 and older")]
)
def test_edges_of_the_age_bands(caseload, outcome, months, band):
    load = caseload(children=[child("C1", months=months), child("C2", months=140)])
    table = groups_table(load, [outcome("C1"), outcome("C2")])
    assert band in table["group"].tolist()


def test_large_groups_may_be_looked_at(caseload, outcome):
    codes = [f"C{i:03d}" for i in range(2 * ENOUGH)]
    children = [child(code, "Harbor" if i < ENOUGH else "Cliff") for i, code in enumerate(codes)]
    table = groups_table(caseload(children=children), [outcome(code) for code in codes])
    assert about_groups(table).startswith("Every group has at least 30 judged children")
    assert table["inner_low"].notna().all()
    # All are of one age and reason, on a scale without ends: nothing to adjust for.
    assert table["expected"].isna().all()
    assert table["why_no_limits"].str.startswith("Nothing that was recorded").all()
    assert (table["outer_low"] <= table["share"]).all()


def test_limits_and_drawn_shares_stand_only_where_every_group_of_the_kind_is_large(caseload, outcome):
    codes = [f"C{i:03d}" for i in range(3 * ENOUGH)]
    children = [
        child(code, "Harbor" if i < 2 * ENOUGH else "Cliff", 70 if i else 100)
        for i, code in enumerate(codes)
    ]
    judged = [
        outcome(code, "rose" if i % 3 == 0 or i >= 75 else "fell_beyond_baseline")
        for i, code in enumerate(codes)
    ]
    table = groups_table(caseload(children=children), judged).set_index("grouping")
    site, age = table.loc["site"], table.loc["age_band"]
    assert age[["inner_low", "shrunken"]].isna().all(axis=None)
    assert age["why_no_limits"].str.contains("30 judged children").all()
    assert site["inner_low"].notna().all()
    center = site["fell"].sum() / site["judged"].sum()
    between = np.sign(site["shrunken"] - center) == np.sign(site["share"] - center)
    assert between.all()
    assert ((site["shrunken"] - center).abs() < (site["share"] - center).abs()).all()
    assert "by age at entry at least one group" in about_groups(table.reset_index())


def test_groups_that_differ_no_more_than_chance_share_one_share():
    assert shrunken([18, 19], [30, 30]) == pytest.approx([shrunken([18, 19], [30, 30])[0]] * 2)


def test_a_child_is_in_one_group_by_ladder_setting_and_rater(folder_level_3):
    caseload = read_caseload(folder_level_3, today=date(2026, 11, 13))
    groups = audit_quarter(caseload, "2026Q3", today="2026-11-13").groups
    judged = groups.groupby("grouping")["judged"].sum()
    assert set(judged.index) >= {"site", "setting", "ladder"}
    assert judged.nunique() == 1
    assert SEVERAL in groups.loc[groups["grouping"] == "ladder", "group"].tolist()


def test_nothing_recorded_is_said(caseload, outcome):
    table = groups_table(caseload(), [outcome("C1")])
    assert table.empty
    assert about_groups(table).startswith("Fewer than two groups were recorded")


def test_clinicians_are_never_a_group(caseload, outcome):
    children = [child("C1") | {"clinician_id": "T1"}, child("C2") | {"clinician_id": "T2"}]
    assert groups_table(caseload(children=children), [outcome("C1"), outcome("C2")]).empty


def test_who_came_explains_what_groups_differ_by(caseload, outcome):
    """Two sites alike in their work: one is sent the older children, who fall less often."""
    rng = np.random.default_rng(29)
    children, judged = [], []
    for i in range(240):
        older = rng.random() < (0.8 if i < 120 else 0.2)
        fell = rng.random() < (0.35 if older else 0.8)
        children.append(child(f"C{i:03d}", "Cliff" if i < 120 else "Harbor", 110 if older else 80))
        judged.append(outcome(f"C{i:03d}", "fell_short_baseline" if fell else "no_clear_change"))
        months = children[-1]["age_months"]
        children[-1]["age_months"] = months + 20 if older else months
    table = groups_table(caseload(children=children), judged)
    site = table[table["grouping"] == "site"]
    assert ((site["share"] < site["outer_low"]) | (site["share"] > site["outer_high"])).all()
    assert site["fell"].between(site["expected_low"], site["expected_high"]).all()
    assert site["expected"].sum() == pytest.approx(site["fell"].sum())
    assert set(site["adjusted_for"]) == {"age at entry"}
    # The ages are not adjusted for age.
    age = table[table["grouping"] == "age_band"]
    assert age["expected"].isna().all()


def test_a_large_simulated_practice_has_every_limit_for_its_sites(large_audit):
    groups = large_audit.groups
    site = groups[groups["grouping"] == "site"]
    assert len(site) == 2
    assert (site["judged"] >= ENOUGH).all()
    numbers = ["inner_low", "outer_high", "shrunken", "expected", "expected_low", "expected_high"]
    assert site[numbers].notna().all(axis=None)
    assert set(site["adjusted_for"]) == {"baseline level; age at entry; referral reason"}
    # The sites of the simulator do the same work, so neither lies outside.
    assert site["fell"].between(site["expected_low"], site["expected_high"]).all()
    assert "Groups by site" in about_groups(groups)


@pytest.fixture(scope="module")
def large_audit(tmp_path_factory):
    """The audit of 320 invented children at the lowest recording level."""
    from rungwise.simulate.practice import simulate_practice
    from rungwise.simulate.writing import write_tables

    folder = tmp_path_factory.mktemp("large")
    write_tables(simulate_practice(np.random.default_rng(7), 320, level=1).tables, folder)
    return audit_quarter(read_caseload(folder, today=date(2026, 11, 13)), "2026Q3", today="2026-11-13")
