"""Regression with continuous-time AR(1) errors, for one series or thousands at once.

The errors of two occasions a time g apart are correlated φ^(g / unit gap), 0 ≤ φ < 1, so that missed
occasions and uneven gaps need no special case. Because such errors form a Markov chain, everything
the likelihood needs is a few sums of products per distinct gap (the sufficient statistics below);
no matrix of occasions by occasions is ever formed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np

from rungwise.basis.errors import check_between, check_choice
from rungwise.models.mixture import Mixture

INFERENCES = ("integrated", "plug_in")
METHODS = ("reml", "ml")
# φ is sought and integrated up to here; nearer 1 the errors cannot be told from a random walk.
PHI_END = 0.995
# Weight given to φ before seeing the ratings: (1 − φ)^PRIOR_FALL. Chosen by the error rates measured
# in benchmarks/level_coverage.py, not by belief: 0 (flat) wastes power, 2 lets φ = .6 pass 5 %.
PRIOR_FALL = 1.0
# A residual sum of squares below this share of the total is rounding noise, not variation.
_NO_VARIATION = 1e-20
_SERIES_AT_ONCE = 512
_GOLDEN = (np.sqrt(5) - 1) / 2
_REFINEMENTS = 34

Blocks = list[list[np.ndarray]]


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
    _blocks: tuple[_Block, ...]

    def __len__(self) -> int:
        return len(self.phi)

    @property
    def nodes(self) -> np.ndarray:
        """Values of φ averaged over, the same for all series."""
        return self._blocks[0].nodes

    @property
    def phi_mean(self) -> np.ndarray:
        """Mean of φ over its restricted likelihood and prior weight."""
        means = np.concatenate([block.share_of_phi @ block.nodes for block in self._blocks])
        return np.where(self.reason == "", means, np.nan)

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
            if inference == "plug_in":
                nodes, share = self.phi[span, None], np.ones((block.rows, 1))
            else:
                nodes, share = block.nodes[None, :], block.share_of_phi
            parts.append(block.contrast(weights[span] if len(self) != 1 else weights, nodes))
            shares.append(share)
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
        for gap in np.unique(unit_gap):
            check_between("unit_gap", gap, 0, np.inf)
    blocks = []
    for start in range(0, rows, _SERIES_AT_ONCE):
        span = slice(start, start + _SERIES_AT_ONCE)
        blocks.append(
            _Block(
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


@lru_cache(maxsize=64)
def _grid(places: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes of φ and the logarithm of their weights before seeing any rating."""
    # Enough nodes that the likelihood of φ, as narrow as 1/√n, is integrated smoothly.
    x, weight = np.polynomial.legendre.leggauss(max(24, int(np.ceil(4 * np.sqrt(places)))))
    nodes = 0.5 * PHI_END * (x + 1)
    return nodes, np.log(0.5 * PHI_END * weight) + PRIOR_FALL * np.log1p(-nodes)


class _Block:
    """Sufficient statistics of some series, and the likelihood as a function of φ.

    The design is replaced by an orthonormal basis and the ratings by their least-squares residuals,
    which keeps the sums of products well conditioned. Arrays have the series last.
    """

    def __init__(
        self,
        y: np.ndarray,
        design: np.ndarray,
        times: np.ndarray,
        unit_gap: np.ndarray | None,
        start: int,
    ):
        self.start = start
        self.rows, places = y.shape
        self.p = design.shape[-1]
        present = ~np.isnan(y)
        self.n = present.sum(axis=1)
        if present.all():
            design = design if design.ndim == 3 else design[None]
            times = times if times.ndim == 2 else times[None]
        else:
            # Missing occasions go to the end of a row, where they weigh nothing.
            order = np.argsort(~present, axis=1, kind="stable")
            present = np.take_along_axis(present, order, axis=1)
            y = np.where(present, np.take_along_axis(y, order, axis=1), 0.0)
            times = np.take_along_axis(np.broadcast_to(times, y.shape), order, axis=1)
            design = np.broadcast_to(design, (*y.shape, self.p))
            design = np.where(present[:, :, None], np.take_along_axis(design, order[:, :, None], axis=1), 0)
        self._check(design, times, present)
        self._reduce(y, design, places)
        self._collect(times, present, unit_gap, places)
        self.nodes, self.log_prior = _grid(places)

    def _check(self, design: np.ndarray, times: np.ndarray, present: np.ndarray) -> None:
        if not np.isfinite(design).all():
            raise ValueError("design must be finite wherever y is observed.")
        gaps = np.diff(times, axis=1)
        paired = present[:, 1:] & present[:, :-1]
        if not np.all((gaps > 0) | ~paired):
            row = int(np.flatnonzero(np.any(~(gaps > 0) & paired, axis=1))[0]) + self.start
            raise ValueError(
                f"times must increase strictly over the observations of a series; series {row} does not. "
                "Average several observations at one time first."
            )

    def _reduce(self, y: np.ndarray, design: np.ndarray, places: int) -> None:
        if places < self.p:
            design = np.pad(design, ((0, 0), (0, self.p - places), (0, 0)))
            y = np.pad(y, ((0, 0), (0, self.p - places)))
        basis, self.triangle = np.linalg.qr(design)
        scale = np.sqrt(np.sum(design**2, axis=1)).max(axis=1, initial=1e-300)
        diagonal = np.abs(np.diagonal(self.triangle, axis1=1, axis2=2))
        dependent = np.broadcast_to(np.any(diagonal <= 1e-10 * scale[:, None], axis=1), (self.rows,))
        safe = np.any(diagonal <= 1e-10 * scale[:, None], axis=1)
        self.triangle = np.where(safe[:, None, None], np.eye(self.p), self.triangle)
        self.inverse = np.linalg.inv(self.triangle)
        self.log_scale = np.sum(np.log(np.abs(np.diagonal(self.triangle, axis1=1, axis2=2))), axis=1)
        projected = np.einsum("rtp,rt->rp", np.broadcast_to(basis, (*y.shape, self.p)), y)
        residual = y - np.einsum("rtp,rp->rt", np.broadcast_to(basis, (*y.shape, self.p)), projected)
        self.least_squares = np.einsum(
            "rpq,rq->rp", np.broadcast_to(self.inverse, (self.rows, self.p, self.p)), projected
        )
        flat = np.sum(residual**2, axis=1) <= _NO_VARIATION * np.sum(y**2, axis=1)
        few = self.n <= self.p
        self.reason = np.full(self.rows, "", dtype=object)
        self.reason[flat] = "The ratings do not vary about the fitted line, so there is no error to go by."
        self.reason[dependent] = "The occasions do not tell all the coefficients apart."
        self.reason[few] = f"There are no more observations than the {self.p} coefficients of the model."
        self.columns = [*np.moveaxis(basis[:, :places], 0, -1).swapaxes(0, 1), residual[:, :places].T]

    def _collect(
        self, times: np.ndarray, present: np.ndarray, unit_gap: np.ndarray | None, places: int
    ) -> None:
        gaps = np.diff(times, axis=1)
        paired = present[:, 1:] & present[:, :-1]
        paired = paired if len(gaps) == self.rows else paired[: len(gaps)]
        gaps = np.where(paired, gaps, np.nan)
        if unit_gap is None:
            some = paired.any(axis=1)
            median = np.ones(len(gaps))
            if some.any():
                median[some] = np.nanmedian(gaps[some], axis=1)
            unit_gap = median
        self.unit_gap = np.broadcast_to(unit_gap, (self.rows,))
        if len(gaps) == 1 and not np.all(self.unit_gap == self.unit_gap[0]):
            gaps = np.broadcast_to(gaps, (self.rows, gaps.shape[1]))
        relative = np.round(gaps / np.reshape(unit_gap, (-1, 1))[: len(gaps)], 10)
        lengths = np.unique(relative[~np.isnan(relative)])
        if len(lengths) < max(places - 1, 1):
            # Shape (gap, place, series or 1); one entry per distinct gap.
            self.gaps = lengths[:, None]
            masks = (relative == lengths[:, None, None]).swapaxes(1, 2).astype(float)
        else:
            # More distinct gaps than places: one entry per place, each series with its own gap.
            self.gaps = np.where(np.isnan(relative), 1.0, relative).T
            masks = np.eye(places - 1)[:, :, None] * ~np.isnan(relative).T[None]
        self.pairs = masks.sum(axis=1)
        q = self.p + 1
        self.first: Blocks = [[np.empty(0)] * q for _ in range(q)]
        self.now, self.cross, self.before = ([[np.empty(0)] * q for _ in range(q)] for _ in range(3))
        for a in range(q):
            for b in range(a + 1):
                u, v = self.columns[a], self.columns[b]
                self.first[a][b] = (u[0] * v[0])[:, None]
                products = (u[1:] * v[1:], u[1:] * v[:-1] + u[:-1] * v[1:], u[:-1] * v[:-1])
                for store, product in zip((self.now, self.cross, self.before), products, strict=True):
                    store[a][b] = np.sum(masks * product, axis=1)[:, :, None]

    def _factor(self, phi: np.ndarray) -> tuple[Blocks, np.ndarray]:
        """Cholesky factor of [basis, residual]' V⁻¹ [basis, residual], and log |V|."""
        q = self.p + 1
        rho = [phi ** gap[:, None] for gap in self.gaps]
        inverse = [1 / (1 - r * r) for r in rho]
        log_det = sum(
            (pairs[:, None] * np.log1p(-r * r) for pairs, r in zip(self.pairs, rho, strict=True)),
            start=np.zeros((1, 1)),
        )
        factor: Blocks = [[np.empty(0)] * q for _ in range(q)]
        for a in range(q):
            for b in range(a + 1):
                total = self.first[a][b]
                for d, (r, w) in enumerate(zip(rho, inverse, strict=True)):
                    total = total + w * (
                        self.now[a][b][d] + r * (r * self.before[a][b][d] - self.cross[a][b][d])
                    )
                for c in range(b):
                    total = total - factor[a][c] * factor[b][c]
                if a < self.p or b < self.p:
                    total = np.sqrt(np.maximum(total, 1e-300)) if a == b else total / factor[b][b]
                factor[a][b] = total
        return factor, log_det

    def log_likelihood(self, phi: np.ndarray, method: str) -> np.ndarray:
        """Profile log-likelihood, shape (series, nodes)."""
        factor, log_det = self._factor(phi)
        rss = np.maximum(factor[self.p][self.p], 1e-300)
        n = self.n[:, None]
        if method == "ml":
            return -0.5 * (n * (np.log(2 * np.pi * rss / n) + 1) + log_det)
        df = np.maximum(n - self.p, 1)
        log_information = 2 * sum(np.log(factor[a][a]) for a in range(self.p))
        log_information = log_information + 2 * self.log_scale[:, None]
        return -0.5 * (df * (np.log(2 * np.pi * rss / df) + 1) + log_det + log_information)

    @cached_property
    def share_of_phi(self) -> np.ndarray:
        """Weight of each node: prior times restricted likelihood, summing to 1 in each series."""
        log_weight = self.log_likelihood(self.nodes[None, :], "reml") + self.log_prior
        weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
        return weight / weight.sum(axis=1, keepdims=True)

    def contrast(self, weights: np.ndarray, phi: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Estimate and standard error of weights'β at each φ."""
        factor, _ = self._factor(phi)
        turned = np.einsum(
            "rqp,rq->rp", np.broadcast_to(self.inverse, (len(weights), self.p, self.p)), weights
        )
        center = np.sum(weights * self.least_squares, axis=1)[:, None]
        spread = np.zeros((1, 1))
        solved: list[np.ndarray] = []
        for a in range(self.p):
            part = turned[:, a, None]
            for b in range(a):
                part = part - factor[a][b] * solved[b]
            solved.append(part / factor[a][a])
            center = center + solved[a] * factor[self.p][a]
            spread = spread + solved[a] ** 2
        s2 = np.maximum(factor[self.p][self.p], 0.0) / np.maximum(self.n - self.p, 1)[:, None]
        shape = (len(weights), phi.shape[-1])
        return np.broadcast_to(center, shape), np.broadcast_to(np.sqrt(spread * s2), shape)

    def optimum(self, method: str) -> dict[str, np.ndarray]:
        """Best φ of each series, refined by golden sections, and everything that follows from it."""
        grid = np.concatenate([[0.0], self.nodes, [PHI_END]])
        height = np.broadcast_to(self.log_likelihood(grid[None, :], method), (self.rows, len(grid)))
        best = height.argmax(axis=1)
        low, high = grid[np.maximum(best - 1, 0)], grid[np.minimum(best + 1, len(grid) - 1)]
        left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        f_left = self.log_likelihood(left[:, None], method)[:, 0]
        f_right = self.log_likelihood(right[:, None], method)[:, 0]
        for _ in range(_REFINEMENTS):
            keep_left = f_left > f_right
            low, high = np.where(keep_left, low, left), np.where(keep_left, right, high)
            probe = np.where(keep_left, high - _GOLDEN * (high - low), low + _GOLDEN * (high - low))
            f_probe = self.log_likelihood(probe[:, None], method)[:, 0]
            left, right = np.where(keep_left, probe, right), np.where(keep_left, left, probe)
            f_left, f_right = np.where(keep_left, f_probe, f_right), np.where(keep_left, f_left, f_probe)
        phi = 0.5 * (low + high)
        boundary = np.full(self.rows, "", dtype=object)
        inside = self.log_likelihood(phi[:, None], method)[:, 0]
        # Within rounding of an end of the range, the end itself is the honest answer.
        for end, column, word in ((0.0, 0, "0"), (PHI_END, -1, "upper")):
            at_end = (height[:, column] >= inside) | (np.abs(phi - end) < 1e-6)
            phi, boundary[at_end] = np.where(at_end, end, phi), word
        return self._at(phi, boundary, method)

    def _at(self, phi: np.ndarray, boundary: np.ndarray, method: str) -> dict[str, np.ndarray]:
        p, usable = self.p, self.reason == ""
        estimates = np.empty((self.rows, p))
        covariance = np.empty((self.rows, p, p))
        errors = np.empty((self.rows, p))
        unit = np.eye(p)
        for a in range(p):
            value, error = self.contrast(np.broadcast_to(unit[a], (self.rows, p)), phi[:, None])
            estimates[:, a], errors[:, a] = value[:, 0], error[:, 0]
            covariance[:, a, a] = error[:, 0] ** 2
        for a in range(p):
            for b in range(a):
                _, error = self.contrast(np.broadcast_to(unit[a] + unit[b], (self.rows, p)), phi[:, None])
                covariance[:, a, b] = 0.5 * (error[:, 0] ** 2 - errors[:, a] ** 2 - errors[:, b] ** 2)
                covariance[:, b, a] = covariance[:, a, b]
        factor, _ = self._factor(phi[:, None])
        divisor = self.n if method == "ml" else np.maximum(self.n - p, 1)
        blank = np.where(usable, 1.0, np.nan)
        return {
            "coefficients": estimates * blank[:, None],
            "covariance": covariance * blank[:, None, None],
            "sigma2": factor[p][p][:, 0] / divisor * blank,
            "phi": phi * blank,
            "boundary": np.where(usable, boundary, ""),
            "log_likelihood": self.log_likelihood(phi[:, None], method)[:, 0] * blank,
            "n": self.n,
            "df": self.n - p,
            "unit_gap": np.array(self.unit_gap),
            "reason": self.reason,
        }
