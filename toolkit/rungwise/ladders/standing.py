"""Where a child stands now: facts beside a clinician's decision, never an instruction."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from rungwise.basis.errors import check_between
from rungwise.basis.page_numbers import count_of, format_number
from rungwise.ladders.exposure_trials import primary_probe_steps, rating_of
from rungwise.ladders.mastery import StepDays, step_days
from rungwise.ladders.trials import Trials, trials_of
from rungwise.tables.practice import Practice
from rungwise.tables.table import TableSet

# So many points above the occasion before are called a sharp rise (design choice).
SHARP_RISE = 3.0
# How far ahead the number of occasions still needed is looked for.
_FURTHER = 60

FACTS = (
    "These are facts from the records. Whether to step up, hold or step back is decided by a clinician "
    "with the family, who see what no record holds."
)
NO_INCIDENTS_TABLE = "Incidents were not recorded, which is not the same as none."


@dataclass(frozen=True, eq=False)
class Standing:
    """Where one child stands on one ladder, from the last recorded practice.

    Attributes
    ----------
    child_id, ladder_id : str
    step, steps : int
        The step last practiced, and how many the ladder has (0 if not recorded).
    activity : str
        What the step is; empty if not recorded.
    on : datetime64[D]
        Day of that practice.
    occasions_at_step : int
        Days on which the step was offered.
    in_a_row, needed : int
        Occasions in a row, up to now, that meet the practice's criterion, and how many it asks for.
    rating_at_most : float
        The criterion's rating.
    criterion_met : bool
    unrated : int
        Occasions at the step completed without a rating, which cannot count.
    last_rating, rating_before : float
        Worst rating of the last two occasions at the step; NaN where declined, missing or not there.
    last_declined : bool
        Whether the step was declined on its last occasion.
    rose_sharply : bool
        By at least `SHARP_RISE` points from the occasion before, or declined after having been done.
    incidents, serious : int or None
        At this step; None where incidents were not recorded.
    unplaced : int or None
        Incidents of this child recorded without ladder or step, which may have been here.
    baseline_needed, exposure_needed : int or None
        Probe occasions still needed before any answer is possible; 0 when there are enough, None where no
        number within reach would do.
    """

    child_id: str
    ladder_id: str
    step: int
    steps: int
    activity: str
    on: np.datetime64
    occasions_at_step: int
    in_a_row: int
    needed: int
    rating_at_most: float
    criterion_met: bool
    unrated: int
    last_rating: float
    rating_before: float
    last_declined: bool
    rose_sharply: bool
    incidents: int | None
    serious: int | None
    unplaced: int | None
    baseline_needed: int | None
    exposure_needed: int | None


def standing(tables: TableSet, *, child_id: str | None = None) -> tuple[Standing, ...]:
    """Say where each child stands on each practiced ladder.

    The step a child stands at is the one last practiced. The criterion for stepping up is the practice's
    own (`practice.toml`): every trial of the step on a day completed and rated no higher than so much, on
    so many such days in a row.

    Parameters
    ----------
    tables : TableSet
        With ``observations``; ``incidents``, ``ladders``, ``phases`` and ``plans`` where recorded.
    child_id : str, optional
        Only this child.

    Returns
    -------
    tuple of Standing
        One per child and ladder with a practice trial. A criterion met says nothing about tomorrow,
        about another place, or about whether the child wants to go on.
    """
    trials = trials_of(tables, child_id=child_id)
    if trials is None:
        return ()
    activities, tops = _ladders(tables)
    probe_steps = primary_probe_steps(tables)
    days = step_days(trials, rating_of(trials, tables.practice), tables.practice.mastery.rating_at_most)
    begin = days.begin
    names = (column[begin].tolist() for column in (days.child_id, days.ladder_id, days.step))
    stretches = map(slice, begin.tolist(), np.append(begin, len(days))[1:].tolist())
    days_of = dict(zip(zip(*names, strict=True), stretches, strict=True))
    incidents = _incidents_by_child(tables)
    found = []
    for child, ladder, part in trials.by_ladder():
        practiced = np.flatnonzero(part.kind == "practice")
        if not len(practiced):
            continue
        place = practiced[-1]
        step = float(part.step[place])
        needed = _still_needed(part, probe_steps.get((child, ladder)), tables.practice)
        found.append(
            Standing(
                child_id=child,
                ladder_id=ladder,
                step=int(step),
                steps=tops.get(ladder, 0),
                activity=activities.get((ladder, step), ""),
                on=part.day[place],
                **_at_step(
                    part.where(part.step == step), days, days_of[child, ladder, step], tables.practice
                ),
                **_incidents(None if incidents is None else incidents.get(child, []), ladder, step),
                baseline_needed=needed[0],
                exposure_needed=needed[1],
            )
        )
    return tuple(found)


def standing_sentences(stands: Standing) -> list[str]:
    """Say in plain sentences where a child stands; `FACTS` must stand beside them.

    Examples
    --------
    >>> stands = Standing(
    ...     "C1", "gangway", 4, 9, "Walk down, hand held", np.datetime64("2026-03-11"), 5, 2, 2, 3.0, True,
    ...     0, 2.0, 3.0, False, False, 0, 0, 0, 0, 2,
    ... )
    >>> for sentence in standing_sentences(stands):
    ...     print(sentence)
    Last practiced on 2026-03-11: step 4 of 9 (Walk down, hand held), offered on 5 days so far.
    The practice's own criterion (3 or less on 2 occasions in a row) is met at this step: 2 in a row so far.
    Rating 2 on its last occasion, 3 on the one before: no sharp rise.
    No incident is recorded at this step.
    2 more exposure occasions of the probe step are needed before any answer is possible.
    """
    of = f" of {stands.steps}" if stands.steps else ""
    activity = f" ({stands.activity})" if stands.activity else ""
    criterion = (
        f"{stands.rating_at_most:g} or less on {count_of(stands.needed, 'occasion')}"
        f"{' in a row' if stands.needed > 1 else ''}"
    )
    sentences = [
        f"Last practiced on {stands.on}: step {stands.step}{of}{activity}, offered on "
        f"{count_of(stands.occasions_at_step, 'day')} so far.",
        f"The practice's own criterion ({criterion}) is {'' if stands.criterion_met else 'not '}met at "
        f"this step: {stands.in_a_row} in a row so far.",
    ]
    if stands.unrated:
        sentences.append(
            f"{count_of(stands.unrated, 'occasion')} at this step completed without a rating, which cannot "
            "count toward the criterion."
        )
    sentences.append(_course(stands))
    if stands.incidents is None:
        sentences.append(NO_INCIDENTS_TABLE)
    elif not stands.incidents:
        sentences.append("No incident is recorded at this step.")
    else:
        serious = f", {stands.serious} of them serious" if stands.serious else ", none of them serious"
        sentences.append(f"{count_of(stands.incidents, 'incident')} recorded at this step{serious}.")
    if stands.unplaced:
        sentences.append(
            f"{count_of(stands.unplaced, 'incident')} of this child recorded without a step; it may have "
            "been this one."
        )
    return [*sentences, *_needed_sentences(stands)]


def occasions_needed(
    n_baseline: int, n_exposure: int, *, alpha: float, minimum_baseline: int, minimum_exposure: int
) -> tuple[int | None, int | None]:
    """Give how many more planned occasions are needed before any answer is possible.

    An answer needs the practice's least numbers, and lengths at which the smallest p that could come about
    is at or below the level set (all ratings different; ties ask for more).

    Returns
    -------
    baseline, exposure : int or None
        More occasions needed in each phase, exposure counted once the baseline is long enough; None where
        none of the next 60 would do.

    Examples
    --------
    >>> occasions_needed(3, 3, alpha=0.05, minimum_baseline=3, minimum_exposure=5)
    (0, 2)
    >>> occasions_needed(3, 5, alpha=0.01, minimum_baseline=3, minimum_exposure=5)
    (0, 4)
    """
    check_between("alpha", alpha, 0, 1)
    baseline = max(0, minimum_baseline - n_baseline)
    for exposure in range(max(0, minimum_exposure - n_exposure), _FURTHER + 1):
        later = n_exposure + exposure
        if 2 / math.comb(n_baseline + baseline + later, later) <= alpha:
            return baseline, exposure
    return baseline, None


def _at_step(here: Trials, days: StepDays, rows: slice, practice: Practice) -> dict[str, Any]:
    criterion = practice.mastery
    rating = rating_of(here, practice)
    day, met = days.day[rows], days.met[rows]
    in_a_row = len(met) if met.all() else int(np.argmin(met[::-1]))
    worst = [_worst(rating[here.day == one], practice) for one in day[-2:]]
    last, before = worst[-1], worst[-2] if len(worst) > 1 else float("nan")
    declined = bool(days.declined[rows][-1])
    rise = last - before if practice.scales["fear"].better == "lower" else before - last
    done_before = bool((here.outcome[here.day < day[-1]] == "completed").any())
    return {
        "occasions_at_step": len(day),
        "in_a_row": in_a_row,
        "needed": criterion.occasions_in_a_row,
        "rating_at_most": criterion.rating_at_most,
        "criterion_met": in_a_row >= criterion.occasions_in_a_row,
        "unrated": int(days.unrated[rows].sum()),
        "last_rating": last,
        "rating_before": before,
        "last_declined": declined,
        "rose_sharply": bool(rise >= SHARP_RISE) or (declined and done_before),
    }


def _worst(ratings: np.ndarray, practice: Practice) -> float:
    ratings = ratings[~np.isnan(ratings)]
    if not len(ratings):
        return float("nan")
    return float(ratings.max() if practice.scales["fear"].better == "lower" else ratings.min())


def _course(stands: Standing) -> str:
    if stands.last_declined:
        after = " after having been done before" if stands.rose_sharply else ""
        return f"The step was declined on its last occasion{after}."
    if math.isnan(stands.last_rating):
        return "Its last occasion has no rating, so whether fear rose cannot be said."
    if math.isnan(stands.rating_before):
        return (
            f"Rating {stands.last_rating:g} on its last occasion; there is no rating before it to hold "
            "it against."
        )
    rose = f"a sharp rise ({format_number(SHARP_RISE, 0)} points or more)"
    return (
        f"Rating {stands.last_rating:g} on its last occasion, {stands.rating_before:g} on the one before: "
        f"{rose if stands.rose_sharply else 'no sharp rise'}."
    )


def _needed_sentences(stands: Standing) -> list[str]:
    if stands.baseline_needed is None:
        return []
    said = []
    if stands.baseline_needed:
        said.append(
            f"The baseline is {count_of(stands.baseline_needed, 'occasion')} short of the least that says "
            "anything, and it is over once exposure has begun."
        )
    if stands.exposure_needed is None:
        said.append("With this baseline no number of exposure occasions within reach gives an answer.")
    elif stands.exposure_needed:
        more = count_of(stands.exposure_needed, "more exposure occasion")
        verb = "is" if stands.exposure_needed == 1 else "are"
        said.append(f"{more} of the probe step {verb} needed before any answer is possible.")
    elif not stands.baseline_needed:
        said.append("There are enough probe occasions for an answer.")
    return said


def _still_needed(
    part: Trials, probe_step: float | None, practice: Practice
) -> tuple[int | None, int | None]:
    if probe_step is None:
        return None, None
    usable = ~np.isnan(rating_of(part, practice)) | part.declined
    probes = (part.kind == "probe") & (part.step == probe_step) & usable
    n = [int((probes & (part.phase == phase)).sum()) for phase in ("baseline", "exposure")]
    return occasions_needed(
        *n,
        alpha=practice.alpha,
        minimum_baseline=practice.minimum_baseline,
        minimum_exposure=practice.minimum_exposure,
    )


def _incidents_by_child(tables: TableSet) -> dict[str, list[tuple[str | None, float, str]]] | None:
    """Give ladder, step and severity of each child's incidents; None where they were not recorded."""
    if "incidents" not in tables.tables:
        return None
    rows = tables.tables["incidents"]
    found: dict[str, list[tuple[str | None, float, str]]] = {}
    columns = (rows[name].tolist() for name in ("child_id", "ladder_id", "step", "severity"))
    for child, *incident in zip(*columns, strict=True):
        found.setdefault(child, []).append((incident[0], incident[1], incident[2]))
    return found


def _incidents(
    mine: list[tuple[str | None, float, str]] | None, ladder: str, step: float
) -> dict[str, Any]:
    if mine is None:
        return {"incidents": None, "serious": None, "unplaced": None}
    here = [severity for on, at, severity in mine if on == ladder and at == step]
    nowhere = [on is None or (on == ladder and math.isnan(at)) for on, at, _ in mine]
    return {"incidents": len(here), "serious": here.count("serious"), "unplaced": sum(nowhere)}


def _ladders(tables: TableSet) -> tuple[dict[tuple[str, float], str], dict[str, int]]:
    if "ladders" not in tables.tables:
        return {}, {}
    rows = tables.tables["ladders"]
    activities: dict[tuple[str, float], str] = {}
    tops: dict[str, int] = {}
    columns = (rows[name].tolist() for name in ("ladder_id", "step", "activity"))
    for ladder, step, activity in zip(*columns, strict=True):
        activities[ladder, step] = activity or ""
        tops[ladder] = max(int(step), tops.get(ladder, 0))
    return activities, tops
