"""The files a study's report is made from, read and checked together."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

from rungwise.basis.estimate import Estimate
from rungwise.series.caseload import read_caseload
from rungwise.study.analysis import StudyResult, analyze_study, plain
from rungwise.study.data import Study, planned_cases, study_of
from rungwise.study.masked import masked_test, read_key
from rungwise.study.participants import participant_names, renamed, renamed_plan
from rungwise.study.plan import StudyPlan
from rungwise.study.preanalysis import PreAnalysis, departures, read_preanalysis
from rungwise.study.schedule import Schedule, open_schedule


@dataclass(frozen=True, eq=False)
class StudyInputs:
    """A study analyzed, with what else was given; children and raters stand under names of the report.

    Attributes
    ----------
    result : StudyResult
    planned : PreAnalysis or None
        With the report's names, so not the document that `fingerprint` is of.
    schedule : Schedule or None
        As it was sealed, with the practice's codes.
    masked : tuple of Estimate
        What masked raters found; empty where none were asked.
    fingerprint : str
        SHA-256 of the pre-analysis plan as it was registered; empty without one.
    participants : dict of str to str
        The practice's code of a child, and its name in the report.
    raters : dict of str to str
        The same of masked raters.
    key, answers
        Of the masked raters, with the report's names; empty where there were none.
    """

    result: StudyResult
    planned: PreAnalysis | None
    schedule: Schedule | None
    masked: tuple[Estimate, ...]
    fingerprint: str = ""
    participants: Mapping[str, str] = field(default_factory=dict)
    raters: Mapping[str, str] = field(default_factory=dict)
    key: Mapping[str, Any] = field(default_factory=dict)
    answers: tuple[Mapping[str, Any], ...] = ()

    @property
    def first_day(self) -> date:
        """Day 0 of the archive: the first planned occasion, or the first recorded one without a plan."""
        study = self.result.study
        return study.plan.first_day if study.plan is not None else min(one.days[0] for one in study.cases)

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
    study, planned, names = _named(path, plan, design_id, today)
    result = analyze_study(study, statistic=statistic, alternative=alternative, alpha=alpha, seed=seed)
    opened = None if schedule is None else open_schedule(_text(schedule))
    fingerprint = "" if planned is None else planned.sha256
    if planned is not None:
        planned = replace(planned, plan=renamed_plan(planned.plan, names))
    if answers is None or key is None:
        return StudyInputs(result, planned, opened, (), fingerprint, names)
    given, opened_key = read_answers(answers), read_key(_text(key))
    # What is wrong is said under the names the raters wrote.
    masked_test(opened_key, given)
    entries, raters = _named_answers(given)
    plain_key = _named_key(opened_key, names)
    masked = tuple(masked_test(plain_key, entries))
    return StudyInputs(result, planned, opened, masked, fingerprint, names, raters, plain_key, entries)


def planned_study(
    path: str | Path, *, plan: str | Path | None = None, design_id: str | None = None,
    today: date | None = None,
) -> Study:  # fmt: skip
    """Read a study's data and plan under the practice's own codes, without analyzing it.

    Raises
    ------
    ValueError, DataProblems, NotEnoughData
        As `read_study`.
    """
    return study_of(read_caseload(path, today=today), plan=_read_plan(plan)[1], design_id=design_id)


def _named(
    path: str | Path, plan: str | Path | None, design_id: str | None, today: date | None
) -> tuple[Study, PreAnalysis | None, dict[str, str]]:
    """Give the study under the report's names, the plan as it was registered, and the names."""
    planned, bare = _read_plan(plan)
    caseload = read_caseload(path, today=today)
    # What is wrong is said under the codes the person knows.
    study_of(caseload, plan=bare, design_id=design_id)
    design, cases = planned_cases(caseload, plan=bare, design_id=design_id)
    names = participant_names(case.child_id for case in cases)
    named_plan = None if bare is None else renamed_plan(bare, names)
    study = study_of(renamed(caseload, names), plan=named_plan, design_id=design)
    return study, planned, names


def _named_answers(
    answers: list[Mapping[str, Any]],
) -> tuple[tuple[Mapping[str, Any], ...], dict[str, str]]:
    given = [str(row.get("rater") or "").strip() for row in answers]
    raters = {
        name: f"rater {number}"
        for number, name in enumerate(dict.fromkeys(name for name in given if name), start=1)
    }
    named = [
        {"rater": raters.get(name, ""), "graph": row.get("graph"), "start": row.get("start")}
        for name, row in zip(given, answers, strict=True)
    ]
    return tuple(named), raters


def _named_key(key: dict[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    graphs = [{**entry, "child_id": names.get(entry["child_id"], "")} for entry in key["graphs"]]
    return {**key, "graphs": graphs}


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
