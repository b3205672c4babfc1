"""The likelihood of φ for a block of series, from sums of products per distinct gap."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

METHODS = ("reml", "ml")
# φ is sought and integrated up to here; nearer 1 the errors cannot be told from a random walk.
PHI_END = 0.995
# Weight given to φ before seeing the ratings: (1 − φ)^PRIOR_FALL. Chosen by the error rates measured
# in benchmarks/level_coverage.py, not by belief: 0 (flat) wastes power, 2 lets φ = .6 pass 5 %.
PRIOR_FALL = 1.0
NO_ERROR = "The ratings do not vary about the fitted line, so there is no error to go by."
NOT_APART = "The occasions do not tell all the coefficients apart."
NO_MORE_THAN = "There are no more observations than the {p} coefficients of the model."
# A residual sum of squares below this share of the total is rounding noise, not variation.
_NO_VARIATION = 1e-20
_STEP = 1e-4
_MOST_STEPS = 60


@dataclass(frozen=True, eq=False)
class Factor:
    """Cholesky factor of [basis, residual]'V⁻¹[basis, residual] at some φ.

    Attributes
    ----------
    design : list of list of ndarray
        Lower triangle of the basis part; arrays (series or 1, nodes).
    response : list of ndarray
        Row of the residual part, one array (series, nodes) per column of the basis.
    rss : ndarray, shape (series, nodes)
        Generalized residual sum of squares.
    log_det : ndarray
        log |V|.
    """

    design: list[list[np.ndarray]]
    response: list[np.ndarray]
    rss: np.ndarray
    log_det: np.ndarray


def gauss_legendre(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights of Gauss-Legendre quadrature on [-1, 1].

    Golub & Welsch (1969), Mathematics of Computation 23:221-230. Our own because numpy's comes with
    six families of polynomials, whose import takes longer than a child's answer.
    """
    k = np.arange(1, n)
    off = k / np.sqrt(4.0 * k * k - 1)
    nodes, vectors = np.linalg.eigh(np.diag(off, 1) + np.diag(off, -1))
    return nodes, 2 * vectors[0] ** 2


@lru_cache(maxsize=64)
def grid_of_phi(places: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes of φ and the logarithm of their weights before seeing any rating."""
    # Enough nodes that the likelihood of φ, as narrow as 1/√n, is integrated smoothly.
    x, weight = gauss_legendre(max(24, int(np.ceil(4 * np.sqrt(places)))))
    nodes = 0.5 * PHI_END * (x + 1)
    return nodes, np.log(0.5 * PHI_END * weight) + PRIOR_FALL * np.log1p(-nodes)


def _row_medians(columns: np.ndarray) -> np.ndarray:
    """Median of the numbers of each row; at least one must be there.

    Our own because ``np.nanmedian`` imports numpy's masked arrays, which a single child never needs.
    """
    ordered = np.sort(columns, axis=1)
    n = (~np.isnan(columns)).sum(axis=1)
    rows = np.arange(len(columns))
    return (ordered[rows, (n - 1) // 2] + ordered[rows, n // 2]) / 2


def _vertex(
    a: np.ndarray, x: np.ndarray, b: np.ndarray, fa: np.ndarray, fx: np.ndarray, fb: np.ndarray
) -> np.ndarray:
    """Top of the parabola through three points, or the middle point where there is none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        left, right = (x - a) * (fx - fb), (x - b) * (fx - fa)
        top = x - 0.5 * ((x - a) * left - (x - b) * right) / (left - right)
    return np.where((top > a) & (top < b), top, x)


class Ar1Block:
    """Sufficient statistics of some series, and the likelihood as a function of φ.

    The design is replaced by an orthonormal basis and the ratings by their least-squares residuals,
    which keeps the sums of products well conditioned.
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
        self.rows, self.places = y.shape
        self.p = design.shape[-1]
        present = ~np.isnan(y)
        self.n = present.sum(axis=1)
        design = design if design.ndim == 3 else design[None]
        times = times if times.ndim == 2 else times[None]
        if present.all():
            present = present[: len(times)]
        else:
            # Missing occasions go to the end of a row, where they weigh nothing.
            order = np.argsort(~present, axis=1, kind="stable")
            present = np.take_along_axis(present, order, axis=1)
            y = np.where(present, np.take_along_axis(y, order, axis=1), 0.0)
            times = np.take_along_axis(np.broadcast_to(times, y.shape), order, axis=1)
            design = np.broadcast_to(design, (*y.shape, self.p))
            design = np.where(present[:, :, None], np.take_along_axis(design, order[:, :, None], axis=1), 0)
        if not np.isfinite(design).all():
            raise ValueError("design must be finite wherever y is observed.")
        gaps = np.diff(times, axis=1)
        gaps = np.where(present[:, 1:] & present[:, :-1], gaps, np.nan)
        if np.any(gaps <= 0):
            row = int(np.flatnonzero(np.any(gaps <= 0, axis=1))[0]) + start
            raise ValueError(
                f"times must increase strictly over the observations of a series; series {row} does not. "
                "Average several observations at one time first."
            )
        basis, residual = self._reduce(y, design)
        masks = self._gaps(gaps, unit_gap)
        self._collect(basis, residual, masks)
        self.nodes, self.log_prior = grid_of_phi(self.places)

    def _reduce(self, y: np.ndarray, design: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give the basis (p, places, designs) and the least-squares residuals (places, series)."""
        short = max(self.p - self.places, 0)
        padded = np.pad(design, ((0, 0), (0, short), (0, 0)))
        basis, triangle = np.linalg.qr(padded)
        longest = np.sqrt(np.sum(padded**2, axis=1)).max(axis=1)
        diagonal = np.abs(np.diagonal(triangle, axis1=1, axis2=2))
        dependent = np.any(diagonal <= 1e-10 * longest[:, None], axis=1)
        triangle = np.where(dependent[:, None, None], np.eye(self.p), triangle)
        self.inverse = np.linalg.inv(triangle)
        self.log_scale = np.sum(np.log(np.abs(np.diagonal(triangle, axis1=1, axis2=2))), axis=1)[:, None]
        basis = basis[:, : self.places]
        if len(basis) == 1:
            projected = y @ basis[0]
            residual = y - projected @ basis[0].T
        else:
            projected = np.einsum("rtp,rt->rp", basis, y)
            residual = y - np.einsum("rtp,rp->rt", basis, projected)
        self.least_squares = np.einsum(
            "rpq,rq->rp", np.broadcast_to(self.inverse, (self.rows, self.p, self.p)), projected
        )
        self.reason = np.full(self.rows, "", dtype=object)
        flat = np.sum(residual**2, axis=1) <= _NO_VARIATION * np.sum(y**2, axis=1)
        self.reason[flat] = NO_ERROR
        self.reason[np.broadcast_to(dependent, (self.rows,))] = NOT_APART
        self.reason[self.n <= self.p] = NO_MORE_THAN.format(p=self.p)
        return np.ascontiguousarray(basis.transpose(2, 1, 0)), np.ascontiguousarray(residual.T)

    def _gaps(self, gaps: np.ndarray, unit_gap: np.ndarray | None) -> np.ndarray | None:
        """Sort the gaps into kinds; give which pair of neighbors is of which kind.

        The mask has the shape (kinds, pairs, series or 1); None where each pair is a kind of its own, in
        each series.
        """
        if unit_gap is None:
            unit_gap = np.ones(len(gaps))
            some = ~np.isnan(gaps).all(axis=1)
            if some.any():
                unit_gap[some] = _row_medians(gaps[some])
        elif np.all(unit_gap == unit_gap[0]):
            unit_gap = unit_gap[:1]
        self.unit_gap = np.broadcast_to(unit_gap, (self.rows,))
        relative = np.round(gaps / unit_gap[:, None], 10)
        # np.unique imports numpy's masked arrays, which a single child never needs.
        ordered = np.sort(relative[~np.isnan(relative)])
        lengths = ordered[np.diff(ordered, prepend=-np.inf) > 0]
        # φ = x^power with x the correlation over the shortest gap, in which likelihoods are smooth at 0.
        shortest = np.nanmin(relative, axis=1, initial=1.0) if relative.size else np.ones(len(relative))
        self.power = np.broadcast_to(1 / shortest, (self.rows,))
        if len(lengths) < max(self.places - 1, 1):
            self.gaps = lengths[:, None]
            masks = (relative == lengths[:, None, None]).swapaxes(1, 2).astype(float)
        else:
            # As many kinds as pairs: each pair its own kind, with its own gap in each series.
            self.gaps = np.where(np.isnan(relative), 1.0, relative).T
            there = ~np.isnan(relative).T
            if len(relative) > 1:
                self.pairs = there.astype(float)
                return None
            masks = np.eye(self.places - 1)[:, :, None] * there[None]
        self.pairs = masks.sum(axis=1)
        return masks

    def _collect(self, basis: np.ndarray, residual: np.ndarray, masks: np.ndarray | None) -> None:
        """Sum the products of neighbors: basis with basis, then residual with basis and itself."""
        p = self.p
        lower = [(a, b) for a in range(p) for b in range(a + 1)]
        a, b = (np.array(column, dtype=np.int64) for column in zip(*lower, strict=True))
        self.first_design = (basis[a, 0] * basis[b, 0])[:, :, None]
        now, before = basis[:, 1:], basis[:, :-1]
        products = now[a] * now[b], now[a] * before[b] + before[a] * now[b], before[a] * before[b]

        def by_kind(product: np.ndarray) -> np.ndarray:
            if masks is None:
                return self.pairs[:, None] * product.swapaxes(0, 1)
            return np.einsum("dtr,etr->der", masks, product)

        self.design_sums = [by_kind(product)[..., None] for product in products]
        e_now, e_before = residual[1:], residual[:-1]
        if masks is not None and basis.shape[2] == 1 and masks.shape[2] == 1:
            weight = masks[:, None, :, 0]

            def across(u: np.ndarray, v: np.ndarray) -> np.ndarray:
                return (weight * u[None, :, :, 0]) @ v

            def own(product: np.ndarray) -> np.ndarray:
                return (weight[:, 0] @ product)[:, None]
        else:

            def across(u: np.ndarray, v: np.ndarray) -> np.ndarray:
                return by_kind(u * v)

            def own(product: np.ndarray) -> np.ndarray:
                return by_kind(product[None])

        sums = (
            (across(now, e_now), own(e_now * e_now)),
            (across(now, e_before) + across(before, e_now), own(2 * e_now * e_before)),
            (across(before, e_before), own(e_before * e_before)),
        )
        self.response_sums = [np.concatenate(pair, axis=1)[..., None] for pair in sums]
        first = np.concatenate([basis[:, 0] * residual[0], residual[:1] ** 2])
        self.first_response = first[..., None]

    def factor(self, phi: np.ndarray, rows: np.ndarray | None = None) -> Factor:
        """Factor at φ of shape (series or 1, nodes), for all series or some `rows`."""

        def pick(sums: np.ndarray) -> np.ndarray:
            return sums if rows is None or sums.shape[-2] == 1 else sums[..., rows, :]

        def total(first: np.ndarray, sums: list[np.ndarray]) -> np.ndarray:
            now, cross, before = (pick(part) for part in sums)
            result = pick(first)
            for d, (r, w) in enumerate(zip(rho, inverse, strict=True)):
                result = result + w * (now[d] + r * (r * before[d] - cross[d]))
            return result

        rho = [phi ** pick(gap[:, None]) for gap in self.gaps]
        inverse = [1 / (1 - r * r) for r in rho]
        # Without any pair of neighbors nothing depends on φ, but the shape must.
        log_det = np.zeros((1, phi.shape[-1]))
        for pairs, r in zip(self.pairs, rho, strict=True):
            log_det = log_det + pick(pairs[:, None]) * np.log1p(-r * r)
        design_totals = iter(total(self.first_design, self.design_sums))
        response = list(total(self.first_response, self.response_sums))
        design: list[list[np.ndarray]] = []
        for a in range(self.p):
            design.append([])
            for b in range(a + 1):
                entry = next(design_totals)
                for c in range(b):
                    entry = entry - design[a][c] * design[b][c]
                entry = np.sqrt(np.maximum(entry, 1e-60)) if a == b else entry / design[b][b]
                design[a].append(entry)
        rss = response.pop() + np.zeros(phi.shape[-1])
        for a in range(self.p):
            for c in range(a):
                response[a] = response[a] - design[a][c] * response[c]
            response[a] = response[a] / design[a][a]
            rss = rss - response[a] * response[a]
        return Factor(design, response, np.maximum(rss, 1e-300), log_det)

    def log_likelihood(
        self, factor: Factor, method: str, rows: np.ndarray | slice = slice(None)
    ) -> np.ndarray:
        """Profile log-likelihood, shape (series, nodes)."""
        n = self.n[rows, None]
        if method == "ml":
            return -0.5 * (n * (np.log(2 * np.pi / n * factor.rss) + 1) + factor.log_det)
        df = np.maximum(n - self.p, 1)
        product = factor.design[0][0]
        for a in range(1, self.p):
            product = product * factor.design[a][a]
        scale = self.log_scale if len(self.log_scale) == 1 else self.log_scale[rows]
        fixed = factor.log_det + 2 * (np.log(product) + scale)
        return -0.5 * (df * (np.log(2 * np.pi / df * factor.rss) + 1) + fixed)

    @cached_property
    def at_nodes(self) -> Factor:
        """Factor at the nodes of φ."""
        return self.factor(self.nodes[None, :])

    @cached_property
    def share_of_phi(self) -> np.ndarray:
        """Weight of each node: prior times restricted likelihood, summing to 1 in each series."""
        log_weight = self.log_likelihood(self.at_nodes, "reml") + self.log_prior
        weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
        return weight / weight.sum(axis=1, keepdims=True)

    def contrast(self, weights: np.ndarray, factor: Factor) -> tuple[np.ndarray, np.ndarray]:
        """Estimate and standard error of weights'β, (series, nodes); of one series any number."""
        if len(self.inverse) == 1:
            turned = weights @ self.inverse[0]
        else:
            turned = np.einsum("rqp,rq->rp", self.inverse, weights)
        center = np.sum(weights * self.least_squares, axis=1)[:, None]
        spread = np.zeros((1, 1))
        solved: list[np.ndarray] = []
        for a in range(self.p):
            part = turned[:, a, None]
            for b in range(a):
                part = part - factor.design[a][b] * solved[b]
            solved.append(part / factor.design[a][a])
            center = center + solved[a] * factor.response[a]
            spread = spread + solved[a] ** 2
        s2 = factor.rss / np.maximum(self.n - self.p, 1)[:, None]
        shape = np.broadcast_shapes(center.shape, s2.shape)
        return np.broadcast_to(center, shape), np.broadcast_to(np.sqrt(spread * s2), shape)

    def optimum(self, method: str) -> dict[str, np.ndarray]:
        """Best φ of each series, and everything that follows from it."""
        ends = np.array([0.0, PHI_END])
        at_ends = self.log_likelihood(self.factor(ends[None, :]), method)
        inner = self.log_likelihood(self.at_nodes, method)
        height = np.concatenate([at_ends[:, :1], inner, at_ends[:, 1:]], axis=1)
        grid = np.concatenate([ends[:1], self.nodes, ends[1:]])
        best = height.argmax(axis=1)
        left, right = np.maximum(best - 1, 0), np.minimum(best + 1, len(grid) - 1)
        low, middle, high = (grid[place] ** (1 / self.power) for place in (left, best, right))
        rows = np.arange(self.rows)
        start = _vertex(low, middle, high, height[rows, left], height[rows, best], height[rows, right])
        neighbors, inside = self._climb(start, low, high, method)
        phi = neighbors**self.power
        boundary = np.full(self.rows, "", dtype=object)
        # Within rounding of an end of the range, the end itself is the honest answer.
        for end, column, word in ((0.0, 0, "0"), (PHI_END, 1, "upper")):
            at_end = (at_ends[:, column] >= inside) | (np.abs(neighbors - end ** (1 / self.power)) < 1e-6)
            phi, boundary[at_end] = np.where(at_end, end, phi), word
        return self._at(phi, boundary, method)

    def _climb(
        self, x: np.ndarray, low: np.ndarray, high: np.ndarray, method: str
    ) -> tuple[np.ndarray, np.ndarray]:
        """Newton's method on the slope of the log-likelihood, kept inside a bracket by bisection.

        In the correlation over the shortest gap.
        """
        uneven = bool(np.any(self.power != 1))
        top = PHI_END ** (1 / self.power) - _STEP
        x = np.clip(x, _STEP, top)
        low, high = np.maximum(low, _STEP), np.minimum(high, top)
        height = np.full(self.rows, np.nan)
        rows: np.ndarray | None = None
        offsets = _STEP * np.array([-1.0, 0.0, 1.0])
        for _ in range(_MOST_STEPS):
            at = np.arange(self.rows) if rows is None else rows
            phi = x[at, None] + offsets
            if uneven:
                phi = phi ** self.power[at, None]
            f = self.log_likelihood(self.factor(phi, rows), method, at)
            slope = (f[:, 2] - f[:, 0]) / (2 * _STEP)
            bend = (f[:, 2] - 2 * f[:, 1] + f[:, 0]) / _STEP**2
            height[at] = f[:, 1]
            low[at] = np.where(slope > 0, x[at], low[at])
            high[at] = np.where(slope > 0, high[at], x[at])
            with np.errstate(divide="ignore", invalid="ignore"):
                moved = x[at] - slope / bend
            inside = (bend < 0) & (moved > low[at]) & (moved < high[at])
            moved = np.where(inside, moved, 0.5 * (low[at] + high[at]))
            # Newton's error squares at each step; a bisection only halves it.
            open_ = np.abs(moved - x[at]) > np.where(inside, 3e-5, 1e-7)
            x[at] = moved
            if not open_.any():
                break
            if open_.mean() < 0.7:
                rows = at[open_]
        return x, height

    def _at(self, phi: np.ndarray, boundary: np.ndarray, method: str) -> dict[str, np.ndarray]:
        p = self.p
        factor = self.factor(phi[:, None])
        root = np.zeros((self.rows, p, p))
        for a in range(p):
            for b in range(a + 1):
                root[:, a, b] = factor.design[a][b][:, 0]
        # Columns of L⁻¹R⁻ᵀ, whose products are the inverse information of the coefficients.
        solved = np.linalg.solve(root, np.broadcast_to(self.inverse.swapaxes(1, 2), (self.rows, p, p)))
        response = np.stack([row[:, 0] for row in factor.response], axis=1)
        scaled = factor.rss[:, 0] / np.maximum(self.n - p, 1)
        usable = self.reason == ""
        blank = np.where(usable, 1.0, np.nan)
        divisor = self.n if method == "ml" else np.maximum(self.n - p, 1)
        return {
            "coefficients": (self.least_squares + np.einsum("rab,ra->rb", solved, response))
            * blank[:, None],
            "covariance": np.einsum("rab,rac->rbc", solved, solved) * (scaled * blank)[:, None, None],
            "sigma2": factor.rss[:, 0] / np.maximum(divisor, 1) * blank,
            "phi": phi * blank,
            "boundary": np.where(usable, boundary, ""),
            "log_likelihood": self.log_likelihood(factor, method)[:, 0] * blank,
            "n": self.n,
            "df": self.n - p,
            "unit_gap": np.array(self.unit_gap),
            "reason": self.reason,
        }
