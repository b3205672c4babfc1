"""Every planted problem is found at its row and column, no other, and nothing sound is set aside."""

import csv
from collections import Counter
from datetime import date
from pathlib import Path

import pytest
from rungwise.tables.read import read_tables
from rungwise.tables.rules import RULES
from rungwise.tables.set_aside import set_aside_csv

MESSY = Path(__file__).parents[2] / "data_demo" / "messy"
TODAY = date(2026, 11, 25)
ALONE = sorted(path.name for path in (MESSY / "files").iterdir())


def expected(name, *columns):
    with open(MESSY.parent / f"messy_{name}", newline="", encoding="utf-8") as file:
        return [tuple(row[column] for column in columns) for row in csv.DictReader(file)]


PROBLEMS = expected("expected_problems.csv", "file", "row", "column", "code")
ASIDE = expected("expected_set_aside.csv", "file", "row")


def found(path, prefix=""):
    report = read_tables(path, today=TODAY).report
    problems = [(prefix + p.source, str(p.row), p.column, p.code) for p in report]
    return Counter(problems), sorted((prefix + row.source, str(row.row)) for row in report.set_aside)


def test_the_folder_gives_exactly_the_planted_problems():
    problems, aside = found(MESSY)
    assert problems == Counter(row for row in PROBLEMS if "/" not in row[0])
    assert aside == sorted(row for row in ASIDE if "/" not in row[0])


@pytest.mark.parametrize("folder", ["level_3", "second_copy"])
def test_the_folders_inside_give_exactly_the_planted_problems(folder):
    problems, aside = found(MESSY / folder, f"{folder}/")
    assert problems == Counter(row for row in PROBLEMS if row[0].startswith(f"{folder}/"))
    assert aside == sorted(row for row in ASIDE if row[0].startswith(f"{folder}/"))


@pytest.mark.parametrize("name", ALONE)
def test_each_file_alone_gives_exactly_the_planted_problems(name):
    problems, aside = found(MESSY / "files" / name, "files/")
    mine = f"files/{name}"
    assert problems == Counter(row for row in PROBLEMS if row[0].split(",")[0] == mine)
    assert aside == sorted(row for row in ASIDE if row[0].split(",")[0] == mine)


def test_every_rule_is_planted_but_those_that_no_committed_file_can_break():
    # Nothing there, no right to read, links in a circle, bombs, binary formats: test_hostile.py makes them.
    made_there = {
        "path_missing", "path_unreadable", "path_loop", "nothing_to_read", "file_too_big", "column_nested",
        "schema_version",
    }  # fmt: skip
    assert {code for _, _, _, code in PROBLEMS} == set(RULES) - made_there
    hostile = Path(__file__).with_name("test_hostile.py").read_text(encoding="utf-8")
    assert [code for code in made_there if f'"{code}"' not in hostile] == []


def test_what_looks_like_an_identity_is_not_repeated_in_the_report():
    report = read_tables(MESSY, today=TODAY).report
    values = [problem.value for problem in report]
    values += [entry for row in report.set_aside for entry in row.cells.values()]
    assert values.count("(not shown)") >= 5
    for told in ("Sample Mira", "555-0134", "Robert"):
        assert not any(told in value for value in values)
    assert "Sample" not in set_aside_csv(report.set_aside)
