"""The answer about one child: the one function behind the printed answer, the page and the audit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rungwise.basis.errors import NotEnoughData
from rungwise.basis.page_numbers import count_of
from rungwise.series.batch import SeriesBatch
from rungwise.series.caseload import Caseload
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.error_rates import ErrorRates, error_rates
from rungwise.single_case.several_ladders import verdict_over_ladders
from rungwise.single_case.verdict import Rule, Verdict, Verdicts, verdicts
from rungwise.single_case.verdict_words import headline
from rungwise.tables.level_1 import ONE_CHILD
from rungwise.tables.practice import Practice

NOT_SIMULATED = ("How often the verdict errs over several ladders has not been simulated.",)


@dataclass(frozen=True)
class LadderAnswer:
    """One planned series of the child; shown, not counted on its own when there are several."""

    ladder_id: str
    series: PhaseSeries
    verdict: Verdict


@dataclass(frozen=True)
class ChildAnswer:
    """Everything the printed answer, the page and the audit say about one child.

    Attributes
    ----------
    child_id : str
    outcome : str
        What was rated, for example ``"fear"``.
    headline : str
        Plain sentences a parent can read: the verdict with its uncertainty.
    verdict : Verdict
        The child's one verdict, over all ladders.
    ladders : tuple of LadderAnswer
    rates : ErrorRates or None
        How often the verdict errs at about these lengths; None outside the simulated range and for
        several ladders.
    level : int
        Recording level the answer rests on.
    set_aside : int
        Rows of the files that were set aside; some may be this child's.
    rule : Rule
        The settings the verdict was made with.
    cautions : tuple of str
    remarks : int
        Warnings on the files, which set nothing aside.
    only_child : bool
        Whether the files are about this child alone.
    """

    child_id: str
    outcome: str
    headline: str
    verdict: Verdict
    ladders: tuple[LadderAnswer, ...]
    rates: ErrorRates | None
    level: int
    set_aside: int
    rule: Rule
    cautions: tuple[str, ...]
    remarks: int = 0
    only_child: bool = False

    def __repr__(self) -> str:
        return f"ChildAnswer({self.child_id}: {self.headline})"


# Seed of the draws that stand in where a child's days are too many to count every assignment.
DRAWS_SEED = 2026


def child_answer(
    caseload: Caseload,
    child_id: str | None = None,
    outcome: str | None = None,
    *,
    rng: np.random.Generator | None = None,
) -> ChildAnswer:
    """Answer the three questions about one child, over all of the child's ladders.

    Parameters
    ----------
    caseload : Caseload
        From `read_caseload`.
    child_id : str, optional
        The child's code; may be left out where there is only one child.
    outcome : str, optional
        What was rated; needed only where a child has several outcomes and none is ``"fear"``.
    rng : numpy.random.Generator, optional
        For children with several ladders whose days are too many to count; default a fixed seed, so
        that the same files give the same answer.

    Returns
    -------
    ChildAnswer

    Raises
    ------
    ValueError
        If the child or the outcome is not in the caseload; the message says what is.
    NotEnoughData
        If the child is known, but nothing was rated yet.

    Notes
    -----
    With several ladders the child is classified once, by a Tau stratified over them in which whole
    days are permuted together. The p-value is unadjusted: how many children are tested is a matter
    for the sentence about the caseload.
    """
    child_id = which_child(caseload, child_id)
    outcome = _outcome(caseload, child_id, outcome)
    series = _series(caseload, child_id, outcome)
    each = verdicts(SeriesBatch.of(*series.values()), rule_of(caseload.practice))
    return _answer(caseload, child_id, outcome, series, each, rng)


def child_answers(caseload: Caseload, outcomes: Mapping[str, str]) -> tuple[ChildAnswer, ...]:
    """Answer for many children at once: the answers of `child_answer`, in a fraction of the time.

    Parameters
    ----------
    caseload : Caseload
    outcomes : Mapping[str, str]
        What each child is judged by, by code.

    Raises
    ------
    ValueError
        As `child_answer`.
    """
    series = {
        child: _series(caseload, which_child(caseload, child), _outcome(caseload, child, outcome))
        for child, outcome in outcomes.items()
    }
    rule = rule_of(caseload.practice)
    alone = [child for child, ladders in series.items() if len(ladders) == 1]
    single: dict[str, Verdict] = {}
    if alone:
        batch = SeriesBatch.of(*(one for child in alone for one in series[child].values()))
        single = dict(zip(alone, verdicts(batch, rule), strict=True))
    return tuple(
        _answer(
            caseload,
            child,
            outcomes[child],
            ladders,
            [single[child]]
            if child in single
            else verdicts(SeriesBatch.of(*ladders.values()), rule),
        )
        for child, ladders in series.items()
    )  # fmt: skip


def _series(caseload: Caseload, child_id: str, outcome: str) -> dict[str, PhaseSeries]:
    return {
        ladder: caseload.series(child_id, ladder, outcome)
        for ladder in _counted(caseload, child_id, outcome)
    }


def _starts(series: Sequence[PhaseSeries]) -> np.ndarray | None:
    """Give the first day of each series, counted from the earliest; None where days are not known."""
    days = [one.starts_on for one in series if one.starts_on is not None]
    if len(days) < len(series):
        return None
    return np.array([(day - min(days)).days for day in days], dtype=float)


def _counted(caseload: Caseload, child_id: str, outcome: str) -> tuple[str, ...]:
    """Name the ladders the child is judged by: those that are practiced, where any is known to be."""
    return caseload.ladders(child_id, outcome, trained=True) or caseload.ladders(child_id, outcome)


def _answer(
    caseload: Caseload,
    child_id: str,
    outcome: str,
    series: Mapping[str, PhaseSeries],
    each: Verdicts | Sequence[Verdict],
    rng: np.random.Generator | None = None,
) -> ChildAnswer:
    """Put one child's answer together from the verdicts on its ladders."""
    ladders = tuple(
        LadderAnswer(ladder, one, verdict)
        for (ladder, one), verdict in zip(series.items(), each, strict=True)
    )
    verdict = ladders[0].verdict
    if isinstance(each, Verdicts):
        verdict = _over(each, series, rng)
    lower = ladders[0].series.better == "lower"
    return ChildAnswer(
        child_id=child_id,
        outcome=outcome,
        headline=headline(verdict, f"{_name(child_id)}'s {outcome}", lower=lower),
        verdict=verdict,
        ladders=ladders,
        rates=_rates(ladders),
        level=caseload.level,
        set_aside=caseload.report.rows_set_aside,
        remarks=len(caseload.report.warnings),
        only_child=len(caseload.children) == 1,
        rule=rule_of(caseload.practice),
        cautions=verdict.cautions + tuple(_missing(ladders)) + NOT_SIMULATED * (len(ladders) > 1),
    )


def _rates(ladders: Sequence[LadderAnswer]) -> ErrorRates | None:
    """Give the error rates of the verdict on one ladder; nobody has simulated it over several."""
    if len(ladders) > 1:
        return None
    return error_rates(ladders[0].series.n_baseline, ladders[0].series.n_exposure)


def child_verdict(series: Mapping[str, PhaseSeries], rule: Rule) -> Verdict:
    """Give the one verdict over a child's series by ladder, as `child_answer` gives it."""
    return _over(verdicts(SeriesBatch.of(*series.values()), rule), series)


def _over(
    each: Verdicts, series: Mapping[str, PhaseSeries], rng: np.random.Generator | None = None
) -> Verdict:
    if len(series) == 1:
        return each[0]
    return verdict_over_ladders(
        each, rng or np.random.default_rng(DRAWS_SEED), _starts(list(series.values())), list(series)
    )


def which_child(caseload: Caseload, child_id: str | None) -> str:
    """Give the child asked for, or the only one there is.

    Raises
    ------
    ValueError
        If the code is not there (naming the nearest ones), or is left out with several children.
    NotEnoughData
        If the child is listed but has no planned rating yet, or nobody has one.
    """
    if not isinstance(caseload, Caseload):
        raise ValueError(f"caseload must come from read_caseload; got {caseload!r}.")
    children = caseload.children
    if not children:
        raise NotEnoughData(
            "There is no planned rating of any child yet, so there is nothing to answer from."
        )
    if child_id is None:
        if len(children) == 1:
            return children[0]
        raise ValueError(f"There are {len(children)} children; name one: {_some(children)}.")
    if child_id in children:
        return str(child_id)
    alike = [code for code in children if code.casefold() == str(child_id).strip().casefold()]
    if len(alike) == 1:
        return alike[0]
    listed = caseload.tables.get("children")
    if listed is not None and child_id in listed["child_id"].tolist():
        raise NotEnoughData(f"{child_id} is listed, but has no planned rating yet.")
    from difflib import get_close_matches

    near = get_close_matches(str(child_id), children, n=3, cutoff=0.5)
    said = f"did you mean {_some(near)}?" if near else f"there are: {_some(children)}."
    raise ValueError(f"There is no child {child_id!r} with ratings; {said}")


def rule_of(practice: Practice) -> Rule:
    """Give the verdict's settings as the practice fixed them."""
    return Rule(
        alpha=practice.alpha,
        margin=practice.margin,
        minimum_baseline=practice.minimum_baseline,
        minimum_exposure=practice.minimum_exposure,
    )


def _name(child_id: str) -> str:
    return "the child" if child_id == ONE_CHILD else child_id


def _outcome(caseload: Caseload, child_id: str, outcome: str | None) -> str:
    outcomes = caseload.outcomes(child_id)
    if outcome is None:
        if len(outcomes) == 1:
            return outcomes[0]
        if "fear" in outcomes:
            return "fear"
        raise ValueError(f"{child_id} has several outcomes; name one: {_some(outcomes)}.")
    if outcome not in outcomes:
        raise ValueError(f"{child_id} has no ratings of {outcome!r}; there are: {_some(outcomes)}.")
    return outcome


def _missing(ladders: tuple[LadderAnswer, ...]) -> list[str]:
    missing = int(np.sum([one.series.n_missing for one in ladders]))
    if not missing:
        return []
    return [f"{count_of(missing, 'planned rating')} missing; nothing was put in their place."]


def _some(names: tuple[str, ...] | list[str], most: int = 8) -> str:
    shown = ", ".join(names[:most])
    return shown + (f" and {len(names) - most} more" if len(names) > most else "")
