"""Every simulated table keeps to its schema and to the other tables."""

import json
import re
from collections import Counter
from datetime import date

import numpy as np
import pytest
from rungwise.resources import shipped
from rungwise.simulate.practice import simulate_practice

TABLES = (
    "children", "phases", "ratings", "ladders", "plans", "observations", "incidents", "actions", "measures",
    "sessions", "assessments", "goals", "goal_ratings", "agreement", "fidelity",
)  # fmt: skip
KINDS = {"integer": int, "number": (int, float), "string": str, "date": date, "boolean": bool}


def schema(table: str) -> dict:
    return json.loads((shipped("schemas") / f"{table}.json").read_text(encoding="utf-8"))


def test_the_richest_level_has_every_table(practice):
    assert set(practice.tables) == set(TABLES)


@pytest.mark.parametrize("table", TABLES)
def test_rows_keep_to_the_schema(practice, table):
    described = schema(table)
    fields = {field["name"]: field for field in described["fields"]}
    rows = practice.tables[table]
    assert rows
    assert set(rows[0]) <= set(fields)
    for row in rows:
        assert list(row) == list(rows[0])
        for name, value in row.items():
            limits = fields[name].get("constraints", {})
            if value is None:
                assert not limits.get("required"), (table, name)
                continue
            assert isinstance(value, KINDS[fields[name]["type"]]), (table, name, value)
            assert value in limits.get("enum", [value]), (table, name, value)
            assert limits.get("minimum", value) <= value <= limits.get("maximum", value)
            if "pattern" in limits:
                assert re.fullmatch(limits["pattern"], value), (table, name, value)
    required = {name for name, field in fields.items() if field.get("constraints", {}).get("required")}
    assert required <= set(rows[0])


@pytest.mark.parametrize("table", TABLES)
def test_keys_are_unique(practice, table):
    described = schema(table)
    keys = [described["primaryKey"]] if "primaryKey" in described else []
    for key in keys + described.get("uniqueKeys", []):
        counts = Counter(tuple(row.get(name) for name in key) for row in practice.tables[table])
        assert max(counts.values()) == 1, (table, key, counts.most_common(1))


@pytest.mark.parametrize("table", TABLES)
def test_whatever_a_row_points_to_is_there(practice, table):
    for link in schema(table).get("foreignKeys", []):
        names = link["fields"] if isinstance(link["fields"], list) else [link["fields"]]
        there = link["reference"]["fields"]
        there = there if isinstance(there, list) else [there]
        known = {
            tuple(row[name] for name in there) for row in practice.tables[link["reference"]["resource"]]
        }
        for row in practice.tables[table]:
            pointer = tuple(row[name] for name in names)
            assert None in pointer or pointer in known, (table, names, pointer)


def test_every_visit_stands_in_the_sessions_as_kept(practice):
    kept = {
        (row["child_id"], row["date"]) for row in practice.tables["sessions"] if row["attended"] == "yes"
    }
    visited = {(row["child_id"], row["date"]) for row in practice.tables["observations"]}
    assert visited <= kept
    attended = Counter(row["attended"] for row in practice.tables["sessions"])
    assert min(attended["cancelled"], attended["missed"]) > 5


def test_minutes_of_exposure_are_the_minutes_practiced(practice):
    practiced = Counter()
    for row in practice.tables["observations"]:
        if row["kind"] == "practice":
            practiced[row["child_id"], row["date"]] += row["minutes"]
    for row in practice.tables["sessions"]:
        if row["attended"] == "yes":
            assert row["exposure_minutes"] == pytest.approx(
                practiced[row["child_id"], row["date"]], abs=0.51
            )


def test_a_second_observer_saw_a_recorded_trial_and_rates_fear_only_beside_an_observer(practice):
    key = ("child_id", "ladder_id", "date", "kind", "step", "trial")
    seen = {tuple(row[name] for name in key): row for row in practice.tables["observations"]}
    same = []
    for row in practice.tables["agreement"]:
        trial = seen[tuple(row[name] for name in key)]
        same.append(row["outcome"] == trial["outcome"])
        assert row["fear_peak"] is None or trial["rated_by"] == "observer"
    assert 0.9 < np.mean(same) < 0.97
    assert any(row["fear_peak"] is not None for row in practice.tables["agreement"])


def test_children_whose_fear_fell_have_better_scores_and_goals(practice):
    scenario = {kid.record["child_id"]: kid.scenario for kid in practice.children}
    change = {"improves_clearly": [], "no_change": []}
    intake = {
        row["child_id"]: row["score"]
        for row in practice.tables["assessments"]
        if (row["measure_id"], row["occasion"]) == ("MOVEFEAR", "intake")
    }
    for row in practice.tables["assessments"]:
        name = scenario[row["child_id"]].name
        if (row["measure_id"], row["occasion"]) == ("MOVEFEAR", "discharge") and name in change:
            change[name].append(row["score"] - intake[row["child_id"]])
    assert np.mean(change["improves_clearly"]) < -8
    assert abs(np.mean(change["no_change"])) < 5


def test_the_staggered_design_has_random_starts_within_their_windows(practice):
    starts = {
        (row["child_id"], row["ladder_id"]): row["starts_on"]
        for row in practice.tables["phases"]
        if row["phase"] == "exposure"
    }
    consent = {row["child_id"]: row["research_consent"] for row in practice.tables["children"]}
    drawn = [row for row in practice.tables["plans"] if row["assignment"] == "random"]
    assert [row["tier"] for row in drawn] == [1, 2, 3, 4]
    assert {row["design_id"] for row in drawn} == {"MB1"}
    days = [starts[row["child_id"], row["ladder_id"]] for row in drawn]
    assert days == sorted(days)
    assert len(set(days)) == 4
    for row, day in zip(drawn, days, strict=True):
        assert consent[row["child_id"]]
        assert row["window_opens"] <= day <= row["window_closes"]


def test_ratings_are_the_same_at_every_level():
    levels = [simulate_practice(np.random.default_rng(3), 40, level=level).tables for level in (1, 2, 3)]
    assert set(levels[0]) == {"children", "phases", "ratings"}
    assert set(levels[0]) < set(levels[1]) < set(levels[2])
    for name in levels[0]:
        assert levels[0][name] == levels[1][name] == levels[2][name]
    for name in levels[1]:
        assert levels[1][name] == levels[2][name], name
