"""Scored instruments and goals of the children whose outcome was due."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from rungwise.audit.cohort import censored
from rungwise.audit.courses import Course
from rungwise.basis.estimate import Estimate
from rungwise.basis.intervals import mean_interval
from rungwise.change.from_tables import goal_attainment, measure_changes
from rungwise.series.caseload import Caseload

if TYPE_CHECKING:
    import pandas as pd

CATEGORIES = ("recovered", "improved", "unchanged", "deteriorated", "cannot_be_said")


def scores_table(caseload: Caseload, due: Sequence[Course], confidence: float = 0.95) -> pd.DataFrame:
    """Count reliable change from intake on every measure, among children whose outcome was due.

    Scores up to the day each outcome was due are used; see `rungwise.change.from_tables`.

    Returns
    -------
    DataFrame
        ``measure_id, title, rated_by, recovered, improved, unchanged, deteriorated, cannot_be_said, n,
        share, ci_low, ci_high, cautions``; the share is of recovered and improved among the `n` of whom
        it can be said. Empty where no measure was recorded.
    """
    import pandas as pd

    known = known_when_due(caseload, due)
    rows = []
    for change in measure_changes(known):
        if not len(change.classes):
            continue
        counts = [change.classes.count(name) for name in CATEGORIES]
        share = change.classes.shares(confidence)["improved_in_all"]
        rows.append(
            (change.measure_id, change.title, change.rated_by, *counts, share.n, share.value, share.ci_low,
             share.ci_high, " ".join(change.cautions))
        )  # fmt: skip
    columns = [
        "measure_id",
        "title",
        "rated_by",
        *CATEGORIES,
        "n",
        "share",
        "ci_low",
        "ci_high",
        "cautions",
    ]
    return pd.DataFrame(rows, columns=columns)


def goal_change(caseload: Caseload, due: Sequence[Course], confidence: float = 0.95) -> Estimate | None:
    """Give the mean change of goal attainment T, each child once; None where goals were not recorded."""
    attained = goal_attainment(known_when_due(caseload, due))
    if attained is None:
        return None
    values = np.asarray(attained.change.value, dtype=float)
    return mean_interval(values[~np.isnan(values)], confidence=confidence, unit="T points")


def known_when_due(caseload: Caseload, due: Sequence[Course]) -> Caseload:
    """Give the caseload of the children whose outcome was due, each as it stood on that day."""
    return censored(caseload, {course.child_id: course.due_on for course in due if course.due_on})
