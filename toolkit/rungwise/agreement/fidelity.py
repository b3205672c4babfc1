"""How much of the planned procedure was carried out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.errors import check_between
from rungwise.basis.estimate import Estimate
from rungwise.basis.intervals import share_interval
from rungwise.basis.page_numbers import format_number
from rungwise.tables.table import TableSet

if TYPE_CHECKING:
    import pandas as pd

MINIMUM_FIDELITY = 0.80
MINIMUM_SESSIONS = 0.20
STANDARD = (
    "Held against Tate et al. 2013 (Neuropsychol Rehabil 23:619-638): checklists for at least 20 % of the "
    "sessions and at least 80 % of the steps, by an independent person (anchors as quoted in a thesis, "
    "unconfirmed in the paper; independence is not recorded here)."
)


@dataclass(frozen=True)
class Fidelity:
    """Fidelity over some procedure checklists.

    Attributes
    ----------
    child_id : str
        ``""`` for all children together.
    mean : Estimate
        Mean share of steps done per checklist.
    enough : Estimate
        Share of checklists with at least the minimum, with its Wilson interval.
    sessions : Estimate
        Share of sessions held that have a checklist; NaN where sessions were not recorded.
    verdict : str
        ``"meets"``, ``"does not meet"`` or ``"cannot be said"``.
    reasons : tuple of str
        How the verdict was reached.
    """

    child_id: str
    mean: Estimate
    enough: Estimate
    sessions: Estimate
    verdict: str
    reasons: tuple[str, ...]


def fidelity(steps_done: Any, steps_planned: Any, *, minimum: float = MINIMUM_FIDELITY) -> Estimate:
    """Give the mean share of planned steps that were carried out, per checklist.

    It says how closely a plan was followed, not whether the plan was good or done well. A mean hides
    the sessions that went astray; ``counts`` holds the lowest and how many reached the minimum.

    Parameters
    ----------
    steps_done, steps_planned : array_like of int
        One entry per checklist.
    minimum : float
        Share a checklist should reach.

    Returns
    -------
    Estimate
        Statistic ``"fidelity"``, between 0 and 1. It has no interval: checklists of one child and one
        therapist are not independent, and shares pile up at 1.

    Raises
    ------
    ValueError
        If the lengths differ, a plan has no step, or more steps were done than planned.

    Examples
    --------
    >>> result = fidelity([9, 10, 6], [10, 10, 10])
    >>> round(result.value, 3), result.counts["enough"], result.counts["lowest"]
    (0.833, 2, 0.6)
    """
    check_between("minimum", minimum, 0, 1.000001)
    done, planned = np.asarray(steps_done, dtype=float), np.asarray(steps_planned, dtype=float)
    if done.shape != planned.shape:
        raise ValueError(
            f"steps_planned must be one entry per entry of steps_done ({done.size}); got {planned.size}."
        )
    if not (planned >= 1).all():
        raise ValueError(f"steps_planned must be at least 1; got {planned[~(planned >= 1)][0]:g}.")
    unsound = ~((done >= 0) & (done <= planned))
    if unsound.any():
        i = int(np.flatnonzero(unsound)[0])
        raise ValueError(
            f"steps_done must lie between 0 and steps_planned ({planned[i]:g}); got {done[i]:g}."
        )
    share = done / planned
    n = len(share)
    return Estimate(
        "fidelity",
        float(share.mean()) if n else float("nan"),
        n=n,
        counts={
            # Tenths are not exact in binary: eight of ten steps must count as .80.
            "enough": int(np.sum(share >= minimum - 1e-12)),
            "lowest": float(share.min()) if n else float("nan"),
            "steps_done": int(done.sum()),
            "steps_planned": int(planned.sum()),
        },
        method=f"mean share of steps per checklist; minimum {minimum:g}",
        cautions=("No interval is given, as checklists are not independent.",)
        if n
        else ("No checklist was recorded.",),
    )


def fidelity_review(tables: TableSet, *, minimum: float = MINIMUM_FIDELITY) -> tuple[Fidelity, ...]:
    """Review fidelity for every child with a checklist or a session, and for all together.

    Meets: checklists for at least 20 % of the sessions held, and a mean of at least `minimum`.
    Whether the checklists were filled in by somebody independent is not recorded here, and that is
    part of what the thresholds ask.

    Parameters
    ----------
    tables : TableSet
        With the table ``fidelity``, and ``sessions`` where they were recorded.
    minimum : float

    Returns
    -------
    tuple of Fidelity
        All children first (``child_id`` empty), then each child; empty where fidelity was not
        recorded.
    """
    if "fidelity" not in tables.tables:
        return ()
    lists = tables.tables["fidelity"]
    held: set[tuple[str, Any]] = set()
    if "sessions" in tables.tables:
        sessions = tables.tables["sessions"]
        kept = sessions["attended"] == "yes"
        held = set(zip(sessions["child_id"][kept], sessions["date"][kept], strict=True))
    checked = set(zip(lists["child_id"], lists["date"], strict=True))
    children = sorted({child for child, _ in held | checked})
    # Grouped once: a caseload of a thousand children has tens of thousands of sessions.
    of_child: dict[str, set[tuple[str, Any]]] = {"": held}
    for session in held:
        of_child.setdefault(session[0], set()).add(session)
    return tuple(
        _review(
            child,
            lists["steps_done"][_of(lists["child_id"], child)],
            lists["steps_planned"][_of(lists["child_id"], child)],
            of_child.get(child, set()),
            checked,
            minimum,
        )
        for child in ("", *children)
    )


def fidelity_frame(reviews: Sequence[Fidelity]) -> pd.DataFrame:
    """Lay reviews out as a table, one row per child; ``why_missing`` says why a number is missing."""
    import pandas as pd

    columns = (
        "child_id", "checklists", "mean_share", "lowest", "reached_minimum", "sessions", "with_checklist",
        "share_of_sessions", "verdict", "reasons", "why_missing",
    )  # fmt: skip
    rows = [
        {
            "child_id": review.child_id or "all children",
            "checklists": review.mean.n,
            "mean_share": review.mean.value,
            "lowest": review.mean.counts["lowest"],
            "reached_minimum": int(review.mean.counts["enough"]),
            "sessions": review.sessions.n,
            "with_checklist": int(review.sessions.counts["count"]),
            "share_of_sessions": review.sessions.value,
            "verdict": review.verdict,
            "reasons": " ".join(review.reasons),
            "why_missing": " ".join(
                words
                for words, lacking in (
                    ("No checklist was recorded.", review.mean.n == 0),
                    ("Sessions were not recorded.", review.sessions.n == 0),
                )
                if lacking
            ),
        }
        for review in reviews
    ]
    return pd.DataFrame(rows, columns=list(columns))


def _of(codes: np.ndarray, child: str) -> np.ndarray:
    return np.ones(len(codes), dtype=bool) if child == "" else codes == child


def _review(
    child: str,
    done: np.ndarray,
    planned: np.ndarray,
    held: set[tuple[str, Any]],
    checked: set[tuple[str, Any]],
    minimum: float,
) -> Fidelity:
    mean = fidelity(done, planned, minimum=minimum)
    sessions = share_interval(len(held & checked), len(held))
    enough = share_interval(int(mean.counts["enough"]), mean.n)
    reasons = []
    if mean.n == 0:
        verdict = "cannot be said"
        reasons.append("No checklist was recorded.")
    elif not held:
        verdict = "cannot be said"
        reasons.append("Sessions were not recorded, so the share with a checklist is not known.")
    else:
        often = sessions.value >= MINIMUM_SESSIONS - 1e-12
        closely = mean.value >= minimum - 1e-12
        verdict = "meets" if often and closely else "does not meet"
        reasons.append(
            f"{len(held & checked)} of {len(held)} sessions have a checklist "
            f"({'at least' if often else 'less than'} {100 * MINIMUM_SESSIONS:g} %)."
        )
        reasons.append(
            f"On average {format_number(100 * mean.value)} % of the planned steps were done "
            f"({'at least' if closely else 'less than'} {100 * minimum:g} %)."
        )
    return Fidelity(child, mean, enough, sessions, verdict, tuple(reasons))
