"""Many series as padded arrays, rank-encoded once: what every statistic is written over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.series.phase_series import BETTER, PhaseSeries, check_series

ABSENT = -1
# Relative difference below which two ratings are the same number.
SAME = 1e-12

# Whole ratings spanning fewer points than this are their own order codes, in one byte each.
_BYTE_SPAN = 120
# Series encoded together.
_PART = 16384

_ARRAYS = (
    "codes", "values", "times", "declined", "n_a", "n_b", "n_missing", "sign", "floor", "ceiling",
)  # fmt: skip


_WIDE = ("codes", "values", "times", "declined")


@dataclass(frozen=True, eq=False)
class SeriesBatch:
    """Two phases of many series side by side, the usable occasions of phase A first, then B.

    Build one with `of` (from `PhaseSeries`), `from_flat` (ragged, from columns of a table) or
    `from_arrays` (complete series of one shape). A million series of 28 ratings take about
    0.5 GB; more than that is better worked through in parts.

    Attributes
    ----------
    codes : ndarray of int, shape (series, places)
        Order codes within each series: larger is better for the child, equal codes are ties, a
        decline is below every rating, `ABSENT` (-1) pads. Comparable only within a series.
    values : ndarray of float, shape (series, places)
        Ratings in their own units; NaN at declines and padding.
    times : ndarray of float, shape (series, places)
        Time of each occasion; NaN at padding.
    declined : ndarray of bool, shape (series, places)
    n_a, n_b : ndarray of int
        Usable occasions (rated or declined) in the two phases.
    n_missing : ndarray of int
        Occasions left out because they hold neither rating nor decline.
    sign : ndarray of float
        -1 where lower is better, +1 where higher is better.
    floor, ceiling : ndarray of float
        Ends of the scale; NaN where not given.
    labels : tuple of str
    unit : str
    phases : tuple of str
        Names of phases A and B.
    """

    codes: np.ndarray
    values: np.ndarray
    times: np.ndarray
    declined: np.ndarray
    n_a: np.ndarray
    n_b: np.ndarray
    n_missing: np.ndarray
    sign: np.ndarray
    floor: np.ndarray
    ceiling: np.ndarray
    labels: tuple[str, ...] = ()
    unit: str = "points"
    phases: tuple[str, str] = field(default=("baseline", "exposure"))

    def __len__(self) -> int:
        return len(self.codes)

    @cached_property
    def n_declined(self) -> np.ndarray:
        """Declined occasions of each series, both phases."""
        if not self.declined.any():
            return _same(0, len(self))
        return self.declined.sum(axis=1)

    @cached_property
    def several_at_once(self) -> np.ndarray:
        """Series in which two usable occasions of a phase have the same time, shape (series,)."""
        if len(self) and self.times.strides[0] == 0:
            return _same(bool((self.times[0, 1:] == self.times[0, :-1]).any()), len(self))
        return (self.times[:, 1:] == self.times[:, :-1]).any(axis=1)

    @property
    def used(self) -> np.ndarray:
        """Mask of the places that hold an occasion, shape (series, places)."""
        return np.arange(self.codes.shape[1]) < (self.n_a + self.n_b)[:, None]

    @classmethod
    def of(cls, *series: PhaseSeries, phases: tuple[str, str] = ("baseline", "exposure")) -> SeriesBatch:
        """Lay series side by side.

        Raises
        ------
        ValueError
            If something else than a `PhaseSeries` comes, or the series are not all in one unit.

        Examples
        --------
        >>> batch = SeriesBatch.of(PhaseSeries.from_phases([7, None, 8], [5, 3]))
        >>> batch.codes.tolist(), batch.n_missing.tolist()
        ([[1, 0, 3, 5]], [1])
        """
        for one in series:
            check_series(one)
        units = list(dict.fromkeys(one.unit for one in series))
        if len(units) > 1:
            raise ValueError(f"series must share one unit; got {', '.join(units)}.")
        in_order = [
            np.concatenate([np.flatnonzero(one.phases == phase) for phase in phases]) for one in series
        ]

        def column(name: str, kind: Any) -> np.ndarray:
            parts = [getattr(one, name)[pick] for one, pick in zip(series, in_order, strict=True)]
            return np.concatenate([np.zeros(0, dtype=kind), *parts])

        def ends(name: str) -> np.ndarray:
            return np.array(
                [np.nan if getattr(one, name) is None else getattr(one, name) for one in series]
            )

        return cls.from_flat(
            column("values", float),
            np.cumsum([0, *(len(pick) for pick in in_order)]),
            np.array([np.sum(one.phases == phases[0]) for one in series], dtype=np.int64),
            sign=np.array([1.0 if one.better == "higher" else -1.0 for one in series]),
            declined=column("declined", bool),
            times=column("times", float),
            floor=ends("floor").astype(float),
            ceiling=ends("ceiling").astype(float),
            labels=tuple(one.label for one in series),
            unit=units[0] if units else "points",
            phases=phases,
        )

    @classmethod
    def from_flat(
        cls,
        values: np.ndarray,
        offsets: np.ndarray,
        n_a: np.ndarray,
        *,
        sign: np.ndarray | float = -1.0,
        declined: np.ndarray | None = None,
        times: np.ndarray | None = None,
        floor: np.ndarray | float = float("nan"),
        ceiling: np.ndarray | float = float("nan"),
        labels: tuple[str, ...] = (),
        unit: str = "points",
        phases: tuple[str, str] = ("baseline", "exposure"),
    ) -> SeriesBatch:
        """Build from columns that hold one series after another.

        Parameters
        ----------
        values : ndarray
            All ratings; within a series phase A comes first, then B, each in time order. NaN where
            missing or declined; missing occasions are left out and counted in `n_missing`.
        offsets : ndarray of int, length series + 1
            Series ``i`` occupies ``values[offsets[i]:offsets[i + 1]]``.
        n_a : ndarray of int
            Occasions of phase A in each series, missing ones included.
        sign : ndarray of float or float
            -1 where lower is better, +1 where higher is better.
        declined : ndarray of bool, optional
            A rating standing beside a decline is not used.
        times : ndarray of float, optional
            Default 1, 2, … within each series.
        floor, ceiling : ndarray of float or float
            Ends of the scale.
        labels, unit, phases
            As in the class.

        Raises
        ------
        ValueError
            If lengths disagree, `offsets` decreases, `n_a` lies outside its series, `sign` is not
            -1 or 1, or `times` is missing or decreases within a phase.

        Examples
        --------
        >>> batch = SeriesBatch.from_flat(np.array([7, 8, 5, 6, 2]), np.array([0, 3, 5]), np.array([2, 1]))
        >>> batch.n_a.tolist(), batch.n_b.tolist(), batch.codes.tolist()
        ([2, 1], [1, 1], [[1, 0, 3], [2, 6, -1]])
        """
        values = np.asarray(values)
        offsets = np.asarray(offsets, dtype=np.int64)
        n_a = np.asarray(n_a, dtype=np.int64)
        rows, total = len(offsets) - 1, len(values)
        lengths = np.diff(offsets)
        if rows < 0 or offsets[0] != 0 or offsets[-1] != total or (lengths < 0).any():
            raise ValueError(f"offsets must rise from 0 to the number of values ({total}).")
        if n_a.shape != (rows,) or (n_a < 0).any() or (n_a > lengths).any():
            raise ValueError("n_a must give, for each series, a number between 0 and its length.")
        sign = np.ascontiguousarray(np.broadcast_to(np.asarray(sign, dtype=float), (rows,)))
        if not np.all(np.abs(sign) == 1.0):
            raise ValueError("sign must be -1 (lower is better) or 1 (higher is better).")
        if declined is None:
            declined = np.zeros(total, dtype=bool)
        declined = np.asarray(declined, dtype=bool)
        if declined.shape != (total,):
            raise ValueError(f"declined must be one entry per value ({total}); got {declined.size}.")
        if times is None:
            times = np.arange(1.0, total + 1) - np.repeat(offsets[:-1], lengths)
        else:
            times = np.asarray(times, dtype=float)
            if times.shape != (total,):
                raise ValueError(f"times must be one entry per value ({total}); got {times.size}.")
            _check_time_order(times, offsets, n_a)

        missing = ~declined & np.isnan(values) if values.dtype.kind == "f" else np.zeros(0, dtype=bool)
        n_missing = np.zeros(rows, dtype=np.int64)
        if missing.any():
            gone_before = np.concatenate([[0], np.cumsum(missing)])
            n_missing = np.diff(gone_before[offsets])
            n_a = n_a - (gone_before[offsets[:-1] + n_a] - gone_before[offsets[:-1]])
            lengths = lengths - n_missing
            keep = ~missing
            values, times, declined = values[keep], times[keep], declined[keep]

        places = int(lengths.max(initial=0))
        used = np.arange(places) < lengths[:, None]

        def padded(column: np.ndarray, filler: Any, kind: Any) -> np.ndarray:
            out = np.full((rows, places), filler, dtype=kind)
            out[used] = column
            return out

        wide_declined = padded(declined, False, bool)
        wide = padded(values, np.nan, float)
        wide[wide_declined] = np.nan
        return cls(
            codes=order_codes(wide, wide_declined, lengths, sign),
            values=wide,
            times=padded(times, np.nan, float),
            declined=wide_declined,
            n_a=n_a,
            n_b=lengths - n_a,
            n_missing=n_missing,
            sign=sign,
            floor=np.ascontiguousarray(np.broadcast_to(np.asarray(floor, dtype=float), (rows,))),
            ceiling=np.ascontiguousarray(np.broadcast_to(np.asarray(ceiling, dtype=float), (rows,))),
            labels=labels,
            unit=unit,
            phases=phases,
        )

    @classmethod
    def from_arrays(
        cls,
        values: np.ndarray,
        n_baseline: int,
        *,
        better: str = "lower",
        declined: np.ndarray | None = None,
        floor: float = float("nan"),
        ceiling: float = float("nan"),
    ) -> SeriesBatch:
        """Wrap complete series of one shape, as simulations make them.

        Parameters
        ----------
        values : ndarray, shape (series, occasions)
            No missing entries, except at declines.
        n_baseline : int
            The first `n_baseline` columns are the baseline.

        Raises
        ------
        ValueError
            If `values` is not two-dimensional, holds a missing entry that is no decline, or
            `n_baseline` does not leave an occasion in each phase.
        """
        values = np.asarray(values)
        if values.ndim != 2:
            raise ValueError(f"values must have two dimensions (series, occasions); got {values.ndim}.")
        rows, places = values.shape
        if not 0 < n_baseline < places:
            raise ValueError(f"n_baseline must be between 1 and {places - 1}; got {n_baseline}.")
        check_choice("better", better, BETTER)
        if declined is None:
            declined = np.zeros((rows, places), dtype=bool)
        elif declined.shape != values.shape:
            raise ValueError(
                f"declined must have the shape of values {values.shape}; got {declined.shape}."
            )
        elif declined.any():
            values = np.where(declined, np.nan, values)
        gaps = np.isnan(values) & ~declined if values.dtype.kind == "f" else np.zeros(1, dtype=bool)
        if gaps.any():
            raise ValueError(f"values must be complete; {int(gaps.sum())} entries are missing.")
        sign = _same(1.0 if better == "higher" else -1.0, rows)
        return cls(
            codes=order_codes(values, declined, _same(places, rows), sign),
            values=values,
            times=np.broadcast_to(np.arange(1.0, places + 1), (rows, places)),
            declined=declined,
            n_a=_same(n_baseline, rows),
            n_b=_same(places - n_baseline, rows),
            n_missing=_same(0, rows),
            sign=sign,
            floor=_same(float(floor), rows),
            ceiling=_same(float(ceiling), rows),
        )

    def without_declines(self) -> SeriesBatch:
        """Give the same batch with declined occasions taken out, and counted as missing.

        Examples
        --------
        >>> series = PhaseSeries.from_phases([7, 8], [5, None], declined=[False, False, False, True])
        >>> rated = SeriesBatch.of(series).without_declines()
        >>> rated.n_b.tolist(), rated.n_missing.tolist()
        ([1], [1])
        """
        keep = self.used & ~self.declined
        lengths = keep.sum(axis=1)
        in_a = np.arange(self.codes.shape[1]) < self.n_a[:, None]
        rated = SeriesBatch.from_flat(
            self.values[keep],
            np.concatenate([[0], np.cumsum(lengths)]),
            (keep & in_a).sum(axis=1),
            sign=self.sign,
            times=self.times[keep],
            floor=self.floor,
            ceiling=self.ceiling,
            labels=self.labels,
            unit=self.unit,
            phases=self.phases,
        )
        fields = {name: getattr(rated, name) for name in rated.__dataclass_fields__}
        fields["n_missing"] = self.n_missing + self.n_a + self.n_b - lengths
        return SeriesBatch(**fields)

    def take(self, rows: Sequence[int] | np.ndarray) -> SeriesBatch:
        """Give some of the series, in the order asked; `rows` may be numbers or a mask."""
        picked = np.asarray(rows)
        if picked.dtype == bool:
            picked = np.flatnonzero(picked)
        picked = picked.astype(np.int64)
        labels = tuple(self.labels[r] for r in picked) if self.labels else ()
        arrays = {name: getattr(self, name)[picked] for name in _ARRAYS}
        return SeriesBatch(**arrays, labels=labels, unit=self.unit, phases=self.phases)

    def tight(self) -> SeriesBatch:
        """Give the same batch without places that none of its series uses."""
        width = int((self.n_a + self.n_b).max(initial=0))
        if width == self.codes.shape[1]:
            return self
        wide: dict[str, Any] = {
            name: np.ascontiguousarray(getattr(self, name)[:, :width]) for name in _WIDE
        }
        return replace(self, **wide)


def _same(number: float, rows: int) -> np.ndarray:
    """Give one number for all series without storing it for each."""
    return np.broadcast_to(np.asarray(number), (rows,))


def order_codes(
    values: np.ndarray, declined: np.ndarray, lengths: np.ndarray, sign: np.ndarray
) -> np.ndarray:
    """Encode ratings as small integers that keep order and ties within each series.

    Parameters
    ----------
    values : ndarray, shape (series, places)
        Whatever stands at declines and padding is ignored.
    declined : ndarray of bool, shape (series, places)
        Coded 0, below every rating.
    lengths : ndarray of int
        Places in use; the rest becomes `ABSENT`.
    sign : ndarray of float
        -1 where lower is better, +1 where higher is better.

    Returns
    -------
    ndarray of int8 or int32
        One byte a place wherever that can hold the codes.
    """
    rows, places = values.shape
    if places == 0 or rows == 0:
        return np.zeros((rows, places), dtype=np.int8)
    complete = bool((lengths == places).all()) and not declined.any()
    # Part by part, so that the steps between do not need the memory of the whole batch again.
    parts = [slice(first, first + _PART) for first in range(0, rows, _PART)]

    def rated(part: slice) -> np.ndarray | None:
        return None if complete else (np.arange(places) < lengths[part, None]) & ~declined[part]

    spans = [_whole_span(values[part], rated(part)) for part in parts]
    low, high = min(span[0] for span in spans), max(span[1] for span in spans)
    few_steps = high - low < _BYTE_SPAN
    above_declines = np.int8(declined.any())
    one_byte = few_steps or places < np.iinfo(np.int8).max
    codes = np.empty_like(values, dtype=np.int8 if one_byte else np.int32)
    for part in parts:
        mask = rated(part)
        if few_steps:
            found = _offsets(values[part], sign[part], low, high)
            if mask is not None:
                found = np.where(mask, found + above_declines, np.int8(0))
        else:
            found = _dense_ranks(values[part] * sign[part, None], declined[part], lengths[part])
        codes[part] = found
        if mask is not None:
            codes[part][np.arange(places) >= lengths[part, None]] = ABSENT
    return codes


def _whole_span(values: np.ndarray, rated: np.ndarray | None) -> tuple[float, float]:
    """Give the lowest and highest rating; an endless span if any has decimals, none if there is none."""
    if rated is not None:
        if not rated.any():
            return np.inf, -np.inf
        if values.dtype.kind != "f":
            values, rated = values[rated], None
    if values.dtype.kind == "f":
        with np.errstate(invalid="ignore"):
            whole = values == np.rint(values)
        if not np.all(whole if rated is None else whole | ~rated):
            return -np.inf, np.inf
        if rated is not None:
            return (
                float(np.min(values, initial=np.inf, where=rated)),
                float(np.max(values, initial=-np.inf, where=rated)),
            )
    return float(values.min()), float(values.max())


def _offsets(values: np.ndarray, sign: np.ndarray, low: float, high: float) -> np.ndarray:
    """Count whole ratings from the worst one of the batch up; what is not rated comes out arbitrary."""
    if not np.isfinite(low):
        return np.zeros(values.shape, dtype=np.int8)
    with np.errstate(invalid="ignore"):
        rising = (values - values.dtype.type(low)).astype(np.int8)
    if (sign > 0).all():
        return rising
    falling = np.int8(high - low) - rising
    return falling if (sign < 0).all() else np.where(sign[:, None] < 0, falling, rising)


def _dense_ranks(oriented: np.ndarray, declined: np.ndarray, lengths: np.ndarray) -> np.ndarray:
    """Rank within each series from 0 without gaps, declines lowest, equal ratings alike."""
    rows, places = oriented.shape
    used = np.arange(places) < lengths[:, None]
    keyed = np.where(used, np.where(declined, -np.inf, oriented), np.inf)
    order = np.argsort(keyed, axis=1, kind="stable")
    ordered = np.take_along_axis(keyed, order, axis=1)
    step = np.zeros((rows, places), dtype=np.int32)
    # Ratings that differ only by rounding, such as 0.1 + 0.2 and 0.3, are equal.
    size = np.where(np.isfinite(ordered), np.abs(ordered), 0).max(axis=1, initial=0)
    with np.errstate(invalid="ignore"):
        step[:, 1:] = ordered[:, 1:] - ordered[:, :-1] > SAME * size[:, None]
    codes = np.empty((rows, places), dtype=np.int32)
    np.put_along_axis(codes, order, np.cumsum(step, axis=1, dtype=np.int32), axis=1)
    return codes


def _check_time_order(times: np.ndarray, offsets: np.ndarray, n_a: np.ndarray) -> None:
    absent = np.flatnonzero(np.isnan(times))
    if len(absent):
        row = np.searchsorted(offsets, absent[0], side="right")
        raise ValueError(f"times must not be missing; series {row} has a missing time.")
    falls = times[1:] < times[:-1]
    starts = np.concatenate([offsets[1:-1], offsets[:-1] + n_a])
    falls[starts[(starts > 0) & (starts < len(times))] - 1] = False
    if falls.any():
        where = int(np.flatnonzero(falls)[0])
        row = np.searchsorted(offsets, where, side="right")
        raise ValueError(
            f"times must not decrease within a phase; series {row} goes from "
            f"{times[where]:g} to {times[where + 1]:g}."
        )
