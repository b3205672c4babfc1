"""All tables of a registry, part by part: what an audit needs besides the ratings.

The tables that name children are laid together by child like the ratings, so that a part holds every
row about its children and can be checked and worked through as a caseload of its own. Tables that name
none (ladders, measures) are small, and given whole to every part.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.errors import DataProblems
from rungwise.series.blocks import block_bits
from rungwise.series.caseload import Caseload
from rungwise.series.engine import whole_file
from rungwise.series.registry import Registry
from rungwise.series.registry_files import TABLE, PartFile, fingerprint, registry_files
from rungwise.series.registry_ordinary import columns_of
from rungwise.series.registry_rows import CHILD, rows_of_part, scatter, scatters
from rungwise.series.registry_series import Settings, parts_of
from rungwise.tables.draft import Part
from rungwise.tables.findings import Findings
from rungwise.tables.parquet import columns_of_parquet
from rungwise.tables.problems import Problem, ProblemReport
from rungwise.tables.read import check_parts
from rungwise.tables.schema import TABLES, schema
from rungwise.tables.understand import part_of

if TYPE_CHECKING:
    import pandas as pd

Compute = Callable[[Caseload, int, Any], "pd.DataFrame"]
# An audit holds many times as much about a child as its ratings take, so its parts are smaller.
FINER = 3


@dataclass(frozen=True)
class _Audited:
    """What one task takes."""

    rows: tuple[tuple[str, tuple[Path, ...], tuple[str, ...]], ...]
    whole: tuple[tuple[str, Path, str], ...]
    parts: tuple[int, ...]
    part_bits: int
    block_bits: int
    settings: Settings
    compute: Compute
    argument: Any
    to: Path


def map_caseloads(
    registry: Registry, compute: Compute, argument: Any, name: str
) -> tuple[list[Path], ProblemReport]:
    """Work through a registry as caseloads of some children each; give the files of results.

    Parameters
    ----------
    registry : Registry
        Its folder may hold a folder, or a Parquet file, of any table beside that of the ratings.
    compute : callable
        A function of a module, taking a caseload, the bits for `rungwise.series.blocks.blocks` and
        `argument`, and giving a frame.
    argument : object
        Plain values; with `name` they tell one piece of work from another.
    name : str

    Returns
    -------
    list of Path
    ProblemReport
        Everything found in all tables, rows set aside among them.

    Raises
    ------
    DataProblems
        If a file of a table was written under another schema.
    """
    told = registry.told
    found = _other_files(registry)
    report = [problem for _, _, problems in found.values() for problem in problems]
    strange = [problem for problem in report if problem.code == "schema_version"]
    if strange:
        names = ", ".join(problem.source for problem in strange[:5])
        raise DataProblems(
            f"{names}: {strange[0].problem} {strange[0].remedy}", ProblemReport(tuple(report))
        )
    files = {TABLE: list(registry.files)} | {
        table: parts for table, (parts, _, _) in found.items() if parts
    }
    bits = min(14, registry.bits + FINER) if registry.bits else 0
    blocks = block_bits(told.children)
    every = [file for parts in files.values() for file in parts]
    folder = registry.folder(f"{name}-{fingerprint(every, name, argument, bits, blocks)}")
    done = folder / "told.json"
    together = 2 ** max(0, bits - blocks)
    starts = range(0, 2**bits, together)
    made = [folder / f"part-{start:05d}.parquet" for start in starts]
    if not done.exists():
        rows, settings = _scattered(registry, files, folder, bits)
        whole = tuple(
            (table, file.path, file.name)
            for table, parts in files.items()
            if CHILD not in schema(table).fields
            for file in parts
        )
        tasks = [
            _Audited(
                rows=rows,
                whole=whole,
                parts=tuple(range(start, start + together)),
                part_bits=bits,
                block_bits=blocks,
                settings=settings,
                compute=compute,
                argument=argument,
                to=to,
            )
            for start, to in zip(starts, made, strict=True)
        ]
        registry.run(_audited, tasks, name)
        problems = list(dict.fromkeys(problem for file in made for problem in _told(file)))
        with whole_file(done) as draft:
            draft.write_text(json.dumps([asdict(problem) for problem in problems]), encoding="utf-8")
        # Only now: until every part is there, rows may still be asked for.
        for table, _, _ in rows:
            shutil.rmtree(folder / f"rows-{table}", ignore_errors=True)
    problems = [Problem(**entry) for entry in json.loads(done.read_text(encoding="utf-8"))]
    return made, ProblemReport((*report, *problems))


def _other_files(registry: Registry) -> dict[str, tuple[list[PartFile], dict[str, str], list[Problem]]]:
    found = {}
    for table in TABLES:
        if table != TABLE:
            findings = Findings()
            files, copies, strange = registry_files(registry.path, findings, table)
            found[table] = files, copies, [*findings.report().problems, *strange]
    return found


def _scattered(
    registry: Registry, files: dict[str, list[PartFile]], folder: Path, bits: int
) -> tuple[tuple[tuple[str, tuple[Path, ...], tuple[str, ...]], ...], Settings]:
    """Lay the rows of every table that names children together by child."""
    rows = []
    for table, parts in files.items():
        if CHILD in schema(table).fields:
            to = folder / f"rows-{table}"
            to.mkdir(exist_ok=True)
            tasks = scatters(parts, to, bits, registry.rows_together)
            registry.run(scatter, tasks, f"rows of {table}")
            rows.append((table, tuple(task.to for task in tasks), tuple(file.name for file in parts)))
    return tuple(rows), registry.settings_of(rows[0][1])


def _audited(task: _Audited) -> None:
    caseload, problems = _caseload(task)
    frame = task.compute(caseload, task.block_bits, task.argument)
    with whole_file(task.to) as draft:
        frame.to_parquet(draft, index=False)
        with whole_file(task.to.with_suffix(".json")) as beside:
            told = [asdict(problem) for problem in problems]
            beside.write_text(json.dumps(told), encoding="utf-8")


def _told(file: Path) -> list[Problem]:
    told = json.loads(file.with_suffix(".json").read_text(encoding="utf-8"))
    return [Problem(**entry) for entry in told]


def _caseload(task: _Audited) -> tuple[Caseload, Sequence[Problem]]:
    """Check every row about the children of some parts, by the rules for any caseload."""
    findings = Findings()
    parts: dict[str, list[Part]] = {}
    for table, files, names in task.rows:
        found = [rows for part in task.parts for rows in rows_of_part(files, part, task.part_bits)]
        directions = task.settings.directions if table == TABLE else {}
        columns = columns_of(found, table, directions)
        file, number = (
            np.concatenate([np.zeros(0, dtype=np.int64), *(getattr(rows, name) for rows in found)])
            for name in ("file", "number")
        )
        parts[table] = parts_of(columns, file, number, table, names, findings)
    for table, path, name in task.whole:
        findings.meet(name)
        written = columns_of_parquet(path.read_bytes(), name, findings)
        if written is not None:
            parts.setdefault(table, []).append(part_of(written, schema(table), name, False, findings))
    # Whether a scale was left undeclared was judged over the whole registry; here each rating is.
    practice = replace(task.settings.practice, given=task.settings.practice.given | {"scales"})
    read = check_parts(parts, practice, task.settings.today, findings, ())
    return Caseload(read.tables, task.settings.practice, read.report, ()), read.report.problems
