"""One child's ratings over time, cut into phases."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from rungwise.basis.errors import check_choice

PHASES = ("baseline", "exposure", "maintenance", "follow_up")
BETTER = ("lower", "higher")


@dataclass(frozen=True, eq=False)
class PhaseSeries:
    """Ratings at planned occasions, in time order, each in a phase.

    Parameters
    ----------
    values : sequence of float
        Ratings in their own units; NaN or None where the rating is missing or the child declined.
    phases : sequence of str
        ``"baseline"``, ``"exposure"``, ``"maintenance"`` or ``"follow_up"``, one per rating.
    times : sequence of float, optional
        Days, or occasion numbers; default 1, 2, …, N. They need not rise: entries are put in time
        order, those of one time staying in the order given.
    declined : sequence of bool, optional
        True where the child faced the step and declined it: worse than any rating in rank
        statistics, without a value in the others. A rating standing beside a decline is not used.
    better : {"lower", "higher"}
        Direction of improvement.
    label : str
        What the series is, for tables and figures.
    floor, ceiling : float, optional
        Ends of the rating scale.
    unit : str
        Unit of the ratings.
    starts_on : date, optional
        The day that time 0 is, where `times` are days; tells which ratings of several series fell
        on one day.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Examples
    --------
    >>> series = PhaseSeries([7, 8, None, 5, 3], ["baseline"] * 2 + ["exposure"] * 3)
    >>> series.of("exposure").tolist(), series.n_missing
    ([nan, 5.0, 3.0], 1)
    """

    values: Any
    phases: Any
    times: Any = None
    declined: Any = None
    better: str = "lower"
    label: str = field(default="", kw_only=True)
    floor: float | None = field(default=None, kw_only=True)
    ceiling: float | None = field(default=None, kw_only=True)
    unit: str = field(default="points", kw_only=True)
    starts_on: date | None = field(default=None, kw_only=True)

    def __post_init__(self) -> None:
        values = _numbers("values", self.values)
        n = len(values)
        phases = np.asarray(self.phases, dtype=object)
        if phases.ndim != 1 or len(phases) != n:
            raise ValueError(f"phases must be one entry per value ({n}); got {phases.size}.")
        for phase in dict.fromkeys(phases.tolist()):
            check_choice("phases", phase, PHASES)
        times = np.arange(1.0, n + 1) if self.times is None else _numbers("times", self.times)
        if len(times) != n:
            raise ValueError(f"times must be one entry per value ({n}); got {len(times)}.")
        if np.isnan(times).any():
            where = int(np.flatnonzero(np.isnan(times))[0]) + 1
            raise ValueError(f"times must not be missing; entry {where} is.")
        declined = np.zeros(n, dtype=bool)
        if self.declined is not None:
            declined = _yes_no("declined", self.declined)
            if declined.shape != (n,):
                raise ValueError(f"declined must be one entry per value ({n}); got {declined.size}.")
        check_choice("better", self.better, BETTER)
        _check_scale(values[~declined], self.floor, self.ceiling)
        order = np.argsort(times, kind="stable")
        values = np.where(declined, np.nan, values)
        for name, column in (
            ("values", values),
            ("phases", phases),
            ("times", times),
            ("declined", declined),
        ):
            column = column[order]
            column.flags.writeable = False
            object.__setattr__(self, name, column)

    @classmethod
    def from_phases(
        cls, baseline: Sequence[float | None], exposure: Sequence[float | None], **keywords: Any
    ) -> PhaseSeries:
        """Build a series from the ratings of two phases, in time order.

        Examples
        --------
        >>> PhaseSeries.from_phases([7, 8, 7], [6, 5, 3, 2], better="lower").n_baseline
        3
        """
        phases = ["baseline"] * len(baseline) + ["exposure"] * len(exposure)
        return cls([*baseline, *exposure], phases, **keywords)

    def __len__(self) -> int:
        return len(self.values)

    def __repr__(self) -> str:
        lengths = ", ".join(
            f"{np.sum(self.phases == phase)} {phase}" for phase in PHASES if np.any(self.phases == phase)
        )
        return f"PhaseSeries({self.label or 'unnamed'}: {lengths}, better={self.better!r})"

    @property
    def usable(self) -> np.ndarray:
        """Mask of the occasions that say something: a rating or a decline."""
        return self.declined | ~np.isnan(self.values)

    @property
    def n_missing(self) -> int:
        """Occasions with neither a rating nor a decline."""
        return int(np.sum(~self.usable))

    @property
    def n_baseline(self) -> int:
        """Usable baseline occasions."""
        return int(np.sum(self.usable & (self.phases == "baseline")))

    @property
    def n_exposure(self) -> int:
        """Usable exposure occasions."""
        return int(np.sum(self.usable & (self.phases == "exposure")))

    def of(self, phase: str) -> np.ndarray:
        """Give the ratings of one phase in time order, NaN where missing or declined."""
        check_choice("phase", phase, PHASES)
        return self.values[self.phases == phase]

    def only(self, *phases: str) -> PhaseSeries:
        """Give the series restricted to some phases."""
        for phase in phases:
            check_choice("phases", phase, PHASES)
        return self.where(np.isin(self.phases, phases))

    def where(self, mask: np.ndarray) -> PhaseSeries:
        """Give the series restricted to the occasions of a mask."""
        return PhaseSeries(
            self.values[mask],
            self.phases[mask],
            self.times[mask],
            self.declined[mask],
            self.better,
            label=self.label,
            floor=self.floor,
            ceiling=self.ceiling,
            unit=self.unit,
            starts_on=self.starts_on,
        )


def check_series(series: object) -> PhaseSeries:
    """Return `series` if it is one series; otherwise say what came instead.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Examples
    --------
    >>> check_series("x")
    Traceback (most recent call last):
    ...
    ValueError: series must be a PhaseSeries; got 'x'.
    """
    what = "series must be a PhaseSeries"
    if isinstance(series, PhaseSeries):
        return series
    if not isinstance(series, (list, tuple, np.ndarray)):
        raise ValueError(f"{what}; got {series!r:.60}.")
    kind = type(series).__name__
    if len(series) and all(isinstance(one, PhaseSeries) for one in series):
        raise ValueError(
            f"{what}; got {len(series)} in one {kind}: give a statistic one series at a time, or "
            "pass the series one by one: SeriesBatch.of(*series)."
        )
    raise ValueError(f"{what}; got a {kind} of other things; see PhaseSeries.from_phases.")


def _yes_no(argument: str, entries: Any) -> np.ndarray:
    """Read True and False, and nothing that only looks like them: a missing entry is no answer."""
    listed = list(entries)
    for i, entry in enumerate(listed, start=1):
        if not isinstance(entry, (bool, np.bool_)) and not (
            isinstance(entry, (int, float)) and entry in (0, 1)
        ):
            raise ValueError(f"{argument} must be True or False; entry {i} is {entry!r}.")
    return np.array(listed, dtype=bool)


def _check_scale(ratings: np.ndarray, floor: float | None, ceiling: float | None) -> None:
    ends = {"floor": floor, "ceiling": ceiling}
    for name, end in ends.items():
        if end is not None and not isinstance(end, (int, float, np.integer, np.floating)):
            raise ValueError(f"{name} must be a number or None; got {end!r}.")
    low = -np.inf if floor is None else floor
    high = np.inf if ceiling is None else ceiling
    if not low < high:
        raise ValueError(f"floor must be below ceiling; got {floor!r} and {ceiling!r}.")
    outside = (ratings < low) | (ratings > high)
    if outside.any():
        raise ValueError(
            f"values must lie on the scale from {floor} to {ceiling}; got {ratings[outside][0]:g}."
        )


def _numbers(argument: str, values: Any) -> np.ndarray:
    entries = [np.nan if entry is None else entry for entry in values]
    try:
        numbers = np.array(entries, dtype=float)
    except (TypeError, ValueError):
        for i, entry in enumerate(entries, start=1):
            try:
                float(entry)
            except (TypeError, ValueError):
                raise ValueError(
                    f"{argument} must be numbers, or None where missing; entry {i} is {entry!r}."
                ) from None
        raise
    if numbers.ndim != 1:
        raise ValueError(f"{argument} must be one row of numbers; got {numbers.ndim} dimensions.")
    if np.isinf(numbers).any():
        where = int(np.flatnonzero(np.isinf(numbers))[0]) + 1
        raise ValueError(f"{argument} must be finite; entry {where} is {entries[where - 1]!r}.")
    return numbers
