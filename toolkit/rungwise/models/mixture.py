"""A mixture of Student t distributions: what is known of a contrast when φ is averaged over."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from rungwise.basis.distributions import SMALLEST, t_pdf, t_quantile, t_sf

_MOST_STEPS = 60


@lru_cache(maxsize=4096)
def _t_reach(tail: float, df: float) -> float:
    return float(-t_quantile(tail, df))


@dataclass(frozen=True, eq=False)
class Mixture:
    """One mixture per series, its components over the grid of φ.

    Attributes
    ----------
    center, spread : ndarray, shape (series, nodes)
        Estimate and standard error at each φ.
    share : ndarray, shape (series, nodes)
        Weights, summing to 1 in each series.
    df : ndarray, shape (series,)
        Degrees of freedom, the same at every φ.
    """

    center: np.ndarray
    spread: np.ndarray
    share: np.ndarray
    df: np.ndarray

    @classmethod
    def stack(cls, *mixtures: Mixture) -> Mixture:
        """Put mixtures of the same number of components below each other."""
        return cls(
            *(np.concatenate([getattr(one, name) for one in mixtures]) for name in cls.__dataclass_fields__)
        )

    @property
    def value(self) -> np.ndarray:
        """Weighted mean of the estimates."""
        return np.sum(self.share * self.center, axis=1)

    @property
    def standard_error(self) -> np.ndarray:
        """Root of the weighted mean squared error about `value`, within and between nodes."""
        between = (self.center - self.value[:, None]) ** 2
        return np.sqrt(np.sum(self.share * (self.spread**2 + between), axis=1))

    def sf(self, x: np.ndarray) -> np.ndarray:
        """Probability of exceeding `x`, one number per series."""
        standardized = (np.asarray(x, dtype=float)[:, None] - self.center) / self.spread
        return np.sum(self.share * t_sf(standardized, self.df[:, None]), axis=1)

    def cdf(self, x: np.ndarray) -> np.ndarray:
        """Probability of not exceeding `x`, one number per series."""
        return self._mirrored().sf(-np.asarray(x, dtype=float))

    def p_value(self, alternative: str, null: float | np.ndarray = 0.0) -> np.ndarray:
        """Tail probability of the null value: for ``"greater"``, ``"less"`` or ``"two-sided"``.

        Two-sided is twice the smaller tail. Never 0.
        """
        at = np.broadcast_to(np.asarray(null, dtype=float), self.df.shape)
        if alternative == "greater":
            p = self.cdf(at)
        elif alternative == "less":
            p = self.sf(at)
        else:
            p = np.minimum(1.0, 2 * np.minimum(self.cdf(at), self.sf(at)))
        return np.where(np.isnan(p), np.nan, np.maximum(p, SMALLEST))

    def limits(self, confidence: float) -> tuple[np.ndarray, np.ndarray]:
        """Give the central interval: the quantiles leaving (1 − confidence)/2 in each tail."""
        # Both limits in one go: the lower one is the upper one of the mirrored mixture, negated.
        upper = Mixture.stack(self._mirrored(), self)._upper(0.5 * (1 - confidence))
        return -upper[: len(self.df)], upper[len(self.df) :]

    def _mirrored(self) -> Mixture:
        return Mixture(-self.center, self.spread, self.share, self.df)

    def _upper(self, tail: float) -> np.ndarray:
        # The quantile lies between the smallest and the largest quantile of the components.
        distinct, where = np.unique(self.df, return_inverse=True)
        reach = np.array([_t_reach(tail, df) for df in distinct.tolist()])[where]
        quantiles = self.center + self.spread * reach[:, None]
        low, high = quantiles.min(axis=1), quantiles.max(axis=1)
        # Each component's tail to the second order about its own quantile.
        weight = self.share / self.spread
        weight = weight / weight.sum(axis=1, keepdims=True)
        x = np.sum(weight * quantiles, axis=1)
        bend = (self.df + 1) * reach / (self.df + reach**2)
        x = x + bend * np.sum(weight * (x[:, None] - quantiles) ** 2 / self.spread, axis=1) / 2
        x = np.clip(x, low, high)
        live = np.flatnonzero(~np.isnan(x))
        for _ in range(_MOST_STEPS):
            if not len(live):
                break
            share, spread, df = self.share[live], self.spread[live], self.df[live, None]
            z = (x[live, None] - self.center[live]) / spread
            above = np.sum(share * t_sf(z, df), axis=1)
            low[live] = np.where(above > tail, x[live], low[live])
            high[live] = np.where(above > tail, high[live], x[live])
            # Halley's step on the logarithm of the tail, which is nearly straight; Newton's where it is
            # not, and bisection where that would leave the bracket.
            density = share * t_pdf(z, df) / spread
            falling = density * z * (df + 1) / (df + z * z) / spread
            with np.errstate(divide="ignore", invalid="ignore"):
                off = np.log(above / tail)
                slope = -density.sum(axis=1) / above
                bend = falling.sum(axis=1) / above - slope**2
                bent = np.where(np.abs(off * bend) < slope**2, off * bend, 0.0)
                proposed = x[live] - 2 * off * slope / (2 * slope**2 - bent)
            inside = (proposed >= low[live]) & (proposed <= high[live])
            moved = np.where(inside, proposed, 0.5 * (low[live] + high[live]))
            # Near the root the error after Halley's step is about the cube of the step; a bisection only
            # halves it.
            short = np.where(inside & (bent == off * bend), 3e-4, 1e-9) * spread.min(axis=1)
            settled = np.abs(moved - x[live]) <= short
            x[live] = moved
            live = live[~settled]
        return x
