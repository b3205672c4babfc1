"""What is missing, where, whether it depends on how the child was doing, and how far it matters."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from rungwise.basis.distributions import normal_sf
from rungwise.basis.errors import check_choice
from rungwise.basis.estimate import Estimate
from rungwise.basis.intervals import share_interval
from rungwise.series.caseload import Caseload
from rungwise.series.phase_series import PHASES, PhaseSeries
from rungwise.single_case.child_answer import ChildAnswer, child_verdict
from rungwise.single_case.verdict import Verdict

if TYPE_CHECKING:
    import pandas as pd

# Missing occasions from which the large-sample p-value held its level in simulation.
FEWEST_MISSING = 10


def missing_counts(caseload: Caseload) -> pd.DataFrame:
    """Count planned occasions that were rated, declined and missing, by child, ladder and phase.

    It counts the planned occasions that stand in the records. One that nobody wrote down at all is
    not among them; the audit's count of weeks shows those.

    Parameters
    ----------
    caseload : Caseload

    Returns
    -------
    DataFrame
        ``child_id, ladder_id, probe_step, outcome, phase, planned, rated, declined, missing,
        share_missing``, for the kind of rater each series rests on.
    """
    import pandas as pd

    rows = []
    for child, ladder, outcome, step in _series_of(caseload):
        series = caseload.series(child, ladder, outcome, probe_step=step)
        for phase in PHASES:
            here = series.phases == phase
            if here.any():
                rated = int(np.sum(~np.isnan(series.values[here])))
                declined = int(np.sum(series.declined[here]))
                planned = int(np.sum(here))
                where = (child, ladder, np.nan if step is None else step, outcome, phase)
                rows.append((*where, planned, rated, declined, planned - rated - declined))
    columns = ("child_id", "ladder_id", "probe_step", "outcome", "phase", "planned", "rated", "declined")
    frame = pd.DataFrame(rows, columns=[*columns, "missing"])
    frame["share_missing"] = frame["missing"] / frame["planned"]
    return frame


def missing_after_worse(*series: PhaseSeries) -> Estimate:
    """Say whether occasions tend to be missing after the child's worse ratings.

    For every planned occasion but the first, the last rating before it is looked at; within each
    child, those before missing occasions are compared with those before the others. If missing
    occasions follow worse ratings, what was recorded is likely better than what happened. The
    reverse is no comfort: what happened on a missing occasion is unknown, and missing can depend on
    that very day without a trace in the ratings before. It misleads when records thin out while
    fear falls: the two then go together by the calendar alone.

    Parameters
    ----------
    *series : PhaseSeries
        One per child and ladder. A decline counts as worse than any rating.

    Returns
    -------
    Estimate
        Statistic ``"missing after worse ratings"``, between -1 and 1: pairs of a missing and another
        occasion in which the missing one followed the worse rating, less those in which it followed
        the better one, as a share of all pairs. The p-value takes missing as equally likely at each of
        a child's occasions and is a large-sample one; in simulation it holds its level from about 10
        missing occasions. NaN with the reason when nothing is missing.

    References
    ----------
    Rank sums stratified by child, van Elteren 1960 (from memory); tie correction Kendall 1975.

    Examples
    --------
    >>> scale = {"floor": 0, "ceiling": 10}
    >>> one = PhaseSeries([8, None, 5, 9, None, 4, 3], ["baseline"] * 3 + ["exposure"] * 4, **scale)
    >>> round(missing_after_worse(one).value, 2)
    0.5
    """
    score = pairs = variance = 0.0
    missing = planned = 0
    for one in series:
        last, gone = _last_rating_before(one)
        planned += len(gone)
        missing += int(gone.sum())
        m, g = int(gone.sum()), int((~gone).sum())
        if m == 0 or g == 0:
            continue
        before_gone, before_others = last[gone][:, None], last[~gone][None, :]
        score += int((before_gone > before_others).sum()) - int((before_gone < before_others).sum())
        pairs += m * g
        _, ties = np.unique(last, return_counts=True)
        n = m + g
        variance += m * g / (3 * n * (n - 1)) * (n**3 - n - float((ties**3 - ties).sum()))
    counts = {"planned": planned, "missing": missing, "pairs": pairs, "s": score}
    name, method = "missing after worse ratings", "rank sums within each child, large-sample p"
    if pairs == 0 or variance == 0:
        reason = (
            "No occasion written down after a first rating lacks its own, so there is nothing to compare."
            if missing == 0
            else "The ratings before missing occasions and before the others cannot be told apart."
        )
        return Estimate(name, float("nan"), n=planned, counts=counts, method=method, cautions=(reason,))
    cautions = (
        (f"Fewer than {FEWEST_MISSING} occasions are missing, too few for this p-value to be trusted.",)
        if missing < FEWEST_MISSING
        else ()
    )
    return Estimate(
        name,
        score / pairs,
        p_value=2 * float(normal_sf(abs(score) / np.sqrt(variance))),
        alternative="two-sided",
        null="missing equally likely at each of a child's occasions",
        n=planned,
        counts=counts,
        method=method,
        cautions=cautions,
    )


def missing_as(series: PhaseSeries, case: str) -> PhaseSeries:
    """Give the series with its missing occasions filled to the child's benefit or harm.

    This is for bounds and for nothing else: no result but a bound may be taken from it.

    Parameters
    ----------
    series : PhaseSeries
    case : {"best", "worst"}
        ``"worst"``: in baseline the best end of the scale, later declined, so that the least change is
        left; ``"best"`` the other way round. The worst that can have happened on a missing occasion is
        a decline, which ranks worse than any rating. Where the scale has no ends, the best is one unit
        beyond the ratings there are.

    Returns
    -------
    PhaseSeries
        Without missing occasions; ratings and declines stay as they were.

    Raises
    ------
    ValueError
        If `case` is neither, or the series has no rating at all.

    Examples
    --------
    >>> series = PhaseSeries.from_phases([8, None, 7], [4, None, 3], floor=0, ceiling=10)
    >>> worst = missing_as(series, "worst")
    >>> worst.values.tolist(), worst.declined.tolist()[4]
    ([8.0, 0.0, 7.0, 4.0, nan, 3.0], True)
    """
    check_choice("case", case, ("best", "worst"))
    if np.isnan(series.values).all():
        raise ValueError("series must have at least one rating; all are missing or declined.")
    low = float(np.nanmin(series.values)) - 1 if series.floor is None else series.floor
    high = float(np.nanmax(series.values)) + 1 if series.ceiling is None else series.ceiling
    gap = ~series.usable
    refused = gap & ((series.phases == "baseline") == (case == "best"))
    good = low if series.better == "lower" else high
    return replace(
        series,
        values=np.where(gap & ~refused, good, series.values),
        declined=series.declined | refused,
    )


@dataclass(frozen=True)
class AnswerBounds:
    """What one child's answer could have been, had no planned occasion been missing.

    Attributes
    ----------
    missing : int
        Missing occasions in baseline and exposure, over all ladders.
    worst, best : Verdict
        The verdict with them filled to the child's harm, and to the child's benefit. NAP and Tau of
        any filling lie between the two; the verdict in words need not, as question (c) is no rank
        statistic and p depends on ties: a filling in between can, if seldom, call a fall where neither
        end does.
    """

    missing: int
    worst: Verdict
    best: Verdict


def answer_bounds(answer: ChildAnswer) -> AnswerBounds | None:
    """Bound one child's verdict, NAP and Tau by what the missing occasions could have been.

    It bounds by occasions that stand in the records without a rating; one that nobody wrote down is
    not among them.

    Parameters
    ----------
    answer : ChildAnswer

    Returns
    -------
    AnswerBounds or None
        None where nothing is missing in baseline and exposure, or a ladder has no rating at all.
    """
    series = {one.ladder_id: one.series for one in answer.ladders}
    missing = sum(one.only("baseline", "exposure").n_missing for one in series.values())
    if not missing or any(np.isnan(one.values).all() for one in series.values()):
        return None
    worst, best = (
        child_verdict({ladder: missing_as(one, case) for ladder, one in series.items()}, answer.rule)
        for case in ("worst", "best")
    )
    return AnswerBounds(missing, worst, best)


@dataclass(frozen=True)
class HeadlineBounds:
    """A share among those judged, and what it could be with everybody.

    Attributes
    ----------
    observed, worst, best : Estimate
        Share with its Wilson interval: of those judged; with nobody of the others counted; with all
        of them counted.
    sentence : str
        The three in one plain sentence.
    """

    observed: Estimate
    worst: Estimate
    best: Estimate
    sentence: str


def headline_bounds(
    count: int, judged: int, not_judged: int, *, words: str = "improved", confidence: float = 0.95
) -> HeadlineBounds:
    """Bound a share by what became of those who could not be judged.

    The truth lies between the bounds whatever the reason for missing, apart from chance. Wide bounds
    say that the share among those judged is no result about all.

    Parameters
    ----------
    count, judged, not_judged : int
        Those with the outcome, those judged in all, and those not judged.
    words : str
        The outcome, as it reads after a number.
    confidence : float
        Of each interval.

    Returns
    -------
    HeadlineBounds

    Raises
    ------
    ValueError
        If a number is no whole number of at least 0 or `count` exceeds `judged`.

    Examples
    --------
    >>> headline_bounds(12, 20, 5).sentence
    '12 of 20 improved; with the 5 who could not be judged it is between 12 and 17 of 25.'
    """
    observed = share_interval(count, judged, confidence=confidence)
    everybody = judged + not_judged
    if not_judged < 0 or not_judged != int(not_judged):
        raise ValueError(f"not_judged must be a whole number of at least 0; got {not_judged!r}.")
    worst = share_interval(count, everybody, confidence=confidence)
    best = share_interval(count + not_judged, everybody, confidence=confidence)
    sentence = f"{count} of {judged} {words}"
    if not_judged:
        sentence += (
            f"; with the {not_judged} who could not be judged it is between {count} and "
            f"{count + not_judged} of {everybody}"
        )
    return HeadlineBounds(observed, worst, best, sentence + ".")


def _series_of(caseload: Caseload) -> Iterator[tuple[str, str, str, float | None]]:
    for child in caseload.children:
        for outcome in caseload.outcomes(child):
            for ladder in caseload.ladders(child, outcome):
                for step in caseload.probe_steps(child, ladder, outcome) or (None,):
                    yield child, ladder, outcome, step


def _last_rating_before(series: PhaseSeries) -> tuple[np.ndarray, np.ndarray]:
    """Give how bad the last rating was before each later occasion, and whether that one is missing."""
    sign = 1.0 if series.better == "lower" else -1.0
    worse = np.where(series.declined, np.inf, sign * series.values)
    last, gone = [], []
    latest = np.nan
    for rating, usable in zip(worse, series.usable, strict=True):
        if not np.isnan(latest):
            last.append(latest)
            gone.append(not usable)
        if usable:
            latest = rating
    return np.array(last, dtype=float), np.array(gone, dtype=bool)
