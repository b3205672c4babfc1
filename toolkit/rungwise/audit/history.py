"""This quarter beside the earlier ones, counted again from today's files."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.audit.charts import (
    FIRM_QUARTERS,
    ONE_SIDE,
    RUN_QUARTERS,
    SHIFT,
    TREND,
    TRIAL_QUARTERS,
    limit_signals,
    run_signals,
)
from rungwise.audit.courses import Course
from rungwise.audit.outcomes import Outcome, mean_nap
from rungwise.audit.quarter import Quarter
from rungwise.audit.wording import percent
from rungwise.basis.control_limits import share_limits, value_limits
from rungwise.basis.intervals import share_interval_batch
from rungwise.basis.page_numbers import count_of, format_p
from rungwise.single_case.verdict_rule import FELL

if TYPE_CHECKING:
    import pandas as pd

# Quarters shown at most: as many as firm limits need.
QUARTERS = FIRM_QUARTERS
NONE_YET = ("center", "limit_low", "limit_high", "median", "nap_center", "nap_low", "nap_high")


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
        ``quarter, due, judged, fell, beyond, rose, mean_nap, share, ci_low, ci_high, center,
        limit_low, limit_high, median, nap_center, nap_low, nap_high, signal``. Center and three-sigma
        limits are those of a p-chart of the shares and of a chart of individual values of the mean NAP;
        they stand only where at least `TRIAL_QUARTERS` quarters have judged children, and the median of
        the shares only from `RUN_QUARTERS` on. `signal` says which rules a quarter meets
        (`rungwise.audit.charts`).
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
    now = table.iloc[-1]
    before = table.iloc[:-1]
    before = before[before["judged"] > 0]
    if before.empty or not now["judged"]:
        return ()
    last = before.iloc[-1]
    p = fisher_p(int(now["fell"]), int(now["judged"]), int(last["fell"]), int(last["judged"]))
    how = "chance alone would seldom make" if p < 0.05 else "chance alone could well make"
    return (
        f"In {last['quarter']} {what} in {last['fell']} of {last['judged']} "
        f"({percent(last['share'])}): a difference that {how} (exact p {format_p(p)}).",
    )


def fisher_p(count: int, n: int, other_count: int, other_n: int) -> float:
    """Give Fisher's exact two-sided p that two shares are the same, in whole numbers to the end.

    Two-sided: all tables with the same margins that are at most as likely as the one observed.

    Source: Fisher (1934), Statistical Methods for Research Workers, 5th ed., section 21.02 (from memory).

    Examples
    --------
    The lady tasting tea: 3 of 4 cups named right.

    >>> round(fisher_p(3, 4, 1, 4), 4)
    0.4857
    """
    both = count + other_count
    ways = [
        math.comb(n, k) * math.comb(other_n, both - k)
        for k in range(max(0, both - other_n), min(n, both) + 1)
    ]
    observed = math.comb(n, count) * math.comb(other_n, other_count)
    return sum(way for way in ways if way <= observed) / math.comb(n + other_n, both)


def about_charts(table: pd.DataFrame) -> tuple[str, ...]:
    """Say what the run of quarters can show, and what it cannot yet; nothing about one quarter."""
    if len(table) < 2:
        return ()
    with_children = int((table["judged"] > 0).sum())
    again = (
        "Earlier quarters are counted again from today's files; an earlier report can differ where "
        "records were added or corrected since."
    )
    have = count_of(with_children, "quarter has", "quarters have")
    needs = (
        f"{have} judged children. It takes {TREND} to see {TREND} in a row rising or falling, "
        f"{TRIAL_QUARTERS} for trial limits of a control chart and {FIRM_QUARTERS} for firm ones, and "
        f"{RUN_QUARTERS} to see {SHIFT} in a row on one side of the median."
    )
    signaled = table[table["signal"] != ""]
    told = [f"{row['quarter']}, {row['signal']}" for row in signaled.to_dict("records")]
    if told:
        called = (
            f"Called a signal: {'; '.join(told)}. A signal asks for an explanation; with no change at all "
            "such rules still call one now and then."
        )
    elif with_children < TREND:
        called = "So no rise or fall between quarters is called a signal."
    else:
        called = "None is called a signal."
    return again, f"{needs} {called}"


def rules_in_words() -> str:
    """Say by which rules a quarter is called a signal."""
    return (
        f"A signal is a quarter outside the limits, {ONE_SIDE} in a row on one side of the center, {SHIFT} "
        f"in a row on one side of the median, or {TREND} in a row rising or falling (common practice)."
    )


def _chart(table: pd.DataFrame) -> dict[str, Any]:
    """Centers, limits, median and signals; NaN where there are too few quarters."""
    values, means = table["share"].tolist(), table["mean_nap"].tolist()
    columns: dict[str, Any] = {name: np.full(len(table), math.nan) for name in NONE_YET}
    there = (table["judged"] > 0).to_numpy()
    found: dict[int, list[str]] = {}
    signals = [("share", run_signals(values))]
    if there.sum() >= RUN_QUARTERS:
        columns["median"][there] = np.nanmedian(values)
    if there.sum() >= TRIAL_QUARTERS:
        limits = share_limits(table["fell"][there], table["judged"][there])
        ends = np.full((2, len(table)), math.nan)
        ends[:, there] = limits.low, limits.high
        center = np.where(there, limits.center, math.nan)
        columns |= {"center": center, "limit_low": ends[0], "limit_high": ends[1]}
        signals.append(("share", limit_signals(values, limits.center, *ends.tolist())))
        single = value_limits(means)
        low, high = np.maximum(single.low, 0), np.minimum(single.high, 1)
        for name, numbers in zip(
            ("nap_center", "nap_low", "nap_high"), (single.center, low, high), strict=True
        ):
            columns[name] = np.where(there, numbers, math.nan)
        signals.append(("mean NAP", limit_signals(means, single.center, low.tolist(), high.tolist())))
    for what, called in signals:
        for place, words in called.items():
            found.setdefault(place, []).append(f"{what} {words}")
    return {**columns, "signal": ["; ".join(found.get(place, [])) for place in range(len(table))]}
