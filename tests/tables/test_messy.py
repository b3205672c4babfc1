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


def test_the_caseload_with_every_table_gives_exactly_the_planted_problems():
    problems, aside = found(MESSY / "level_3", "level_3/")
    assert problems == Counter(row for row in PROBLEMS if row[0].startswith("level_3/"))
    assert aside == sorted(row for row in ASIDE if row[0].startswith("level_3/"))


@pytest.mark.parametrize("name", ALONE)
def test_each_file_alone_gives_exactly_the_planted_problems(name):
    problems, aside = found(MESSY / "files" / name, "files/")
    mine = f"files/{name}"
    assert problems == Counter(row for row in PROBLEMS if row[0].split(",")[0] == mine)
    assert aside == sorted(row for row in ASIDE if row[0].split(",")[0] == mine)


def test_every_rule_is_planted_here_or_tested_elsewhere():
    names = ("test_hostile.py", "test_first_files.py", "test_near_codes.py")
    elsewhere = "".join(Path(__file__).with_name(name).read_text(encoding="utf-8") for name in names)
    planted = {code for _, _, _, code in PROBLEMS}
    assert [code for code in RULES if code not in planted and f'"{code}"' not in elsewhere] == []


def test_what_looks_like_an_identity_is_not_repeated_in_the_report():
    report = read_tables(MESSY, today=TODAY).report
    values = [problem.value for problem in report]
    values += [entry for row in report.set_aside for entry in row.cells.values()]
    assert values.count("(not shown)") >= 5
    for told in ("Sample Mira", "555-0134", "Robert"):
        assert not any(told in value for value in values)
    assert "Sample" not in set_aside_csv(report.set_aside)
