"""A registry gives what the same rows give in memory, to the last bit, however they lie in files."""

import os
import signal
import subprocess
import sys
import time
from datetime import date

import numpy as np
import pandas as pd
import pytest
import rungwise as rw
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st
from rungwise.basis.errors import DataProblems
from rungwise.series.caseload import Caseload
from rungwise.series.registry import Registry, of_any_size, open_registry
from rungwise.single_case.caseload_verdicts import caseload_verdicts
from rungwise.single_case.effects import CATALOG, effect_files, effects

TODAY = date(2026, 11, 1)
LIGHT = ["tau", "nap", "baseline_trend", "pnd"]


def ratings(children, seed=7, ladders=("gangway", "dinghy")):
    """Sound ratings of many children, on one or two ladders, with declines and blanks."""
    rng = np.random.default_rng(seed)
    rows = []
    for child in range(children):
        for ladder in ladders[: 1 + child % 2]:
            n_a, n_b = rng.integers(3, 9), rng.integers(5, 15)
            start = np.datetime64("2026-01-05") + int(rng.integers(0, 60))
            days = start + np.cumsum(rng.integers(1, 9, n_a + n_b))
            level = rng.integers(4, 10)
            for place, day in enumerate(days):
                rating = float(np.clip(np.rint(level - 2 * (place >= n_a) + rng.normal(0, 1.5)), 0, 10))
                declined = bool(rng.random() < 0.04)
                if declined or rng.random() < 0.02:
                    rating = np.nan
                phase = "baseline" if place < n_a else "exposure"
                rows.append((f"C{child:04d}", ladder, day, phase, rating, declined))
    columns = ["child_id", "ladder_id", "date", "phase", "rating", "declined"]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.assign(date=frame["date"].astype("datetime64[s]").dt.date)


def written(folder, *frames):
    home = folder / "ratings"
    home.mkdir(parents=True, exist_ok=True)
    for place, frame in enumerate(frames):
        frame.to_parquet(home / f"part-{place:03d}.parquet", index=False)
    return folder


def same(left, right):
    pd.testing.assert_frame_equal(left, right, check_exact=True, check_dtype=False)


def test_every_statistic_is_the_one_in_memory_to_the_last_bit(tmp_path):
    frame = ratings(260)
    names = [name for name in CATALOG if not name.startswith("tau_u")]
    whole = effects(rw.read_caseload(written(tmp_path / "one", frame), today=TODAY), names)
    shuffled = frame.sample(frac=1, random_state=3)
    pieces = np.array_split(np.arange(len(frame)), 7)
    many = written(tmp_path / "many", *(shuffled.iloc[piece] for piece in pieces))
    registry = open_registry(many, today=TODAY, rows_together=700)
    assert registry.bits >= 3
    same(effects(registry, names), whole)


@pytest.mark.parametrize("rows_together", [300, 3000, 10**6])
def test_parts_of_any_size_give_the_same(tmp_path, rows_together):
    frame = ratings(60).sample(frac=1, random_state=rows_together)
    folder = written(tmp_path, frame)
    names = ["tau", "change_beyond_baseline"]
    whole = effects(rw.read_caseload(folder, today=TODAY), names)
    same(effects(open_registry(folder, today=TODAY, rows_together=rows_together), names), whole)


def damaged(frame):
    """Everything out of the ordinary that rows can hold, each in a child of its own."""
    frame = frame.assign(
        rated_by=None, better=None, outcome=None, trial=np.nan, rating=frame["rating"].astype(object)
    )
    frame["rating"] = [None if value != value else f"{value:g}" for value in frame["rating"]]
    frame["date"] = [day.isoformat() for day in frame["date"]]

    def row_of(child, place=2):
        return frame.index[frame["child_id"] == f"C{child:04d}"][place]

    frame.loc[row_of(0), "rating"] = "12"
    frame.loc[row_of(1), "rating"] = "refused"
    frame.loc[row_of(2), "rating"] = "6,5"
    frame.loc[row_of(3, -1), "date"] = "2031-01-01"
    frame.loc[row_of(4), "phase"] = "expsure"
    frame.loc[row_of(5, 0), "phase"] = "exposure"
    frame.loc[row_of(6), "rated_by"] = "parent"
    frame.loc[row_of(7), "child_id"] = "c0007"
    frame.loc[row_of(8), "better"] = "higher"
    frame.loc[row_of(9), "outcome"] = "distance"
    frame.loc[row_of(10), "ladder_id"] = "Gangway"
    frame.loc[row_of(11), "declined"] = True
    frame.loc[row_of(12), "rating"] = "missed"
    frame.loc[row_of(13), "child_id"] = "Anna"
    frame.loc[row_of(14), "child_id"] = None
    frame.loc[row_of(15, 3), "date"] = frame.loc[row_of(15, 2), "date"]
    frame.loc[frame["child_id"] == "C0016", "rated_by"] = "parent"
    mixed = frame.index[frame["child_id"] == "C0021"]
    frame.loc[mixed, "rated_by"] = "child"
    frame.loc[mixed[1::3], "rated_by"] = "parent"
    frame.loc[frame["child_id"] == "C0017", "phase"] = "maintenance"
    twice = frame[frame["child_id"] == "C0018"]
    differs = frame[frame["child_id"] == "C0019"].iloc[[4]].assign(rating="1")
    word = frame[frame["child_id"] == "C0020"].assign(child_id="heron")
    return pd.concat([frame, twice, differs, word], ignore_index=True)


def test_damaged_rows_are_treated_as_in_memory(tmp_path):
    frame = damaged(ratings(24))
    caseload = rw.read_caseload(written(tmp_path, frame), today=TODAY)
    registry = open_registry(tmp_path, today=TODAY, rows_together=200)
    same(effects(registry, LIGHT), effects(caseload, LIGHT))
    assert registry.told.rows == len(frame)
    assert registry.told.rows_set_aside == caseload.report.rows_set_aside
    expected = {p.code for p in caseload.report.errors}
    assert {p.code for p in registry.report.errors} >= expected
    assert registry.told.checked_singly >= 15


def test_damaged_rows_spread_over_files_give_the_same(tmp_path):
    frame = damaged(ratings(24)).sample(frac=1, random_state=5)
    pieces = np.array_split(np.arange(len(frame)), 3)
    folder = written(tmp_path, *(frame.iloc[piece] for piece in pieces))
    whole = effects(rw.read_caseload(folder, today=TODAY), LIGHT)
    same(effects(open_registry(folder, today=TODAY, rows_together=150), LIGHT), whole)


@pytest.fixture(scope="module")
def damaged_whole(tmp_path_factory):
    frame = damaged(ratings(24))
    folder = written(tmp_path_factory.mktemp("whole"), frame)
    names = [*LIGHT, "change_beyond_baseline"]
    return frame, names, effects(rw.read_caseload(folder, today=TODAY), names)


@example(order=0, cuts=[], rows_together=4, group=10)
@given(
    order=st.integers(0, 2**32 - 1),
    cuts=st.lists(st.integers(1, 300), max_size=4, unique=True),
    rows_together=st.integers(20, 700),
    group=st.integers(10, 400),
)
# Each example runs a whole registry, so that looking for a smaller one would take minutes.
@settings(max_examples=8, phases=[Phase.explicit, Phase.generate])
def test_no_order_and_no_cut_of_damaged_rows_changes_a_bit(
    tmp_path_factory, damaged_whole, order, cuts, rows_together, group
):
    frame, names, whole = damaged_whole
    shuffled = frame.sample(frac=1, random_state=order)
    folder = tmp_path_factory.mktemp("spread")
    for place, piece in enumerate(np.split(np.arange(len(frame)), sorted(cuts))):
        shuffled.iloc[piece].to_parquet(folder / f"{place}.parquet", index=False, row_group_size=group)
    same(effects(open_registry(folder, today=TODAY, rows_together=rows_together), names), whole)


def test_numbers_and_texts_and_dictionaries_may_stand_in_different_files(tmp_path):
    frame = ratings(20)
    half = len(frame) // 2
    texts = frame.iloc[half:].assign(
        date=[day.isoformat() for day in frame["date"].iloc[half:]],
        rating=[None if v != v else f"{v:g}" for v in frame["rating"].iloc[half:]],
        declined=["yes" if d else "no" for d in frame["declined"].iloc[half:]],
    )
    coded = frame.iloc[:half].assign(phase=frame["phase"].astype("category").iloc[:half])
    folder = written(tmp_path, coded, texts)
    whole = effects(rw.read_caseload(folder, today=TODAY), LIGHT)
    same(effects(open_registry(folder, today=TODAY, rows_together=100), LIGHT), whole)


def test_occasion_numbers_do_without_days(tmp_path):
    frame = ratings(20, ladders=("net",)).drop(columns="date")
    frame["occasion"] = frame.groupby("child_id").cumcount() + 1
    folder = written(tmp_path, frame.sample(frac=1, random_state=1))
    whole = effects(rw.read_caseload(folder, today=TODAY), [*LIGHT, "baseline_slope"])
    same(effects(open_registry(folder, today=TODAY, rows_together=80), [*LIGHT, "baseline_slope"]), whole)


def test_other_outcomes_and_scales_come_from_the_settings(tmp_path):
    frame = ratings(12).assign(outcome="distance", better=None)
    frame.loc[frame.index[::2], "better"] = "higher"
    folder = written(tmp_path, frame)
    whole = effects(rw.read_caseload(folder, today=TODAY), LIGHT)
    same(effects(open_registry(folder, today=TODAY, rows_together=80), LIGHT), whole)
    (folder / "practice.toml").write_text(
        '[scales.distance]\nminimum = 0\nmaximum = 8\nbetter = "lower"\n', encoding="utf-8"
    )
    whole = effects(rw.read_caseload(folder, today=TODAY), LIGHT)
    same(effects(open_registry(folder, today=TODAY, rows_together=80), LIGHT), whole)


def test_rows_that_disagree_on_the_better_direction_are_refused(tmp_path):
    frame = ratings(4)
    frame = frame.assign(outcome="distance", better=np.resize(["higher", "lower"], len(frame)))
    with pytest.raises(DataProblems, match="which direction of distance is better"):
        effects(open_registry(written(tmp_path, frame)), LIGHT)


def test_a_scale_that_was_never_declared_is_refused_as_in_memory(tmp_path):
    frame = ratings(12)
    folder = written(tmp_path, frame.assign(rating=frame["rating"] * 10))
    codes = {problem.code for problem in rw.check(folder, today=TODAY).errors}
    assert "scale_undeclared" in codes
    with pytest.raises(DataProblems, match="outside the scale 0 to 10"):
        effects(open_registry(folder, today=TODAY), LIGHT)


def test_what_was_forgotten_is_made_again(tmp_path):
    registry = open_registry(written(tmp_path / "files", ratings(8)), work=tmp_path / "work", today=TODAY)
    table = effects(registry, LIGHT)
    assert any((tmp_path / "work").iterdir())
    registry.forget()
    assert not any((tmp_path / "work").iterdir())
    same(effects(registry, LIGHT), table)


def test_one_child_in_several_files_is_one_child(tmp_path):
    frame = ratings(10)
    whole = effects(rw.read_caseload(written(tmp_path / "one", frame), today=TODAY), LIGHT)
    folder = tmp_path / "two"
    for name, piece in (("clinic=north", frame.iloc[::2]), ("clinic=south", frame.iloc[1::2])):
        home = folder / "ratings" / name
        home.mkdir(parents=True)
        piece.to_parquet(home / "part.parquet", index=False)
    registry = open_registry(folder, today=TODAY)
    same(effects(registry, LIGHT), whole)
    assert registry.told.children == 10


def test_a_clinic_uploaded_twice_counts_once(tmp_path):
    north, south = ratings(10), ratings(20).iloc[lambda f: np.flatnonzero(f["child_id"] >= "C0010")]
    whole = effects(rw.read_caseload(written(tmp_path / "once", north, south), today=TODAY), LIGHT)
    folder = written(tmp_path / "twice", north, south, north)
    # The third file repeats the first byte for byte; the fourth holds its rows in another order.
    north.sample(frac=1, random_state=2).to_parquet(folder / "ratings" / "z-again.parquet", index=False)
    registry = open_registry(folder, today=TODAY)
    assert registry.copies == {"part-002.parquet": "part-000.parquet"}
    same(effects(registry, LIGHT), whole)
    assert registry.told.rows_set_aside == len(north)
    assert registry.told.repeated == {"z-again.parquet": len(north)}
    assert [p.source for p in registry.report if p.code == "row_repeated"] == ["z-again.parquet"]


def test_a_clinic_with_another_schema_is_named(tmp_path):
    import pyarrow as pa
    from pyarrow import parquet

    folder = written(tmp_path, ratings(4))
    old = ratings(4, seed=1).rename(columns={"rating": "rung_fear", "phase": "stage_of_care"})
    old.to_parquet(folder / "ratings" / "north.parquet", index=False)
    with pytest.raises(
        DataProblems, match=r"north.parquet.*Phase \(phase\), Rating \(rating\).*docs/registry"
    ):
        open_registry(folder)
    table = pa.Table.from_pandas(ratings(4, seed=1)).replace_schema_metadata(
        {"rungwise:schema_version": "2"}
    )
    parquet.write_table(table, folder / "ratings" / "north.parquet")
    with pytest.raises(DataProblems, match="under version 2 of the tables; this release reads"):
        open_registry(folder)
    # In memory it is named and left out, and the other clinic is read.
    (broken,) = rw.check(folder, today=TODAY).errors
    assert (broken.source, broken.code) == ("ratings/north.parquet", "schema_version")
    assert "docs/registry.md, under Migration" in broken.remedy


def test_days_that_can_be_read_two_ways_and_times_of_day_are_refused(tmp_path):
    frame = ratings(4)
    folder = written(tmp_path / "a", frame.assign(date="03/04/2026"))
    with pytest.raises(DataProblems, match="'03/04/2026' in row 2 is no date written"):
        effects(open_registry(folder), LIGHT)
    frame = frame.assign(date=pd.to_datetime(frame["date"]) + pd.Timedelta(hours=9))
    with pytest.raises(DataProblems, match="holds times of day"):
        effects(open_registry(written(tmp_path / "b", frame)), LIGHT)


def test_the_command_line_names_a_clinic_with_another_schema(tmp_path):
    import pyarrow as pa
    from pyarrow import parquet

    folder = written(tmp_path, ratings(4))
    table = pa.Table.from_pandas(ratings(4, seed=1)).replace_schema_metadata(
        {"rungwise:schema_version": "7"}
    )
    parquet.write_table(table, folder / "ratings" / "north.parquet")
    command = [sys.executable, "-m", "rungwise.command", "check", str(folder), "--today", "2026-11-01"]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (run.returncode, run.stderr) == (3, "")
    assert "ratings/north.parquet" in run.stdout
    assert "written under version 7 of the tables; this release reads version 1" in " ".join(
        run.stdout.split()
    )


def test_columns_that_say_who_a_child_is_are_not_read(tmp_path):
    folder = written(tmp_path, ratings(4).assign(surname="Miller"))
    registry = open_registry(folder, today=TODAY)
    assert [problem.code for problem in registry.report] == ["identity_column"]


def test_processes_give_the_same_bytes(tmp_path):
    folder = written(tmp_path, ratings(400))
    alone = effect_files(open_registry(folder, today=TODAY, work=tmp_path / "a", rows_together=2500), LIGHT)
    seen = []
    several = open_registry(
        folder, today=TODAY, work=tmp_path / "b", rows_together=2500, engine="processes", workers=2,
        progress=lambda *told: seen.append(told),
    )  # fmt: skip
    files = effect_files(several, LIGHT)
    assert [one.read_bytes() for one in alone] == [one.read_bytes() for one in files]
    assert ("effects", 0, 4) in seen
    assert ("effects", 4, 4) in seen


def test_a_path_is_opened_as_its_size_asks_for(tmp_path, monkeypatch):
    frame = ratings(30)
    folder = written(tmp_path, frame)
    small = effects(folder, LIGHT)
    assert isinstance(of_any_size(folder), Caseload)
    verdicts = caseload_verdicts(folder)
    monkeypatch.setattr("rungwise.series.registry.IN_MEMORY", len(frame) - 1)
    assert isinstance(of_any_size(str(folder)), Registry)
    same(effects(str(folder), LIGHT), small)
    same(caseload_verdicts(folder), verdicts)
    # Probes among observations are not in the table of ratings: such a caseload is read as a whole.
    frame.to_parquet(folder / "observations.parquet")
    assert isinstance(of_any_size(folder), Caseload)


SLOW = """
import sys, time
from datetime import date
from rungwise.series import registry as parts
from rungwise.series.caseload import Caseload
from rungwise.series.registry import Registry, of_any_size, open_registry
from rungwise.single_case.caseload_verdicts import caseload_verdicts
from rungwise.single_case import effects as module

tau, series_of_part = module.CATALOG["tau"], parts.series_of_part

def sleepy(batch):
    time.sleep(0.4)
    return tau(batch)

def slowly(*arguments):
    time.sleep(0.1)
    return series_of_part(*arguments)

parts.series_of_part = slowly

module.CATALOG = dict(module.CATALOG) | {"tau": sleepy}
registry = open_registry(sys.argv[1], today=date(2026, 11, 1), work=sys.argv[2], rows_together=1000)
module.effect_files(registry, ["tau", "nap", "baseline_trend", "pnd"])
"""


def files_of(work, pattern):
    """List files while another process makes and removes them."""
    try:
        return [*work.rglob(pattern)]
    except FileNotFoundError:
        return []


@pytest.mark.parametrize("stage", ["series", "effects-*"])
def test_a_killed_run_goes_on_where_it_stopped(tmp_path, stage):
    folder, work = written(tmp_path, ratings(400)), tmp_path / "work"
    whole = effects(rw.read_caseload(folder, today=TODAY), LIGHT)
    process = subprocess.Popen([sys.executable, "-c", SLOW, str(folder), str(work)])
    try:
        while process.poll() is None and len(files_of(work, f"{stage}/part-*.*")) < 2:
            time.sleep(0.005)
        process.send_signal(signal.SIGKILL)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == -signal.SIGKILL
    finished = {file: file.stat().st_mtime_ns for file in work.rglob("part-*.*")}
    of_stage = [file for file in finished if file.match(f"{stage}/part-*.*")]
    registry = open_registry(folder, today=TODAY, work=work, rows_together=1000)
    same(effects(registry, LIGHT), whole)
    after = {file: file.stat().st_mtime_ns for file in work.rglob("part-*.*")}
    assert finished.items() <= after.items()
    assert 2 <= len(of_stage) < len(files_of(work, f"{stage}/part-*.*"))


def test_changed_files_are_not_taken_for_the_old_ones(tmp_path):
    folder, work = written(tmp_path, ratings(6)), tmp_path / "work"
    first = effects(open_registry(folder, today=TODAY, work=work), LIGHT)
    written(tmp_path, ratings(6, seed=8))
    second = effects(open_registry(folder, today=TODAY, work=work), LIGHT)
    same(second, effects(rw.read_caseload(folder, today=TODAY), LIGHT))
    assert not first["value"].equals(second["value"])


def test_what_cannot_be_opened_is_said(tmp_path):
    with pytest.raises(ValueError, match="path must be a folder"):
        open_registry(tmp_path / "none")
    with pytest.raises(DataProblems, match="no Parquet file in it"):
        open_registry(tmp_path)
    (tmp_path / "a.parquet").write_bytes(b"PAR1 not really")
    with pytest.raises(DataProblems, match="no Parquet file that can be opened"):
        open_registry(tmp_path)
    with pytest.raises(ValueError, match="engine must be one of 'serial', 'processes', 'dask'"):
        open_registry(tmp_path, engine="ray")
    with pytest.raises(ValueError, match="rows_together must be 1 or more; got 0"):
        open_registry(tmp_path, rows_together=0)


# Dask's own clean-up after a killed worker warns; what it says is not under test here.
@pytest.mark.filterwarnings("ignore")
def test_a_cluster_that_loses_a_worker_gives_the_same(tmp_path):
    distributed = pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    pytest.importorskip("joblib", reason="the extra 'cluster' is not installed")
    folder = written(tmp_path, ratings(400))
    whole = effects(rw.read_caseload(folder, today=TODAY), LIGHT)
    killed = []

    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:

        def kill_one(stage, done, total):
            if stage == "series" and 0 < done < total and not killed:
                killed.append(next(iter(cluster.workers.values())).process.process.pid)
                os.kill(killed[0], signal.SIGKILL)

        registry = open_registry(
            folder, today=TODAY, rows_together=2000, engine=cluster.scheduler_address, progress=kill_one
        )
        found = effects(registry, LIGHT)
    assert killed
    assert registry.told.children == 400
    same(found, whole)
