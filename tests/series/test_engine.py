"""Every engine does every task once, whatever is killed."""

import importlib
import os
import signal
from pathlib import Path

import pytest
from rungwise.series.engine import EngineLost, OwnCluster, check_engine, run_tasks, whole_file


@pytest.fixture
def jobs(monkeypatch):
    """Tasks that other processes can import."""
    monkeypatch.syspath_prepend(Path(__file__).parent)
    return importlib.import_module("engine_jobs")


def tasks(folder, n=6):
    return [((folder / f"{i}.txt", f"text {i}"), folder / f"{i}.txt") for i in range(n)]


@pytest.mark.parametrize("engine", ["serial", "processes"])
def test_what_is_there_is_not_done_again(tmp_path, engine, jobs):
    work = tasks(tmp_path)
    work[2][1].write_text("kept", encoding="utf-8")
    told = []
    run_tasks(
        jobs.write,
        work,
        engine=engine,
        workers=2,
        progress=lambda *entry: told.append(entry),
        stage="writing",
    )
    texts = [file.read_text(encoding="utf-8") for _, file in work]
    assert texts == ["text 0", "text 1", "kept", "text 3", "text 4", "text 5"]
    assert told[0] == ("writing", 1, 6)
    assert told[-1] == ("writing", 6, 6)
    assert sorted(entry.name for entry in tmp_path.iterdir()) == [f"{i}.txt" for i in range(6)]


@pytest.mark.parametrize("engine", ["serial", "processes"])
def test_an_error_of_a_task_is_told_as_it_is(tmp_path, engine, jobs):
    with pytest.raises(ValueError, match=r"^no text 0$"):
        run_tasks(jobs.refuse, tasks(tmp_path, 1), engine=engine, workers=1)


def test_a_killed_worker_process_is_replaced(tmp_path, jobs):
    marker = tmp_path / "marker"
    work = [((tmp_path / f"{i}", marker if i == 2 else None), tmp_path / f"{i}") for i in range(6)]
    run_tasks(jobs.die_once, work, engine="processes", workers=2)
    assert marker.exists()
    assert [file.read_text(encoding="utf-8") for _, file in work] == [f"{i}" for i in range(6)]


def test_workers_killed_again_and_again_end_with_a_word(tmp_path, jobs):
    with pytest.raises(EngineLost, match="Worker processes were killed 3 times"):
        run_tasks(jobs.die, tasks(tmp_path, 1), engine="processes", workers=1)


def test_a_task_that_leaves_no_file_is_found_out(tmp_path):
    with pytest.raises(EngineLost, match="1 of 1 parts were not finished"):
        run_tasks(print, [("", tmp_path / "never")])


def test_half_a_file_never_appears(tmp_path):
    path = tmp_path / "result.txt"

    def fail_halfway():
        with whole_file(path) as draft:
            draft.write_text("half", encoding="utf-8")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_halfway()
    assert [*tmp_path.iterdir()] == []


def test_an_unknown_engine_is_named():
    with pytest.raises(ValueError, match=r"or the address of a Dask scheduler .*; got 'spark'"):
        check_engine("spark")


def test_without_dask_the_extra_is_named(tmp_path, monkeypatch, jobs):
    import sys

    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ValueError, match=r"needs joblib and Dask: install rungwise\[cluster\]"):
        run_tasks(jobs.write, tasks(tmp_path), engine="dask")


@pytest.mark.filterwarnings("ignore")
def test_one_cluster_serves_one_round_of_tasks_after_another(tmp_path, jobs):
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    pytest.importorskip("joblib", reason="the extra 'cluster' is not installed")
    log = tmp_path / "log"
    cluster = OwnCluster(2)
    try:
        for name in ("first", "second"):
            work = [((tmp_path / f"{name}{i}", log), tmp_path / f"{name}{i}") for i in range(4)]
            run_tasks(jobs.count_runs, work, engine="dask", cluster=cluster)
    finally:
        cluster.close()
    pids = {int(line.split()[1]) for line in log.read_text(encoding="utf-8").splitlines()}
    # Two workers in all, not two each time, and they end with the cluster.
    assert 1 <= len(pids - {os.getpid()}) == len(pids) <= 2
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


# Dask's own clean-up after a killed worker warns; what it says is not under test here.
@pytest.mark.filterwarnings("ignore")
def test_a_dask_worker_killed_in_the_middle_changes_nothing(tmp_path, jobs):
    distributed = pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    pytest.importorskip("joblib", reason="the extra 'cluster' is not installed")
    log = tmp_path / "log"
    work = [((tmp_path / f"{i}", log), tmp_path / f"{i}") for i in range(10)]
    killed = []

    def kill_one(stage, done, total):
        if done >= 2 and not killed:
            pids = [line.split()[1] for line in log.read_text(encoding="utf-8").splitlines()]
            killed.append(int(pids[-1]))
            os.kill(killed[0], signal.SIGKILL)

    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        run_tasks(jobs.count_runs, work, engine=cluster.scheduler_address, progress=kill_one)
    assert killed
    assert [file.read_text(encoding="utf-8") for _, file in work] == [f"{i}" for i in range(10)]
    ran = [line.split()[0] for line in log.read_text(encoding="utf-8").splitlines()]
    # The task that was cut short ran a second time; its file is there once.
    assert len(ran) > len(set(ran)) == 10
