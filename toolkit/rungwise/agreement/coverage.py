"""How many trials two observers saw, how far they agreed, and what published standards ask."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.agreement.icc import icc
from rungwise.agreement.kappa import kappa
from rungwise.agreement.percent import percent_agreement
from rungwise.basis.errors import check_choice
from rungwise.basis.estimate import Estimate
from rungwise.basis.intervals import share_interval
from rungwise.basis.page_numbers import format_bounded, format_number
from rungwise.ladders.phase_on import phase_on
from rungwise.series.phase_series import PHASES
from rungwise.tables.level_3 import OBSERVERS
from rungwise.tables.table import Table, TableSet

if TYPE_CHECKING:
    import pandas as pd

# What is asked of single-case studies: a second observer for this share of the trials of every phase,
# and this much agreement.
MINIMUM_SHARE = 0.20
MINIMUM_AGREEMENT = 0.80
MINIMUM_KAPPA = 0.60
STANDARD = (
    "Held against the What Works Clearinghouse standards for single-case designs, version 4.1: a second "
    "observer for at least 20 % of the trials of each phase (read in a secondary source), and at least .80 "
    "agreement or .60 kappa (from memory of the handbook; details of later versions are unconfirmed)."
)
OUTCOMES = ("completed", "partial", "declined")
VARIABLES = {"outcome": "outcome of the trial", "fear_peak": "peak fear"}
UNKNOWN_PHASE = "not recorded"
# Tenths are not exact in binary: four of twenty trials must count as 20 %.
_EDGE = 1e-12
NO_DISTANCE = "Outcomes have no distance, so there is no agreement within one point and no correlation."
OFF_SCALE = "Weighted kappa needs whole points of the declared scale, and a rating is none of them."
FRAME_COLUMNS = (
    "child_id", "variable", "phase", "trials", "seen_twice", "share_twice", "share_low", "share_high",
    "agreement", "agreement_low", "agreement_high", "within_one", "kappa", "weighted_kappa", "icc",
    "icc_form", "verdict", "reasons", "why_missing",
)  # fmt: skip
_KEY = ("child_id", "ladder_id", "date", "kind", "trial")


ALL_PHASES = "all phases"


@dataclass(frozen=True)
class PhaseAgreement:
    """Double observation in one phase, or in all of them.

    Attributes
    ----------
    phase : str
        `ALL_PHASES` for all of them together.
    share : Estimate
        Share of the trials that a second observer saw too; ``counts["count"]`` of ``n``.
    agreement, kappa : Estimate
        Percent agreement and kappa on those trials.
    within_one, weighted_kappa, icc : Estimate or None
        Agreement within one point, quadratically weighted kappa on the declared scale and ICC(1,1);
        None for outcomes, which have no distance, and weighted kappa also where a rating is no whole
        point of the declared scale.
    """

    phase: str
    share: Estimate
    agreement: Estimate
    kappa: Estimate
    within_one: Estimate | None = None
    weighted_kappa: Estimate | None = None
    icc: Estimate | None = None


@dataclass(frozen=True)
class AgreementReview:
    """Double observation of one child, or of all children together.

    Attributes
    ----------
    child_id : str
        ``""`` for all children together.
    variable : str
        A key of `VARIABLES`.
    phases : tuple of PhaseAgreement
        Phases in which there were trials.
    overall : PhaseAgreement
        All phases together.
    verdict : str
        ``"meets"``, ``"does not meet"``, ``"not applicable"`` or ``"cannot be said"``.
    reasons : tuple of str
        How the verdict was reached, with the numbers it rests on.
    cautions : tuple of str
        What was left out, and why.
    """

    child_id: str
    variable: str
    phases: tuple[PhaseAgreement, ...]
    overall: PhaseAgreement
    verdict: str
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Trials:
    """Trials in scope, one entry each, with the second observer's entry (None or NaN without)."""

    child: np.ndarray
    phase: np.ndarray
    first: np.ndarray
    second: np.ndarray
    seen_twice: np.ndarray

    def of(self, mask: np.ndarray) -> _Trials:
        return _Trials(*(getattr(self, name)[mask] for name in self.__dataclass_fields__))


def agreement_reviews(
    tables: TableSet,
    *,
    variable: str = "outcome",
    kinds: Sequence[str] = ("probe",),
    each_child: bool = True,
) -> tuple[AgreementReview, ...]:
    """Review double observation for all children together and for each child.

    The outcome of a trial can be seen, so it can always be checked by a second observer. Peak fear can
    be checked only where the first rating, too, was an observer's: a rating by the child, or by a
    parent for the child, is no observation, and its review is "not applicable".

    Parameters
    ----------
    tables : TableSet
        With ``observations``; ``agreement`` and ``phases`` where they were recorded.
    variable : {"outcome", "fear_peak"}
        What is compared.
    kinds : sequence of {"probe", "approach", "practice"}
        Kinds of trial in scope; the outcome of a study is its probes.
    each_child : bool
        False for all children together only, which is quicker.

    Returns
    -------
    tuple of AgreementReview
        All children first, then each child in the order of codes; empty where trials were not
        recorded.

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.
    """
    check_choice("variable", variable, VARIABLES)
    for kind in kinds:
        check_choice("kinds", kind, ("probe", "approach", "practice"))
    if "observations" not in tables.tables:
        return ()
    observations = tables.tables["observations"]
    observations = observations.where(np.isin(observations["kind"].astype(str), list(kinds)))
    second = tables.tables.get("agreement")
    trials, by_child = _trials(tables, observations, second, variable)
    scale = tables.practice.scales.get("fear")
    points = None if scale is None else np.arange(scale.minimum, scale.maximum + 1)
    raters: dict[str, set[str | None]] = {"": set(observations["rated_by"].tolist())}
    for child, rater in zip(
        observations["child_id"].tolist(), observations["rated_by"].tolist(), strict=True
    ):
        raters.setdefault(child, set()).add(rater)
    places: dict[str, list[int]] = {"": list(range(len(trials.child)))}
    for place, child in enumerate(trials.child.tolist()):
        places.setdefault(child, []).append(place)
    return tuple(
        _review(
            child,
            variable,
            trials.of(np.array(places.get(child, []), dtype=np.int64)),
            raters[child],
            second is not None,
            points,
            by_child.get(child, (0, 0)),
        )
        for child in (sorted(raters) if each_child else [""])
    )


def agreement_frame(reviews: Sequence[AgreementReview]) -> pd.DataFrame:
    """Lay reviews out as a table: one row per child and phase, and one per child over all phases.

    ``why_missing`` says why a number of the row is missing.
    """
    import pandas as pd

    rows = [
        {
            "child_id": review.child_id or "all children",
            "variable": review.variable,
            "phase": one.phase,
            "trials": one.share.n,
            "seen_twice": int(one.share.counts["count"]),
            "share_twice": one.share.value,
            "share_low": one.share.ci_low,
            "share_high": one.share.ci_high,
            "agreement": one.agreement.value,
            "agreement_low": one.agreement.ci_low,
            "agreement_high": one.agreement.ci_high,
            "within_one": _value(one.within_one),
            "kappa": one.kappa.value,
            "weighted_kappa": _value(one.weighted_kappa),
            "icc": _value(one.icc),
            "icc_form": "" if one.icc is None else one.icc.statistic,
            "verdict": review.verdict if one is review.overall else "",
            "reasons": "; ".join(review.reasons) if one is review.overall else "",
            "why_missing": " ".join(_why_missing(review.variable, one)),
        }
        for review in reviews
        for one in (*review.phases, review.overall)
    ]
    return pd.DataFrame(rows, columns=list(FRAME_COLUMNS))


def _value(estimate: Estimate | None) -> float:
    return float("nan") if estimate is None else estimate.value


def _why_missing(variable: str, one: PhaseAgreement) -> list[str]:
    estimates = (one.share, one.agreement, one.within_one, one.kappa, one.weighted_kappa, one.icc)
    why = dict.fromkeys(
        caution
        for estimate in estimates
        if estimate is not None and math.isnan(estimate.value)
        for caution in estimate.cautions
    )
    if variable == "outcome":
        why[NO_DISTANCE] = None
    elif one.agreement.n and one.weighted_kappa is None:
        why[OFF_SCALE] = None
    if one.share.n == 0:
        why["No trial is in scope."] = None
    elif not one.agreement.n:
        why["No trial was seen by a second observer."] = None
    return list(why)


def _trials(
    tables: TableSet, observations: Table, second: Table | None, variable: str
) -> tuple[_Trials, dict[str, tuple[int, int]]]:
    """Match second views to trials; count, by child, those that match none and those not needed."""
    phase = phase_on(tables, observations)
    keys = _keys(observations)
    in_scope = np.ones(len(observations), dtype=bool)
    if variable == "fear_peak":
        observed = np.isin(observations["rated_by"].astype(str), OBSERVERS)
        in_scope = observed & ~np.isnan(observations["fear_peak"])
    steps: dict[tuple[Any, ...], set[float]] = {}
    for key, step in zip(keys, observations["step"].tolist(), strict=True):
        steps.setdefault(key, set()).add(step)
    views: dict[tuple[Any, ...], list[int]] = {}
    unmatched: dict[str, int] = {}
    if second is not None:
        wanted = set(observations["kind"].tolist())
        for i, (key, step) in enumerate(zip(_keys(second), second["step"].tolist(), strict=True)):
            there = steps.get(key, set())
            if np.isnan(step) and len(there) == 1:
                (step,) = there
            if step in there:
                views.setdefault((*key, step), []).append(i)
            elif key[3] in wanted:
                unmatched[key[0]] = unmatched.get(key[0], 0) + 1
    spare: dict[str, int] = {}
    seen: set[tuple[Any, ...]] = set()
    entries = []
    for i, (key, step) in enumerate(zip(keys, observations["step"].tolist(), strict=True)):
        trial = (*key, step)
        # One trial can stand in several rows, one per kind of rater; it is one trial all the same.
        if not in_scope[i] or trial in seen:
            continue
        seen.add(trial)
        rater = observations["rater_id"][i]
        other = [
            j
            for j in views.get(trial, [])
            if second is not None and (rater is None or second["rater_id"][j] != rater)
        ]
        if variable == "fear_peak" and second is not None:
            other = [j for j in other if not np.isnan(second["fear_peak"][j])]
        if len(other) > 1:
            spare[key[0]] = spare.get(key[0], 0) + len(other) - 1
        entry = None if not other or second is None else second[variable][other[0]]
        entries.append((key[0], phase[i] or UNKNOWN_PHASE, observations[variable][i], entry, bool(other)))
    children, phases, firsts, seconds, twice = (
        np.array([entry[place] for entry in entries], dtype=dtype)
        for place, dtype in enumerate((object, object, object, object, bool))
    )
    trials = _Trials(children, phases, firsts, seconds, twice)
    counted = {child: (unmatched.get(child, 0), spare.get(child, 0)) for child in {*unmatched, *spare}}
    counted[""] = (sum(unmatched.values()), sum(spare.values()))
    return trials, counted


def _keys(table: Table) -> list[tuple[Any, ...]]:
    return list(zip(*(table[name].tolist() for name in _KEY), strict=True))


def _review(
    child: str,
    variable: str,
    trials: _Trials,
    raters: set[str | None],
    recorded: bool,
    points: np.ndarray | None,
    left_out: tuple[int, int],
) -> AgreementReview:
    known = [name for name in (*PHASES, UNKNOWN_PHASE) if (trials.phase == name).any()]
    phases = tuple(_phase(name, trials.of(trials.phase == name), variable, points) for name in known)
    overall = _phase(ALL_PHASES, trials, variable, points)
    verdict, reasons = _verdict(variable, trials, phases, raters, recorded, overall)
    unmatched, spare = left_out
    cautions = []
    if unmatched:
        cautions.append(f"Second views that belong to no recorded trial, and are not used: {unmatched}.")
    if spare:
        cautions.append(f"Further second views of a trial, beyond the first, that are not used: {spare}.")
    return AgreementReview(child, variable, phases, overall, verdict, tuple(reasons), tuple(cautions))


def _phase(name: str, trials: _Trials, variable: str, points: np.ndarray | None) -> PhaseAgreement:
    share = share_interval(int(trials.seen_twice.sum()), len(trials.child))
    if variable == "outcome":
        outcomes = trials.first[trials.seen_twice], trials.second[trials.seen_twice]
        return PhaseAgreement(
            name, share, percent_agreement(*outcomes), kappa(*outcomes, categories=OUTCOMES)
        )
    first, second = _numbers(trials)
    on_scale = points is not None and np.isin([*first, *second], points).all()
    return PhaseAgreement(
        name,
        share,
        percent_agreement(first, second),
        kappa(first, second),
        within_one=percent_agreement(first, second, within=1),
        weighted_kappa=(
            kappa(first, second, "quadratic", points.tolist()) if on_scale and points is not None else None
        ),
        icc=icc(np.column_stack([first, second]), "1,1") if len(first) else None,
    )


def _numbers(trials: _Trials) -> tuple[np.ndarray, np.ndarray]:
    twice = trials.seen_twice
    return trials.first[twice].astype(float), trials.second[twice].astype(float)


def _verdict(
    variable: str,
    trials: _Trials,
    phases: tuple[PhaseAgreement, ...],
    raters: set[str | None],
    recorded: bool,
    overall: PhaseAgreement,
) -> tuple[str, list[str]]:
    if variable == "fear_peak" and len(trials.child) == 0:
        if None in raters:
            return "cannot be said", ["Who rated peak fear is not recorded."]
        if not raters & set(OBSERVERS):
            who = " or ".join(sorted(str(rater) for rater in raters))
            words = f"Peak fear was rated by the {who}; what a person feels has no second rater."
            return "not applicable", [words]
        return "cannot be said", ["No peak fear was recorded by an observer."]
    if len(trials.child) == 0:
        return "cannot be said", ["No trial was recorded."]
    if not recorded:
        return "cannot be said", ["Second observers were not recorded."]
    reasons, often = [], True
    for one in phases:
        enough = one.share.value >= MINIMUM_SHARE - _EDGE
        often = often and enough
        reasons.append(
            f"{one.phase.replace('_', '-')}: {int(one.share.counts['count'])} of {one.share.n} trials seen "
            f"by a second observer ({format_number(100 * one.share.value)} %, "
            f"{'at least' if enough else 'less than'} {100 * MINIMUM_SHARE:g} %)"
        )
    agreement, plain = overall.agreement, overall.kappa
    agreed = agreement.value >= MINIMUM_AGREEMENT - _EDGE
    beyond = plain.value >= MINIMUM_KAPPA - _EDGE
    reasons.append(_which_counted(agreement.value, plain.value, agreed, beyond))
    return "meets" if often and (agreed or beyond) else "does not meet", reasons


def _which_counted(agreement: float, plain: float, agreed: bool, beyond: bool) -> str:
    """Say which of the two measures carried the standard, one of them being enough."""
    seen, beyond_chance = format_bounded(agreement), format_bounded(plain)
    least, least_kappa = format_bounded(MINIMUM_AGREEMENT), format_bounded(MINIMUM_KAPPA)
    enough = f"agreement {seen} is enough (at least {least})"
    if math.isnan(agreement):
        return "no trial was seen twice, so agreement cannot be computed"
    if math.isnan(plain):
        short = f"agreement {seen} does not reach {least}, and"
        return f"{f'{enough},' if agreed else short} kappa cannot be computed"
    if agreed and beyond:
        both = f"agreement {seen} (at least {least}) and kappa {beyond_chance} (at least {least_kappa})"
        return f"{both}, of which one is enough"
    if agreed:
        return f"{enough}, so kappa {beyond_chance} need not reach {least_kappa}"
    if beyond:
        enough = f"kappa {beyond_chance} is enough (at least {least_kappa})"
        return f"{enough}, so agreement {seen} need not reach {least}"
    return f"neither agreement {seen} reaches {least} nor kappa {beyond_chance} reaches {least_kappa}"
