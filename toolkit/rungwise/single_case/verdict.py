"""What may be said about one child: three questions, one verdict.

(a) Did the ratings fall from baseline to exposure? (b) Were they already falling in baseline?
(c) Is the fall more than the baseline's own course explains? The rule below turns the answers into
one verdict. It is judged by its measured error rates (`rungwise.single_case.error_rates`), not by
the mechanism of any one of its parts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from rungwise.basis.estimate import Estimate, Estimates
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.level import level_and_slope_change_batch, mean_difference_ar1_batch
from rungwise.single_case.nap import nap_batch
from rungwise.single_case.pairs import pair_counts
from rungwise.single_case.rated import LEFT_OUT
from rungwise.single_case.tau import tau_batch
from rungwise.single_case.trend import mann_kendall_batch
from rungwise.single_case.verdict_rule import (
    FELL,
    VERDICTS,
    WIDEST_MARGIN,
    WIDEST_RATING_SCALE,
    Answers,
    Rule,
    decide,
    inside,
    is_constant,
    no_room,
    surely_better,
    words_of,
)
from rungwise.single_case.verdict_words import Question, questions

__all__ = [
    "FELL",
    "VERDICTS",
    "Answers",
    "Rule",
    "Verdict",
    "Verdicts",
    "decide",
    "verdict",
    "verdict_codes",
    "verdicts",
    "words_of",
]

ALREADY_RISING = "The ratings were already getting worse in baseline, and that may be all of it."
WIDE_MARGIN = (
    "The margin of “about the same” is more than a fifth of this rating scale; a practice that uses it "
    "should state one that fits."
)
NARROW_MARGIN = (
    "The margin of “about the same” is less than a twentieth of this rating scale, so that verdict can "
    "hardly be reached; a practice that uses it should state one that fits."
)
DECLINES_BOTH_WAYS = (
    "A declined occasion has no rating: question (c) counts as answered only if the answer is the same "
    "without declines and with declines at the worst end of the scale."
)


@dataclass(frozen=True)
class Verdict:
    """One verdict with the estimates it rests on.

    Attributes
    ----------
    code : str
        A key of `VERDICTS`.
    words : str
        The verdict in the words of `VERDICTS` (turned round where higher ratings are better).
    fell : Estimate
        Question (a): exact A-B Tau, declines ranked worst (stratified over ladders if several).
    worse : Estimate
        The same Tau with its one-sided p for getting worse.
    size : Estimate
        NAP with its score-type interval.
    baseline_trend : Estimate
        Question (b): exact Mann-Kendall trend in baseline; ``counts["smallest_p"]`` is the smallest
        p its length and ties could ever give.
    beyond_baseline : Estimate
        Question (c): observed minus projected rating, averaged over the exposure occasions, in
        rating points (level-and-slope model, AR(1), REML).
    difference : Estimate
        Exposure minus baseline mean rating (AR(1), REML), held against the practice's margin.
    without_declines : Estimate or None
        Question (a) with declined occasions left out; None where nothing was declined.
    beyond_with_declines : Estimate or None
        Question (c) with declined occasions at the worst end of the scale; None where nothing was
        declined.
    smallest_p : float
        Smallest p that question (a) could ever have given with these lengths and ties.
    questions : tuple of Question
        The three questions with a short reply and the numbers behind it.
    cautions : tuple of str
        Sentences that must stand beside it.
    trend_ladder : str
        With several ladders, the one `baseline_trend` is of: that with the clearest fall.
    """

    code: str
    words: str
    fell: Estimate
    worse: Estimate
    size: Estimate
    baseline_trend: Estimate
    beyond_baseline: Estimate
    difference: Estimate
    without_declines: Estimate | None
    beyond_with_declines: Estimate | None
    smallest_p: float
    questions: tuple[Question, ...]
    cautions: tuple[str, ...]
    trend_ladder: str = ""


@dataclass(frozen=True, eq=False)
class Verdicts:
    """Verdicts of many series, with the columns they rest on.

    `beyond_ceiling` is `beyond_baseline` with declined occasions put at the worst end of the scale;
    the two are the same where nothing was declined.
    """

    codes: np.ndarray
    answers: Answers
    fell: Estimates
    worse: Estimates
    size: Estimates
    baseline_trend: Estimates
    beyond_baseline: Estimates
    beyond_ceiling: Estimates
    difference: Estimates
    rising: np.ndarray
    batch: SeriesBatch
    rule: Rule

    def __len__(self) -> int:
        return len(self.codes)

    def __iter__(self) -> Iterator[Verdict]:
        return (self[i] for i in range(len(self)))

    def __getitem__(self, i: int) -> Verdict:
        declined = bool(self.batch.declined[i].any())
        rated = self._without_declines[i] if declined else None
        return assemble(
            str(self.codes[i]),
            self.rule,
            lower=bool(self.batch.sign[i] < 0),
            fell=self.fell[i],
            worse=self.worse[i],
            size=self.size[i],
            baseline_trend=self.baseline_trend[i],
            beyond_baseline=self.beyond_baseline[i],
            difference=self.difference[i],
            without_declines=rated,
            beyond_with_declines=self.beyond_ceiling[i] if declined else None,
            rising=bool(self.rising[i]),
            width=float(self.batch.ceiling[i] - self.batch.floor[i]),
        )

    @cached_property
    def _without_declines(self) -> dict[int, Estimate]:
        """Question (a) with declined occasions left out, by the place of each series that has any."""
        rows = np.flatnonzero(self.batch.declined.any(axis=1))
        return dict(zip(rows.tolist(), tau_batch(self.batch.take(rows).without_declines()), strict=True))


def verdicts(batch: SeriesBatch, rule: Rule | None = None) -> Verdicts:
    """Give the verdict of every series of a batch.

    Parameters
    ----------
    batch : SeriesBatch
        Baseline and exposure of each series.
    rule : Rule, optional

    Returns
    -------
    Verdicts

    Examples
    --------
    >>> falls = PhaseSeries.from_phases([7, 8, 7, 8, 7, 8], [6, 6, 5, 5, 4, 4, 3, 3, 2, 2])
    >>> verdicts(SeriesBatch.of(falls, PhaseSeries.from_phases([7, 8], [4, 3]))).codes.tolist()
    ['fell_beyond_baseline', 'too_few']
    """
    rule = rule or Rule()
    confidence = 1 - rule.alpha
    pair_counts(batch).count_exactly("two-sided", "worsening")
    fell = tau_batch(batch, confidence=confidence)
    worse = tau_batch(batch, "worsening", confidence, interval=False)
    trend = mann_kendall_batch(batch, phase="baseline", alternative="improvement")
    beyond = level_and_slope_change_batch(batch, confidence=confidence).on_average
    ceiling = _with_declines_at_worst(batch, beyond, confidence)
    difference = mean_difference_ar1_batch(batch, confidence=confidence)
    answers = replace(
        _without_models(batch, rule, fell, worse, trend),
        beyond=_beyond(beyond, ceiling, batch, rule),
        same=_same(difference, batch, rule),
    )
    return Verdicts(
        codes=decide(answers),
        answers=answers,
        fell=fell,
        worse=worse,
        size=nap_batch(batch, confidence=confidence),
        baseline_trend=trend,
        beyond_baseline=beyond,
        beyond_ceiling=ceiling,
        difference=difference,
        rising=mann_kendall_batch(batch, phase="baseline", alternative="worsening").p_value <= rule.alpha,
        batch=batch,
        rule=rule,
    )


def verdict_codes(batch: SeriesBatch, rule: Rule | None = None) -> np.ndarray:
    """Give the verdict codes alone, several times faster than `verdicts`, for simulations.

    The models are fitted only where the code depends on them, and without the intervals that pages show.

    Examples
    --------
    >>> falls = PhaseSeries.from_phases([7, 8, 7, 8, 7, 8], [6, 6, 5, 5, 4, 4, 3, 3, 2, 2])
    >>> verdict_codes(SeriesBatch.of(falls, PhaseSeries.from_phases([7, 8], [4, 3]))).tolist()
    ['fell_beyond_baseline', 'too_few']
    """
    rule = rule or Rule()
    pair_counts(batch).count_exactly("two-sided", "worsening")
    fell = tau_batch(batch, confidence=1 - rule.alpha, interval=False)
    worse = tau_batch(batch, "worsening", interval=False)
    trend = mann_kendall_batch(batch, phase="baseline", alternative="improvement")
    answers = _without_models(batch, rule, fell, worse, trend)
    open_rows = answers.enough & ~answers.worsened & answers.room
    rows = np.flatnonzero(open_rows & answers.improved)
    if len(rows):
        part = batch.take(rows)
        beyond = level_and_slope_change_batch(part, intervals=False).on_average
        ceiling = _with_declines_at_worst(part, beyond, 1 - rule.alpha, intervals=False)
        answers.beyond[rows] = _beyond(beyond, ceiling, part, rule)
    rows = np.flatnonzero(open_rows & ~answers.improved)
    if len(rows):
        part = batch.take(rows)
        answers.same[rows] = _same(mean_difference_ar1_batch(part, confidence=1 - rule.alpha), part, rule)
    return decide(answers)


def _without_models(
    batch: SeriesBatch, rule: Rule, fell: Estimates, worse: Estimates, trend: Estimates
) -> Answers:
    """Answer what ranks alone can answer; `beyond` and `same` are left at no."""
    constant = is_constant(batch)
    return Answers(
        improved=(fell.p_value <= rule.alpha) & (fell.value > 0),
        worsened=worse.p_value <= rule.alpha,
        falling=trend.p_value <= rule.alpha,
        beyond=np.zeros(len(batch), dtype=bool),
        same=np.zeros(len(batch), dtype=bool),
        enough=(batch.n_a >= rule.minimum_baseline)
        & (batch.n_b >= rule.minimum_exposure)
        & ((fell.counts["smallest_p"] <= rule.alpha) | constant),
        room=~no_room(batch),
    )


def _beyond(beyond: Estimates, ceiling: Estimates, batch: SeriesBatch, rule: Rule) -> np.ndarray:
    # Leaving declines out hides fear, putting them at the end of the scale invents it: (c) must hold
    # both ways.
    return surely_better(beyond, batch.sign, rule.alpha) & surely_better(ceiling, batch.sign, rule.alpha)


def _same(difference: Estimates, batch: SeriesBatch, rule: Rule) -> np.ndarray:
    within = inside(difference, rule.margin) & ~batch.declined.any(axis=1)
    return within | is_constant(batch)


def verdict(series: PhaseSeries, rule: Rule | None = None) -> Verdict:
    """Give the verdict on one series.

    Misleads when the probe step changed within the series or the ratings were not planned: then no
    verdict means anything. A statistic informs, a clinician decides.

    Examples
    --------
    >>> series = PhaseSeries.from_phases([7, 8, 7, 8, 7, 8], [6, 6, 5, 5, 4, 4, 3, 3, 2, 2])
    >>> verdict(series).words
    "fell, beyond the baseline's own course"
    """
    return verdicts(SeriesBatch.of(series), rule)[0]


def _with_declines_at_worst(
    batch: SeriesBatch, beyond: Estimates, confidence: float, *, intervals: bool = True
) -> Estimates:
    """Put question (c) again with declined occasions at the worst end of the scale."""
    worst = np.where(batch.sign < 0, batch.ceiling, batch.floor)
    declined = batch.declined.any(axis=1)
    value, p_value = np.array(beyond.value), np.array(beyond.p_value)
    low, high = np.array(beyond.ci_low), np.array(beyond.ci_high)
    rows = np.flatnonzero(declined & ~np.isnan(worst))
    if len(rows):
        again = level_and_slope_change_batch(
            batch.take(rows), confidence=confidence, declines="ceiling", intervals=intervals
        ).on_average
        value[rows], p_value[rows] = again.value, again.p_value
        low[rows], high[rows] = again.ci_low, again.ci_high
    no_end = declined & np.isnan(worst)
    for column in (p_value, low, high):
        column[no_end] = np.nan
    return replace(beyond, value=value, ci_low=low, ci_high=high, p_value=p_value)


def assemble(
    code: str,
    rule: Rule,
    *,
    lower: bool,
    fell: Estimate,
    worse: Estimate,
    size: Estimate,
    baseline_trend: Estimate,
    beyond_baseline: Estimate,
    difference: Estimate,
    without_declines: Estimate | None,
    beyond_with_declines: Estimate | None,
    trend_ladder: str = "",
    rising: bool = False,
    width: float = float("nan"),
) -> Verdict:
    """Put one verdict together with its questions and cautions."""
    made = Verdict(
        code=code,
        words=words_of(code, lower=lower),
        fell=fell,
        worse=worse,
        size=size,
        baseline_trend=baseline_trend,
        beyond_baseline=beyond_baseline,
        difference=difference,
        without_declines=without_declines,
        beyond_with_declines=beyond_with_declines,
        smallest_p=float(fell.counts["smallest_p"]),
        questions=(),
        trend_ladder=trend_ladder,
        cautions=_cautions(
            fell,
            beyond_baseline,
            declined=beyond_with_declines is not None,
            rising=rising and code == "rose",
            margin=_margin_caution(code, rule.margin, width),
        ),
    )
    return replace(made, questions=questions(made, rule.alpha, lower=lower))


def _margin_caution(code: str, margin: float, width: float) -> tuple[str, ...]:
    """Hold the margin, which a practice states in points, against the scale of this child."""
    if code == "about_the_same" and margin > WIDEST_MARGIN * width:
        return (WIDE_MARGIN,)
    rating_scale = 0 < width <= WIDEST_RATING_SCALE
    return (NARROW_MARGIN,) if code == "no_clear_change" and rating_scale and margin < width / 20 else ()


def _cautions(
    fell: Estimate, beyond: Estimate, *, declined: bool, rising: bool, margin: tuple[str, ...]
) -> tuple[str, ...]:
    first = (*((ALREADY_RISING,) if rising else ()), *margin)
    sentences = dict.fromkeys((*first, *fell.cautions, *beyond.cautions))
    if declined:
        sentences.pop(LEFT_OUT, None)
        sentences[DECLINES_BOTH_WAYS] = None
    return tuple(sentences)
