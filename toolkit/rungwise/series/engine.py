"""Who does the work: this process, several on this machine, or a cluster that is there already.

There is no scheduler here. Tasks are plain functions that write one file each under a name fixed
beforehand and rename it into place when it is whole: whoever does a task a second time, after a kill
or a lost worker, writes the same file, and nothing can be counted twice.
"""

from __future__ import annotations

import os
import platform
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rungwise.basis.errors import RungwiseError

ENGINES = ("serial", "processes", "dask")
Progress = Callable[[str, int, int], None]
# Times that a pool is started anew after one of its workers was killed.
MOST_STARTS = 3
# A cluster's workers are by default told to give freed memory back at once, which makes work with large
# arrays several times slower; these are the limits an untold process comes to by itself. Their tasks run
# beside the main thread, where memory is given back heap by heap unless all threads share one.
_ALLOCATOR = {
    "MALLOC_ARENA_MAX": 1,
    "MALLOC_TRIM_THRESHOLD_": 64 * 1024**2,
    "MALLOC_MMAP_THRESHOLD_": 32 * 1024**2,
    "OMP_NUM_THREADS": 1,
    "OPENBLAS_NUM_THREADS": 1,
    "MKL_NUM_THREADS": 1,
}
# A worker otherwise stops a hundred times a second to note where its task is, for a page nobody opens
# here; with tasks that make many short calls this cost a tenth of the gain of two workers.
_CLUSTER = {"distributed.nanny.pre-spawn-environ": _ALLOCATOR, "distributed.worker.profile.enabled": False}


class EngineLost(RungwiseError):
    """Workers were lost more often than they were started anew; what is finished is kept."""


def check_engine(engine: str) -> str:
    """Return `engine` if it is a known one, or the address of a cluster.

    Raises
    ------
    ValueError
        Naming what is allowed and what came.

    Examples
    --------
    >>> check_engine("tcp://10.0.0.5:8786")
    'tcp://10.0.0.5:8786'
    """
    if engine in ENGINES or (isinstance(engine, str) and "://" in engine):
        return engine
    listed = ", ".join(repr(name) for name in ENGINES)
    raise ValueError(
        f"engine must be one of {listed}, or the address of a Dask scheduler such as "
        f"'tcp://10.0.0.5:8786'; got {engine!r}."
    )


class OwnCluster:
    """A Dask cluster on this machine, started when it is first needed.

    Starting its workers takes seconds, in which they also read the libraries: keep it for as long as
    there may be work, then `close` it.
    """

    def __init__(self, workers: int | None = None):
        self._workers = workers or os.cpu_count() or 1
        self._made: Any = None

    @property
    def address(self) -> str:
        """Where the scheduler listens."""
        if self._made is None:
            dask, _, distributed = _cluster_libraries("dask")
            with dask.config.set(_CLUSTER):
                self._made = distributed.LocalCluster(
                    n_workers=self._workers, threads_per_worker=1, dashboard_address=None
                )
        return str(self._made.scheduler_address)

    def close(self) -> None:
        """End its workers."""
        if self._made is not None:
            self._made.close()
            self._made = None


def run_tasks(
    task: Callable[[Any], None],
    work: Sequence[tuple[Any, Path]],
    *,
    engine: str = "serial",
    workers: int | None = None,
    progress: Progress | None = None,
    stage: str = "",
    cluster: OwnCluster | None = None,
) -> None:
    """Do every task whose file is not there yet.

    Parameters
    ----------
    task : callable
        Takes an entry of `work`; must leave its file, whole, through `whole_file`.
    work : sequence of (argument, Path)
        What each task takes, and the file it leaves.
    engine : str
        ``"serial"``, ``"processes"``, ``"dask"`` (a cluster on this machine) or the address of a
        running Dask scheduler. A cluster's workers must see the same files under the same paths.
    workers : int, optional
        Processes of ``"processes"`` and ``"dask"``; default one per core.
    progress : callable, optional
        Called with the stage, tasks done and tasks in all.
    stage : str
    cluster : OwnCluster, optional
        For ``"dask"``, one that stays when the tasks are done.

    Raises
    ------
    ValueError
        For an unknown engine, or one that is not installed.
    EngineLost
        If workers were killed again and again.
    """
    check_engine(engine)

    def tell() -> None:
        if progress is not None:
            progress(stage, sum(file.exists() for _, file in work), len(work))

    def left() -> list[Any]:
        return [argument for argument, file in work if not file.exists()]

    tell()
    todo = left()
    if not todo:
        return
    if engine == "serial":
        for argument in todo:
            task(argument)
            tell()
    elif engine == "processes":
        _in_processes(task, left, workers or os.cpu_count() or 1, tell)
    else:
        _through_dask(task, todo, engine, cluster, workers, tell)
    if left():
        raise EngineLost(
            f"{len(left())} of {len(work)} parts were not finished; start again to continue from there."
        )


def _in_processes(
    task: Callable[[Any], None],
    left: Callable[[], list[Any]],
    workers: int,
    tell: Callable[[], None],
) -> None:
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor, as_completed
    from concurrent.futures.process import BrokenProcessPool

    for start in range(MOST_STARTS):
        # A fork would share the locks of threads that are running now.
        context = multiprocessing.get_context("spawn")
        try:
            with ProcessPoolExecutor(workers, mp_context=context) as pool:
                for done in as_completed([pool.submit(task, argument) for argument in left()]):
                    done.result()
                    tell()
            return
        except BrokenProcessPool as broken:
            if start == MOST_STARTS - 1:
                raise EngineLost(
                    f"Worker processes were killed {MOST_STARTS} times, perhaps for want of memory; "
                    "finished parts are kept. Start again with fewer workers or smaller parts."
                ) from broken


def _through_dask(
    task: Callable[[Any], None],
    todo: list[Any],
    engine: str,
    cluster: OwnCluster | None,
    workers: int | None,
    tell: Callable[[], None],
) -> None:
    _, joblib, distributed = _cluster_libraries(engine)
    own = cluster or OwnCluster(workers)
    try:
        address = own.address if engine == "dask" else engine
        with distributed.Client(address), joblib.parallel_config(backend="dask"):
            results = joblib.Parallel(return_as="generator_unordered", batch_size=1)(
                joblib.delayed(task)(argument) for argument in todo
            )
            for _ in results:
                tell()
    finally:
        if cluster is None:
            own.close()


def _cluster_libraries(engine: str) -> tuple[Any, Any, Any]:
    try:
        import dask
        import distributed
        import joblib
    except ImportError as missing:
        raise ValueError(
            f"engine {engine!r} needs joblib and Dask: install rungwise[cluster], or choose 'serial' or "
            "'processes'."
        ) from missing
    return dask, joblib, distributed


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a name to write under; the file appears at `path` only when it is whole."""
    draft = path.with_name(f".{path.name}.{platform.node()}.{os.getpid()}")
    try:
        yield draft
        with draft.open("rb+") as written:
            os.fsync(written.fileno())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
