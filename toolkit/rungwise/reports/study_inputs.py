"""The files a study's report is made from, read and checked together."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from rungwise.basis.estimate import Estimate
from rungwise.series.caseload import read_caseload
from rungwise.study.analysis import StudyResult, analyze_study, plain
from rungwise.study.data import study_of
from rungwise.study.masked import masked_test, read_key
from rungwise.study.plan import StudyPlan
from rungwise.study.preanalysis import PreAnalysis, departures, read_preanalysis
from rungwise.study.schedule import Schedule, open_schedule


@dataclass(frozen=True, eq=False)
class StudyInputs:
    """A study analyzed, with what else was given.

    Attributes
    ----------
    result : StudyResult
    planned : PreAnalysis or None
    schedule : Schedule or None
    masked : tuple of Estimate
        What masked raters found; empty where none were asked.
    """

    result: StudyResult
    planned: PreAnalysis | None
    schedule: Schedule | None
    masked: tuple[Estimate, ...]

    def departures(self, version: str) -> list[dict[str, str]] | None:
        """List departures from the pre-analysis plan; None where there is none."""
        if self.planned is None:
            return None
        return departures(self.planned, self.result, schedule=self.schedule, version=version)

    def numbers(self) -> dict[str, Any]:
        """Give every number of the report at full precision."""
        return self.result.numbers() | {"masked": [plain(test) for test in self.masked]}


def read_study(
    path: str | Path,
    *,
    plan: str | Path | None = None,
    schedule: str | Path | None = None,
    design_id: str | None = None,
    answers: str | Path | None = None,
    key: str | Path | None = None,
    statistic: str | None = None,
    alternative: str | None = None,
    alpha: float | None = None,
    seed: int = 1,
    today: date | None = None,
) -> StudyInputs:
    """Read and analyze a study.

    Parameters
    ----------
    path : str or Path
        The caseload.
    plan : str or Path, optional
        File of the pre-analysis plan (or of the bare study plan).
    schedule : str or Path, optional
        The sealed schedule, opened now that all starts have come.
    design_id : str, optional
    answers, key : str or Path, optional
        CSV file of the masked raters' answers, and the key kept apart; both or neither.
    statistic, alternative, alpha, seed
        As for `analyze_study`.
    today : datetime.date, optional

    Returns
    -------
    StudyInputs

    Raises
    ------
    ValueError
        If a file is not what it should be.
    DataProblems, NotEnoughData
        As the files deserve.
    """
    if (answers is None) != (key is None):
        raise ValueError(
            "answers and key must be given together: the one cannot be read without the other."
        )
    planned, bare = _read_plan(plan)
    caseload = read_caseload(path, today=today)
    study = study_of(caseload, plan=bare, design_id=design_id)
    result = analyze_study(study, statistic=statistic, alternative=alternative, alpha=alpha, seed=seed)
    opened = None if schedule is None else open_schedule(_text(schedule))
    masked: tuple[Estimate, ...] = ()
    if answers is not None and key is not None:
        masked = tuple(masked_test(read_key(_text(key)), read_answers(answers)))
    return StudyInputs(result, planned, opened, masked)


def read_answers(path: str | Path) -> list[Mapping[str, Any]]:
    """Read the sheet that masked raters filled in.

    Raises
    ------
    ValueError
        If it lacks a column.
    """
    with Path(path).open(encoding="utf-8-sig", newline="") as stream:
        first = stream.readline()
        stream.seek(0)
        reader = csv.DictReader(stream, delimiter=";" if first.count(";") > first.count(",") else ",")
        names = [str(name).strip().lower() for name in reader.fieldnames or []]
        missing = {"rater", "graph", "start"} - set(names)
        if missing:
            raise ValueError(f"{Path(path).name} must have the columns rater, graph and start; "
                             f"missing: {', '.join(sorted(missing))}.")  # fmt: skip
        reader.fieldnames = names
        return [row for row in reader if any((value or "").strip() for value in row.values() if value)]


def _read_plan(path: str | Path | None) -> tuple[PreAnalysis | None, StudyPlan | None]:
    if path is None:
        return None, None
    content = _text(path)
    try:
        plain = json.loads(content)
    except json.JSONDecodeError:
        raise ValueError(f"{Path(path).name} is not a plan written by this program.") from None
    if isinstance(plain, dict) and "sha256" in plain:
        planned = read_preanalysis(content)
        return planned, planned.plan
    if not isinstance(plain, dict):
        raise ValueError(f"{Path(path).name} is not a plan written by this program.")
    return None, StudyPlan.from_dict(plain)


def _text(path: str | Path) -> str:
    return Path(path).read_text(encoding="utf-8")
