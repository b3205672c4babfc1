"""Trials of exposure laid out for models with difficulty and time, and when those are refused."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rungwise.basis.page_numbers import count_of, format_bounded
from rungwise.ladders.trials import Trials, trials_of
from rungwise.tables.practice import Practice
from rungwise.tables.table import TableSet

# Above this correlation of step and time nothing can tell the two apart (design choice).
TOGETHER = 0.9
# Fewer days leave next to nothing once a level, a difficulty and a course are fitted (design choice).
FEWEST_DAYS = 6
WEEK = 7.0

GO_TOGETHER = (
    "Step and time go together too closely to tell apart (correlation {r} over {trials}; beyond .9 is "
    "refused): whether fear fell, or easier and harder steps were merely practiced earlier and later, "
    "cannot be said from these trials. Ratings of one probe step can say it."
)
ONE_DIFFICULTY = (
    "All these trials were at one difficulty: there is nothing to adjust for, and fear at another step "
    "cannot be told."
)
TOO_FEW = "Rated trials on {days}; at least 6 days are needed."
NO_PROBE = "No probe step is planned on this ladder, so there is no step to expect fear at."


@dataclass(frozen=True, eq=False)
class Used:
    """The trials of a program that enter a model, in order.

    Trials of a day are spread evenly over it, in their order: two values at one instant have no
    likelihood under the model, and trials of one day resemble each other most.

    Attributes
    ----------
    week, difficulty, rating : ndarray of float
    first : ndarray of int
        Place of the first trial of each day.
    """

    week: np.ndarray
    difficulty: np.ndarray
    rating: np.ndarray
    first: np.ndarray

    def __len__(self) -> int:
        return len(self.week)

    @property
    def days(self) -> int:
        """Days with a trial."""
        return len(self.first)

    @cached_property
    def together(self) -> float:
        """Correlation of time and difficulty, NaN where difficulty never varies."""
        return correlation(self.week, self.difficulty)

    def daily(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Give the days since the first trial of all, and the average difficulty and rating of each."""
        n = np.diff(self.first, append=len(self))
        return (
            np.rint(self.week[self.first] * WEEK),
            np.add.reduceat(self.difficulty, self.first) / n,
            np.add.reduceat(self.rating, self.first) / n,
        )


@dataclass(frozen=True, eq=False)
class Program:
    """The rated and declined trials of one child's ladder in exposure, in order of their days.

    Attributes
    ----------
    child, ladder : str
    probe_step : float
        NaN where none is planned.
    week, day : ndarray
        Time since the first of these trials, and the date.
    difficulty : ndarray of float
        Above the probe step's.
    rating : ndarray of float
        NaN beside a decline or where missing.
    declined : ndarray of bool
    floor, ceiling : float
        Ends of the scale.
    sign : float
        −1 where lower is better, +1 where higher is better.
    """

    child: str
    ladder: str
    probe_step: float
    week: np.ndarray
    day: np.ndarray
    difficulty: np.ndarray
    rating: np.ndarray
    declined: np.ndarray
    floor: float
    ceiling: float
    sign: float

    @property
    def worst(self) -> float:
        """Worst end of the scale."""
        return self.ceiling if self.sign < 0 else self.floor

    @cached_property
    def rated(self) -> Used:
        """Every rated trial."""
        return self._laid_out(np.where(self.declined, np.nan, self.rating))

    @cached_property
    def with_declines(self) -> Used:
        """Every rated trial, and every declined one at the worst end of the scale."""
        return self._laid_out(np.where(self.declined, self.worst, self.rating))

    def _laid_out(self, rating: np.ndarray) -> Used:
        kept = ~np.isnan(rating)
        week = self.week[kept]
        first = np.flatnonzero(np.concatenate([[True][: len(week)], week[1:] != week[:-1]]))
        n = np.diff(np.append(first, len(week)))
        within = (np.arange(len(week)) - np.repeat(first, n)) / np.repeat(n, n)
        return Used(week + within / WEEK, self.difficulty[kept], rating[kept], first)


def programs_in_exposure(tables: TableSet, child_id: str | None, kinds: Iterable[str]) -> Iterator[Program]:
    """Give the trials of exposure, program by program (a child on a ladder).

    Parameters
    ----------
    tables : TableSet
    child_id : str or None
        Only this child.
    kinds : iterable of str
        Kinds of trial that enter.
    """
    trials = trials_of(tables, child_id=child_id)
    if trials is None:
        return
    wanted = np.isin(trials.kind.astype(str), tuple(kinds)) & (trials.phase.astype(str) == "exposure")
    known = difficulties(tables)
    planned = primary_probe_steps(tables)
    scale = tables.practice.scales["fear"]
    sign = -1.0 if scale.better == "lower" else 1.0
    for child, ladder, part in trials.where(wanted).by_ladder():
        probe_step = planned.get((child, ladder), float("nan"))
        rating = rating_of(part, tables.practice)
        weeks = (part.day - part.day[0]).astype(float) / WEEK
        own = np.array([known.get((ladder, step), step) for step in part.step.tolist()])
        yield Program(
            child, ladder, probe_step, weeks, part.day,
            own - known.get((ladder, probe_step), probe_step), rating, part.declined,
            scale.minimum, scale.maximum, sign,
        )  # fmt: skip


def rating_of(trials: Trials, practice: Practice) -> np.ndarray:
    """Give the practice's primary rating of each trial; NaN beside a decline."""
    rating = trials.before if practice.primary_rating == "before" else trials.peak
    return np.where(trials.declined, np.nan, rating)


def difficulties(tables: TableSet) -> dict[tuple[str, float], float]:
    """Give the difficulty of each step by ladder; a step without one has its number."""
    if "ladders" not in tables.tables:
        return {}
    ladders = tables.tables["ladders"]
    columns = (ladders[name].tolist() for name in ("ladder_id", "step", "difficulty"))
    return {
        (ladder, step): step if np.isnan(difficulty) else difficulty
        for ladder, step, difficulty in zip(*columns, strict=True)
    }


def primary_probe_steps(tables: TableSet) -> dict[tuple[str, str], float]:
    """Give the primary probe step of each child's ladder."""
    if "plans" not in tables.tables:
        return {}
    plans = tables.tables["plans"]
    plans = plans.where(plans["primary"] == True)  # noqa: E712
    columns = (plans[name].tolist() for name in ("child_id", "ladder_id", "probe_step"))
    return {(child, ladder): float(step) for child, ladder, step in zip(*columns, strict=True)}


def why_refused(program: Program) -> str:
    """Say in one sentence why difficulty and time cannot be told apart here; empty where they can."""
    used = program.rated
    if np.isnan(program.probe_step):
        return NO_PROBE
    if used.days < FEWEST_DAYS:
        return TOO_FEW.format(days=count_of(used.days, "day"))
    if np.ptp(used.difficulty) < 1e-9:
        return ONE_DIFFICULTY
    return why_together(used)


def why_together(used: Used) -> str:
    """Say that time and difficulty go together too closely; empty where they do not."""
    if abs(used.together) > TOGETHER:
        return GO_TOGETHER.format(r=format_bounded(used.together), trials=count_of(len(used), "trial"))
    return ""


def correlation(a: np.ndarray, b: np.ndarray) -> float:
    """Give the correlation, NaN where one of the two never varies."""
    if len(a) < 2 or np.ptp(a) < 1e-9 or np.ptp(b) < 1e-9:
        return float("nan")
    a, b = a - a.mean(), b - b.mean()
    return float(np.clip(a @ b / np.sqrt((a @ a) * (b @ b)), -1, 1))
