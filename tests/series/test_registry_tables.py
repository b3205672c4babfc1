"""Every part of a registry is a caseload of its own, with every row about its children."""

from datetime import date

import pandas as pd
import rungwise as rw
from rungwise.series.registry import open_registry
from rungwise.series.registry_tables import map_caseloads

TODAY = date(2026, 11, 1)
CHILDREN = [f"C{number:03d}" for number in range(60)]


def told(caseload, bits, argument):
    """List what stands in the tables about each child."""
    children = caseload.tables["children"]["child_id"].tolist()
    phases = caseload.tables["phases"]["child_id"].tolist()
    return pd.DataFrame(
        {
            "child_id": caseload.children,
            "ratings": [len(caseload.series(child, "gangway").values) for child in caseload.children],
            "phases": [phases.count(child) for child in caseload.children],
            "about": [children.count(child) for child in caseload.children],
            "steps": len(caseload.tables["ladders"]["step"]),
            "argument": argument,
        }
    )


def written(folder):
    ratings = [(c, "gangway", f"2026-03-{d:02d}", "baseline", 7) for c in CHILDREN for d in range(2, 7)]
    frames = {
        "ratings": (ratings, ["child_id", "ladder_id", "date", "phase", "rating"]),
        "children": ([(c, "Harbor") for c in CHILDREN], ["child_id", "site"]),
        "phases": (
            [(c, "gangway", "2026-03-02", "baseline") for c in CHILDREN],
            ["child_id", "ladder_id", "starts_on", "phase"],
        ),
        "ladders": (
            [("gangway", 1, "low board"), ("gangway", 2, "board")],
            ["ladder_id", "step", "activity"],
        ),
    }
    for table, (rows, columns) in frames.items():
        (folder / table).mkdir()
        frame = pd.DataFrame(rows, columns=columns).sample(frac=1, random_state=2)
        pieces = 3 if "child_id" in columns else 1
        for piece in range(pieces):
            frame.iloc[piece::pieces].to_parquet(folder / table / f"{piece}.parquet", index=False)
    return folder


def test_each_child_comes_once_with_all_of_its_rows(tmp_path, monkeypatch):
    monkeypatch.setattr("rungwise.series.blocks.TOGETHER", 10)
    registry = open_registry(written(tmp_path), today=TODAY, rows_together=60)
    files, report = map_caseloads(registry, told, "any", "told")
    assert len(files) == 8
    rows = pd.concat([pd.read_parquet(file) for file in files])
    assert sorted(rows["child_id"]) == CHILDREN
    for column, expected in (
        ("ratings", 5),
        ("phases", 1),
        ("about", 1),
        ("steps", 2),
        ("argument", "any"),
    ):
        assert set(rows[column]) == {expected}
    assert report.errors == ()


def test_a_child_without_a_row_about_it_is_known_to_lack_one(tmp_path):
    folder = written(tmp_path)
    for file in (folder / "children").iterdir():
        frame = pd.read_parquet(file)
        frame[frame["child_id"] != "C000"].to_parquet(file, index=False)
    registry = open_registry(folder, today=TODAY, rows_together=60)
    _, report = map_caseloads(registry, told, "any", "told")
    expected = {(p.table, p.code, p.value) for p in rw.check(folder, today=TODAY).problems}
    assert expected
    assert {(p.table, p.code, p.value) for p in report} == expected
