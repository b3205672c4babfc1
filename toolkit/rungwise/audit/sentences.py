"""The audit in sentences: what is read aloud, and how far it can be trusted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rungwise.audit.cohort import Cohort
from rungwise.audit.outcomes import Outcome
from rungwise.audit.quality import LEVELS
from rungwise.audit.wording import day_words, every, listed, percent
from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import count_of

if TYPE_CHECKING:
    import pandas as pd


# Why a child whose outcome was due was not judged, after "for".
NOT_JUDGED = {
    "no_ratings": "want of any usable rating",
    "few_baseline": "too few baseline occasions",
    "few_exposure": "too few exposure occasions",
    "too_few": "ratings too few or too alike",
    "outcome_unclear": "an unclear outcome",
}


@dataclass(frozen=True)
class Told:
    """The audit in sentences.

    Attributes
    ----------
    answer : str
        One plain sentence.
    uncertainty : str
        How far the answer could be from the truth for children like these.
    first_page : tuple of str
        What else belongs on the first page.
    trust : tuple of str
        How far to trust all of it.
    """

    answer: str
    uncertainty: str
    first_page: tuple[str, ...]
    trust: tuple[str, ...]


@dataclass(frozen=True)
class Words:
    """How the outcomes are spoken of: the subject, and the verb for getting better or worse."""

    subject: str
    better: str
    worse: str


def words_for(outcomes: Sequence[Outcome]) -> Words:
    """Choose words that fit what was rated and which direction is better.

    Examples
    --------
    >>> words_for([])
    Words(subject='fear', better='fell', worse='rose')
    """
    answers = [outcome.answer for outcome in outcomes if outcome.answer is not None]
    named = {answer.outcome for answer in answers}
    directions = {ladder.series.better for answer in answers for ladder in answer.ladders}
    subject = named.pop() if len(named) == 1 else "fear" if not named else "the rating"
    if directions <= {"lower"}:
        return Words(subject, "fell", "rose")
    if directions == {"higher"}:
        return Words(subject, "rose", "fell")
    return Words(subject, "improved", "worsened")


def tell(
    cohort: Cohort,
    outcomes: Sequence[Outcome],
    *,
    flow: pd.DataFrame,
    shares: pd.DataFrame,
    beside: pd.DataFrame,
    headline: Estimate,
    to_discuss: int,
    rows_set_aside: int,
    level: int,
    false_discovery: Sequence[str],
    before: Sequence[str] = (),
    standards: Sequence[str] = (),
    safety: Sequence[str] = (),
    actions: Sequence[str] = (),
    charts: Sequence[str] = (),
    confidence: float = 0.95,
) -> Told:
    """Put an audit into sentences.

    `before` (the quarter before), `standards`, `safety` and `actions` are ready sentences for the first
    page, `false_discovery` and `charts` for how far to trust it.
    """
    totals = _counts(flow[flow["kind"] == "total"])
    losses = _counts(flow[flow["kind"] == "loss"])
    count = _counts(shares)
    words = words_for(outcomes)
    if totals["judged"]:
        answer = _judged(cohort, words, count, totals["judged"])
        uncertainty = _uncertainty(words, count, shares, confidence)
    else:
        answer, uncertainty = _nothing_judged(cohort, losses, totals), ""
    return Told(
        answer=answer,
        uncertainty=uncertainty,
        first_page=(
            *_running(cohort),
            *_due(losses, totals),
            *_comparisons(headline),
            *before,
            *_left_early(words, beside, outcomes),
            *standards,
            *(safety if totals["open"] else ()),
            *_to_discuss(totals, to_discuss),
            *actions,
            _set_aside(rows_set_aside),
        ),
        trust=(
            f"The audit rests on recording level {level}: {LEVELS[level]}.",
            *_bounds(words, count, totals),
            *false_discovery,
            *charts,
            *cohort.unknown,
        ),
    )


def _judged(cohort: Cohort, words: Words, count: dict[str, int], judged: int) -> str:
    ways = {
        "fell": words.better,
        "rose": words.worse,
        "rest": "did not clearly change",
        "no_room": "had no room to improve",
    }
    many = {"fell": count["fell"], "rose": count["rose"], "no_room": count["no_room"]}
    many["rest"] = judged - sum(many.values())
    subject = words.subject[0].upper() + words.subject[1:]
    if judged == 1:
        way = next(way for code, way in ways.items() if many[code])
        return f"{subject} {way} in the one child judged in {cohort.quarter}."
    if many["fell"] == judged:
        return f"{subject} {words.better} in {every(judged)} children judged in {cohort.quarter}."
    first = f"{words.better} in {many['fell']} of the {judged} children judged in {cohort.quarter}"
    others = [f"{way} in {many[code]}" for code, way in ways.items() if code != "fell" and many[code]]
    return f"{subject} {listed([first, *others])}."


def _uncertainty(words: Words, count: dict[str, int], shares: pd.DataFrame, confidence: float) -> str:
    share, low, high, n = shares.loc[shares["code"] == "fell", ["share", "ci_low", "ci_high", "n"]].iloc[0]
    if n == 1:
        return "One child says next to nothing about a caseload."
    fell, beyond = count["fell"], count["fell_beyond_baseline"]
    sentence = (
        f"{fell} of {n:.0f} is {percent(share)}; for children like these the share could be anywhere from "
        f"{percent(low)} to {percent(high)} ({confidence:.0%} interval)."
    )
    if not fell:
        return sentence
    if beyond == fell:
        which = f"In {'that child' if fell == 1 else every(fell)}"
        return f"{sentence} {which} it {words.better} beyond where the baseline was heading."
    rest = "the baseline may explain it, or cannot say why"
    others = "one" if fell - beyond == 1 else str(fell - beyond)
    if not beyond:
        which = "that child" if fell == 1 else every(fell)
        return f"{sentence} In {which} {rest}."
    return (
        f"{sentence} In {beyond} of the {fell} it {words.better} beyond where the baseline was heading; in "
        f"the other {others} {rest}."
    )


def _nothing_judged(cohort: Cohort, losses: dict[str, int], totals: dict[str, int]) -> str:
    quarter = cohort.quarter
    if not totals["known"]:
        return f"There is no child in these files, so there is nothing to say about {quarter}."
    if losses["quarter_not_begun"]:
        return f"{quarter} has not begun: it runs from {quarter.days}. There is nothing to audit yet."
    if not totals["open"]:
        closed = f"No program was open in {quarter} ({quarter.days})"
        began = [course.began_on for course in cohort.courses if course.began_on is not None]
        if began and losses["began_later"] == totals["known"]:
            return f"{closed}; the first began on {day_words(min(began))}."
        return f"{closed}, so there is nothing to judge."
    if totals["due"]:
        were = "outcome was" if totals["due"] == 1 else "outcomes were"
        return (
            f"Nothing can be said about outcomes in {quarter}: {totals['due']} {were} due, and too little "
            "was recorded to judge any."
        )
    going = [
        f"{losses[code]} {words}"
        for code, words in (("in_baseline", "in baseline"), ("running", "in exposure"))
        if losses[code]
    ]
    under_way = f"; {listed(going)}, still in progress" if going else ""
    return f"No child's outcome was due in {quarter}{under_way}."


def _counts(table: pd.DataFrame) -> dict[str, int]:
    return {str(code): int(n) for code, n in zip(table["code"], table["children"], strict=True)}


def _running(cohort: Cohort) -> list[str]:
    if cohort.quarter.first <= cohort.as_of < cohort.quarter.last:
        return [f"The quarter is still running; this is how things stood on {day_words(cohort.as_of)}."]
    return []


def _due(losses: dict[str, int], totals: dict[str, int]) -> list[str]:
    if not totals["due"]:
        return []
    due, open_, judged = totals["due"], totals["open"], totals["judged"]
    whose = (
        f"{due} of the {open_} children"
        if due < open_
        else f"{every(due)} {'child' if due == 1 else 'children'}"
    )
    sentence = f"The outcome was due for {whose} with an open program"
    if judged == due:
        return [f"{sentence}, and {'it' if due == 1 else 'every one of them'} could be judged."]
    reasons = {why: losses[code] for code, why in NOT_JUDGED.items() if losses[code]}
    missing = f"{due - judged} could not be judged"
    if not judged:
        missing = "it could not be judged" if due == 1 else "none of them could be judged"
    if len(reasons) == 1:
        return [f"{sentence}; {missing}, for {next(iter(reasons))}."]
    return [f"{sentence}; {missing}: {listed([f'{n} for {why}' for why, n in reasons.items()])}."]


def _comparisons(headline: Estimate) -> list[str]:
    if math.isnan(headline.value) or headline.n < 2:
        return []
    likely = ""
    if not math.isnan(headline.ci_low):
        likely = f" (likely between {percent(headline.ci_low)} and {percent(headline.ci_high)})"
    return [
        f"On average over the {headline.n} children, an exposure rating was better than a baseline rating "
        f"of the same child in {percent(headline.value)} of comparisons{likely}; 50% would mean no "
        "difference."
    ]


def _left_early(words: Words, beside: pd.DataFrame, outcomes: Sequence[Outcome]) -> list[str]:
    row = beside.set_index("due_by").loc["left_early"]
    if not _count(row, "due"):
        return []
    for_fear = sum(
        outcome.course.due_by == "left_early" and outcome.course.end_reason == "fear"
        for outcome in outcomes
    )
    due, judged, fell = (_count(row, name) for name in ("due", "judged", "fell"))
    if due == 1:
        fear = " because of fear" if for_fear else ""
        how = "could not be judged"
        if judged:
            how = (
                f"was judged: {words.subject} {words.better if fell else f'had not {_past(words.better)}'}"
            )
        return [f"One child left before the horizon{fear} and {how}."]
    fear = ", because of fear" if for_fear == due else f", {for_fear} of them because of fear"
    fear = fear if for_fear else ""
    if not judged:
        return [f"{due} children left before the horizon{fear}; none of them could be judged."]
    return [
        f"{due} children left before the horizon{fear}; {words.subject} {words.better} in {fell} of the "
        f"{judged} of them who could be judged."
    ]


def _count(row: Any, name: str) -> int:
    return int(row[name])


def _past(verb: str) -> str:
    return {"fell": "fallen", "rose": "risen", "improved": "improved"}[verb]


def _to_discuss(totals: dict[str, int], to_discuss: int) -> list[str]:
    if not totals["open"]:
        return []
    if not to_discuss:
        return ["No child met a rule for discussion."]
    return [f"{count_of(to_discuss, 'child is', 'children are')} listed to discuss, with the reason."]


def _set_aside(rows: int) -> str:
    if not rows:
        return "No row of the files was set aside."
    were = count_of(rows, "row of the files was", "rows of the files were")
    return f"{were} set aside because of errors; nothing is inferred from them."


def _bounds(words: Words, count: dict[str, int], totals: dict[str, int]) -> list[str]:
    missing = totals["due"] - totals["judged"]
    if not missing or not totals["judged"]:
        return []
    low, high = count["fell"], count["fell"] + missing
    due = totals["due"]
    return [
        f"{count_of(missing, 'child', 'children')} could not be judged, which could change the picture: "
        f"if {words.subject} {words.better} in none of them, it {words.better} in {low} of {due} "
        f"({percent(low / due)}); if in all of them, in {high} of {due} ({percent(high / due)})."
    ]
