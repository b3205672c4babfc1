"""What pages say about numbers, in plain words: meanings, next things to find out, cautions."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from rungwise.basis.page_numbers import format_number
from rungwise.reports.catalog import Words, words_in
from rungwise.single_case.error_rates import ErrorRates, error_rates
from rungwise.tables.level_1 import ONE_CHILD

if TYPE_CHECKING:
    from rungwise.single_case.child_answer import ChildAnswer, LadderAnswer

# Every number of the page, in the order of the page; the catalog has a line for each on what it says
# and one on what it does not say.
NUMBERS = ("tau", "nap", "baseline_trend", "beyond_baseline", "difference", "p", "smallest_p")
GLOSSARY = (
    "probe", "probe_step", "ladder", "baseline", "exposure", "maintenance", "declined", "autocorrelation",
    "interval", "trend", "projection",
)  # fmt: skip
ENGLISH = words_in("en")


def safety_sentences(say: Words = ENGLISH) -> tuple[str, ...]:
    """Give the cautions that stand wherever someone might act on a page."""
    return tuple(say(f"safety.{number}", caution=say("caution")) for number in range(1, 6))


SAFETY_TITLE = ENGLISH("safety.title")
SAFETY = safety_sentences()


def glossary(say: Words = ENGLISH) -> list[str]:
    """Give the words of the field that pages use, each with its meaning."""
    return [say(f"glossary.{term}") for term in GLOSSARY]


def turned(say: Words, key: str, *, lower: bool) -> str:
    """Give a text in its form for scales where lower, or higher, is better."""
    return say.texts[key if lower else f"{key}.higher"]


def outcome_words(outcome: str, say: Words = ENGLISH) -> str:
    """Give what was rated in the page's language, as recorded where the catalog does not know it."""
    return say.texts.get(f"outcome.{outcome}", outcome)


def whose_outcome(answer: ChildAnswer, say: Words = ENGLISH) -> str:
    """Name the child and what was rated, as the subject of the headline."""
    key = "who.unnamed" if answer.child_id == ONE_CHILD else "who"
    return say(key, child=answer.child_id, outcome=outcome_words(answer.outcome, say))


def verdict_words(code: str, answer: ChildAnswer, say: Words = ENGLISH) -> str:
    """Give a verdict in words, turned round where higher ratings are better."""
    return turned(say, f"verdict.{code}", lower=lower_is_better(answer))


def named(ladder: LadderAnswer, say: Words = ENGLISH) -> str:
    """Give a ladder's name, or what stands for it."""
    return ladder.ladder_id or say("unnamed_ladder")


def lower_is_better(answer: ChildAnswer) -> bool:
    """Tell whether lower ratings are better for the child."""
    return answer.ladders[0].series.better == "lower"


def effect_words(rates: ErrorRates, say: Words, *, lower: bool) -> str:
    """Give the simulated effect in words, turned round where higher ratings are better."""
    effect = rates.effect if lower else rates.effect.replace("fall", "rise")
    return say.sentence(effect)


def most_distinct(n_baseline: int, n_exposure: int) -> float:
    """Give the smallest two-sided p that so many occasions without ties could give.

    Examples
    --------
    >>> round(most_distinct(3, 5), 4)
    0.0357
    """
    return min(1.0, 2 / math.comb(n_baseline + n_exposure, n_exposure))


def to_find_out(answer: ChildAnswer, say: Words = ENGLISH) -> list[str]:
    """Say what would settle the open question, as facts beside a clinician's decision.

    Parameters
    ----------
    answer : ChildAnswer
    say : Words
        Language.

    Returns
    -------
    list of str
        Full sentences, the most useful first.
    """
    n_baseline, n_exposure = _furthest(answer)
    lower = lower_is_better(answer)
    code = answer.verdict.code
    several = ".several" if len(answer.ladders) > 1 else ""
    if all_declined(answer):
        return [say("settle.all_declined")]
    if code == "too_few":
        return [*_until_enough(answer, n_baseline, n_exposure, say), say(f"settle.new_start{several}")]
    if code == "no_clear_change":
        likely = _until_likely(answer, n_baseline, n_exposure, say, lower=lower)
        return [*likely, say("settle.same_step")]
    if code == "about_the_same":
        return [say("settle.same", margin=f"{answer.rule.margin:g}"), say("settle.same_step")]
    if code == "rose":
        return [turned(say, "settle.what_else", lower=lower), say("settle.same_step")]
    sentences = {
        "lasts": later_probes(answer, say) or say("settle.lasts"),
        "new_start": say(f"settle.new_start{several}"),
    }
    return [sentences.get(key) or say(f"settle.{key}") for key in _SETTLED_BY[code]]


def all_declined(answer: ChildAnswer) -> bool:
    """Tell whether the child declined every baseline and exposure occasion."""
    counted = [ladder.series.only("baseline", "exposure") for ladder in answer.ladders]
    usable = sum(int(series.usable.sum()) for series in counted)
    return usable > 0 and usable == sum(int(series.declined.sum()) for series in counted)


def enough_occasions(answer: ChildAnswer) -> bool:
    """Tell whether ties alone, not the number of occasions, can keep the question open."""
    rule = answer.rule
    return any(
        n_baseline >= rule.minimum_baseline
        and n_exposure >= rule.minimum_exposure
        and most_distinct(n_baseline, n_exposure) <= rule.alpha
        for n_baseline, n_exposure in _lengths(answer)
    )


def later(answer: ChildAnswer, *phases: str) -> tuple[int, int, np.ndarray]:
    """Give how many probes the phases have, how many were declined, and the ratings of the rest."""
    parts = [ladder.series.only(*phases) for ladder in answer.ladders]
    ratings = np.concatenate([part.values[~np.isnan(part.values)] for part in parts])
    declined = sum(int(part.declined.sum()) for part in parts)
    return len(ratings) + declined, declined, ratings


def later_probes(answer: ChildAnswer, say: Words = ENGLISH) -> str:
    """Say what the probes after exposure showed; empty where there were none."""
    told = []
    for phase in ("maintenance", "follow_up"):
        n, declined, ratings = later(answer, phase)
        if not n:
            continue
        count = say.count(f"{phase}_rating", len(ratings)) if len(ratings) else ""
        if len(ratings):
            low, high = rating_words(ratings.min()), rating_words(ratings.max())
            told.append(
                say("settle.later_same", count=count, low=low)
                if low == high
                else say("settle.later_range", count=count, low=low, high=high)
            )
        if declined:
            told.append(say(f"settle.later_declined.{phase}", n=declined))
    return say("settle.later", told=say.listed(told)) if told else ""


def rating_words(value: float) -> str:
    """Write one rating without decimals it does not have."""
    return format_number(float(value), 0 if float(value).is_integer() else 1)


def _lengths(answer: ChildAnswer) -> list[tuple[int, int]]:
    return [(ladder.series.n_baseline, ladder.series.n_exposure) for ladder in answer.ladders]


def _furthest(answer: ChildAnswer) -> tuple[int, int]:
    """Give the lengths of the ladder nearest to an answer: a long enough baseline, then most exposure."""
    least = answer.rule.minimum_baseline
    return max(_lengths(answer), key=lambda lengths: (min(lengths[0], least), lengths[1]))


_SETTLED_BY = {
    "fell_beyond_baseline": ("lasts", "cause"),
    "fell_baseline_may_explain": ("new_start", "lasts", "cause"),
    "fell_short_baseline": ("baseline_over", "new_start", "lasts"),
    "no_room": ("more_room",),
}
# A share of real changes seen that is usually called enough (common practice, no source), and how many
# more occasions are looked at.
_LIKELY, _FURTHER = 0.8, 30


def _until_enough(answer: ChildAnswer, n_baseline: int, n_exposure: int, say: Words) -> Iterable[str]:
    rule = answer.rule
    if n_baseline < rule.minimum_baseline:
        count = say.count("baseline_occasion", n_baseline)
        yield say("settle.short_baseline", count=count, least=rule.minimum_baseline)
        return
    if n_exposure >= rule.minimum_exposure and most_distinct(n_baseline, n_exposure) <= rule.alpha:
        yield say("settle.tied")
        return
    needed = max(rule.minimum_exposure, n_exposure + 1)
    while most_distinct(n_baseline, needed) > rule.alpha:
        needed += 1
    yield say("settle.until", count=say.count("more_exposure", needed - n_exposure), all=needed)


def _until_likely(
    answer: ChildAnswer, n_baseline: int, n_exposure: int, say: Words, *, lower: bool
) -> Iterable[str]:
    """Say how surely a real change would have been seen, and how many more occasions would make it so."""
    now = answer.rates
    if now is None or not now.found or len(answer.ladders) > 1:
        return
    weakest, strongest = min(now.found.values()), max(now.found.values())
    seen = say.of_hundred(weakest)
    if say.of_hundred(strongest) != seen:
        seen = say("settle.range", low=seen, high=say.of_hundred(strongest))
    yield say("settle.seen", effect=effect_words(now, say, lower=lower), seen=seen)
    if weakest >= _LIKELY:
        return
    for more in range(1, _FURTHER + 1):
        later = error_rates(n_baseline, n_exposure + more)
        if later is not None and later.found and min(later.found.values()) >= _LIKELY:
            share = say.of_hundred(min(later.found.values()))
            yield say("settle.with_more", count=say.count("more_exposure", more), share=share)
            return
    yield say("settle.no_help", most=_FURTHER, share=say.of_hundred(_LIKELY))
