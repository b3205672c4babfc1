"""Many series as padded arrays, rank-encoded once: what every statistic is written over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.series.phase_series import BETTER, PhaseSeries

ABSENT = -1


@dataclass(frozen=True, eq=False)
class SeriesBatch:
    """Two phases of many series side by side, the usable occasions of phase A first, then B.

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

    @classmethod
    def of(cls, *series: PhaseSeries, phases: tuple[str, str] = ("baseline", "exposure")) -> SeriesBatch:
        """Lay series side by side.

        Examples
        --------
        >>> batch = SeriesBatch.of(PhaseSeries.from_phases([7, None, 8], [5, 3]))
        >>> batch.codes.tolist(), batch.n_missing.tolist()
        ([[1, 0, 3, 5]], [1])
        """
        picks = []
        for one in series:
            usable = one.usable
            picks.append(
                np.concatenate([np.flatnonzero(usable & (one.phases == phase)) for phase in phases])
            )
        rows, places = len(series), max((len(pick) for pick in picks), default=0)
        values = np.full((rows, places), np.nan)
        times = np.full((rows, places), np.nan)
        declined = np.zeros((rows, places), dtype=bool)
        n_a = np.zeros(rows, dtype=np.int64)
        n_b = np.zeros(rows, dtype=np.int64)
        n_missing = np.zeros(rows, dtype=np.int64)
        for r, (one, pick) in enumerate(zip(series, picks, strict=True)):
            k = len(pick)
            values[r, :k], times[r, :k], declined[r, :k] = (
                one.values[pick],
                one.times[pick],
                one.declined[pick],
            )
            n_a[r] = np.sum(one.phases[pick] == phases[0])
            n_b[r] = k - n_a[r]
            n_missing[r] = np.sum(~one.usable & np.isin(one.phases, phases))
        sign = np.array([1.0 if one.better == "higher" else -1.0 for one in series])
        return cls(
            codes=order_codes(values * sign[:, None], declined, n_a + n_b),
            values=values,
            times=times,
            declined=declined,
            n_a=n_a,
            n_b=n_b,
            n_missing=n_missing,
            sign=sign,
            floor=np.array([np.nan if one.floor is None else one.floor for one in series], dtype=float),
            ceiling=np.array(
                [np.nan if one.ceiling is None else one.ceiling for one in series], dtype=float
            ),
            labels=tuple(one.label for one in series),
            unit=series[0].unit if series else "points",
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
        gaps = np.isnan(values) & ~declined if values.dtype.kind == "f" else np.zeros(1, dtype=bool)
        if gaps.any():
            raise ValueError(f"values must be complete; {int(gaps.sum())} entries are missing.")
        sign = 1.0 if better == "higher" else -1.0
        length = np.full(rows, places, dtype=np.int64)
        return cls(
            codes=order_codes(values * values.dtype.type(sign), declined, length),
            values=values,
            times=np.broadcast_to(np.arange(1.0, places + 1), (rows, places)),
            declined=declined,
            n_a=np.full(rows, n_baseline, dtype=np.int64),
            n_b=length - n_baseline,
            n_missing=np.zeros(rows, dtype=np.int64),
            sign=np.full(rows, sign),
            floor=np.full(rows, floor),
            ceiling=np.full(rows, ceiling),
        )

    def without_declines(self) -> SeriesBatch:
        """Give the same batch with declined occasions taken out, as if they had been missing."""
        return SeriesBatch.of(*(self._rated(r) for r in range(len(self))), phases=self.phases)

    def _rated(self, r: int) -> PhaseSeries:
        n = int(self.n_a[r] + self.n_b[r])
        keep = ~self.declined[r, :n]
        phases = np.repeat(np.array(self.phases, dtype=object), [self.n_a[r], self.n_b[r]])
        return PhaseSeries(
            self.values[r, :n][keep],
            phases[keep],
            self.times[r, :n][keep],
            better="higher" if self.sign[r] > 0 else "lower",
            label=self.labels[r] if self.labels else "",
            floor=None if np.isnan(self.floor[r]) else float(self.floor[r]),
            ceiling=None if np.isnan(self.ceiling[r]) else float(self.ceiling[r]),
            unit=self.unit,
        )

    def take(self, rows: Sequence[int] | np.ndarray) -> SeriesBatch:
        """Give some of the series, in the order asked."""
        rows = np.asarray(rows, dtype=np.int64)
        picked = {
            name: getattr(self, name)[rows]
            for name in (
                "codes", "values", "times", "declined", "n_a", "n_b", "n_missing",
                "sign", "floor", "ceiling",
            )
        }  # fmt: skip
        labels = tuple(self.labels[r] for r in rows) if self.labels else ()
        return SeriesBatch(**picked, labels=labels, unit=self.unit, phases=self.phases)


def order_codes(oriented: np.ndarray, declined: np.ndarray, lengths: np.ndarray) -> np.ndarray:
    """Encode ratings as small integers that keep order and ties within each series.

    Parameters
    ----------
    oriented : ndarray, shape (series, places)
        Larger is better.
    declined : ndarray of bool
        Coded 0, below every rating.
    lengths : ndarray of int
        Places in use; the rest becomes `ABSENT`.
    """
    rows, places = oriented.shape
    if places == 0:
        return np.zeros((rows, 0), dtype=np.int16)
    used = np.arange(places) < lengths[:, None]
    low = np.where(used & ~declined, oriented, np.inf).min(initial=np.inf)
    high = np.where(used & ~declined, oriented, -np.inf).max(initial=-np.inf)
    rated = used & ~declined
    whole = high - low < 120 and bool(
        np.all(np.where(rated, oriented, 0) == np.rint(np.where(rated, oriented, 0)))
    )
    if whole:
        codes = np.where(rated, oriented - low, 0).astype(np.int8)
        any_declined = bool(declined.any())
        codes = np.where(rated, codes + np.int8(any_declined), np.int8(0))
    else:
        # Dense ranks: a place scores one more than its predecessor in sorted order if it differs.
        keyed = np.where(rated, oriented, np.where(used, -np.inf, np.inf))
        order = np.argsort(keyed, axis=1, kind="stable")
        ordered = np.take_along_axis(keyed, order, axis=1)
        step = np.zeros((rows, places), dtype=np.int16)
        step[:, 1:] = ordered[:, 1:] != ordered[:, :-1]
        codes = np.empty((rows, places), dtype=np.int16)
        np.put_along_axis(codes, order, np.cumsum(step, axis=1, dtype=np.int16), axis=1)
    return np.where(used, codes, codes.dtype.type(ABSENT))
