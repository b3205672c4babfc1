"""The ratings a model can use: declines settled, one occasion per time, in the order of time."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.series.batch import SeriesBatch
from rungwise.single_case.nap import MISSING_CAUTION

DECLINES = ("leave_out", "ceiling")
LEFT_OUT = "Declined occasions have no rating and are left out here, which hides fear where it is highest."
AT_THE_WORST = "Declined occasions are counted as the worst rating of the scale."
AVERAGED = "Several ratings at one time were averaged and count as one occasion."
IN_BOTH_PHASES = "A baseline and an exposure occasion share one time."


@dataclass(frozen=True, eq=False)
class Rated:
    """Rated occasions of many series, padded at the end with NaN.

    Attributes
    ----------
    values, times : ndarray, shape (series, places)
    exposure : ndarray of float, shape (series, places)
        1 in the second phase, 0 in the first.
    n_a, n_b : ndarray of int
        Rated occasions in the two phases.
    n_declined, n_averaged, n_missing : ndarray of int
        Declines in the series; occasions merged into another at the same time; occasions with neither
        a rating nor a decline.
    reasons : ndarray of str
        Why a series cannot be used; ``""`` where it can.
    shared : bool
        Whether all series have the same times and phases and nothing is missing.
    """

    values: np.ndarray
    times: np.ndarray
    exposure: np.ndarray
    n_a: np.ndarray
    n_b: np.ndarray
    n_declined: np.ndarray
    n_averaged: np.ndarray
    n_missing: np.ndarray
    reasons: np.ndarray
    shared: bool

    @classmethod
    def of(cls, batch: SeriesBatch, declines: str = "leave_out") -> Rated:
        """Settle the declines of a batch and average ratings of one phase at one time.

        Raises
        ------
        ValueError
            For ``declines="ceiling"`` where a series has declines and the worst end of its scale is
            not known.
        """
        check_choice("declines", declines, DECLINES)
        rows, places = batch.codes.shape
        if places == 0:
            return cls._without_occasions(batch)
        place = np.arange(places)
        used = place < (batch.n_a + batch.n_b)[:, None]
        exposure = (place >= batch.n_a[:, None]).astype(float)
        values = np.where(used & ~batch.declined, batch.values, np.nan).astype(float)
        declined = batch.declined & used
        if declines == "ceiling" and declined.any():
            worst = np.where(batch.sign > 0, batch.floor, batch.ceiling)
            unknown = declined.any(axis=1) & np.isnan(worst)
            if unknown.any():
                row = int(np.flatnonzero(unknown)[0])
                name = batch.labels[row] if batch.labels and batch.labels[row] else f"series {row}"
                raise ValueError(
                    "declines='ceiling' needs the worst end of the rating scale (floor or ceiling of the "
                    f"series); it is not given for {name}."
                )
            values = np.where(declined, worst[:, None], values)
        times = np.where(used, batch.times, np.nan)
        present = ~np.isnan(values)
        if not present.all():
            order = np.argsort(~present, axis=1, kind="stable")
            values, times, exposure = (
                np.take_along_axis(column, order, axis=1) for column in (values, times, exposure)
            )
            present = np.take_along_axis(present, order, axis=1)
            times = np.where(present, times, np.nan)
        n = present.sum(axis=1)
        n_b = np.sum(present & (exposure > 0), axis=1)
        made = cls(
            values=values,
            times=times,
            exposure=exposure,
            n_a=n - n_b,
            n_b=n_b,
            n_declined=declined.sum(axis=1),
            n_averaged=np.zeros(rows, dtype=np.int64),
            n_missing=batch.n_missing,
            reasons=np.full(rows, "", dtype=object),
            shared=False,
        )
        made = made._averaged()
        same = rows > 0 and bool(np.all(n == places)) and not made.n_averaged.any()
        same = same and bool(np.all(made.n_a == made.n_a[0]) and np.all(made.times == made.times[0]))
        return replace(made, shared=same)

    @classmethod
    def _without_occasions(cls, batch: SeriesBatch) -> Rated:
        rows = len(batch)
        blank, none = np.full((rows, 1), np.nan), np.zeros(rows, dtype=np.int64)
        reasons = np.full(rows, "", dtype=object)
        return cls(
            values=blank,
            times=blank,
            exposure=np.ones((rows, 1)),
            n_a=none,
            n_b=none,
            n_declined=none,
            n_averaged=none,
            n_missing=batch.n_missing,
            reasons=reasons,
            shared=False,
        )

    def _averaged(self) -> Rated:
        repeated = (np.diff(self.times, axis=1) == 0) & (np.diff(self.exposure, axis=1) == 0)
        rows = np.flatnonzero(repeated.any(axis=1))
        if not len(rows):
            return self
        values, times, exposure = self.values.copy(), self.times.copy(), self.exposure.copy()
        n_a, n_b, n_averaged = self.n_a.copy(), self.n_b.copy(), self.n_averaged.copy()
        for row in rows:
            n = n_a[row] + n_b[row]
            keys, where = np.unique(
                np.stack([exposure[row, :n], times[row, :n]]), axis=1, return_inverse=True
            )
            where = where.ravel()
            means = np.bincount(where, weights=values[row, :n]) / np.bincount(where)
            k = len(means)
            values[row], times[row], exposure[row] = np.nan, np.nan, 1.0
            values[row, :k], exposure[row, :k], times[row, :k] = means, keys[0], keys[1]
            n_b[row] = int(keys[0].sum())
            n_a[row], n_averaged[row] = k - n_b[row], n - k
        return replace(
            self, values=values, times=times, exposure=exposure, n_a=n_a, n_b=n_b, n_averaged=n_averaged
        )

    def in_time_order(self) -> Rated:
        """Give the occasions ordered by time whatever their phase; refuse a time in both phases."""
        if self.shared and np.all(np.diff(self.times[0]) > 0):
            return self
        order = np.argsort(np.where(np.isnan(self.times), np.inf, self.times), axis=1, kind="stable")
        values, times, exposure = (
            np.take_along_axis(column, order, axis=1) for column in (self.values, self.times, self.exposure)
        )
        reasons = self.reasons.copy()
        clash = np.any(np.diff(times, axis=1) == 0, axis=1)
        reasons[clash] = IN_BOTH_PHASES
        return replace(self, values=values, times=times, exposure=exposure, reasons=reasons, shared=False)

    def row(self, i: int) -> Rated:
        """Give one series."""
        rows = slice(i, i + 1) if i >= 0 else slice(i, None if i == -1 else i + 1)
        picked = {
            name: getattr(self, name)[rows]
            for name in (
                "values", "times", "exposure", "n_a", "n_b", "n_declined", "n_averaged", "n_missing",
                "reasons",
            )
        }  # fmt: skip
        n = int(picked["n_a"][0] + picked["n_b"][0])
        for name in ("values", "times", "exposure"):
            picked[name] = picked[name][:, :n]
        return replace(self, **picked, shared=True)

    def cautions(self, declines: str) -> dict[str, np.ndarray]:
        """Give what must be said beside any model of these ratings."""
        told = {
            LEFT_OUT if declines == "leave_out" else AT_THE_WORST: self.n_declined > 0,
            AVERAGED: self.n_averaged > 0,
            MISSING_CAUTION: self.n_missing > 0,
        }
        return {sentence: where for sentence, where in told.items() if where.any()}
