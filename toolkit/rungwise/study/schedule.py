"""Draw a study's starts, seal them, and write what everybody may know into the table of plans."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.study.plan import StudyPlan, fingerprint

ONLY_FOR = (
    "Sealed. Only for the person who assigns; nobody who rates, treats or analyzes may see it before "
    "each start has come."
)


@dataclass(frozen=True)
class Schedule:
    """What was drawn; for the person who assigns only, until each start has come.

    Attributes
    ----------
    plan : StudyPlan
    seed : int
        The same plan and seed give the same draw.
    phase_numbers : tuple of tuple of int
        For each case the phase number of every occasion: 0 in baseline, 1 in exposure, and on for
        further criteria.
    """

    plan: StudyPlan
    seed: int
    phase_numbers: tuple[tuple[int, ...], ...]

    @property
    def starts(self) -> tuple[int, ...]:
        """Occasion, counted from 1, of the first exposure occasion of each case."""
        return tuple(int(np.argmax(np.array(numbers) > 0)) + 1 for numbers in self.phase_numbers)

    @property
    def tiers(self) -> tuple[int, ...]:
        """Place of each case in the order of starts, 1 first; cases that start together share one."""
        order = sorted(set(self.starts))
        return tuple(order.index(start) + 1 for start in self.starts)

    def as_dict(self) -> dict[str, Any]:
        """Give what is sealed, as plain values."""
        return {
            "only_for": ONLY_FOR,
            "plan": self.plan.as_dict(),
            "plan_sha256": self.plan.sha256,
            "seed": self.seed,
            "drawn": [
                {
                    "child_id": case.child_id,
                    "ladder_id": case.ladder_id,
                    "exposure_starts_at": start,
                    "exposure_starts_on": self.plan.day(start).isoformat(),
                    "phase_numbers": list(numbers),
                }
                for case, start, numbers in zip(
                    self.plan.cases, self.starts, self.phase_numbers, strict=True
                )
            ],
        }

    @property
    def commitment(self) -> str:
        """SHA-256 of the sealed schedule: publish it now, and nobody can change the draw unnoticed.

        The seed is part of what is hashed, so a seed of many digits keeps the draw from being guessed.
        """
        return fingerprint(self.as_dict())

    def sealed(self) -> str:
        """Give the sealed schedule as the text of its file."""
        return json.dumps(self.as_dict(), indent=2, ensure_ascii=False) + "\n"

    def lines(self) -> list[str]:
        """Say in words what the person who assigns has to do, and when."""
        told = []
        for case, numbers in zip(self.plan.cases, self.phase_numbers, strict=True):
            changes = [
                occasion
                for occasion in range(2, self.plan.occasions + 1)
                if numbers[occasion - 1] != numbers[occasion - 2]
            ]
            steps = [f"exposure from occasion {changes[0]} ({self.plan.day(changes[0]).isoformat()})"]
            steps += [
                f"criterion {self.plan.criteria[numbers[at - 1] - 1]:g} from occasion {at} "
                f"({self.plan.day(at).isoformat()})"
                for at in changes
                if self.plan.criteria
            ]
            told.append(f"{case.label}: {'; '.join(steps)}.")
        return told

    def phase_rows(self, until: date | None = None) -> list[dict[str, Any]]:
        """Give the rows of the table ``phases`` that have come true by a day; default all."""
        rows: list[dict[str, Any]] = []
        for case, numbers in zip(self.plan.cases, self.phase_numbers, strict=True):
            seen = -1
            for occasion, number in enumerate(numbers, start=1):
                if number == seen:
                    continue
                seen = number
                criterion = None
                if number and self.plan.criteria:
                    criterion = self.plan.criteria[number - 1]
                rows.append(
                    {
                        "child_id": case.child_id,
                        "ladder_id": case.ladder_id,
                        "starts_on": self.plan.day(occasion),
                        "phase": "exposure" if number else "baseline",
                        "criterion": criterion,
                    }
                )
        return [row for row in rows if until is None or row["starts_on"] <= until]


def draw_schedule(plan: StudyPlan, seed: int) -> Schedule:
    """Draw a study's starts, each permitted assignment with equal probability.

    Parameters
    ----------
    plan : StudyPlan
    seed : int
        0 or more. Use one of many digits that only the person who assigns knows: whoever knows it can
        draw the schedule too.

    Returns
    -------
    Schedule

    Raises
    ------
    ValueError
        If the seed is not a whole number of 0 or more.

    Examples
    --------
    >>> from rungwise.study.plan import StudyCase
    >>> plan = StudyPlan(
    ...     "MB1", "multiple_baseline", (StudyCase("C1", "net", 3), StudyCase("C2", "net", 3)),
    ...     date(2026, 3, 2), 7, 16, ((4, 5), (9, 10)), True, (), 3, "tau", "improvement", 0.05,
    ... )
    >>> draw_schedule(plan, seed=7).starts == draw_schedule(plan, seed=7).starts
    True
    >>> plan.design.permits_starts(draw_schedule(plan, seed=7).starts)
    True
    """
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        raise ValueError(f"seed must be a whole number of 0 or more; got {seed!r}.")
    rng = np.random.default_rng(seed)
    n, m = plan.occasions, len(plan.cases)
    if plan.kind == "changing_criterion":
        numbers = plan.criteria_design.draw(m, rng)
    else:
        design = plan.design
        if isinstance(design, StaggeredStarts):
            starts = design.draw_starts(1, rng)[0]
        else:
            starts = np.array([rng.choice(window) for window in plan.windows])
        numbers = (np.arange(1, n + 1) >= starts[:, None]).astype(np.int64)
    return Schedule(plan, seed, tuple(tuple(row) for row in numbers.tolist()))


def open_schedule(text: str) -> Schedule:
    """Read a sealed schedule back, and check that it is what its plan and seed give.

    Raises
    ------
    ValueError
        If the text is not a sealed schedule, or was changed after it was drawn.
    """
    try:
        plain = json.loads(text)
        plan, seed = StudyPlan.from_dict(plain["plan"]), plain["seed"]
    except (ValueError, KeyError, TypeError):
        raise ValueError("The file is not a sealed schedule (schedule.json) of this program.") from None
    schedule = draw_schedule(plan, seed)
    if schedule.as_dict() != plain:
        raise ValueError(
            "The sealed schedule is not what its plan and seed give; it was changed after it was drawn."
        )
    return schedule


def plan_rows(plan: StudyPlan) -> list[dict[str, Any]]:
    """Give the rows of the table ``plans``, which say what is permitted and not what was drawn.

    The window of a case spans all the starts open to it before the draw. Where windows are shuffled,
    the tier of a case is part of the draw, so it stays empty until all starts have come.
    """
    rows = []
    for number, case in enumerate(plan.cases):
        starts = plan.open_starts(number)
        fixed = plan.kind == "multiple_baseline" and not plan.shuffled
        rows.append(
            {
                "child_id": case.child_id,
                "ladder_id": case.ladder_id,
                "probe_step": case.probe_step,
                "primary": True,
                "trained": True,
                "planned_per_week": 7 / plan.days_apart,
                "fear_minimum": case.fear_minimum,
                "fear_maximum": case.fear_maximum,
                "usual_rater": case.usual_rater or None,
                "usual_setting": case.usual_setting or None,
                "design_id": plan.design_id,
                "tier": number + 1 if fixed else None,
                "assignment": "random",
                "window_opens": plan.day(starts[0]),
                "window_closes": plan.day(starts[-1]),
            }
        )
    return rows
