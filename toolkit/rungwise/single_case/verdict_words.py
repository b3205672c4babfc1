"""The verdict in sentences: the same words in the printed answer, the page and the audit.

`ENGLISH` is the source of these words; every function takes a catalog with the same keys instead, for
another language.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rungwise.basis.page_numbers import (
    count_of,
    format_bounded,
    format_interval,
    format_number,
    format_p,
    of_hundred,
)

if TYPE_CHECKING:
    from rungwise.basis.estimate import Estimate
    from rungwise.single_case.verdict import Verdict


@dataclass(frozen=True)
class Question:
    """One of the three questions with its short reply and the numbers behind it."""

    letter: str
    question: str
    reply: str
    numbers: str


CAUTION = "A statistic informs; a clinician decides, together with the family."

_TURNED = {
    "coming down": "going up",
    "came down": "went up",
    "come down": "go up",
    "went up": "came down",
    "bottom": "top",
    "falling": "rising",
    "fall": "rise",
    "lower": "higher",
}


def _turn(sentence: str) -> str:
    """Turn a sentence about falling into one about rising, each phrase once."""
    turned, rest = "", sentence
    while rest:
        for phrase, other in _TURNED.items():
            if rest.startswith(phrase):
                turned, rest = turned + other, rest[len(phrase) :]
                break
        else:
            turned, rest = turned + rest[0], rest[1:]
    return turned


_WHERE_LOWER_IS_BETTER = {
    "headline.fell_beyond_baseline": "{who} came down, and by more than where the baseline was heading.",
    "headline.fell_baseline_may_explain": (
        "{who} came down, but it was already coming down in baseline, and that may be all of it."
    ),
    "headline.fell_short_baseline": (
        "{who} came down; the baseline is not enough to say where it was heading anyway."
    ),
    "headline.no_clear_change": "{who} shows no clear change from baseline to exposure.",
    "headline.about_the_same": "{who} stayed about the same from baseline to exposure.",
    "headline.rose": "{who} went up from baseline to exposure.",
    "headline.too_few": "There are too few occasions yet to say whether {who} changed.",
    "headline.no_room": (
        "{who} was close to the bottom of the scale from the start and had little room to come down."
    ),
    "headline.all_declined": (
        "Every planned step was declined, so nothing can be said yet about how {who} changed."
    ),
    "comparison": (
        "Of 100 comparisons between a baseline and an exposure rating, the exposure rating was lower in "
        "about {share}, ties counting half{likely}; 50 would mean no difference."
    ),
    "question.a": "Did it fall from baseline to exposure?",
    "question.b": "Was it already falling in baseline?",
    "question.c": "Is the fall more than the baseline's own course explains?",
}
# Where higher ratings are better, each of these is looked up with ``.higher`` at its end.
ENGLISH: Mapping[str, str] = {
    "caution": CAUTION,
    **_WHERE_LOWER_IS_BETTER,
    **{f"{key}.higher": _turn(text) for key, text in _WHERE_LOWER_IS_BETTER.items()},
    "comparison.likely": " (likely between {low} and {high})",
    "headline.within_margin": (
        "The difference between the phases is {value} {unit}, likely between {low} and {high}."
    ),
    "headline.all_equal": "Every rating was the same.",
    "reply.unknown": "cannot be said",
    "reply.too_few": "too few to say",
    "reply.yes": "yes",
    "reply.other_way": "no, the other way",
    "reply.not_clearly": "not clearly",
    "reply.too_few_to_tell": "too few to tell",
    "reply.no_sign": "no clear sign of it",
    "reply.all_alike": "the baseline shows no change at all",
    "reply.not_apart": "cannot be told apart",
    "reply.only_without_declines": "only if the declines are left out",
}


def headline(verdict: Verdict, who: str, *, lower: bool = True, words: Mapping[str, str] = ENGLISH) -> str:
    """Say the verdict in one plain sentence, with its uncertainty in a second.

    Parameters
    ----------
    verdict : Verdict
    who : str
        The subject, for example ``"C014's fear"``.
    lower : bool
        Whether lower ratings are better.
    words : mapping
        Catalog with the keys of `ENGLISH`.
    """
    declined = verdict.fell.counts.get("declined", 0)
    code = "all_declined" if declined and declined == verdict.fell.n else verdict.code
    sentence = _worded(words, f"headline.{code}", lower).format(who=who)
    sentences = [sentence[0].upper() + sentence[1:]]
    if verdict.code == "about_the_same":
        sentences.append(_within_margin(verdict.difference, words))
    elif verdict.code != "too_few":
        sentences.append(comparison(verdict.size, lower=lower, words=words))
    return " ".join(sentence for sentence in sentences if sentence)


def _within_margin(difference: Estimate, words: Mapping[str, str]) -> str:
    if math.isnan(difference.ci_low):
        return words["headline.all_equal"]
    return words["headline.within_margin"].format(
        value=format_number(difference.value),
        unit=difference.unit,
        low=format_number(difference.ci_low),
        high=format_number(difference.ci_high),
    )


def comparison(size: Estimate, *, lower: bool = True, words: Mapping[str, str] = ENGLISH) -> str:
    """Say what NAP says, in natural frequencies."""
    if math.isnan(size.value):
        return ""
    likely = ""
    if not math.isnan(size.ci_low):
        likely = words["comparison.likely"].format(
            low=of_hundred(size.ci_low), high=of_hundred(size.ci_high)
        )
    return _worded(words, "comparison", lower).format(share=of_hundred(size.value), likely=likely)


def questions(
    verdict: Verdict, alpha: float, *, lower: bool = True, words: Mapping[str, str] = ENGLISH
) -> tuple[Question, ...]:
    """Answer the three questions separately, each with its numbers.

    The numbers behind the replies are for the printed answer and stay in English.
    """
    replies = _fell(verdict, alpha), _falling(verdict, alpha), _beyond(verdict, lower=lower)
    numbers = _tau_numbers(verdict), _trend_numbers(verdict), _beyond_numbers(verdict, lower=lower)
    return tuple(
        Question(letter, _worded(words, f"question.{letter}", lower), words[f"reply.{reply}"], behind)
        for letter, reply, behind in zip("abc", replies, numbers, strict=True)
    )


def _worded(words: Mapping[str, str], key: str, lower: bool) -> str:
    return words[key if lower else f"{key}.higher"]


def _fell(verdict: Verdict, alpha: float) -> str:
    fell = verdict.fell
    if math.isnan(fell.p_value):
        return "unknown"
    if verdict.code == "too_few":
        return "too_few"
    if verdict.worse.p_value <= alpha:
        return "other_way"
    return "yes" if fell.p_value <= alpha and fell.value > 0 else "not_clearly"


def _tau_numbers(verdict: Verdict) -> str:
    fell = verdict.fell
    if math.isnan(fell.value):
        return "no comparison is possible"
    text = f"Tau {format_bounded(fell.value)} {format_interval(fell)}, p {format_p(fell.p_value)}"
    if verdict.code == "rose":
        text += f" (one-sided, for getting worse, p {format_p(verdict.worse.p_value)})"
    if verdict.without_declines is not None and not math.isnan(verdict.without_declines.value):
        without = verdict.without_declines
        text += f"; without declines Tau {format_bounded(without.value)}, p {format_p(without.p_value)}"
    return text


def _falling(verdict: Verdict, alpha: float) -> str:
    trend = verdict.baseline_trend
    smallest = trend.counts.get("smallest_p", math.nan)
    if math.isnan(trend.p_value):
        return "unknown"
    if trend.p_value <= alpha:
        return "yes"
    if trend.n > 1 and math.isnan(trend.value):
        return "all_alike"
    if math.isnan(smallest) or smallest > alpha:
        return "too_few_to_tell"
    return "no_sign"


def _trend_numbers(verdict: Verdict) -> str:
    trend = verdict.baseline_trend
    smallest = trend.counts.get("smallest_p", math.nan)
    occasions = count_of(trend.n, "baseline occasion")
    if math.isnan(trend.p_value):
        return occasions
    if math.isnan(trend.value):
        alike = "declined" if trend.counts.get("declined", 0) == trend.n else "rated the same"
        return f"{occasions}, all {alike}"
    where = f"on {verdict.trend_ladder}, where it is clearest: " if verdict.trend_ladder else ""
    return (
        f"{where}tau {format_bounded(trend.value)}, one-sided p {format_p(trend.p_value)}; "
        f"{occasions} could at best have given p {format_p(smallest)}"
    )


def _beyond(verdict: Verdict, *, lower: bool) -> str:
    change = verdict.beyond_baseline
    if math.isnan(change.ci_low):
        return "unknown"
    if change.ci_low <= 0 <= change.ci_high:
        return "not_apart"
    both = verdict.beyond_with_declines
    if (change.value < 0) != lower:
        surely = both is None or (both.ci_low > 0 if lower else both.ci_high < 0)
        return "other_way" if surely else "not_apart"
    surely = both is None or (both.ci_high < 0 if lower else both.ci_low > 0)
    return "yes" if surely else "only_without_declines"


def _beyond_numbers(verdict: Verdict, *, lower: bool) -> str:
    change = verdict.beyond_baseline
    if math.isnan(change.value):
        return change.cautions[0] if change.cautions else "no projection is possible"
    better = (change.value < 0) == lower
    side = ("below" if lower else "above") if better else ("above" if lower else "below")
    text = (
        f"on average {format_number(abs(change.value))} {change.unit} {side} the projected baseline: "
        f"{format_number(change.value)} {format_interval(change, 1, bounded=False)}"
    )
    both = verdict.beyond_with_declines
    if both is not None and not math.isnan(both.ci_low):
        text += (
            f"; with declines at the worst end of the scale {format_number(both.value)} "
            f"{format_interval(both, 1, bounded=False)}"
        )
    return text
