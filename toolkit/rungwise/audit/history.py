"""This quarter beside the earlier ones, counted again from today's files."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from rungwise.audit.courses import Course
from rungwise.audit.outcomes import Outcome, mean_nap
from rungwise.audit.quarter import Quarter
from rungwise.audit.wording import listed, percent
from rungwise.basis.intervals import share_interval_batch
from rungwise.basis.page_numbers import format_p
from rungwise.single_case.verdict_rule import FELL

if TYPE_CHECKING:
    import pandas as pd

# Quarters shown at most, and quarters a chart with limits needs (common practice, no source).
QUARTERS = 12
CHART_QUARTERS = 8


def earlier_due(courses: Sequence[Course], quarter: Quarter) -> tuple[Course, ...]:
    """Give the courses whose outcome was due in one of the quarters shown before this one."""
    first = quarter
    for _ in range(QUARTERS - 1):
        first = first.previous
    return tuple(
        course
        for course in courses
        if course.due_on is not None and first.first <= course.due_on < quarter.first
    )


def history(outcomes: Sequence[Outcome], quarter: Quarter, confidence: float = 0.95) -> pd.DataFrame:
    """Count each quarter's outcomes, from the first with an outcome due up to this one.

    Parameters
    ----------
    outcomes : sequence of Outcome
        Of this quarter and the earlier ones; each child once.
    quarter : Quarter
    confidence : float

    Returns
    -------
    DataFrame
        ``quarter, due, judged, fell, beyond, rose, share, ci_low, ci_high, mean_nap, center,
        limit_low, limit_high``. The last three are a p-chart's center and three-sigma limits, which
        stand only where at least `CHART_QUARTERS` quarters have judged children.
    """
    import pandas as pd

    by_quarter: dict[Quarter, list[Outcome]] = {quarter: []}
    for outcome in outcomes:
        if outcome.course.due_on is not None:
            due_in = Quarter.containing(outcome.course.due_on, quarter.start_month)
            by_quarter.setdefault(due_in, []).append(outcome)
    shown, step = [], min(by_quarter)
    while step <= quarter:
        shown.append(step)
        step = step.next
    rows = []
    for step in shown:
        group = by_quarter.get(step, [])
        codes = [outcome.code for outcome in group if outcome.code]
        rows.append(
            (step.label, len(group), len(codes), sum(code in FELL for code in codes),
             codes.count("fell_beyond_baseline"), codes.count("rose"), mean_nap(group).value)
        )  # fmt: skip
    table = pd.DataFrame(rows, columns=["quarter", "due", "judged", "fell", "beyond", "rose", "mean_nap"])
    shares = share_interval_batch(table["fell"], table["judged"], confidence=confidence)
    table = table.assign(share=shares.value, ci_low=shares.ci_low, ci_high=shares.ci_high)
    return table.assign(**_chart(table))


def compared(table: pd.DataFrame, what: str = "fear fell") -> tuple[str, ...]:
    """Say how this quarter differs from the last one before it in which children were judged.

    `what` is the outcome counted, as a subject and its verb.

    The p-value is Fisher's exact one; with few children almost any difference could be chance.
    """
    from scipy.stats import fisher_exact

    now = table.iloc[-1]
    before = table.iloc[:-1]
    before = before[before["judged"] > 0]
    if before.empty or not now["judged"]:
        return ()
    last = before.iloc[-1]
    p = float(
        fisher_exact(
            [[now["fell"], now["judged"] - now["fell"]], [last["fell"], last["judged"] - last["fell"]]]
        ).pvalue
    )
    how = "chance alone would seldom make" if p < 0.05 else "chance alone could well make"
    return (
        f"In {last['quarter']} {what} in {last['fell']} of {last['judged']} "
        f"({percent(last['share'])}): a difference that {how} (exact p {format_p(p)}).",
    )


def about_charts(table: pd.DataFrame) -> tuple[str, ...]:
    """Say what the run of quarters can show, and what it cannot yet; nothing about one quarter."""
    if len(table) < 2:
        return ()
    with_children = int((table["judged"] > 0).sum())
    again = (
        "Earlier quarters are counted again from today's files; an earlier report can differ where "
        "records were added or corrected since."
    )
    if with_children < CHART_QUARTERS:
        return (
            again,
            f"Limits of a control chart need at least {CHART_QUARTERS} quarters with judged children; "
            f"there are {with_children}, so no rise or fall between quarters is called a signal.",
        )
    outside = table[(table["share"] < table["limit_low"]) | (table["share"] > table["limit_high"])]
    if outside.empty:
        return again, "No quarter lies outside the limits of the chart."
    return again, f"Outside the limits of the chart: {listed(list(outside['quarter']))}."


def _chart(table: pd.DataFrame) -> dict[str, np.ndarray]:
    """Center and three-sigma limits of a p-chart; NaN where there are too few quarters."""
    judged = table["judged"].to_numpy(dtype=float)
    none = np.full(len(table), math.nan)
    if (judged > 0).sum() < CHART_QUARTERS:
        return {"center": none, "limit_low": none, "limit_high": none}
    center = float(table["fell"].sum() / judged.sum())
    with np.errstate(divide="ignore"):
        half = np.where(judged > 0, 3 * np.sqrt(center * (1 - center) / judged), math.nan)
    return {
        "center": np.where(judged > 0, center, math.nan),
        "limit_low": np.clip(center - half, 0, 1),
        "limit_high": np.clip(center + half, 0, 1),
    }
