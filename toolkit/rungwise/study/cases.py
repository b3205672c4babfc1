"""The cases of a study laid under each other, as two-level models take them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.series.batch import SeriesBatch
from rungwise.single_case.rated import Rated

FEWEST_PER_PHASE = 1

NO_TREND = (
    "A trend cannot be told from the change at the start of exposure: every case has too few rated times "
    "in one of the phases."
)


@dataclass(frozen=True, eq=False)
class Cases:
    """Rated occasions of all cases that have both phases, one row per occasion.

    Attributes
    ----------
    values, times, exposure : ndarray, shape (rows,)
    case : ndarray of int
        Which case a row belongs to, 0 … m − 1.
    labels : tuple of str
    sign : float
        -1 where lower is better, +1 where higher is better.
    cautions : tuple of str
    """

    values: np.ndarray
    times: np.ndarray
    exposure: np.ndarray
    case: np.ndarray
    labels: tuple[str, ...]
    sign: float
    cautions: tuple[str, ...]

    @property
    def m(self) -> int:
        """Number of cases."""
        return len(self.labels)

    @classmethod
    def of(cls, batch: SeriesBatch, declines: str) -> Cases:
        """Lay out a batch; cases without ratings in both phases are left out and said.

        Raises
        ------
        ValueError
            If the series are not on one scale and in one direction: they are never pooled.
        """
        check_choice("declines", declines, ("leave_out", "ceiling"))
        for name in ("sign", "floor", "ceiling"):
            given = getattr(batch, name)
            if len(given) and not np.all((given == given[0]) | (np.isnan(given) & np.isnan(given[0]))):
                what = "direction of improvement" if name == "sign" else f"{name} of the scale"
                raise ValueError(f"batch must hold series of one scale; the {what} differs between them.")
        rated = Rated.of(batch, declines).in_time_order()
        sound = (rated.reasons == "") & (rated.n_a >= FEWEST_PER_PHASE) & (rated.n_b >= FEWEST_PER_PHASE)
        chosen = np.flatnonzero(sound)
        lengths = (rated.n_a + rated.n_b)[chosen]
        picks = [(row, slice(0, length)) for row, length in zip(chosen, lengths, strict=True)]

        def column(source: np.ndarray) -> np.ndarray:
            return np.concatenate([np.empty(0), *(source[row, places] for row, places in picks)])

        cautions = [sentence for sentence, where in rated.cautions(declines).items() if where[chosen].any()]
        if len(chosen) < len(batch):
            cautions.append(
                f"{len(batch) - len(chosen)} of {len(batch)} cases lack ratings in a phase, or have a time "
                "in both, and are left out."
            )
        names = batch.labels if batch.labels else tuple("" for _ in range(len(batch)))
        return cls(
            values=column(rated.values),
            times=column(rated.times),
            exposure=column(rated.exposure),
            case=np.repeat(np.arange(len(chosen)), lengths),
            labels=tuple(names[row] or f"case {row + 1}" for row in chosen),
            sign=float(batch.sign[0]) if len(batch) else -1.0,
            cautions=tuple(cautions),
        )
