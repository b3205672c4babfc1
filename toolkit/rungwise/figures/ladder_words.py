"""The English words of the figures about ladders; pages in other languages bring their own."""

from __future__ import annotations

from collections.abc import Mapping

WORDS: dict[str, str] = {
    "baseline": "baseline",
    "exposure": "exposure",
    "maintenance": "maintenance",
    "follow_up": "follow-up",
    "months": "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec",
    "step": "Step of the ladder",
    "practice": "practice",
    "probe": "probe",
    "approach": "highest step done, approach",
    "worst": "worst {rating} {value}",
    "declined": "declined",
    "too_many": "Too many days to write the ratings inside",
    "highest": "Highest step done",
    "top": "last step",
    "probe_step": "probe step",
    "cut_short": "ended before a decline: might have gone on",
    "early": "first half",
    "late": "second half",
    "early_without": "without the run, first half",
    "late_without": "without the run, second half",
    "rating": "Mean practice rating of {rating}",
    "trials": "Step, and under it the trials there",
    "expected": "expected at the probe step",
    "band": "its 95% band",
    "expected_axis": "{rating} at the probe step",
    "map.counted": "Map of {trials} on {days}.",
    "map.climbed": "Practice began at step {first}, reached step {high} at most, and was last at step "
    "{last}.",
    "map.declined": "{trials} declined, at step {steps}.",
    "map.mastered": "Mastered: step {steps}.",
    "map.lost": "Mastered and lost again: step {steps}.",
    "by_step.counted": "Mean practice ratings of {steps}, first and second half of the trials.",
    "by_step.one": "Step {step}: {first}, then {last}.",
    "by_step.declined": "Declined: {told}.",
    "by_step.declined_one": "{n} at step {step}",
    "approach.counted": "Highest step done on {occasions}.",
    "approach.phase": "{phase}: {scores}.",
    "expected.said": "Fear expected at the probe step: {first} on {begin}, {last} on {end}.",
    "n_trials.one": "{n} trial",
    "n_trials.many": "{n} trials",
    "n_days.one": "{n} day",
    "n_days.many": "{n} days",
    "n_steps.one": "{n} step",
    "n_steps.many": "{n} steps",
    "n_occasions.one": "{n} approach occasion",
    "n_occasions.many": "{n} approach occasions",
    "mastery.share": "Share of the steps offered",
    "mastery.mastered": "Mastered",
    "mastery.left": "Left because of fear",
    "mastery.occasions": "Occasions since the step was first offered",
    "mastery.days": "Days since the step was first offered",
    "mastery.followed": "under it, steps still followed",
    "mastery.half.occasions": "half by occasion {n}",
    "mastery.half.days": "half by day {n}",
    "mastery.counted.occasions": "Curves over occasions of {steps}:",
    "mastery.counted.days": "Curves over days of {steps}:",
    "mastery.fewer": "fewer than half were mastered while they were followed.",
    "mastery.median.occasions": "half were mastered by occasion {n}.",
    "mastery.median.days": "half were mastered by day {n}.",
    "mastery.rise.occasions": "By occasion {n}, the last rise with a tenth still followed, {share}% were "
    "mastered.",
    "mastery.rise.days": "By day {n}, the last rise with a tenth still followed, {share}% were mastered.",
    "mastery.left_share": "{share}% were left because of fear.",
}


def count(words: Mapping[str, str], noun: str, number: int) -> str:
    """Write a count with its noun.

    Examples
    --------
    >>> count(WORDS, "trials", 1), count(WORDS, "days", 3)
    ('1 trial', '3 days')
    """
    return words[f"n_{noun}.{'one' if number == 1 else 'many'}"].format(n=number)
