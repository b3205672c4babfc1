"""Regression with continuous-time AR(1) errors, for one series or thousands at once.

The errors of two occasions a time g apart are correlated φ^(g / unit gap), 0 ≤ φ < 1, so that missed
occasions and uneven gaps need no special case. Because such errors form a Markov chain, everything
the likelihood needs is a few sums of products per distinct gap (the sufficient statistics below);
no matrix of occasions by occasions is ever formed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rungwise.basis.errors import check_between, check_choice
from rungwise.models.ar1_block import METHODS, Ar1Block
from rungwise.models.mixture import Mixture

INFERENCES = ("integrated", "plug_in")
# Series fitted together: many where they share a design, fewer where each brings its own sums.
_SHARED_AT_ONCE, _OWN_AT_ONCE = 4096, 512


@dataclass(frozen=True, eq=False)
class Ar1Fit:
    """Regression with AR(1) errors, one entry per series.

    Attributes
    ----------
    coefficients : ndarray, shape (series, p)
        Generalized least squares at `phi`.
    covariance : ndarray, shape (series, p, p)
        Their covariance, with the residual variance over n − p (also under ``method="ml"``).
    sigma2 : ndarray
        Variance of an error: residual sum over n − p under REML, over n under ML.
    phi : ndarray
        Correlation of errors one `unit_gap` apart, maximizing the (restricted) likelihood.
    boundary : ndarray of str
        ``""`` for an optimum inside, ``"0"`` or ``"upper"`` where the likelihood is still rising at
        the end of the range searched.
    log_likelihood : ndarray
    n, df : ndarray
        Observations used, and n − p.
    unit_gap : ndarray
    reason : ndarray of str
        Why a series has no estimate; ``""`` where it has one.
    method : str
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    sigma2: np.ndarray
    phi: np.ndarray
    boundary: np.ndarray
    log_likelihood: np.ndarray
    n: np.ndarray
    df: np.ndarray
    unit_gap: np.ndarray
    reason: np.ndarray
    method: str
    _blocks: tuple[Ar1Block, ...]

    def __len__(self) -> int:
        return len(self.phi)

    @property
    def nodes(self) -> np.ndarray:
        """Values of φ averaged over, the same for all series."""
        return self._blocks[0].nodes

    def contrast(self, weights: Any, inference: str = "integrated") -> Mixture:
        """Give the distribution of a weighted sum of the coefficients.

        Parameters
        ----------
        weights : array_like, shape (p,) or (series, p)
            Of a single series any number of contrasts may be asked at once, one a row.
        inference : {"integrated", "plug_in"}
            ``"integrated"`` averages over φ by its restricted likelihood, which keeps the error
            rates of short series near nominal; ``"plug_in"`` takes the estimated φ as known, as
            most published output does, and claims too much in short series.

        Returns
        -------
        Mixture
            Of Student t distributions with n − p degrees of freedom: tail probabilities, limits.
        """
        check_choice("inference", inference, INFERENCES)
        weights = np.atleast_2d(np.asarray(weights, dtype=float))
        if len(self) != 1:
            weights = np.broadcast_to(weights, self.coefficients.shape)
        parts, shares = [], []
        for block in self._blocks:
            span = slice(block.start, block.start + block.rows)
            asked = weights[span] if len(self) != 1 else weights
            if inference == "plug_in":
                parts.append(block.contrast(asked, block.factor(self.phi[span, None])))
                shares.append(np.ones((block.rows, 1)))
            else:
                parts.append(block.contrast(asked, block.at_nodes))
                shares.append(block.share_of_phi)
        center, spread = (np.concatenate(column) for column in zip(*parts, strict=True))
        lost = (self.reason != "")[:, None]
        return Mixture(
            np.where(lost, np.nan, center),
            np.where(lost, np.nan, spread),
            np.broadcast_to(np.concatenate(shares), center.shape),
            np.broadcast_to(np.maximum(self.df, 1), (len(center),)),
        )


def fit_ar1(
    y: Any, design: Any, times: Any = None, *, unit_gap: Any = None, method: str = "reml"
) -> Ar1Fit:
    """Fit a linear model with continuous-time AR(1) errors to each series.

    Parameters
    ----------
    y : array_like, shape (T,) or (series, T)
        NaN where a series has no observation.
    design : array_like, shape (T, p) or (series, T, p)
        One design for all series, or one each; finite wherever `y` is.
    times : array_like, shape (T,) or (series, T), optional
        Strictly increasing over the observations of a series; default 1, 2, …, T. Several
        observations at one time must be averaged first: two different values at one instant have
        no likelihood under this model.
    unit_gap : float or array_like, optional
        The gap φ refers to; default the median gap of each series.
    method : {"reml", "ml"}

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    Notes
    -----
    Misleads when the errors are not AR(1), for instance when ratings sit at an end of their scale,
    and says little about φ itself below some fifty observations.

    Source: generalized least squares with φ profiled (Pinheiro & Bates 2000, Mixed-Effects Models in
    S and S-PLUS, section 5.2; R nlme ``gls`` with ``corCAR1``); integrating over φ with a flat prior
    on β and log σ gives a mixture of t distributions (Zellner & Tiao 1964, JASA 59:763-778).

    Examples
    --------
    >>> t = np.arange(1.0, 9.0)
    >>> fit = fit_ar1([3.0, 4, 4, 6, 5, 7, 8, 8], np.column_stack([np.ones(8), t]))
    >>> fit.coefficients.round(3).tolist(), fit.boundary.tolist()
    ([[2.25, 0.75]], ['0'])
    """
    check_choice("method", method, METHODS)
    y = np.atleast_2d(np.asarray(y, dtype=float))
    rows, places = y.shape
    design = np.asarray(design, dtype=float)
    shapes = [(places,), (rows, places)]
    if design.ndim not in (2, 3) or design.shape[:-1] not in shapes:
        raise ValueError(
            f"design must have the shape ({places}, p) or ({rows}, {places}, p) to go with y; "
            f"got {design.shape}."
        )
    times = np.arange(1.0, places + 1) if times is None else np.asarray(times, dtype=float)
    if times.shape not in shapes:
        raise ValueError(f"times must have the shape ({places},) or {y.shape} like y; got {times.shape}.")
    if unit_gap is not None:
        unit_gap = np.broadcast_to(np.asarray(unit_gap, dtype=float), (rows,))
        for gap in sorted(set(unit_gap.tolist())):
            check_between("unit_gap", gap, 0, np.inf)
    blocks = []
    shared = design.ndim == 2 and times.ndim == 1 and not np.isnan(y).any()
    together = _SHARED_AT_ONCE if shared else _OWN_AT_ONCE
    for start in range(0, max(rows, 1), together):
        span = slice(start, start + together)
        blocks.append(
            Ar1Block(
                y[span],
                design[span] if design.ndim == 3 else design,
                times[span] if times.ndim == 2 else times,
                None if unit_gap is None else unit_gap[span],
                start,
            )
        )
    found = [block.optimum(method) for block in blocks]
    joined = {name: np.concatenate([part[name] for part in found]) for name in found[0]}
    return Ar1Fit(**joined, method=method, _blocks=tuple(blocks))
