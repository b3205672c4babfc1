"""A registry: the ratings of many clinics in a folder of Parquet files, too many for memory.

A practice never needs this. Where a network pools its files, `open_registry` stands in for
`read_caseload`, and `rungwise.effects` and `rungwise.caseload_verdicts` take what it gives. The rows
are first laid together by child, in parts that fit into memory; each part is then checked and worked
through on its own. Every step leaves a file in the work folder, so that a run that was killed goes on
where it stopped.
"""

from __future__ import annotations

import json
import shutil
import tempfile
import weakref
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.errors import DataProblems
from rungwise.basis.page_numbers import count_of
from rungwise.series.batch import SeriesBatch
from rungwise.series.blocks import block_bits, blocks
from rungwise.series.caseload import read_caseload
from rungwise.series.engine import OwnCluster, Progress, check_engine, run_tasks, whole_file
from rungwise.series.registry_files import PartFile, fingerprint, part_paths, registry_files, sha256
from rungwise.series.registry_rows import rows_of_part, scatter, scatters, told_beside
from rungwise.series.registry_series import FlatSeries, Settings, Told, series_of_part
from rungwise.tables.findings import Findings
from rungwise.tables.level_1 import OFF_SCALE_COUNT, OFF_SCALE_SHARE, suggested_scale
from rungwise.tables.practice import Practice, Scale, read_practice
from rungwise.tables.problems import Problem, ProblemReport
from rungwise.tables.schema import tidy
from rungwise.tables.table import InputFile

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

# Rows worked through at a time: what a process holds in memory grows with it.
ROWS_TOGETHER = 500_000
# Written into what is kept, so that no release reads what another one left.
LAYOUT = 2

# Ratings up to which a folder of Parquet is read into memory, where nothing else is said.
IN_MEMORY = 5_000_000

Compute = Callable[[SeriesBatch, "SeriesKeys", int, Any], "pd.DataFrame"]


@dataclass(frozen=True)
class SeriesKeys:
    """Whose series they are, one entry per series; `starts` is the day that time 0 is, or NaN."""

    children: Sequence[str]
    ladders: Sequence[str]
    outcomes: Sequence[str] = ()
    starts: np.ndarray | None = None

    def __len__(self) -> int:
        return len(self.children)


@dataclass(frozen=True)
class _Gather:
    """What one task of the second stage takes."""

    rows: tuple[Path, ...]
    part: int
    bits: int
    settings: Settings
    to: Path


@dataclass(frozen=True)
class _Work:
    """What one task of the third stage takes."""

    series: tuple[Path, ...]
    bits: int
    compute: Compute
    argument: Any
    to: Path


@dataclass(frozen=True, eq=False)
class Registry:
    """A partitioned data set of ratings that is never in memory at once.

    Get one from `open_registry`. Nothing is read until something is asked for.

    Attributes
    ----------
    path : Path
    practice : Practice
        Settings of ``practice.toml`` in the folder.
    files : tuple of PartFile
        Every part file that is read.
    copies : Mapping[str, str]
        Files left out because they repeat another byte for byte, and which.
    today : date
        Dates after it are refused.
    work : Path
        Folder of everything this registry leaves between steps.
    rows_together : int
    engine : str
    workers : int or None
    progress : callable or None
    """

    path: Path
    practice: Practice
    files: tuple[PartFile, ...]
    copies: Mapping[str, str]
    today: date
    work: Path
    rows_together: int
    engine: str = "serial"
    workers: int | None = None
    progress: Progress | None = None
    _opening: tuple[Problem, ...] = ()

    def __repr__(self) -> str:
        rows = sum(file.rows for file in self.files)
        return f"Registry({self.path.name}: {rows:,} rows in {count_of(len(self.files), 'file')})"

    @property
    def rows(self) -> int:
        """Rows of all files."""
        return sum(file.rows for file in self.files)

    @property
    def bits(self) -> int:
        """Logarithm of the number of parts."""
        return min(14, max(0, int(np.ceil(np.log2(max(self.rows, 1) / self.rows_together)))))

    @cached_property
    def told(self) -> Told:
        """What was found in all parts: rows, children, series, rows set aside and problems.

        Raises
        ------
        DataProblems
            If ratings lie off a scale that was never declared, or nothing can be used.
        """
        total = Told(problems=list(self._opening))
        for file in self._series_files:
            part = json.loads(file.with_suffix(".json").read_text(encoding="utf-8"))
            total.problems += [Problem(**problem) for problem in part.pop("problems")]
            for name, count in part.pop("repeated").items():
                total.repeated[name] = total.repeated.get(name, 0) + count
            for name, (off, rated) in part.pop("scales").items():
                before = total.scales.setdefault(name, [0, 0])
                total.scales[name] = [before[0] + off, before[1] + rated]
            for name, count in part.items():
                setattr(total, name, getattr(total, name) + count)
        self._refuse_undeclared(total)
        if not total.series:
            raise DataProblems(f"Nothing in {self.path.name} can be used.", self._report(total))
        return total

    @property
    def report(self) -> ProblemReport:
        """Every problem found; rows that merely repeat others are told once for each file."""
        return self._report(self.told)

    @cached_property
    def inputs(self) -> tuple[InputFile, ...]:
        """Name, SHA-256 and size of every file read."""
        return tuple(InputFile(file.name, sha256(file.path), file.size) for file in self.files)

    def map(self, compute: Compute, argument: Any, name: str) -> list[Path]:
        """Work through all series, part by part; give the files of results, one frame each.

        Parameters
        ----------
        compute : callable
            A function of a module, taking the series of a part, their keys, the bits for
            `rungwise.series.blocks.blocks` and `argument`.
        argument : object
            Plain values; with `name` they tell one piece of work from another.
        name : str
        """
        bits = block_bits(self.told.children)
        # Blocks of children lie whole within what a task takes.
        together = 2 ** max(0, self.bits - bits)
        folder = self.folder(f"{name}-{fingerprint((), name, argument, bits)}")
        files = self._series_files
        tasks = [
            _Work(
                tuple(files[start : start + together]),
                bits,
                compute,
                argument,
                folder / f"part-{start:05d}.parquet",
            )
            for start in range(0, len(files), together)
        ]
        self.run(_work, tasks, name)
        return [task.to for task in tasks]

    def folder(self, name: str) -> Path:
        """Give a folder of the work folder, made where it is not there."""
        folder = self._home / name
        folder.mkdir(parents=True, exist_ok=True)
        return folder

    def run(self, task: Callable[[Any], None], work: Sequence[Any], stage: str) -> None:
        """Do the tasks whose file ``to`` is not there yet, by the registry's engine."""
        run_tasks(
            task,
            [(one, one.to) for one in work],
            engine=self.engine,
            workers=self.workers,
            progress=self.progress,
            stage=stage,
            cluster=self._cluster,
        )

    def forget(self) -> None:
        """Remove what was left in the work folder about this registry; it is made anew when asked for."""
        shutil.rmtree(self._home, ignore_errors=True)
        self.__dict__.pop("_series_files", None)

    @cached_property
    def _cluster(self) -> OwnCluster:
        """Serve every step by the same workers, until nobody holds this registry."""
        cluster = OwnCluster(self.workers)
        weakref.finalize(self, cluster.close)
        return cluster

    @property
    def _home(self) -> Path:
        # The order of a set is another one in every process.
        practice = repr(replace(self.practice, given=frozenset())), sorted(self.practice.given)
        settings = (LAYOUT, practice, self.today, self.bits, sorted(self.copies))
        return self.work / fingerprint(self.files, *settings)

    @cached_property
    def _series_files(self) -> list[Path]:
        rows, series = self._home / "rows", self._home / "series"
        series.mkdir(parents=True, exist_ok=True)
        made = [series / f"part-{part:05d}.arrow" for part in range(2**self.bits)]
        if not all(file.exists() for file in made):
            rows.mkdir(exist_ok=True)
            tasks = scatters(self.files, rows, self.bits, self.rows_together)
            self.run(scatter, tasks, "rows")
            chunks = tuple(task.to for task in tasks)
            settings = self.settings_of(chunks)
            gathers = [_Gather(chunks, part, self.bits, settings, file) for part, file in enumerate(made)]
            self.run(_gather, gathers, "series")
            # Only now: until every part is there, rows may still be asked for.
            shutil.rmtree(rows, ignore_errors=True)
        return made

    def settings_of(self, chunks: Sequence[Path]) -> Settings:
        """Settle what depends on all rows at once: which way undeclared outcomes go."""
        ways: dict[str, set[str]] = {}
        for chunk in chunks:
            told = json.loads(told_beside(chunk).read_text(encoding="utf-8"))
            for outcome, better in told["directions"]:
                name = tidy(outcome).casefold()
                if name and name not in self.practice.scales and better in ("lower", "higher"):
                    ways.setdefault(name, set()).add(better)
        both = sorted(name for name, directions in ways.items() if len(directions) > 1)
        if both:
            problem = f"Rows disagree on which direction of {', '.join(both)} is better."
            remedy = f"Declare it in practice.toml, for example: [scales.{both[0]}]."
            entry = Problem("error", "ratings", "", 0, "better", "", "better_mixed", problem, remedy)
            raise DataProblems(f"{problem} {remedy}", ProblemReport((entry,)))
        return Settings(
            self.practice,
            self.today,
            tuple(file.name for file in self.files),
            {name: next(iter(directions)) for name, directions in ways.items()},
        )

    def _refuse_undeclared(self, told: Told) -> None:
        for name, (off, rated) in told.scales.items():
            default = self.practice.scales.get(name) == Scale(0, 10, "lower")
            if not default or "scales" in self.practice.given:
                continue
            if off >= OFF_SCALE_COUNT and off >= OFF_SCALE_SHARE * rated:
                findings = Findings()
                count = f"{off:,} of {rated:,} ratings"
                findings.add(
                    "scale_undeclared",
                    self.path.name,
                    table="ratings",
                    count=count,
                    outcome=name,
                    whose="",
                    **suggested_scale(0, 100),
                )
                report = findings.report()
                raise DataProblems(f"{report.problems[0].problem} {report.problems[0].remedy}", report)

    def _report(self, told: Told) -> ProblemReport:
        repeats = [
            Problem(
                "error", "ratings", name, 0, "", "", "row_repeated",
                f"{count_of(count, 'row')} word for word as another row; one of each was kept.",
                "Nothing to do, if the clinic sent them twice.",
            )
            for name, count in sorted(told.repeated.items())
        ]  # fmt: skip
        return ProblemReport((*told.problems, *repeats))


def open_registry(
    path: str | Path,
    *,
    work: str | Path | None = None,
    today: date | None = None,
    engine: str = "serial",
    workers: int | None = None,
    rows_together: int = ROWS_TOGETHER,
    progress: Progress | None = None,
) -> Registry:
    """Open a folder of Parquet files with ratings, to be worked through part by part.

    For a network's registry. A practice's caseload, even ten thousand children, fits into memory:
    read it with `read_caseload`, which also checks its other tables. Results are the same to the
    last bit, however rows are spread over files and in whatever order they lie.

    Parameters
    ----------
    path : str or Path
        Folder of part files, or of a folder ``ratings`` of them; columns as in the table of ratings.
        ``practice.toml`` beside them holds the settings.
    work : str or Path, optional
        Folder for what is kept between steps: about as large as the data, and as confidential. Name
        one to let a killed run continue; by default a temporary folder is used and removed.
    today : date, optional
        Day after which dates are refused; default the computer's. Name it where a run may have to
        be continued on another day.
    engine : {"serial", "processes", "dask"} or address of a Dask scheduler
    workers : int, optional
        Processes of ``"processes"`` and ``"dask"``; default one per core.
    rows_together : int
        Rows worked through at a time; a process needs about 400 bytes for each.
    progress : callable, optional
        Called with the stage, parts done and parts in all.

    Returns
    -------
    Registry

    Raises
    ------
    DataProblems
        If there is no usable part file, or one was written under another schema; ``.report`` lists
        every problem.
    ValueError
        For an engine or a number of rows that is not allowed.

    Examples
    --------
    >>> import pandas as pd
    >>> folder = Path(tempfile.mkdtemp())
    >>> frame = pd.DataFrame({"child_id": ["C1"] * 4, "phase": ["baseline"] * 2 + ["exposure"] * 2})
    >>> frame.assign(occasion=range(4), rating=[7, 8, 5, 4]).to_parquet(folder / "harbor.parquet")
    >>> open_registry(folder).told.series
    1
    """
    check_engine(engine)
    if rows_together < 1:
        raise ValueError(f"rows_together must be 1 or more; got {rows_together}.")
    folder = Path(path)
    findings = Findings()
    if not folder.is_dir():
        raise ValueError(f"path must be a folder of Parquet files; {folder} is none.")
    files, copies, strange = registry_files(folder, findings)
    practice = Practice()
    settings = folder / "practice.toml"
    if settings.is_file():
        practice = read_practice(settings.read_bytes(), settings.name, findings)
    found = findings.report()
    report = ProblemReport((*found.problems, *strange))
    if strange:
        names = ", ".join(problem.source for problem in strange[:5])
        raise DataProblems(
            f"{count_of(len(strange), 'file')} of {len(files) + len(strange)} cannot be read with the "
            f"others ({names}): {strange[0].problem} {strange[0].remedy}",
            report,
        )
    if not files or any(problem.code == "file_broken" for problem in found.errors):
        reason = found.errors[0].problem if found.errors else "There is no Parquet file in it."
        raise DataProblems(f"{folder.name} cannot be opened as a registry. {reason}", report)
    home = Path(work) if work is not None else Path(tempfile.mkdtemp(prefix="rungwise-"))
    opened = Registry(
        path=folder,
        practice=practice,
        files=tuple(files),
        copies=copies,
        today=today or date.today(),
        work=home,
        rows_together=rows_together,
        engine=engine,
        workers=workers,
        progress=progress,
        _opening=report.problems,
    )
    if work is None:
        weakref.finalize(opened, shutil.rmtree, home, ignore_errors=True)
    return opened


def of_any_size(source: Any) -> Any:
    """Open a path as its size asks for: in memory, or as a registry; give back anything else as it is.

    Parameters
    ----------
    source : str, Path or object
        A registry opened here works in a temporary folder. Where probes are recorded as observations, a
        caseload is read into memory whatever its size.
    """
    if not isinstance(source, str | Path):
        return source
    folder = Path(source)
    if folder.is_dir() and not any(part_paths(folder, table)[1] for table in ("observations", "plans")):
        files, _, _ = registry_files(folder, Findings())
        if sum(file.rows for file in files) > IN_MEMORY:
            return open_registry(folder)
    return read_caseload(folder)


def _gather(task: _Gather) -> None:
    series, told = series_of_part(rows_of_part(task.rows, task.part, task.bits), task.settings)
    with whole_file(task.to) as draft:
        _write(series, draft)
        with whole_file(task.to.with_suffix(".json")) as beside:
            beside.write_text(json.dumps(asdict(told)), encoding="utf-8")


def _work(task: _Work) -> None:
    series = _read(task.series)
    keys = SeriesKeys(series.children, series.ladders, series.outcomes, series.starts)
    frame = task.compute(series.batch(), keys, task.bits, task.argument)
    with whole_file(task.to) as draft:
        frame.to_parquet(draft, index=False)


_PER_SERIES = ("children", "ladders", "outcomes", "starts", "n_a", "sign", "floor", "ceiling")
_PER_RATING = ("values", "times", "declined")


def _write(series: FlatSeries, path: Path) -> None:
    import pyarrow as pa

    ends = pa.array(series.offsets.astype(np.int64))
    columns = {name: pa.array(getattr(series, name)) for name in _PER_SERIES}
    for name in ("children", "ladders", "outcomes"):
        columns[name] = columns[name].cast(pa.string())
    for name in _PER_RATING:
        columns[name] = pa.LargeListArray.from_arrays(ends, pa.array(getattr(series, name)))
    table = pa.table(columns)
    with pa.ipc.new_file(str(path), table.schema) as writer:
        writer.write_table(table)


def _read(paths: Sequence[Path]) -> FlatSeries:
    import pyarrow as pa
    from pyarrow import compute

    tables = []
    for path in paths:
        with pa.ipc.open_file(str(path)) as reader:
            tables.append(reader.read_all())
    table: pa.Table = pa.concat_tables(tables)
    if len(tables) > 1:
        table = table.sort_by([("children", "ascending"), ("ladders", "ascending")])
    table = table.combine_chunks()
    lengths = np.asarray(compute.list_value_length(table.column("values")), dtype=np.int64)
    columns: dict[str, Any] = {}
    for name in _PER_SERIES:
        column = table.column(name)
        columns[name] = column.to_pylist() if pa.types.is_string(column.type) else column.to_numpy()
    for name in _PER_RATING:
        chunks = [chunk.flatten().to_numpy(zero_copy_only=False) for chunk in table.column(name).chunks]
        columns[name] = np.concatenate(chunks) if chunks else np.zeros(0)
    return FlatSeries(offsets=np.concatenate([[0], np.cumsum(lengths)]), **columns)


def in_company(
    statistic: Callable[[SeriesBatch], Any], batch: SeriesBatch, children: Sequence[str], bits: int
) -> list[tuple[np.ndarray, Any]]:
    """Work out a statistic block by block; give the places of each block and its result."""
    return [(places, statistic(batch.take(places).tight())) for places in blocks(children, bits)]
