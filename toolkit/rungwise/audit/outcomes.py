"""What became of the children whose outcome was due, and what that says about the caseload."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from rungwise.audit.cohort import censored
from rungwise.audit.courses import DUE_BY, Course
from rungwise.audit.wording import percent
from rungwise.basis.estimate import Estimate
from rungwise.basis.intervals import mean_interval, share_interval_batch
from rungwise.basis.page_numbers import format_bounded
from rungwise.series.blocks import block_bits, blocks
from rungwise.series.caseload import Caseload
from rungwise.series.planned import FEAR
from rungwise.single_case.child_answer import ChildAnswer, child_answers
from rungwise.single_case.verdict import FELL, VERDICTS
from rungwise.study.synthesis import Synthesis, synthesize

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Outcome:
    """The outcome of one child at the day it was due.

    Attributes
    ----------
    course : Course
    stage : str
        ``"judged"``, or the reason why there is no verdict: a key of `rungwise.audit.cohort.STAGES`.
    answer : ChildAnswer or None
        From ratings up to the day the outcome was due; None where there was nothing to answer from.
    """

    course: Course
    stage: str
    answer: ChildAnswer | None

    @property
    def code(self) -> str:
        """Verdict code; ``""`` where the child was not judged."""
        return self.answer.verdict.code if self.answer is not None and self.stage == "judged" else ""


def judge(
    caseload: Caseload, due: Sequence[Course], progress: Progress | None = None, bits: int | None = None
) -> tuple[Outcome, ...]:
    """Give the outcome of every child whose outcome is due, from data up to that day.

    Parameters
    ----------
    caseload : Caseload
    due : sequence of Course
        With a due day each.
    progress : callable, optional
        Called with children done and children in all.
    bits : int, optional
        Where these children are some of a registry's; see `rungwise.series.blocks.blocks`.
    """
    bits = block_bits(len(caseload.children)) if bits is None else bits
    known = censored(caseload, {course.child_id: course.due_on for course in due if course.due_on})
    rated = [course.child_id for course in due if course.n_baseline + course.n_exposure]
    outcomes = {child: clear_outcome(known, child) for child in rated}
    answers = answer_all(known, {child: what for child, what in outcomes.items() if what}, progress, bits)
    return tuple(_judged(course, answers.get(course.child_id), outcomes) for course in due)


def answer_all(
    known: Caseload, outcomes: Mapping[str, str], progress: Progress | None = None, bits: int | None = None
) -> dict[str, ChildAnswer]:
    """Answer for many children, some at a time, by the outcome named for each."""
    answers: dict[str, ChildAnswer] = {}
    children = list(outcomes)
    # Who is answered together follows from the codes alone, so that no last digit depends on the parts.
    for places in blocks(children, block_bits(len(children)) if bits is None else bits):
        some = [children[place] for place in places.tolist()]
        for answer in child_answers(known, {child: outcomes[child] for child in some}):
            answers[answer.child_id] = answer
        if progress is not None:
            progress(len(answers), len(children))
    return answers


def clear_outcome(known: Caseload, child: str) -> str:
    """Give the outcome a child is judged by; ``""`` where it, or the probe step, is not clear."""
    outcome = outcome_of(known.outcomes(child))
    if not outcome:
        return ""
    for ladder in known.ladders(child, outcome):
        steps = known.probe_steps(child, ladder, outcome)
        if len(steps) > 1:
            try:
                known.series(child, ladder, outcome)
            except ValueError:
                return ""
    return outcome


def _judged(course: Course, answer: ChildAnswer | None, outcomes: Mapping[str, str]) -> Outcome:
    if answer is not None:
        return Outcome(course, stage_of(answer), answer)
    unclear = course.child_id in outcomes
    return Outcome(course, "outcome_unclear" if unclear else "no_ratings", None)


def outcome_of(outcomes: Sequence[str]) -> str:
    """Give the outcome a child is judged by: fear, or the only one rated; ``""`` if that is unclear.

    Examples
    --------
    >>> outcome_of(("distance", "fear")), outcome_of(("distance",)), outcome_of(("distance", "time"))
    ('fear', 'distance', '')
    """
    if FEAR in outcomes:
        return FEAR
    return outcomes[0] if len(outcomes) == 1 else ""


def stage_of(answer: ChildAnswer) -> str:
    """Say whether a child was judged, or which occasions are missing for it."""
    if answer.verdict.code != "too_few":
        return "judged"
    series = [ladder.series for ladder in answer.ladders]
    if all(one.n_baseline < answer.rule.minimum_baseline for one in series):
        return "few_baseline"
    if all(one.n_exposure < answer.rule.minimum_exposure for one in series):
        return "few_exposure"
    return "too_few"


def shares(codes: Sequence[str], confidence: float = 0.95) -> pd.DataFrame:
    """Give the share of each verdict among the children judged.

    Parameters
    ----------
    codes : sequence of str
        Verdict codes of the children judged, each child once.
    confidence : float

    Returns
    -------
    DataFrame
        One row per verdict in the order of `VERDICTS`, after a row ``"fell"`` that adds up the three
        ways of falling: ``code, words, children, n, share, ci_low, ci_high``. `n` is the number of
        children judged, the denominator of every share.
    """
    import pandas as pd

    rows = [("fell", "fell, in all", sum(code in FELL for code in codes))]
    rows += [(code, words, codes.count(code)) for code, words in VERDICTS.items() if code != "too_few"]
    counts = [count for _, _, count in rows]
    estimates = share_interval_batch(counts, len(codes), confidence=confidence)
    table = pd.DataFrame(rows, columns=["code", "words", "children"])
    return table.assign(
        n=len(codes), share=estimates.value, ci_low=estimates.ci_low, ci_high=estimates.ci_high
    )


def beside(outcomes: Iterable[Outcome], confidence: float = 0.95) -> pd.DataFrame:
    """Set those who left early beside those who finished and those still in exposure.

    Returns
    -------
    DataFrame
        One row per way in which an outcome came due: ``due_by, words, due, judged, fell, rose,
        other, share_fell, ci_low, ci_high``; the share is of the children judged.
    """
    return beside_of([(outcome.course.due_by, outcome.code) for outcome in outcomes], confidence)


def beside_of(due: Sequence[tuple[str, str]], confidence: float = 0.95) -> pd.DataFrame:
    """Give the table of `beside` from how each outcome came due, and its verdict code."""
    import pandas as pd

    rows = []
    for way, words in DUE_BY.items():
        group = [code for due_by, code in due if due_by == way]
        codes = [code for code in group if code]
        fell, rose = sum(code in FELL for code in codes), codes.count("rose")
        rows.append((way, words, len(group), len(codes), fell, rose, len(codes) - fell - rose))
    table = pd.DataFrame(rows, columns=["due_by", "words", "due", "judged", "fell", "rose", "other"])
    estimates = share_interval_batch(table["fell"], table["judged"], confidence=confidence)
    return table.assign(share_fell=estimates.value, ci_low=estimates.ci_low, ci_high=estimates.ci_high)


def mean_nap(outcomes: Iterable[Outcome], confidence: float = 0.95) -> Estimate:
    """Give the unweighted mean of the judged children's NAP with a t interval over children.

    Every child counts once and equally, however many ladders and occasions. The interval says how
    far the mean could lie from that of other children like these; it says nothing about one child.

    Returns
    -------
    Estimate
        Statistic ``"mean NAP"``; limits beyond 0 or 1 are cut there, and a caution says so.
    """
    return mean_nap_of(
        [
            outcome.answer.verdict.size.value
            for outcome in outcomes
            if outcome.answer is not None and outcome.stage == "judged"
        ],
        confidence,
    )


def mean_nap_of(values: Sequence[float], confidence: float = 0.95) -> Estimate:
    """Give the estimate of `mean_nap` from the judged children's NAP."""
    mean = mean_interval(values, confidence=confidence)
    cautions = list(mean.cautions)
    low, high = mean.ci_low, mean.ci_high
    if low < 0 or high > 1:
        low, high = max(low, 0.0), min(high, 1.0)
        cautions.append("The interval of the mean NAP went beyond the ends of the scale and was cut there.")
    return replace(
        mean,
        statistic="mean NAP",
        ci_low=low,
        ci_high=high,
        method="unweighted mean over children, t interval",
        favors="" if math.isnan(mean.value) else ("neither", "improvement", "worsening")[
            int(np.sign(mean.value - 0.5))
        ],
        cautions=tuple(cautions),
    )  # fmt: skip


def false_discovery(outcomes: Iterable[Outcome], alpha: float) -> tuple[str, ...]:
    """Say what testing many children means for the caseload.

    No child's own p-value is changed; these are sentences about the group.

    Parameters
    ----------
    outcomes : iterable of Outcome
    alpha : float
        The two-sided level each child was tested at.
    """
    judged = [outcome for outcome in outcomes if outcome.answer is not None and outcome.stage == "judged"]
    if len(judged) < 2:
        return ()
    n, fell = len(judged), sum(outcome.code in FELL for outcome in judged)
    p_values = [outcome.answer.verdict.fell.p_value for outcome in judged if outcome.answer is not None]
    stand = benjamini_hochberg(p_values, alpha)
    falls = sum(keep and outcome.code in FELL for keep, outcome in zip(stand, judged, strict=True))
    sentences = [
        f"{n} children were tested one by one. If no child had changed and ratings of one child did not "
        f"depend on each other, about {_about(n * alpha / 2)} would still be expected to come out as a "
        f"fall, and about {_about(n * alpha)} as a rise, which is called at the one-sided level."
    ]
    if fell:
        which = f"Of the {fell} falls, {'all' if falls == fell else falls} would stand"
        if fell == 1:
            which = f"The one fall would {'stand' if falls else 'not stand'}"
        sentences.append(
            f"{which} if, over the caseload, at most {alpha:.0%} of the changes named were to be false "
            "(Benjamini and Hochberg's rule)."
        )
    rated = [(one.code, one.answer.rates) for one in judged if one.answer and one.answer.rates]
    rates = [found for _, found in rated]
    if rates:
        shared = sorted(set.intersection(*(set(rate.wrong) for rate in rates)))
        expected = [sum(rate.wrong[phi] for rate in rates) for phi in shared]
        beyond = sum(code == "fell_beyond_baseline" for code, _ in rated)
        sentences.append(
            f"By the measured error rates of the verdict, between {_about(min(expected))} and "
            f"{_about(max(expected))} of the {len(rates)} children judged on one ladder would be called "
            f"“fell, beyond the baseline's own course” without any effect (autocorrelation {shared[0]:g} "
            f"to {shared[-1]:g}); {beyond} {'was' if beyond == 1 else 'were'}."
        )
    return tuple(sentences)


def synthesized_nap(outcomes: Iterable[Outcome], confidence: float = 0.95) -> Synthesis | None:
    """Give the random-effects average of the judged children's NAP, beside the unweighted mean.

    Weights come from the numbers of ratings alone, by the variance NAP has without any effect; weights
    from estimated variances would favor children at the ends of the scale. None with fewer than two
    children.
    """
    values, variances = [], []
    for outcome in outcomes:
        if outcome.answer is None or outcome.stage != "judged":
            continue
        pairs = [(one.series.n_baseline, one.series.n_exposure) for one in outcome.answer.ladders]
        compared = sum(n_a * n_b for n_a, n_b in pairs)
        spread = sum(n_a * n_b * (n_a + n_b + 1) for n_a, n_b in pairs) / 12
        if compared and not math.isnan(outcome.answer.verdict.size.value):
            values.append(outcome.answer.verdict.size.value)
            variances.append(spread / compared**2)
    if len(values) < 2:
        return None
    return synthesize(values, variances, confidence=confidence)


def spread_sentence(synthesis: Synthesis | None) -> tuple[str, ...]:
    """Say how far children differ: the weighted average and where a further child's NAP may lie."""
    if synthesis is None or math.isnan(synthesis.average.ci_low):
        return ()
    average = synthesis.average
    low, high = max(average.ci_low, 0.0), min(average.ci_high, 1.0)
    said = (
        f"Weighted by how many ratings each child has (random effects, Knapp and Hartung), the average is "
        f"{percent(average.value)} of comparisons ({percent(low)} to {percent(high)}), and "
        f"{percent(synthesis.i2)} of the differences between children are more than chance within a child "
        f"would make (I²; standard deviation {format_bounded(math.sqrt(synthesis.tau2))})"
    )
    if math.isnan(synthesis.prediction_low):
        return (f"{said}.",)
    nearest, farthest = max(synthesis.prediction_low, 0.0), min(synthesis.prediction_high, 1.0)
    return (
        f"{said}; a further child like these would be expected between {percent(nearest)} and "
        f"{percent(farthest)}, so the average says little about any one child.",
    )


def benjamini_hochberg(p_values: Sequence[float], level: float) -> list[bool]:
    """Say which of many tests stand when the expected share of false ones is held at a level.

    Parameters
    ----------
    p_values : sequence of float
        NaN never stands and is not counted as a test.
    level : float
        The share of false discoveries aimed at.

    References
    ----------
    Benjamini & Hochberg 1995, J R Stat Soc B 57:289-300.

    Examples
    --------
    >>> benjamini_hochberg([0.001, 0.2, 0.02, float("nan")], 0.05)
    [True, False, True, False]
    """
    p = np.asarray(p_values, dtype=float)
    tested = np.sort(p[~np.isnan(p)])
    passed = tested <= level * np.arange(1, len(tested) + 1) / len(tested)
    limit = tested[passed][-1] if passed.any() else -1.0
    return (p <= limit).tolist()


def _about(number: float) -> str:
    """Write an expected count: one decimal below 10, and never a false 0."""
    if 0 < number < 0.05:
        return "fewer than 0.1"
    return f"{number:.1f}" if number < 9.95 else f"{number:.0f}"
