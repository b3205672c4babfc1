"""The recorded ratings of a study, laid on the occasions that were planned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from rungwise.basis.errors import NotEnoughData
from rungwise.basis.page_numbers import count_of
from rungwise.series.batch import SeriesBatch
from rungwise.series.caseload import Caseload
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.designs import Design, RandomStart, SingleDesign
from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.study.participants import of_children
from rungwise.study.plan import StudyCase, StudyPlan, consenting


@dataclass(frozen=True, eq=False)
class CaseData:
    """One case of a study as it was recorded.

    Attributes
    ----------
    case : StudyCase
    series : PhaseSeries
        Baseline and exposure at the planned occasions, numbered from 1; NaN where nothing was recorded.
    recorded : PhaseSeries
        Everything recorded, by day since the first rating.
    first_day : datetime.date
        Day of time 0 of `recorded`.
    days : tuple of datetime.date
        Planned days, one per occasion of `series`.
    start : int
        Occasion at which exposure started.
    moved : int
        Ratings given on another day than planned.
    extra : int
        Ratings in baseline and exposure that belong to no planned occasion; shown, not tested.
    """

    case: StudyCase
    series: PhaseSeries
    recorded: PhaseSeries
    first_day: date
    days: tuple[date, ...]
    start: int
    moved: int = 0
    extra: int = 0


@dataclass(frozen=True, eq=False)
class Study:
    """A study as planned and recorded; make one with `study_of`.

    Attributes
    ----------
    design_id : str
    plan : StudyPlan or None
        None where only the table of plans says what was planned.
    cases : tuple of CaseData
        Those analyzed, in the order of the plan.
    design : Design or list of SingleDesign or None
        What was drawn at random, for the cases analyzed; None where that cannot be said.
    no_design : str
        Why `design` is None.
    caseload : Caseload
        The rows of the cases' children only.
    left_out : dict of str to str
        Cases planned and not analyzed, with the reason.
    """

    design_id: str
    plan: StudyPlan | None
    cases: tuple[CaseData, ...]
    design: Design | list[SingleDesign] | None
    no_design: str
    caseload: Caseload
    left_out: dict[str, str]

    @property
    def batch(self) -> SeriesBatch:
        """Planned series of all cases."""
        return SeriesBatch.of(*(one.series for one in self.cases))

    @property
    def kind(self) -> str:
        """Kind of design, a key of `rungwise.study.plan.KINDS`."""
        if self.plan is not None:
            return self.plan.kind
        return "multiple_baseline" if len(self.cases) > 1 else "random_start"


def study_of(caseload: Caseload, *, plan: StudyPlan | None = None, design_id: str | None = None) -> Study:
    """Gather a study's data from a practice's files.

    Parameters
    ----------
    caseload : Caseload
    plan : StudyPlan, optional
        What was planned. Without it the rows of ``plans`` with this design code say which windows were
        open, each taken as drawn on its own, and the recorded days are taken for the planned ones.
    design_id : str, optional
        Code of the design; may be left out with a plan, or where there is only one.

    Returns
    -------
    Study

    Raises
    ------
    ValueError
        If there is no such design.
    NotEnoughData
        If no case can be analyzed.
    """
    willing = consenting(caseload)
    name, planned = planned_cases(caseload, plan=plan, design_id=design_id)
    left_out: dict[str, str] = {}
    cases: list[CaseData] = []
    numbers: list[int] = []
    for number, case in enumerate(planned):
        if case.child_id not in willing:
            left_out[case.label] = "no research consent, or consent withdrawn"
            continue
        try:
            cases.append(_case_data(caseload, case, plan))
            numbers.append(number)
        except NotEnoughData as problem:
            left_out[case.label] = str(problem)
    if not cases:
        reasons = "; ".join(f"{label}: {reason}" for label, reason in left_out.items())
        raise NotEnoughData(f"No case of {name} can be analyzed. {reasons}")
    design, why = _design(plan, caseload, cases, numbers)
    children = {one.case.child_id for one in cases}
    return Study(name, plan, tuple(cases), design, why, of_children(caseload, children), left_out)


def planned_cases(
    caseload: Caseload, *, plan: StudyPlan | None = None, design_id: str | None = None
) -> tuple[str, list[StudyCase]]:
    """Give a study's code and its cases in the order planned, analyzed later or not.

    Raises
    ------
    ValueError
        If there is no such design.
    NotEnoughData
        If nothing says what was planned.
    """
    if plan is None:
        return _from_plans(caseload, design_id)
    if design_id not in (None, plan.design_id):
        raise ValueError(f"design_id must be that of the plan, {plan.design_id!r}; got {design_id!r}.")
    return plan.design_id, list(plan.cases)


def _from_plans(caseload: Caseload, design_id: str | None) -> tuple[str, list[StudyCase]]:
    plans = caseload.tables.get("plans")
    if plans is None:
        raise NotEnoughData("The table of plans was not recorded, so no design is known; give a plan.")
    there = sorted({code for code in plans["design_id"].tolist() if code})
    if design_id is None and len(there) == 1:
        design_id = there[0]
    if design_id not in there:
        listed = ", ".join(there) or "none"
        raise ValueError(
            f"design_id must be a design code of the table of plans ({listed}); got {design_id!r}."
        )
    rows = np.flatnonzero(plans["design_id"] == design_id)
    tiers = plans["tier"][rows]
    order = rows[np.lexsort((rows, np.where(np.isnan(tiers), np.inf, tiers)))]
    return str(design_id), [
        StudyCase(
            plans["child_id"][row],
            plans["ladder_id"][row],
            int(plans["probe_step"][row]),
            float(plans["fear_minimum"][row]),
            float(plans["fear_maximum"][row]),
            plans["usual_rater"][row] or "",
            plans["usual_setting"][row] or "",
        )
        for row in order
    ]


def _case_data(caseload: Caseload, case: StudyCase, plan: StudyPlan | None) -> CaseData:
    if case.child_id not in caseload.children or case.ladder_id not in caseload.ladders(case.child_id):
        raise NotEnoughData("no planned rating was recorded")
    steps = caseload.probe_steps(case.child_id, case.ladder_id)
    step = float(case.probe_step) if len(steps) > 1 else None
    recorded = caseload.series(case.child_id, case.ladder_id, probe_step=step)
    first_day = _first_day(caseload, case)
    watched = recorded.only("baseline", "exposure")
    if first_day is None:
        raise NotEnoughData("ratings have no dates")
    if not watched.n_baseline or not watched.n_exposure:
        raise NotEnoughData("ratings in baseline and exposure are needed, and one of them has none")
    days = [first_day.toordinal() + int(time) for time in watched.times]
    if plan is None:
        series = _numbered(watched, watched.values, watched.declined, watched.phases, case)
        start = int(np.argmax(watched.phases == "exposure")) + 1
        return CaseData(case, series, recorded, first_day, tuple(map(date.fromordinal, days)), start)
    n = plan.occasions
    wanted = np.array([day.toordinal() for day in plan.days])
    values, declined = np.full(n, np.nan), np.zeros(n, dtype=bool)
    exposed_from = _exposed_from(caseload, case, days, watched)
    phases = np.where(wanted >= exposed_from, "exposure", "baseline").astype(object)
    moved = extra = 0
    taken: set[int] = set()
    for place, day in enumerate(days):
        nearest = int(np.argmin(np.abs(wanted - day)))
        # A rating that came on the other side of the start than planned belongs to its own phase.
        beside = [
            at for at in (nearest, nearest - 1, nearest + 1)
            if 0 <= at < n and abs(wanted[at] - day) * 2 <= plan.days_apart + 1
            and phases[at] == watched.phases[place] and at not in taken
        ]  # fmt: skip
        if not beside:
            extra += 1
            continue
        at = beside[0]
        taken.add(at)
        moved += int(wanted[at] != day)
        values[at], declined[at] = watched.values[place], watched.declined[place]
    series = _numbered(watched, values, declined, phases, case)
    start = int(np.argmax(phases == "exposure")) + 1 if (phases == "exposure").any() else 0
    if not series.n_baseline or not series.n_exposure:
        raise NotEnoughData("no rating lies on a planned occasion in one of the phases")
    return CaseData(case, series, recorded, first_day, plan.days, start, moved, extra)


def _numbered(
    like: PhaseSeries, values: np.ndarray, declined: np.ndarray, phases: np.ndarray, case: StudyCase
) -> PhaseSeries:
    return PhaseSeries(
        values,
        phases,
        None,
        declined,
        like.better,
        label=case.label,
        floor=case.fear_minimum if like.floor is None else like.floor,
        ceiling=case.fear_maximum if like.ceiling is None else like.ceiling,
        unit=like.unit,
    )


def _first_day(caseload: Caseload, case: StudyCase) -> date | None:
    planned = caseload.planned
    mine = (planned["child_id"] == case.child_id) & (planned["ladder_id"] == case.ladder_id)
    steps = planned["probe_step"]
    mine &= np.isnan(steps.astype(float)) | (steps == case.probe_step)
    days = planned["date"][mine]
    return None if not len(days) or np.isnat(days).any() else days.min().astype(object)


def _exposed_from(caseload: Caseload, case: StudyCase, days: Sequence[int], watched: PhaseSeries) -> int:
    """Give the day exposure started: as the table of phases says, else that of the first such rating."""
    phases = caseload.tables.get("phases")
    if phases is not None:
        mine = (phases["child_id"] == case.child_id) & (phases["phase"] == "exposure")
        mine &= np.array(
            [ladder in (None, case.ladder_id) for ladder in phases["ladder_id"].tolist()], bool
        )
        if mine.any():
            return int(phases["starts_on"][mine].min().astype(object).toordinal())
    return days[int(np.argmax(watched.phases == "exposure"))]


def _design(
    plan: StudyPlan | None, caseload: Caseload, cases: Sequence[CaseData], numbers: Sequence[int]
) -> tuple[Design | list[SingleDesign] | None, str]:
    if plan is None:
        return _design_of_plans(caseload, cases)
    if plan.kind == "changing_criterion":
        return None, (
            "What was drawn is when each criterion came into force, not one start of exposure; the test is "
            "whether ratings followed."
        )
    windows = list(plan.windows)
    if plan.kind == "random_start":
        return [RandomStart(windows[i][0], windows[i][-1], "random") for i in numbers], ""
    if not plan.shuffled:
        kept = tuple(windows[i] for i in numbers)
    else:
        # Given which windows went to those analyzed, every order of these is still equally likely.
        kept = tuple(window for window in windows if any(one.start in window for one in cases))
        if len(kept) != len(cases):
            return None, (
                "The starts made are not one from each window, so they are none of the permitted "
                "assignments, and there is no randomization test."
            )
    if len(kept) < 2:
        return [RandomStart(kept[0][0], kept[0][-1], "random")], ""
    return StaggeredStarts(kept, plan.shuffled, "random"), ""


def _design_of_plans(
    caseload: Caseload, cases: Sequence[CaseData]
) -> tuple[Design | list[SingleDesign] | None, str]:
    plans = caseload.tables["plans"]
    single: list[SingleDesign] = []
    for one in cases:
        row = int(
            np.flatnonzero(
                (plans["child_id"] == one.case.child_id)
                & (plans["ladder_id"] == one.case.ladder_id)
                & (plans["probe_step"] == one.case.probe_step)
            )[0]
        )
        opens, closes = plans["window_opens"][row], plans["window_closes"][row]
        if plans["assignment"][row] != "random" or np.isnat(opens) or np.isnat(closes):
            return None, (
                f"The start of {one.case.label} was not drawn at random from a window, so there is no "
                "randomization test."
            )
        inside = [
            number
            for number, day in enumerate(one.days, start=1)
            if opens.astype(object) <= day <= closes.astype(object) and number > 1
        ]
        if one.start not in inside:
            return None, f"Exposure of {one.case.label} started outside its window."
        single.append(RandomStart(inside[0], inside[-1], "random"))
    return single, ""


def coverage(study: Study) -> list[str]:
    """Say how completely the planned occasions were recorded."""
    lines = []
    for one in study.cases:
        series = one.series
        given = len(series) - series.n_missing
        line = f"{one.case.label}: {given} of {count_of(len(series), 'planned occasion')} recorded"
        declined = int(series.declined.sum())
        if declined:
            line += f", {declined} declined"
        if one.moved:
            line += f", {one.moved} on another day than planned"
        if one.extra:
            line += f"; {count_of(one.extra, 'rating')} on no planned occasion, shown and not tested"
        lines.append(line + ".")
    return lines
