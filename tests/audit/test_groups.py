from datetime import date
from pathlib import Path

import numpy as np
import pytest
from rungwise.audit.audit import audit_quarter
from rungwise.audit.groups import ENOUGH, SEVERAL, about_groups, groups_table, shrunken
from rungwise.series.caseload import read_caseload


@pytest.fixture
def folder_level_3():
    return Path(__file__).resolve().parents[2] / "data_demo" / "practice_level_3"


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
    assert about_groups(table).startswith("Every group has enough judged children")
    assert table["why_no_limits"].eq("").all()
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
