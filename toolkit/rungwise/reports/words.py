"""What pages say about numbers, in plain words: meanings, next things to find out, cautions."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rungwise.basis.page_numbers import count_of, of_hundred
from rungwise.single_case.error_rates import error_rates
from rungwise.single_case.verdict_words import CAUTION

if TYPE_CHECKING:
    from rungwise.single_case.child_answer import ChildAnswer


@dataclass(frozen=True)
class Meaning:
    """One line on what a number says and one on what it does not say."""

    name: str
    says: str
    does_not_say: str


MEANINGS = {
    "tau": Meaning(
        "Tau",
        "how much more often an exposure rating was better than a baseline rating than worse: 1 always, "
        "0 as often as not, −1 never.",
        "how large the change is, or what caused it.",
    ),
    "nap": Meaning(
        "NAP",
        "in what share of these comparisons the exposure rating was better, ties counting half; .50 is no "
        "difference.",
        "how far the ratings moved; it stops at 1.00.",
    ),
    "baseline_trend": Meaning(
        "Baseline trend (Kendall's tau)",
        "how steadily ratings were already getting better before exposure began.",
        "that there was none when p is large: few occasions seldom show one.",
    ),
    "beyond_baseline": Meaning(
        "Difference from the projected baseline",
        "how far the exposure ratings lie, on average, from where the baseline was heading, in rating "
        "points.",
        "that the baseline would really have gone on like that; nobody can observe it.",
    ),
    "difference": Meaning(
        "Difference of means",
        "how many points the exposure ratings lie from the baseline ratings on average.",
        "where the child ended up: early and late exposure occasions are averaged.",
    ),
    "p": Meaning(
        "p",
        "how often at least this much would come about if the order of these ratings were pure chance.",
        "how likely it is that nothing changed; with a trend, or neighbors alike, it is too small.",
    ),
    "smallest_p": Meaning(
        "Smallest p possible",
        "the best that so many occasions with these ties could ever have given.",
        "anything about this child's change.",
    ),
}

SAFETY_TITLE = "Before anyone acts on this page"
SAFETY = (
    CAUTION + " Nothing here is an instruction to step up, hold or step back.",
    "Never coerce: a child may decline any step, and a decline is a useful answer. Keep a trained adult "
    "within reach, a soft landing and equipment rated for the load.",
    "Stop at signs of overload such as pallor, sweating, wide pupils, yawning, headache, nausea or "
    "dizziness; some come hours later, so ask the family.",
    "Medical clearance comes first where there are red flags, for example neck pain or an unusual head "
    "posture, new weakness, numbness or loss of skill, new loss of bladder or bowel control, a recent "
    "injury or operation of head or neck, or seizures that are not controlled.",
    "These lists are common practice, not a clinical guideline, and not complete. Local codes and "
    "licensed practice decide.",
)

SAFETY_SHORT = (
    "A statistic informs; a clinician decides, together with the family. Supervise, never coerce, stop at "
    "signs of overload (some come hours later), and get medical clearance first where there are red flags. "
    "Local codes and licensed practice decide."
)


def most_distinct(n_baseline: int, n_exposure: int) -> float:
    """Give the smallest two-sided p that so many occasions without ties could give.

    Examples
    --------
    >>> round(most_distinct(3, 5), 4)
    0.0357
    """
    return min(1.0, 2 / math.comb(n_baseline + n_exposure, n_exposure))


def to_find_out(answer: ChildAnswer) -> list[str]:
    """Say what would settle the open question, as facts beside a clinician's decision.

    Parameters
    ----------
    answer : ChildAnswer

    Returns
    -------
    list of str
        Full sentences, the most useful first.
    """
    n_baseline = max(ladder.series.n_baseline for ladder in answer.ladders)
    n_exposure = max(ladder.series.n_exposure for ladder in answer.ladders)
    code = answer.verdict.code
    if code == "too_few":
        return [*_until_enough(answer, n_baseline, n_exposure), _NEW_START]
    if code == "fell_beyond_baseline":
        return [_LASTS, _CAUSE]
    if code == "fell_baseline_may_explain":
        return [_NEW_START, _LASTS, _CAUSE]
    if code == "fell_short_baseline":
        return [_BASELINE_IS_OVER, _NEW_START, _LASTS]
    if code == "no_clear_change":
        return [*_until_likely(answer, n_baseline, n_exposure), _SAME_STEP]
    if code == "about_the_same":
        return [
            f"The interval already excludes a change of {answer.rule.margin:g} or more rating points; more "
            "occasions would narrow it, not turn it.",
            _SAME_STEP,
        ]
    if code == "rose":
        return [_WHAT_ELSE, _SAME_STEP]
    return [_MORE_ROOM]


# A share of real changes seen that is usually called enough (common practice, no source), and how many
# more occasions are looked at.
_LIKELY, _FURTHER = 0.8, 30

_NEW_START = (
    "A new start answers more than a longer series: a second ladder, or a second child, with a baseline of "
    "5 or more occasions of its own and a later start of exposure."
)
_LASTS = "Probes at the same step in maintenance and follow-up show whether it lasts."
_CAUSE = (
    "One child's course cannot show what caused it. Starting exposure at different times on different "
    "ladders, or in different children, can."
)
_BASELINE_IS_OVER = (
    "More exposure occasions will not settle it: once exposure has begun, its baseline cannot be made "
    "longer."
)
_SAME_STEP = (
    "Check that every probe was at the same step and was asked the same way by the same kind of rater; "
    "mixed probes can hide a change or make one."
)
_WHAT_ELSE = (
    "Ask what else happened: a fall, an illness, a new setting, a harder step taken too soon. A rise says "
    "that something changed, not what."
)
_MORE_ROOM = (
    "A harder probe step, with room for the ratings to change, needs a new series with its own baseline."
)


def _until_enough(answer: ChildAnswer, n_baseline: int, n_exposure: int) -> Iterable[str]:
    rule = answer.rule
    if n_baseline < rule.minimum_baseline:
        yield (
            f"There are {count_of(n_baseline, 'baseline occasion')} and at least {rule.minimum_baseline} "
            "are needed; a baseline cannot be made longer once exposure has begun."
        )
        return
    if n_exposure >= rule.minimum_exposure and most_distinct(n_baseline, n_exposure) <= rule.alpha:
        yield (
            "There are enough occasions, but so many ratings are equal that no order of them could have "
            "shown a change; more occasions help only where the ratings differ."
        )
        return
    needed = max(rule.minimum_exposure, n_exposure + 1)
    while most_distinct(n_baseline, needed) > rule.alpha:
        needed += 1
    yield (
        f"At least {count_of(needed - n_exposure, 'more exposure occasion')} at the same probe step "
        f"({needed} in all) would be needed before this could be answered; with tied ratings, some more."
    )


def _until_likely(answer: ChildAnswer, n_baseline: int, n_exposure: int) -> Iterable[str]:
    """Say how surely a real fall would have been seen, and how many more occasions would make it so."""
    now = answer.rates
    if now is None or not now.found:
        return
    weakest, strongest = min(now.found.values()), max(now.found.values())
    seen = of_hundred(weakest)
    if of_hundred(strongest) != seen:
        seen += f" to {of_hundred(strongest)}"
    yield (
        f"Of 100 simulated children with {now.effect}, {seen} are seen to have changed with this many "
        "occasions. A smaller change can stay unseen more often."
    )
    if weakest >= _LIKELY:
        return
    for more in range(1, _FURTHER + 1):
        later = error_rates(n_baseline, n_exposure + more)
        if later is not None and later.found and min(later.found.values()) >= _LIKELY:
            yield (
                f"With {count_of(more, 'more exposure occasion')} at the same probe step it would be at "
                f"least {of_hundred(min(later.found.values()))} of 100."
            )
            return
    yield (
        f"Up to {_FURTHER} more exposure occasions would not bring that to {of_hundred(_LIKELY)} of 100 in "
        "the children simulated."
    )
