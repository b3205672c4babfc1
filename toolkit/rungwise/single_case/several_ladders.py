"""One verdict over several ladders of one child, each with its own probes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rungwise.basis.estimate import Estimate, Estimates
from rungwise.basis.page_numbers import count_of
from rungwise.series.batch import SeriesBatch
from rungwise.single_case.stratified import stratified_tau
from rungwise.single_case.verdict import Verdict, Verdicts, assemble
from rungwise.single_case.verdict_rule import Answers, decide, is_constant

OPPOSITE_WAYS = "The ladders went different ways: better on one, worse on another. Look at each."
SCALES_DIFFER = "The ladders are rated on different scales, so their changes in points are not averaged."


def verdict_over_ladders(
    each: Verdicts,
    rng: np.random.Generator,
    starts: np.ndarray | None = None,
    names: Sequence[str] = (),
) -> Verdict:
    """Classify one child once, over all ladders.

    Question (a) is a Tau stratified over the ladders in which whole days are permuted together, as
    ratings of one day are not independent. For (b), the baseline counts as falling if it falls on
    any ladder. For (c) and the margin the ladders' changes are averaged, and so are their limits,
    which takes the ladders to err together and is wide where they do not.

    Parameters
    ----------
    each : Verdicts
        The child's ladders, one series each.
    rng : numpy.random.Generator
        Used only where the assignments of days are too many to count.
    starts : ndarray, optional
        What to add to each ladder's times so that equal numbers are the same day; default nothing.
    names : sequence of str
        What to call the ladders; default the labels of the series.
    """
    batch, rule = each.batch, each.rule
    confidence = 1 - rule.alpha
    shift = np.zeros(len(batch)) if starts is None else np.asarray(starts, dtype=float)

    def stratified(some: SeriesBatch, alternative: str = "two-sided") -> Estimate:
        return stratified_tau(some, some.times + shift[:, None], alternative, confidence, rng=rng)

    fell, worse = stratified(batch), stratified(batch, "worsening")
    alike = all(
        bool(np.all((ends == ends[0]) | (np.isnan(ends) & np.isnan(ends[0]))))
        for ends in (batch.floor, batch.ceiling, batch.sign)
    )
    beyond, ceiling, difference = (
        _over_ladders(change, alike)
        for change in (each.beyond_baseline, each.beyond_ceiling, each.difference)
    )
    long_enough = (batch.n_a >= rule.minimum_baseline) & (batch.n_b >= rule.minimum_exposure)
    constant = bool(is_constant(batch).all())
    trend_p = each.baseline_trend.p_value
    clearest = 0 if np.isnan(trend_p).all() else int(np.nanargmin(trend_p))
    declined = bool(batch.declined.any())
    answers = Answers(
        improved=np.array([fell.p_value <= rule.alpha and fell.value > 0]),
        worsened=np.array([worse.p_value <= rule.alpha]),
        falling=np.array([each.answers.falling.any()]),
        beyond=np.array([_better(beyond, batch.sign[0]) and _better(ceiling, batch.sign[0])]),
        # Averaged, ladders that went opposite ways would look the same: it must hold on each.
        same=np.array([each.answers.same[long_enough].all()]),
        enough=np.array([long_enough.any() and (constant or fell.counts["smallest_p"] <= rule.alpha)]),
        room=np.array([each.answers.room.any()]),
    )
    made = assemble(
        str(decide(answers)[0]),
        rule,
        lower=bool(batch.sign[0] < 0),
        fell=fell,
        worse=worse,
        size=_as_nap(fell),
        baseline_trend=each.baseline_trend[clearest],
        beyond_baseline=beyond,
        difference=difference,
        without_declines=stratified(batch.without_declines()) if declined else None,
        beyond_with_declines=ceiling if declined else None,
        trend_ladder=(names or batch.labels)[clearest],
        rising=bool(each.rising.any()),
        width=float(batch.ceiling[0] - batch.floor[0]) if alike else float("nan"),
    )
    apart = each.answers.improved.any() and each.answers.worsened.any()
    return replace(made, cautions=(OPPOSITE_WAYS, *made.cautions)) if apart else made


def _over_ladders(change: Estimates, alike: bool) -> Estimate:
    """Average a change and its limits over the ladders that have one, if their scales are alike."""
    if not alike:
        nothing = float("nan")
        return replace(
            change[0], value=nothing, ci_low=nothing, ci_high=nothing, p_value=nothing, favors="",
            cautions=(SCALES_DIFFER,),
        )  # fmt: skip
    ladders = [estimate for estimate in change if not np.isnan(estimate.ci_low)]
    if not ladders:
        return change[0]
    value, low, high = (
        float(np.mean([getattr(ladder, name) for ladder in ladders]))
        for name in ("value", "ci_low", "ci_high")
    )
    left_out = len(change) - len(ladders)
    cautions = dict.fromkeys(sentence for ladder in ladders for sentence in ladder.cautions)
    if left_out:
        cautions[f"{count_of(left_out, 'ladder')} had too few ratings for this."] = None
    return replace(
        ladders[0],
        value=value,
        ci_low=low,
        ci_high=high,
        p_value=float("nan"),
        n=sum(ladder.n for ladder in ladders),
        counts={"ladders": len(ladders)},
        method=f"mean over ladders, limits averaged: {ladders[0].method}",
        favors=ladders[0].favors if len({ladder.favors for ladder in ladders}) == 1 else "",
        cautions=tuple(cautions),
    )


def _better(change: Estimate, sign: float) -> bool:
    return change.ci_high < 0 if sign < 0 else change.ci_low > 0


def _as_nap(fell: Estimate) -> Estimate:
    return replace(
        fell,
        statistic="NAP",
        value=(fell.value + 1) / 2,
        ci_low=(fell.ci_low + 1) / 2,
        ci_high=(fell.ci_high + 1) / 2,
    )
