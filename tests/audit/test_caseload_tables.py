"""The caseload tables of a registry are those of the same files in memory, however they are spread."""

from datetime import date

import numpy as np
import pandas as pd
import pytest
import rungwise as rw
from rungwise.audit.caseload_tables import audit_tables
from rungwise.basis.errors import DataProblems
from rungwise.series.registry import open_registry

QUARTER, TODAY = "2026Q3", date(2026, 10, 20)
TABLES = ("flow", "shares", "beside", "groups", "children")


def practice(children=90, seed=4):
    """Ratings, children and phases of an invented practice, some of it missing or odd."""
    rng = np.random.default_rng(seed)
    ratings, about, phases = [], [], []
    for child in range(children):
        code = f"C{child:03d}"
        n_a, n_b = rng.integers(2, 8), rng.integers(3, 16)
        first = np.datetime64("2026-02-02") + int(rng.integers(0, 150))
        days = first + 7 * np.arange(n_a + n_b)
        drop = 3 * (child % 3 > 0)
        for place, day in enumerate(days):
            value = np.clip(np.rint(8 - drop * (place >= n_a) + rng.normal(0, 1)), 0, 10)
            ladder = "dinghy" if child % 7 == 0 and place % 2 else "gangway"
            phase = "baseline" if place < n_a else "exposure"
            ratings.append((code, ladder, str(day), phase, value, rng.random() < 0.03))
        ended = str(days[-1]) if child % 4 == 0 else None
        site = ("Harbor", "Headland", None)[child % 3]
        about.append((code, 60 + child % 70, site, str(first), ended, "goals_met" if ended else None))
        if child % 5:
            phases += [
                (code, "gangway", str(first), "baseline"),
                (code, "gangway", str(days[n_a]), "exposure"),
            ]
    ratings = pd.DataFrame(
        ratings, columns=["child_id", "ladder_id", "date", "phase", "rating", "declined"]
    )
    ratings.loc[ratings["declined"], "rating"] = np.nan
    columns = ["child_id", "age_months", "site", "entered_on", "ended_on", "end_reason"]
    about = pd.DataFrame(about, columns=columns)
    # One child of the ratings is in no table of children, one row is a slip, one child has no rating.
    about = about[about["child_id"] != "C011"]
    about.loc[len(about) + 1] = ["C900", 80, "Harbor", "2026-07-06", None, None]
    ratings.loc[40, "rating"] = 14
    phases = pd.DataFrame(phases, columns=["child_id", "ladder_id", "starts_on", "phase"])
    return {"ratings": ratings, "children": about, "phases": phases}


def written(folder, frames, pieces=1, seed=None):
    for table, frame in frames.items():
        home = folder / table
        home.mkdir(parents=True, exist_ok=True)
        rows = frame if seed is None else frame.sample(frac=1, random_state=seed)
        for place, piece in enumerate(np.array_split(np.arange(len(rows)), pieces)):
            rows.iloc[piece].to_parquet(home / f"part-{place}.parquet", index=False)
    return folder


def same(left, right):
    for name in TABLES:
        pd.testing.assert_frame_equal(
            getattr(left, name), getattr(right, name), check_exact=True, check_dtype=False, obj=name
        )
    assert left.headline.as_row() == right.headline.as_row()
    assert (left.quarter, left.as_of) == (right.quarter, right.as_of)


@pytest.fixture(autouse=True)
def small_company(monkeypatch):
    """Let few children be enough for several blocks, and so for several parts."""
    monkeypatch.setattr("rungwise.series.blocks.TOGETHER", 24)


@pytest.fixture(scope="module")
def frames():
    return practice()


@pytest.fixture(scope="module")
def whole(frames, tmp_path_factory):
    return rw.read_caseload(written(tmp_path_factory.mktemp("whole"), frames), today=TODAY)


def test_they_are_those_of_the_audit(whole):
    tables = audit_tables(whole, QUARTER, today=TODAY)
    audit = rw.audit_quarter(whole, QUARTER, today=TODAY)
    same(tables, audit)
    assert audit.flow.set_index("code")["children"]["judged"] >= 15
    assert len(audit.groups) >= 2


@pytest.mark.parametrize(
    ("pieces", "rows_together", "engine"), [(1, 10**6, "serial"), (3, 150, "processes")]
)
def test_a_registry_gives_the_same_to_the_last_bit(tmp_path, frames, whole, pieces, rows_together, engine):
    told = []
    registry = open_registry(
        written(tmp_path, frames, pieces, seed=pieces),
        today=TODAY,
        rows_together=rows_together,
        engine=engine,
        workers=2,
        progress=lambda *entry: told.append(entry),
    )
    tables = audit_tables(registry, QUARTER)
    same(tables, audit_tables(whole, QUARTER, today=TODAY))
    assert {entry[0] for entry in told} >= {"rows", "series", "rows of children", "audit"}
    if rows_together < 1000:
        assert ("audit", 4, 4) in told
    codes = {problem.code for problem in whole.report.errors}
    assert codes
    assert codes <= {problem.code for problem in tables.report}


def test_a_second_call_and_a_killed_one_go_on_where_they_were(tmp_path, frames):
    folder = written(tmp_path / "data", frames, 2)
    about = {"today": TODAY, "rows_together": 200, "work": tmp_path / "work"}
    first = audit_tables(open_registry(folder, **about), QUARTER)
    (done,) = (tmp_path / "work").rglob("told.json")
    parts = sorted(done.parent.glob("part-*.parquet"))
    assert len(parts) == 4
    # As a kill in the middle leaves it: some parts are there, and nothing that says it was all.
    done.unlink()
    parts[1].unlink()
    kept = {part: part.stat().st_mtime_ns for part in parts if part.exists()}
    again = audit_tables(open_registry(folder, **about), QUARTER)
    same(first, again)
    assert {part: part.stat().st_mtime_ns for part in kept} == kept
    assert parts[1].exists()


def test_a_table_of_another_schema_is_named(tmp_path, frames):
    odd = frames | {"phases": frames["phases"].rename(columns={"starts_on": "from_day"})}
    registry = open_registry(written(tmp_path, odd), today=TODAY)
    with pytest.raises(DataProblems, match=r"part-0.parquet.*table of phases.*\(starts_on\)"):
        audit_tables(registry, QUARTER)


def test_the_whole_audit_is_for_a_caseload(tmp_path, frames):
    registry = open_registry(written(tmp_path, frames), today=TODAY)
    with pytest.raises(ValueError, match=r"caseload must be a Caseload.*audit_tables"):
        rw.audit_quarter(registry, QUARTER)


def test_tables_may_be_files_beside_each_other(tmp_path, frames, whole):
    for table, frame in frames.items():
        frame.to_parquet(tmp_path / f"{table}.parquet", index=False)
    same(
        audit_tables(open_registry(tmp_path, today=TODAY), QUARTER),
        audit_tables(whole, QUARTER, today=TODAY),
    )


def test_a_caseload_without_planned_ratings_still_has_its_tables(tmp_path):
    (tmp_path / "observations.csv").write_text(
        "child_id,ladder_id,date,trial,kind,step,outcome,fear_peak\n"
        "C1,net,2026-08-03,1,practice,1,completed,4\n",
        encoding="utf-8",
    )
    tables = audit_tables(rw.read_caseload(tmp_path, today=TODAY), QUARTER)
    assert tables.children.empty
    assert set(tables.flow["children"]) <= {0, 1}
