"""The committed demo data are what the script makes, and hold what the README promises."""

import csv
import importlib.util
from collections import Counter
from datetime import date
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from rungwise.series.caseload import read_caseload
from rungwise.tables.read import read_tables

DEMO = Path(__file__).parents[2] / "data_demo"


PLAIN = "practice_level_1"


def rows(name: str) -> list[dict[str, str]]:
    with (DEMO / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def remade(tmp_path_factory) -> Path:
    spec = importlib.util.spec_from_file_location("make_demo", DEMO / "make_demo.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    folder = tmp_path_factory.mktemp("demo")
    module.main(folder)
    return folder


def test_the_same_seed_gives_the_same_bytes(remade):
    made = sorted(path.relative_to(remade) for path in remade.rglob("*") if path.is_file())
    assert Path("practice_level_1/ratings.csv") in made
    assert Path("one_child.csv") in made
    for name in made:
        assert (DEMO / name).read_bytes() == (remade / name).read_bytes(), name


@pytest.mark.parametrize("folder", ["practice", "practice_level_1"])
def test_nothing_else_lies_in_the_folder(remade, folder):
    committed = sorted(path.name for path in (DEMO / folder).iterdir())
    assert committed == sorted(path.name for path in (remade / folder).iterdir())


@pytest.mark.parametrize("path", ["one_child.csv", "practice", "practice_level_1"])
def test_every_check_passes_on_any_later_day(path):
    for today in (date(2026, 11, 25), date(2031, 1, 1)):
        report = read_tables(DEMO / path, today=today).report
        assert [problem.code for problem in report] == []


def test_both_levels_give_the_same_series():
    plain, rich = (read_caseload(DEMO / name) for name in ("practice_level_1", "practice"))
    assert (plain.level, rich.level) == (1, 3)
    assert plain.children == rich.children
    for child in plain.children:
        assert plain.ladders(child) == rich.ladders(child, trained=True)
        for ladder in plain.ladders(child):
            one, other = plain.series(child, ladder), rich.series(child, ladder)
            for name in ("values", "declined", "times"):
                np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=child)
            assert one.phases.tolist() == other.phases.tolist()


def test_one_child_has_what_the_readme_says():
    child = rows("one_child.csv")
    assert list(child[0]) == ["date", "phase", "rating"]
    assert [row["phase"] for row in child] == ["baseline"] * 6 + ["exposure"] * 14
    assert [row["rating"] for row in child].count("declined") == 1
    days = [date.fromisoformat(row["date"]) for row in child]
    gaps = Counter((later - earlier).days for earlier, later in pairwise(days))
    assert gaps == {7: 18, 14: 1}


def test_every_child_of_the_truth_is_in_the_practice_and_the_other_way_round():
    children = [row["child_id"] for row in rows(f"{PLAIN}/children.csv")]
    assert len(children) == len(set(children)) == 60
    rated = {(row["child_id"], row["ladder_id"]) for row in rows(f"{PLAIN}/ratings.csv")}
    assert rated == {(row["child_id"], row["ladder_id"]) for row in rows("truth.csv")}
    assert len({child for child, _ in rated}) == 57
    assert {child for child, _ in rated} <= set(children)


def test_nothing_is_dated_after_the_last_recorded_day():
    for name in ("children", "phases", "ratings"):
        for row in rows(f"{PLAIN}/{name}.csv"):
            for column, cell in row.items():
                if cell and (column == "date" or column.endswith("_on")):
                    assert date(2025, 7, 1) <= date.fromisoformat(cell) <= date(2026, 11, 13)


def test_ratings_stand_in_the_phase_that_was_under_way():
    starts: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for row in rows(f"{PLAIN}/phases.csv"):
        starts.setdefault((row["child_id"], row["ladder_id"]), []).append((row["starts_on"], row["phase"]))
    for row in rows(f"{PLAIN}/ratings.csv"):
        given = starts.get((row["child_id"], row["ladder_id"])) or starts[row["child_id"], ""]
        begun = [phase for day, phase in sorted(given) if day <= row["date"]]
        assert begun[-1] == row["phase"], row


def test_a_rating_is_given_exactly_where_nothing_was_declined():
    ratings = rows(f"{PLAIN}/ratings.csv")
    assert all((row["rating"] == "") == (row["declined"] == "yes") for row in ratings)
    assert {row["rating"] for row in ratings} == {"", *map(str, range(11))}


def test_the_promised_kinds_of_children_are_there():
    kinds = Counter(row["scenario"] for row in rows("truth.csv"))
    assert set(kinds) == {
        "improves_clearly", "improves_somewhat", "baseline_continues", "falls_faster", "no_change",
        "gets_worse", "leaves_early", "declines_first", "short_baseline", "many_weeks_missing", "at_floor",
        "two_ladders", "two_ladders_no_change",
    }  # fmt: skip
    ended = Counter(row["end_reason"] for row in rows(f"{PLAIN}/children.csv"))
    assert {"goals_met", "other", "fear", ""} <= set(ended)


def test_the_documented_child_climbs_the_gangway():
    ladders = {row["ladder_id"] for row in rows(f"{PLAIN}/ratings.csv") if row["child_id"] == "C014"}
    assert ladders == {"gangway"}
