"""Time until something happens, when for some it has not happened yet or cannot happen any more."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.distributions import normal_quantile, t_quantile
from rungwise.basis.errors import check_between

if TYPE_CHECKING:
    import pandas as pd

# Fewer children than this give no interval where their episodes are taken together: from here on 95 %
# limits covered .94 to .96 in simulation (2 to 9 episodes a child, log rates spread by .7).
FEWEST_CLUSTERS = 6


@dataclass(frozen=True, eq=False)
class Curve:
    """A step function of time with pointwise limits.

    Attributes
    ----------
    time : ndarray
        Times at which it steps.
    at_risk, events : ndarray
        Members not yet through just before each time, and those the event meets at it.
    value : ndarray
        Share from each time on: still without the event, or with it by then.
    standard_error, ci_low, ci_high : ndarray
        Pointwise; NaN where there is no interval.
    confidence : float
    n : int
        Members.
    rising : bool
        False for a share still without the event (starts at 1), True for one with it (starts at 0).
    method : str
    cautions : tuple of str
    """

    time: np.ndarray
    at_risk: np.ndarray
    events: np.ndarray
    value: np.ndarray
    standard_error: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray
    confidence: float
    n: int
    rising: bool
    method: str
    cautions: tuple[str, ...] = ()

    def at(self, time: float) -> float:
        """Give the value at a time."""
        before = int(np.searchsorted(self.time, time, side="right"))
        return float(self.value[before - 1]) if before else float(not self.rising)

    @property
    def median(self) -> float:
        """First time by which half have had the event; NaN if the curve does not get there."""
        return self._first(self.value)

    @property
    def median_limits(self) -> tuple[float, float]:
        """Limits of the median: where the pointwise limits pass one half."""
        early, late = (self.ci_high, self.ci_low) if self.rising else (self.ci_low, self.ci_high)
        return self._first(early), self._first(late)

    def _first(self, values: np.ndarray) -> float:
        # Products of shares are not exact in binary: a curve that is at one half has reached it.
        reached = values >= 0.5 - 1e-12 if self.rising else values <= 0.5 + 1e-12
        return float(self.time[np.argmax(reached)]) if reached.any() else float("nan")

    def frame(self) -> pd.DataFrame:
        """Give one row per step of the curve."""
        import pandas as pd

        names = ("time", "at_risk", "events", "value", "standard_error", "ci_low", "ci_high")
        return pd.DataFrame({name: getattr(self, name) for name in names})


def kaplan_meier(time: Any, event: Any, *, cluster: Any = None, confidence: float = 0.95) -> Curve:
    """Give the share still without the event over time (Kaplan-Meier).

    Members without the event are censored at their last time and at risk at it. The curve supposes
    that censoring says nothing about what would have come: a child who leaves *because* of fear is
    not censored, and belongs in `cumulative_incidence`. Where few are left at risk, the tail is
    ragged and means little.

    Parameters
    ----------
    time : array_like
        Time of the event or of censoring, 0 or later.
    event : array_like of bool
        Whether the event happened.
    cluster : array_like, optional
        Child of each member, where a child has several; limits then allow for their likeness.
    confidence : float

    Returns
    -------
    Curve
        With log-log limits. The standard error is Greenwood's, or its extension to clusters.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    References
    ----------
    Kaplan & Meier 1958, J Am Stat Assoc 53:457-481; Greenwood 1926; infinitesimal jackknife by
    cluster, Williams 1995, Biometrics 51:1190-1194 (from memory).

    Examples
    --------
    >>> curve = kaplan_meier([2, 3, 3, 5, 8], [True, True, False, True, False])
    >>> curve.value.round(3).tolist(), curve.median
    ([0.8, 0.6, 0.3], 5.0)
    """
    happened = np.asarray(event)
    if happened.dtype != bool:
        raise ValueError(f"event must be True or False for every time; got {happened.dtype} entries.")
    return _curves(time, happened.astype(int), [1], cluster, confidence)[0]


def cumulative_incidence(
    time: Any,
    cause: Any,
    causes: Sequence[Any],
    *,
    cluster: Any = None,
    confidence: float = 0.95,
) -> dict[Any, Curve]:
    """Give the share that each of several events has met first, over time (Aalen-Johansen).

    A step left because of fear will not be mastered later, so leaving competes with mastering.
    Taking it as censoring would count the child as if it might still master the step, and the share
    mastered would come out too high.

    Parameters
    ----------
    time : array_like
    cause : array_like
        The event that ended the time, one of `causes`, or None where it was censored.
    causes : sequence
        Events, in the order wanted.
    cluster, confidence
        As in `kaplan_meier`.

    Returns
    -------
    dict of Curve
        By cause. At any time the curves and the share without any event add to 1.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    References
    ----------
    Aalen & Johansen 1978, Scand J Stat 5:141-150; variance by infinitesimal jackknife.

    Examples
    --------
    >>> ended_by = ["mastered", None, "left", "mastered"]
    >>> curves = cumulative_incidence([1, 2, 2, 4], ended_by, ["mastered", "left"])
    >>> curves["mastered"].value.round(3).tolist(), curves["left"].value.round(3).tolist()
    ([0.25, 0.25, 0.75], [0.0, 0.25, 0.25])
    """
    codes = {one: i for i, one in enumerate(causes, start=1)}
    coded = []
    for one in cause:
        if one is not None and one not in codes:
            listed = ", ".join(repr(known) for known in causes)
            raise ValueError(f"cause must be one of {listed}, or None; got {one!r}.")
        coded.append(0 if one is None else codes[one])
    curves = _curves(
        time, np.array(coded, dtype=int), list(codes.values()), cluster, confidence, rising=True
    )
    return dict(zip(causes, curves, strict=True))


def _curves(
    time: Any,
    cause: np.ndarray,
    causes: list[int],
    cluster: Any,
    confidence: float,
    rising: bool = False,
) -> list[Curve]:
    check_between("confidence", confidence, 0, 1)
    t = np.asarray(time, dtype=float)
    if t.ndim != 1 or len(t) != len(cause):
        raise ValueError(f"time must be one number per event entry ({len(cause)}); got {t.size}.")
    if not ((t >= 0) & np.isfinite(t)).all():
        raise ValueError(f"time must be 0 or later; got {t[~((t >= 0) & np.isfinite(t))][0]:g}.")
    n = len(t)
    members = (
        np.arange(n)
        if cluster is None
        else np.unique(np.asarray(cluster).astype(str), return_inverse=True)[1]
    )
    if len(members) != n:
        raise ValueError(f"cluster must be one entry per time ({n}); got {len(members)}.")
    clusters = int(members.max()) + 1 if n else 0
    steps = np.unique(t[cause > 0])
    at_risk = n - np.searchsorted(np.sort(t), steps, side="left")
    here = np.searchsorted(steps, t)  # place of each member's own time among the steps
    events = np.zeros((len(causes) + 1, len(steps)))
    for code in causes:
        events[code] = np.bincount(here[cause == code], minlength=len(steps))[: len(steps)]
    total = events.sum(axis=0)
    left = at_risk - total
    survival = np.cumprod(left / at_risk) if len(steps) else np.zeros(0)
    before = np.concatenate([[1.0], survival[:-1]]) if len(steps) else survival
    sums = _sums_by_cluster(members, clusters, here, t, steps, cause, causes)
    # Change of log survival when one cluster weighs a little more (zero risk left: survival is 0 anyway).
    safe = np.where(left > 0, left, np.inf)
    shift = np.cumsum((sums.at_risk - sums.any_event) / safe - sums.at_risk / at_risk, axis=1)
    shift_before = np.concatenate([np.zeros((clusters, 1)), shift[:, :-1]], axis=1) if len(steps) else shift
    method = "log-log limits, " + (
        "Greenwood's error" if cluster is None else f"error by {clusters} children"
    )
    tail = 1 - (1 - confidence) / 2
    few_degrees = cluster is not None and 1 < clusters < n
    correction = clusters / (clusters - 1) if few_degrees else 1.0
    reach = float(t_quantile(tail, clusters - 1) if few_degrees else normal_quantile(tail))
    few = cluster is not None and clusters < FEWEST_CLUSTERS
    cautions = (
        (f"Fewer than {FEWEST_CLUSTERS} children: their episodes are too alike for an interval.",)
        if few
        else ()
    )
    curves = []
    for code in causes:
        if rising:
            share = events[code] / at_risk
            value = np.cumsum(before * share)
            change = np.cumsum(
                before * shift_before * share
                + before * (sums.by_cause[code] / at_risk - sums.at_risk * share / at_risk),
                axis=1,
            )
        else:
            value, change = survival, survival * shift
        error = np.sqrt(correction * (change**2).sum(axis=0))
        low, high = _log_log(1 - value if rising else value, error, reach)
        if rising:
            low, high = 1 - high, 1 - low
        if few:
            error, low, high = (np.full(len(steps), np.nan) for _ in range(3))
        curves.append(
            Curve(
                steps, at_risk, events[code].astype(int), value, error, low, high, confidence, n, rising,
                method, cautions,
            )
        )  # fmt: skip
    return curves


@dataclass(frozen=True, eq=False)
class _Sums:
    at_risk: np.ndarray
    any_event: np.ndarray
    by_cause: dict[int, np.ndarray]


def _sums_by_cluster(
    members: np.ndarray,
    clusters: int,
    here: np.ndarray,
    t: np.ndarray,
    steps: np.ndarray,
    cause: np.ndarray,
    causes: list[int],
) -> _Sums:
    """Count, by cluster and step, members at risk and events."""
    shape = (clusters, len(steps))
    last = np.searchsorted(steps, t, side="right")  # steps up to and including the member's own time
    ended = np.zeros((clusters, len(steps) + 1))
    np.add.at(ended, (members, last), 1)
    size = np.bincount(members, minlength=clusters) if clusters else np.zeros(0)
    at_risk = size[:, None] - np.cumsum(ended, axis=1)[:, : len(steps)]
    by_cause = {}
    for code in causes:
        found = np.zeros(shape)
        own = cause == code
        np.add.at(found, (members[own], here[own]), 1)
        by_cause[code] = found
    return _Sums(at_risk, sum(by_cause.values(), np.zeros(shape)), by_cause)


def _log_log(survival: np.ndarray, error: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
    inside = (survival > 1e-12) & (survival < 1 - 1e-12)
    s = np.where(inside, survival, 0.5)
    shift = reach * error / (s * np.log(s))
    low, high = s ** np.exp(-shift), s ** np.exp(shift)
    return np.where(inside, low, np.nan), np.where(inside, high, np.nan)
