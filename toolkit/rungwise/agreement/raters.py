"""Child, parent and therapist side by side: compared, never mixed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from rungwise.agreement.pairs import is_missing
from rungwise.basis.distributions import normal_quantile, t_quantile
from rungwise.basis.errors import check_between
from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import format_bounded, format_p
from rungwise.series.caseload import Caseload
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.tau import tau

UNSAID = "not recorded"


def rater_difference(
    a: Any, b: Any, child_ids: Any = None, *, unit: str = "points", confidence: float = 0.95
) -> Estimate:
    """Compare two kinds of rater who rated the same occasions: difference in level, limits of agreement.

    The difference is the mean of `a` minus `b`. About `confidence` of single differences lie within
    the limits of agreement, so the limits say how far apart two ratings of one occasion may be even
    when the means agree. A correlation would not show this: two raters who are always 4 points apart
    correlate perfectly. The limits mislead when the difference grows with the level, and when ratings
    pile up at the end of the scale.

    Parameters
    ----------
    a, b : array_like
        Ratings of the same occasions by two kinds of rater. An occasion rated by one of them only is
        left out and counted in ``counts["missing"]``.
    child_ids : sequence, optional
        Child of each occasion. Without it every occasion is taken as another child's. Several
        occasions of one child are not independent: the interval is then worked over children, and
        the limits from differences between and within children.
    unit : str
        Unit of the ratings.
    confidence : float
        Of the interval of the difference and of the limits.

    Returns
    -------
    Estimate
        Statistic ``"difference between raters"``, in data units. ``counts`` holds ``pairs``,
        ``children``, ``sd`` (of single differences), ``limit_low``, ``limit_high`` and ``missing``.
        With one child there is no interval, and with one pair no limits either.

    Raises
    ------
    ValueError
        If the lengths differ or a rating is infinite.

    References
    ----------
    Bland & Altman 1986, Lancet 327:307-310; several occasions a child Bland & Altman 2007,
    J Biopharm Stat 17:571-582 (from memory).

    Examples
    --------
    >>> difference = rater_difference([7, 6, 5, 8], [5, 5, 4, 4])
    >>> print(difference.value, round(difference.counts["limit_low"], 2))
    2.0 -0.77
    """
    check_between("confidence", confidence, 0, 1)
    first, second, children = _matched(a, b, child_ids)
    both = ~(np.isnan(first) | np.isnan(second))
    d = (first - second)[both]
    _, child = np.unique(children[both], return_inverse=True)
    n, k = len(d), len(np.unique(child))
    nan = float("nan")
    mean = float(d.mean()) if n else nan
    sd, cautions = nan, []
    low = high = nan
    if n == 0:
        cautions.append("No occasion was rated by both, so they cannot be compared.")
    elif n == 1:
        cautions.append("One occasion alone says nothing about how far the raters differ.")
    else:
        sd = _single_difference_sd(d, child, k)
    if n > 1 and k == 1:
        cautions.append(
            "All occasions are of one child and not independent, so the difference has no interval."
        )
    elif k > 1:
        # Squared sums of children's deviations: with one occasion a child this is the ordinary SE.
        sums = np.bincount(child, weights=d - mean)
        error = float(np.sqrt((sums**2).sum() * k / (k - 1))) / n
        half = float(t_quantile(1 - (1 - confidence) / 2, k - 1)) * error
        low, high = mean - half, mean + half
    reach = float(normal_quantile(1 - (1 - confidence) / 2)) * sd
    return Estimate(
        "difference between raters",
        mean,
        low,
        high,
        confidence=confidence,
        n=n,
        counts={
            "pairs": n,
            "children": k,
            "sd": sd,
            "limit_low": mean - reach,
            "limit_high": mean + reach,
            "missing": len(both) - n,
        },
        method="limits of agreement" + ("" if k == n else ", several occasions a child"),
        unit=unit,
        cautions=tuple(cautions),
    )


def paired_ratings(
    caseload: Caseload,
    first: str,
    second: str,
    *,
    outcome: str = "fear",
    child_id: str | None = None,
    ladder_id: str | None = None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give the planned ratings of the same occasions by two kinds of rater, and whose they are.

    Parameters
    ----------
    caseload : Caseload
    first, second : str
        Kinds of rater, as in the column ``rated_by``.
    outcome : str
    child_id, ladder_id : str, optional
        Only this child's, or this ladder's, occasions.

    Returns
    -------
    tuple of ndarray
        Ratings by the first, by the second (NaN where one of them did not rate), and child codes;
        one entry per occasion that either of them rated.
    """
    ratings = caseload.planned
    occasions = zip(
        ratings["child_id"].tolist(),
        ratings["ladder_id"].tolist(),
        ratings["probe_step"].astype(str).tolist(),
        ratings["date"].astype(str).tolist(),
        ratings["occasion"].astype(str).tolist(),
        ratings["trial"].tolist(),
        ratings["outcome"].tolist(),
        ratings["rated_by"].tolist(),
        ratings["rating"].tolist(),
        strict=True,
    )
    found: dict[tuple[Any, ...], dict[str, float]] = {}
    for *occasion, what, kind, rating in occasions:
        if child_id not in (None, occasion[0]) or (ladder_id or None) not in (None, occasion[1]):
            continue
        if what == outcome and kind in (first, second):
            found.setdefault(tuple(occasion), {})[kind] = rating
    nan = float("nan")
    return (
        np.array([one.get(first, nan) for one in found.values()], dtype=float),
        np.array([one.get(second, nan) for one in found.values()], dtype=float),
        np.array([key[0] for key in found], dtype=object),
    )


@dataclass(frozen=True)
class RaterEffects:
    """The change from baseline to exposure by each kind of rater, apart.

    Attributes
    ----------
    effects : Mapping[str, Estimate]
        Tau by kind of rater, the one with most ratings first.
    cautions : tuple of str
        What to keep in mind when an effect rests on one kind of rater; empty when several agree.
    """

    effects: Mapping[str, Estimate]
    cautions: tuple[str, ...]


def rater_effects(
    caseload: Caseload,
    child_id: str,
    ladder_id: str | None = None,
    outcome: str | None = None,
    *,
    probe_step: float | None = None,
) -> RaterEffects:
    """Give Tau by each kind of rater of one planned series, and say when one stands alone.

    Parameters
    ----------
    caseload : Caseload
    child_id, ladder_id, outcome, probe_step
        As in `Caseload.series`.

    Returns
    -------
    RaterEffects

    Raises
    ------
    ValueError
        As `Caseload.series`.
    """
    series = {
        kind or UNSAID: caseload.series(child_id, ladder_id, outcome, probe_step=probe_step, rated_by=kind)
        for kind in caseload.raters(child_id, ladder_id, outcome, probe_step)
    }
    return compare_effects(series, alpha=caseload.practice.alpha)


def compare_effects(series: Mapping[str, PhaseSeries], *, alpha: float = 0.05) -> RaterEffects:
    """Give Tau of the same planned occasions by each kind of rater, and say when one stands alone.

    An effect that one kind of rater sees and another does not may be real: a child feels what a
    parent cannot see, and a parent sees what a child does not say. It must not be told as if all saw
    it.

    Parameters
    ----------
    series : mapping of str to PhaseSeries
        By kind of rater, the one the answer rests on first.
    alpha : float
        Two-sided level of significance.

    Returns
    -------
    RaterEffects

    Raises
    ------
    ValueError
        If there is no series.

    Examples
    --------
    >>> by_child = PhaseSeries.from_phases([8, 8, 7, 8, 7], [5, 4, 4, 3, 2, 2])
    >>> by_parent = PhaseSeries.from_phases([6, 5, 7, 6, 6], [6, 6, 5, 7, 6, 6])
    >>> compare_effects({"child": by_child, "parent": by_parent}).cautions
    ('Ratings by the parent do not show the change that those by the child show (Tau .00, p = 1.00).',)
    """
    if not series:
        raise ValueError("series must hold at least one series; got none.")
    effects = {kind: tau(one) for kind, one in series.items()}
    usual, *others = effects
    said = []
    if usual == UNSAID:
        said.append("Who gave the ratings is not recorded.")
    elif not others:
        said.append(f"All ratings are by the {usual}; nobody else's view stands beside them.")
    if effects[usual].p_value < alpha:
        for kind in others:
            seen = effects[kind]
            same = np.sign(seen.value) == np.sign(effects[usual].value)
            if not (same and seen.p_value < alpha):
                who = "by someone not recorded" if kind == UNSAID else f"by the {kind}"
                said.append(
                    f"Ratings {who} do not show the change that those by the {usual} show "
                    f"({_tau_words(seen)})."
                )
    return RaterEffects(effects, tuple(said))


def _tau_words(effect: Estimate) -> str:
    if np.isnan(effect.value):
        return "too few to say"
    return f"Tau {format_bounded(effect.value)}, p {format_p(effect.p_value)}"


def _matched(a: Any, b: Any, child_ids: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    first, second = (
        np.array([np.nan if is_missing(entry) else entry for entry in ratings], dtype=float)
        for ratings in (a, b)
    )
    if first.shape != second.shape:
        raise ValueError(f"b must be one rating per rating of a ({len(first)}); got {len(second)}.")
    if np.isinf(first).any() or np.isinf(second).any():
        raise ValueError("a and b must be finite; got an infinite rating.")
    if child_ids is None:
        return first, second, np.arange(len(first)).astype(str)
    children = np.array([str(child) for child in child_ids])
    if len(children) != len(first):
        raise ValueError(f"child_ids must be one per rating ({len(first)}); got {len(children)}.")
    return first, second, children


def _single_difference_sd(d: np.ndarray, child: np.ndarray, k: int) -> float:
    n = len(d)
    if k in (1, n):
        return float(np.std(d, ddof=1))
    size = np.bincount(child)
    means = np.bincount(child, weights=d) / size
    within = float(((d - means[child]) ** 2).sum() / (n - k))
    between = float((size * (means - d.mean()) ** 2).sum() / (k - 1))
    # Expected between mean square is within variance plus `spread` times the between variance.
    spread = (n - (size**2).sum() / n) / (k - 1)
    return float(np.sqrt(within + max(0.0, (between - within) / spread)))
