"""The verdict in sentences: the same words in the printed answer, the page and the audit."""

from __future__ import annotations

import math
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

_HEADLINES = {
    "fell_beyond_baseline": "{who} came down, and by more than where the baseline was heading.",
    "fell_baseline_may_explain": (
        "{who} came down, but it was already coming down in baseline, and that may be all of it."
    ),
    "fell_short_baseline": (
        "{who} came down; the baseline is too short or too uneven to say where it was heading."
    ),
    "no_clear_change": "{who} shows no clear change from baseline to exposure.",
    "about_the_same": "{who} stayed about the same from baseline to exposure.",
    "rose": "{who} went up from baseline to exposure.",
    "too_few": "There are too few occasions yet to say whether {who} changed.",
    "no_room": "{who} was close to the bottom of the scale from the start and had no room to come down.",
}
_TURNED = {
    "coming down": "going up",
    "came down": "went up",
    "come down": "go up",
    "went up": "came down",
    "bottom": "top",
}


def headline(verdict: Verdict, who: str, *, lower: bool = True) -> str:
    """Say the verdict in one plain sentence, with its uncertainty in a second.

    Parameters
    ----------
    verdict : Verdict
    who : str
        The subject, for example ``"C014's fear"``.
    lower : bool
        Whether lower ratings are better.
    """
    template = _HEADLINES[verdict.code]
    if not lower:
        template = _turn(template)
    sentence = template.format(who=who)
    compared = "" if verdict.code == "too_few" else comparison(verdict.size, lower=lower)
    return f"{sentence[0].upper()}{sentence[1:]}{' ' + compared if compared else ''}"


def comparison(size: Estimate, *, lower: bool = True) -> str:
    """Say what NAP says, in natural frequencies."""
    if math.isnan(size.value):
        return ""
    direction = "lower" if lower else "higher"
    likely = ""
    if not math.isnan(size.ci_low):
        likely = f" (likely between {of_hundred(size.ci_low)} and {of_hundred(size.ci_high)})"
    return (
        "Of 100 comparisons between a baseline and an exposure rating, the exposure rating was "
        f"{direction} in about {of_hundred(size.value)}{likely}; 50 would mean no difference."
    )


def questions(verdict: Verdict, alpha: float, *, lower: bool = True) -> tuple[Question, ...]:
    """Answer the three questions separately, each with its numbers."""
    fall, falling = ("fall", "falling") if lower else ("rise", "rising")
    return (
        Question(
            "a", f"Did it {fall} from baseline to exposure?", _fell(verdict, alpha), _tau_numbers(verdict)
        ),
        Question(
            "b",
            f"Was it already {falling} in baseline?",
            _falling(verdict, alpha),
            _trend_numbers(verdict),
        ),
        Question(
            "c",
            f"Is the {fall} more than the baseline's own course explains?",
            _beyond(verdict),
            _beyond_numbers(verdict, lower=lower),
        ),
    )


def _fell(verdict: Verdict, alpha: float) -> str:
    fell = verdict.fell
    if math.isnan(fell.p_value):
        return "cannot be said"
    if verdict.code == "too_few":
        return "too few to say"
    if verdict.worse.p_value <= alpha:
        return "no, the other way"
    return "yes" if fell.p_value <= alpha and fell.value > 0 else "not clearly"


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
        return "cannot be said"
    if trend.p_value <= alpha:
        return "yes"
    if math.isnan(smallest) or smallest > alpha:
        return "too few to tell"
    return "no clear sign of it"


def _trend_numbers(verdict: Verdict) -> str:
    trend = verdict.baseline_trend
    smallest = trend.counts.get("smallest_p", math.nan)
    occasions = count_of(trend.n, "baseline occasion")
    if math.isnan(trend.p_value):
        return occasions
    return (
        f"tau {format_bounded(trend.value)}, one-sided p {format_p(trend.p_value)}; "
        f"{occasions} could at best have given p {format_p(smallest)}"
    )


def _beyond(verdict: Verdict) -> str:
    change = verdict.beyond_baseline
    if math.isnan(change.ci_low):
        return "cannot be said"
    if verdict.code == "fell_beyond_baseline":
        return "yes"
    return "cannot be told apart" if change.ci_low <= 0 <= change.ci_high else "not shown"


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
