"""Two-level linear models (occasions within children) by REML or ML, errors independent or AR(1).

All that the likelihood needs of a child are sums of products (sufficient statistics), so an evaluation
costs the same for 30 and for 3,000 occasions a child.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rungwise.basis.errors import NotEnoughData, check_choice
from rungwise.models.ar1_block import METHODS, PHI_END
from rungwise.models.certified_minimum import gradient, hessian, minimum, moves, steps

COVARIANCES = ("full", "diagonal")

# Lower triangle, one array over points (and groups) per entry.
Triangle = list[list[np.ndarray]]

# Relative standard deviations below this are on the boundary.
_ZERO = 1e-3


@dataclass(frozen=True, eq=False)
class TwoLevelFit:
    """A fitted two-level model.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
        Of the coefficients, at the estimated variances.
    random_covariance : ndarray, shape (q, q)
        Of the random effects.
    sigma2 : float
        Variance of an error within a child.
    phi : float
        Correlation of errors one `unit_gap` apart; 0 where no autocorrelation was asked for.
    log_likelihood : float
    converged : bool
        True only where the point found was certified: no direction in which the criterion falls.
    boundary : tuple of str
        What was estimated at an end of its range, in words.
    random_effects : ndarray, shape (groups, q)
        Conditional means, in the order of `groups`.
    groups : ndarray
    n : int
    unit_gap : float
    method : str
    starts_agreeing : int
        How many of the starts carried to the end reached the same criterion within .001.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    random_covariance: np.ndarray
    sigma2: float
    phi: float
    log_likelihood: float
    converged: bool
    boundary: tuple[str, ...]
    random_effects: np.ndarray
    groups: np.ndarray
    n: int
    unit_gap: float
    method: str
    starts_agreeing: int
    _criterion: _Criterion
    _theta: np.ndarray

    def contrast(self, weights: Any) -> tuple[float, float, float]:
        """Give a weighted sum of the coefficients, its standard error, and degrees of freedom.

        The degrees of freedom are Satterthwaite's: 2·v²/Var(v), with v the squared standard error as a
        function of the variance parameters. NaN where the variance parameters' own information
        cannot be inverted.

        Source: Giesbrecht & Burns (1985), Biometrics 41:477-486; Kuznetsova, Brockhoff & Christensen
        (2017), Journal of Statistical Software 82(13).
        """
        weights = np.asarray(weights, dtype=float)
        value = float(weights @ self.coefficients)
        variance = float(weights @ self.covariance @ weights)
        return value, variance**0.5, self._criterion.satterthwaite(self._theta, weights, variance)


def fit_two_level(
    y: Any,
    design: Any,
    groups: Any,
    *,
    random: Any = None,
    times: Any = None,
    autocorrelation: bool = False,
    unit_gap: float | None = None,
    method: str = "reml",
    covariance: str = "full",
) -> TwoLevelFit:
    """Fit y = Xβ + Zb + error, with b varying between groups.

    Parameters
    ----------
    y : array_like, shape (n,)
        NaN entries are left out with their rows.
    design : array_like, shape (n, p)
        Fixed effects, intercept included.
    groups : array_like, shape (n,)
        The child, or case, of each observation.
    random : array_like, shape (n, q), optional
        Columns whose effects vary between groups; default an intercept.
    times : array_like, shape (n,), optional
        Times within groups; needed for `autocorrelation`, default the order of the rows.
    autocorrelation : bool
        Continuous-time AR(1) errors within groups, 0 ≤ φ < 1.
    unit_gap : float, optional
        The gap φ refers to; default the median gap within groups.
    method : {"reml", "ml"}
    covariance : {"full", "diagonal"}
        Whether random effects may be correlated.

    Raises
    ------
    ValueError
        For shapes that do not fit, or several observations of a group at one time with
        `autocorrelation`.
    NotEnoughData
        With fewer than two groups, or no more observations than coefficients.

    Notes
    -----
    With a handful of groups the variance of a random effect is estimated very roughly and often at 0;
    `boundary` says so. Normal-theory intervals are then too short: use the degrees of freedom of
    `TwoLevelFit.contrast`.

    Source: Laird & Ware (1982), Biometrics 38:963-974; criterion profiled as in Bates, Maechler, Bolker
    & Walker (2015), Journal of Statistical Software 67(1).

    Examples
    --------
    >>> y = [3.0, 4, 3, 5, 6, 5, 8, 9, 9]
    >>> fit = fit_two_level(y, np.ones((9, 1)), ["a"] * 3 + ["b"] * 3 + ["c"] * 3)
    >>> round(float(fit.coefficients[0]), 3), round(float(fit.random_covariance[0, 0]), 3), fit.converged
    (5.778, 7.148, True)
    """
    check_choice("method", method, METHODS)
    check_choice("covariance", covariance, COVARIANCES)
    y = np.asarray(y, dtype=float)
    n = len(y)
    design = np.asarray(design, dtype=float)
    groups = np.asarray(groups)
    random = np.ones((n, 1)) if random is None else np.asarray(random, dtype=float)
    times = np.arange(n, dtype=float) if times is None else np.asarray(times, dtype=float)
    for name, column, shape in (
        ("design", design, f"({n}, p)"), ("random", random, f"({n}, q)"),
        ("groups", groups, f"({n},)"), ("times", times, f"({n},)"),
    ):  # fmt: skip
        if column.ndim != (2 if name in ("design", "random") else 1) or len(column) != n:
            raise ValueError(f"{name} must have the shape {shape} to go with y; got {column.shape}.")
    keep = ~np.isnan(y)
    y, design, groups, random, times = y[keep], design[keep], groups[keep], random[keep], times[keep]
    labels, code = np.unique(groups, return_inverse=True)
    if len(labels) < 2:
        raise NotEnoughData(f"A two-level model needs at least two groups; there is {len(labels)}.")
    if len(y) <= design.shape[1]:
        raise NotEnoughData(
            f"There are {len(y)} observations for {design.shape[1]} coefficients; more are needed."
        )
    criterion = _Criterion(
        y, design, code, random, times if autocorrelation else None, unit_gap, method, covariance
    )
    theta, certified, agreeing = criterion.minimize()
    return criterion.describe(theta, certified, agreeing, labels)


def independent(design: np.ndarray) -> bool:
    """Say whether every column of a design can be told from the others.

    Examples
    --------
    >>> independent(np.array([[1.0, 0.0], [1.0, 1.0], [1.0, 1.0]])), independent(np.ones((3, 2)))
    (True, False)
    """
    diagonal = np.abs(np.diag(np.linalg.qr(design, mode="r")))
    return bool(np.all(diagonal > 1e-10 * np.sqrt(np.sum(design**2, axis=0)).max()))


class _Criterion:
    """−2 log-likelihood with β and σ² profiled out, at many parameter points at once.

    A point θ holds the lower triangle of Λ (the random effects' covariance is σ²ΛΛ') and, with
    autocorrelation, u with PHI_END·u²/(1 + u²) the correlation over the shortest gap. Zero variances
    and φ = 0 are then ordinary points at which the criterion is symmetric, not ends of a range.
    """

    def __init__(
        self,
        y: np.ndarray,
        design: np.ndarray,
        code: np.ndarray,
        random: np.ndarray,
        times: np.ndarray | None,
        unit_gap: float | None,
        method: str,
        covariance: str,
    ):
        self.n, self.p = design.shape
        self.q = random.shape[1]
        self.m = int(code.max()) + 1
        self.method = method
        self.auto = times is not None
        basis, self.triangle = np.linalg.qr(design)
        if not independent(design):
            raise ValueError("design must have independent columns; at least one follows from the others.")
        self.log_scale = float(np.sum(np.log(np.abs(np.diag(self.triangle)))))
        self.least_squares = np.linalg.solve(self.triangle, basis.T @ y)
        residual = y - basis @ (basis.T @ y)
        self.y_scale = float(np.sqrt(np.mean(residual**2)))
        if self.y_scale <= 1e-10 * float(np.sqrt(np.mean(y**2))):
            raise NotEnoughData(
                "The values do not vary about the fitted coefficients, so there is no error."
            )
        # In these units ΛΛ' is the ratio of what groups add to what occasions add to a group's sum.
        self.z_scale = np.sqrt(np.sum(random**2, axis=0) / self.m)
        if np.any(self.z_scale == 0):
            raise ValueError("random must have no column of zeros.")
        columns = np.column_stack([random / self.z_scale, basis, residual / self.y_scale])
        self.k = columns.shape[1]
        self.pairs = [(a, b) for a in range(self.k) for b in range(a + 1)]
        where = {pair: i for i, pair in enumerate(self.pairs)}
        places = range(self.k)
        self.square = np.array([[where[max(a, b), min(a, b)] for b in places] for a in places])
        self.unit_gap = float("nan")
        self.shortest = 1.0
        self._collect(columns, code, times, unit_gap)
        self.free = [(a, b) for a in range(self.q) for b in range(a + 1) if covariance == "full" or a == b]

    def _collect(
        self, columns: np.ndarray, code: np.ndarray, times: np.ndarray | None, unit_gap: float | None
    ) -> None:
        def per_group(products: np.ndarray, where: np.ndarray) -> np.ndarray:
            sums = np.zeros((self.m, products.shape[1]))
            np.add.at(sums, where, products)
            return sums.T

        lower = np.array(self.pairs)
        order = np.argsort(code, kind="stable") if times is None else np.lexsort((times, code))
        columns, code = columns[order], code[order]
        squares = columns[:, lower[:, 0]] * columns[:, lower[:, 1]]
        if times is None:
            self.statistics = per_group(squares, code)[None]
            return
        times = times[order]
        follows = code[1:] == code[:-1]
        gaps = np.diff(times)[follows]
        if np.any(gaps <= 0):
            raise ValueError(
                "times must increase strictly within each group; average observations at one time first."
            )
        self.unit_gap = float(np.median(gaps)) if unit_gap is None else float(unit_gap)
        # Inside, gaps are counted in shortest gaps: correlations are then smooth at φ = 0.
        shortest = float(gaps.min())
        self.shortest = shortest / self.unit_gap
        self.gaps, kind = np.unique(np.round(gaps / shortest, 10), return_inverse=True)
        self.gap_counts = np.bincount(kind, minlength=len(self.gaps))
        first = np.concatenate([[True], ~follows])
        now, before = columns[1:][follows], columns[:-1][follows]
        a, b = lower.T
        cross = now[:, a] * before[:, b] + before[:, a] * now[:, b]
        parts = [per_group(squares[first], code[first])]
        for products in (squares[1:][follows], cross, before[:, a] * before[:, b]):
            parts += [
                per_group(products[kind == d], code[1:][follows][kind == d]) for d in range(len(self.gaps))
            ]
        self.statistics = np.stack(parts)

    def phi(self, theta: np.ndarray) -> np.ndarray:
        if not self.auto:
            return np.zeros(theta.shape[:-1])
        return self._neighbors(theta) ** (1 / self.shortest)

    def _neighbors(self, theta: np.ndarray) -> np.ndarray:
        """Correlation of errors one shortest gap apart."""
        u2 = theta[..., -1] ** 2
        return PHI_END**self.shortest * u2 / (1 + u2)

    def _sums(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Sums of products under the errors' correlation, (pairs, points, groups), and its log |R|."""
        if not self.auto:
            return self.statistics[0][:, None, :], np.zeros(len(theta))
        rho = self._neighbors(theta)[:, None] ** self.gaps
        w = 1 / (1 - rho * rho)
        weights = np.concatenate([np.ones((len(theta), 1)), w, -w * rho, w * rho * rho], axis=1)
        flat = weights @ self.statistics.reshape(len(self.statistics), -1)
        sums = flat.reshape(len(theta), len(self.pairs), self.m).swapaxes(0, 1)
        return sums, np.log1p(-rho * rho) @ self.gap_counts

    def _reduce(self, theta: np.ndarray) -> tuple[Triangle, list[np.ndarray], Triangle, np.ndarray]:
        """Eliminate the random effects, then the coefficients.

        Gives the Cholesky factor over groups, the random effects' rows (coefficients and response,
        points, groups), the Cholesky factor of [basis, residual]'V⁻¹[basis, residual], and log |V|.
        """
        q, p = self.q, self.p
        sums, log_det = self._sums(theta)
        square = sums[self.square]
        entries = {pair: theta[:, i, None] for i, pair in enumerate(self.free)}
        inner: Triangle = [[np.empty(0)] * q for _ in range(q)]
        rows: list[np.ndarray] = []
        for r in range(q):
            # Row r of Λ'Z'R⁻¹[Z, basis, residual]
            half = np.zeros((1, 1, 1))
            for a in range(r, q):
                if (a, r) in entries:
                    half = half + entries[a, r] * square[a]
            for c in range(r + 1):
                total = np.full((1, 1), float(r == c))
                for b in range(c, q):
                    if (b, c) in entries:
                        total = total + half[b] * entries[b, c]
                for d in range(c):
                    total = total - inner[r][d] * inner[c][d]
                inner[r][c] = np.sqrt(total) if r == c else total / inner[c][c]
            row = half[q:]
            for d in range(r):
                row = row - inner[r][d] * rows[d]
            rows.append(row / inner[r][r])
            log_det = log_det + 2 * np.log(inner[r][r]).sum(axis=1)
        left = square[q:, q:]
        for row in rows:
            left = left - row[:, None] * row[None]
        outer = [list(line) for line in left.sum(axis=3)]
        for j in range(p + 1):
            for i in range(j + 1):
                total = outer[j][i]
                for d in range(i):
                    total = total - outer[j][d] * outer[i][d]
                if j == i:
                    outer[j][j] = total if j == p else np.sqrt(np.maximum(total, 1e-60))
                else:
                    outer[j][i] = total / outer[i][i]
        return inner, rows, outer, log_det

    def __call__(self, theta: np.ndarray) -> np.ndarray:
        """−2 log-likelihood at each point, shape (points,)."""
        _, _, outer, log_det = self._reduce(theta)
        rss = np.maximum(outer[self.p][self.p], 1e-300) * self.y_scale**2
        if self.method == "ml":
            value = self.n * (np.log(2 * np.pi * rss / self.n) + 1) + log_det
        else:
            df = self.n - self.p
            product = outer[0][0]
            for j in range(1, self.p):
                product = product * outer[j][j]
            information = np.log(product) + self.log_scale
            value = df * (np.log(2 * np.pi * rss / df) + 1) + log_det + 2 * information
        return np.array(np.broadcast_to(value, (len(theta),)))

    def minimize(self) -> tuple[np.ndarray, bool, int]:
        """Give the lowest point, whether it was certified, and the number of starts that agree on it."""
        spreads, tilts = (0.0, 0.7, 2.0, 6.0, 20.0), (-2.0, 0.0, 2.0)
        axes = [spreads if a == b else tilts for a, b in self.free]
        if self.auto:
            axes.append(tuple(np.sqrt(phi / (PHI_END - phi)) for phi in (0.0, 0.25, 0.5, 0.75, 0.9)))
        return minimum(self, np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1))

    def _parts(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Residual sum, the criterion's other terms, and (X'V⁻¹X)⁻¹ for coefficients, at each point."""
        _, _, outer, log_det = self._reduce(theta)
        points, p = len(theta), self.p
        factor = np.zeros((points, p, p))
        for j in range(p):
            for i in range(j + 1):
                factor[:, j, i] = outer[j][i]
        root = np.linalg.solve(factor, np.broadcast_to(np.linalg.inv(self.triangle).T, (points, p, p)))
        rest = np.array(np.broadcast_to(log_det, (points,)))
        if self.method == "reml":
            rest += 2 * (np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1) + self.log_scale)
        rss = np.broadcast_to(outer[p][p], (points,)) * self.y_scale**2
        return rss, rest, np.einsum("bij,bik->bjk", root, root)

    def satterthwaite(self, theta: np.ndarray, weights: np.ndarray, variance: float) -> float:
        """Degrees of freedom of a contrast, from the curvature of the criterion in (θ, log σ²)."""
        free = self.n - self.p if self.method == "reml" else self.n
        best_rss = float(self._parts(theta[None])[0][0])
        at = np.append(theta, np.log(best_rss / free))
        # log σ² depends on the unit, so its step does not grow with it.
        h = steps(np.append(theta, 0.0))
        points = at + moves(len(at)) * h
        rss, rest, inverse = self._parts(points[:, :-1])
        s = points[:, -1]
        f = free * s + rss * np.exp(-s) + rest
        v = np.exp(s) * np.einsum("j,bjk,k->b", weights, inverse, weights)
        slope, bend = gradient(v, h), hessian(f, h)
        roots, vectors = np.linalg.eigh(bend)
        # Directions in which the data say nothing (redundant at a boundary) carry no uncertainty of v.
        told = roots > 1e-5 * roots[-1]
        along = vectors.T @ slope
        spread = 2 * float(np.sum(along[told] ** 2 / roots[told]))
        return 2 * variance**2 / spread if spread > 0 else float("nan")

    def describe(
        self, theta: np.ndarray, certified: bool, agreeing: int, labels: np.ndarray
    ) -> TwoLevelFit:
        """Put the fit at a point into words and natural units."""
        p, q = self.p, self.q
        theta = np.where(np.abs(theta) < _ZERO, 0.0, theta) if certified else theta
        point = theta[None]
        inner, rows, outer, _ = self._reduce(point)
        rss, _, inverse = self._parts(point)
        sigma2 = float(rss[0]) / (self.n - p if self.method == "reml" else self.n)
        factor = np.array([[outer[j][i][0] if i <= j else 0.0 for i in range(p)] for j in range(p)])
        gamma = np.linalg.solve(factor.T, np.array([outer[p][j][0] for j in range(p)]))
        triangle = np.zeros((q, q))
        for i, (a, b) in enumerate(self.free):
            triangle[a, b] = theta[i]
        left = [rows[r][p] - sum(rows[r][j] * gamma[j] for j in range(p)) for r in range(q)]
        solved: list[np.ndarray] = [np.zeros(self.m)] * q
        for r in reversed(range(q)):
            total = left[r]
            for c in range(r + 1, q):
                total = total - inner[c][r] * solved[c]
            solved[r] = total / inner[r][r]
        effects = np.stack([np.broadcast_to(part, (1, self.m))[0] for part in solved], axis=1)
        effects = effects @ triangle.T * self.y_scale / self.z_scale
        relative = triangle @ triangle.T
        return TwoLevelFit(
            coefficients=self.least_squares + np.linalg.solve(self.triangle, gamma) * self.y_scale,
            covariance=sigma2 * inverse[0],
            random_covariance=sigma2 * relative / np.outer(self.z_scale, self.z_scale),
            sigma2=sigma2,
            phi=float(self.phi(point)[0]),
            log_likelihood=-0.5 * float(self(point)[0]),
            converged=certified,
            boundary=self._boundaries(relative, float(self.phi(point)[0])),
            random_effects=effects,
            groups=labels,
            n=self.n,
            unit_gap=self.unit_gap,
            method=self.method,
            starts_agreeing=agreeing,
            _criterion=self,
            _theta=theta,
        )

    def _boundaries(self, relative: np.ndarray, phi: float) -> tuple[str, ...]:
        told = []
        spread = np.sqrt(np.diag(relative))
        for a in range(self.q):
            if spread[a] <= _ZERO:
                told.append(f"The variance of random effect {a + 1} is estimated at 0.")
        for a in range(self.q):
            for b in range(a):
                product = spread[a] * spread[b]
                if product > 0 and abs(relative[a, b]) / product > 1 - 1e-6:
                    told.append(
                        f"Random effects {b + 1} and {a + 1} are estimated as perfectly correlated."
                    )
        if self.auto and phi**self.shortest <= 1e-5:
            told.append("The autocorrelation is estimated at 0.")
        if self.auto and phi >= 0.999 * PHI_END:
            told.append("The autocorrelation is estimated at the upper end of its range.")
        return tuple(told)
