"""How many falls were to be expected in a group, given who came to it."""

from __future__ import annotations

import math
import warnings
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rungwise.audit.outcomes import Outcome
from rungwise.basis.distributions import normal_quantile
from rungwise.series.phase_series import PhaseSeries

# Children of the rarer outcome for every coefficient of the model (Vittinghoff & McCulloch 2007, American
# Journal of Epidemiology 165:710-718, from memory: five to nine can do where ten are usual).
PER_COEFFICIENT = 5
# A characteristic's value held by fewer judged children than this is put with the other rare ones (design
# choice).
RARE = 5
OTHER = "other"
# Fitted chances this near to 0 or 1 mean that a characteristic tells the outcomes apart completely.
CERTAIN = 1e-6
# Less than this part of a group's variance is left where the model's characteristics tell it apart.
TOLD_APART = 1e-6
# In the order in which they enter the model as long as there are enough children for them.
CHARACTERISTICS = {
    "baseline_level": "baseline level",
    "age_band": "age at entry",
    "referral_reason": "referral reason",
}


@dataclass(frozen=True)
class CaseMix:
    """The chance of a fall of each judged child by what was known when the child came.

    Attributes
    ----------
    chances : ndarray
        One per child; empty where no model can be made.
    design : ndarray
        The model's design matrix, one row per child, the intercept first; empty without a model.
    adjusted_for : tuple of str
        Characteristics in the model, in words.
    left_out : tuple of str
        Those for which there are too few children.
    why : str
        Why there is no model; empty where there is one.
    """

    chances: np.ndarray
    design: np.ndarray
    adjusted_for: tuple[str, ...]
    left_out: tuple[str, ...] = ()
    why: str = ""


def case_mix(fell: Sequence[bool], entry: Mapping[str, Sequence[float] | Sequence[str]]) -> CaseMix:
    """Model the chance of a fall on what was known when each child came.

    A logistic model, fitted over all children and without the groups, so that each group can then be held
    against what its own children would lead one to expect. It misleads where children differ in
    something that was not recorded: a difference that is left is a question, not a finding.

    Parameters
    ----------
    fell : sequence of bool
        One per judged child.
    entry : mapping
        Characteristics by a key of `CHARACTERISTICS`, one value per child: a number, or a word.
        A characteristic without differences is left out, as is one with a missing number.

    Examples
    --------
    >>> fell = [True] * 15 + [False] * 5 + [True] * 5 + [False] * 15
    >>> model = case_mix(fell, {"age_band": ["young"] * 20 + ["older"] * 20})
    >>> model.chances[[0, 39]].round(2).tolist(), model.adjusted_for
    ([0.75, 0.25], ('age at entry',))
    """
    y = np.asarray(fell, dtype=float)
    room = int(min(y.sum(), len(y) - y.sum())) // PER_COEFFICIENT
    columns: list[np.ndarray] = []
    used: list[str] = []
    left_out: list[str] = []
    for name, words in CHARACTERISTICS.items():
        if name not in entry:
            continue
        own = _columns(entry[name])
        if not own:
            continue
        if len(columns) + len(own) > room:
            left_out.append(words)
            continue
        columns += own
        used.append(words)
    if not used:
        why = "Nothing that was recorded when children came tells them apart."
        if left_out:
            why = (
                f"A model needs {PER_COEFFICIENT} children of the rarer outcome for each of its "
                "coefficients, and there are too few."
            )
        return CaseMix(np.empty(0), np.empty((0, 0)), (), tuple(left_out), why)
    design = np.column_stack([np.ones(len(y)), *columns])
    chances = _fitted(y, design)
    if chances is None:
        why = "What was recorded when children came tells some outcomes apart completely, so no model fits."
        return CaseMix(np.empty(0), np.empty((0, 0)), (), tuple(left_out), why)
    return CaseMix(chances, design, tuple(used), tuple(left_out))


def expected_count(model: CaseMix, members: np.ndarray, outside: float) -> tuple[float, float, float]:
    """Give the falls to be expected in a group, and the limits of chance around that number.

    The limits take into account that the group's own children are in the model, which draws what is
    expected toward what was observed. They rest on a normal approximation: simulated, of 1,000 groups
    alike in their work 1 to 3 lie outside limits meant for 2, and 46 to 58 outside limits meant for 50.

    Parameters
    ----------
    model : CaseMix
        With chances.
    members : ndarray of bool
        Which of the model's children are the group's.
    outside : float
        Two-sided probability outside the limits.

    Returns
    -------
    tuple of float
        The expected number, and the ends of the limits, cut at 0 and at the number of children. The
        limits are NaN where the model's characteristics tell the group from all others: then what is
        expected is what was observed, whatever was done there.

    Notes
    -----
    With y the falls (0 or 1), p the chances, W = diag(p(1 - p)), X the design of the model and 1_g the
    mask of the group, the likelihood equations X'(y - p̂) = 0 give to first order

        β̂ - β ≈ (X'WX)⁻¹ X'(y - p).

    The expected number is E = 1_g'p̂ ≈ 1_g'p + c'(β̂ - β) with c = X'W 1_g, so with O = 1_g'y

        O - E ≈ (1_g - X (X'WX)⁻¹ c)'(y - p).

    The variance of y is W, and both 1_g'W X and c' are the same row, so the two cross terms are each
    -c'(X'WX)⁻¹c and the last one is c'(X'WX)⁻¹X'WX(X'WX)⁻¹c; what is left is

        var(O - E) = 1_g'W 1_g - c'(X'WX)⁻¹ c = V_g - c'(X'WX)⁻¹ c.

    It is the residual sum of squares of the mask on the design, weighted by W: never negative, and 0 where
    the mask lies in the span of the design. With the intercept alone in the model and two groups it is
    V₁V₂ / (V₁ + V₂).

    Examples
    --------
    >>> fell = [True] * 12 + [False] * 8 + [True] * 8 + [False] * 12
    >>> model = case_mix(fell, {"age_band": ["under 6", "older"] * 20})
    >>> [round(number, 1) for number in expected_count(model, np.arange(40) < 20, 0.05)]
    [10.0, 6.9, 13.1]
    """
    chances, design = model.chances, model.design
    weights = chances * (1 - chances)
    own = float(weights[members].sum())
    shared = design[members].T @ weights[members]
    information = design.T @ (weights[:, None] * design)
    variance = own - float(shared @ np.linalg.solve(information, shared))
    expected = float(chances[members].sum())
    if variance < TOLD_APART * own:
        return expected, math.nan, math.nan
    reach = float(normal_quantile(1 - outside / 2)) * math.sqrt(variance)
    return expected, max(0.0, expected - reach), min(float(members.sum()), expected + reach)


def baseline_levels(outcomes: Sequence[Outcome]) -> list[float]:
    """Give each judged child's baseline level: 0 at the best end of the scale, 1 at the worst.

    The median of the baseline ratings, a decline at the worst end, averaged over ladders; NaN where the
    ends of a scale are not known.
    """
    levels = []
    for outcome in outcomes:
        ladders = outcome.answer.ladders if outcome.answer else ()
        levels.append(float(np.mean([_level(one.series) for one in ladders])) if ladders else math.nan)
    return levels


def _level(series: PhaseSeries) -> float:
    floor = math.nan if series.floor is None else float(series.floor)
    ceiling = math.nan if series.ceiling is None else float(series.ceiling)
    if not ceiling > floor:
        return math.nan
    mine = series.phases == "baseline"
    values, declined = series.values[mine], series.declined[mine]
    share = (values - floor) / (ceiling - floor)
    if series.better == "higher":
        share = 1 - share
    share = np.where(declined, 1.0, share)
    share = share[~np.isnan(share)]
    return float(np.median(share)) if len(share) else math.nan


def _columns(values: Sequence[float] | Sequence[str]) -> list[np.ndarray]:
    """Columns of the design matrix: one for a number, one for each word but the most frequent."""
    if all(isinstance(value, (int, float)) for value in values):
        numbers = np.asarray(values, dtype=float)
        if np.isnan(numbers).any() or np.ptp(numbers) == 0:
            return []
        return [(numbers - numbers.mean()) / numbers.std()]
    counts: Counter[Any] = Counter(values)
    words = [str(value) if counts[value] >= RARE else OTHER for value in values]
    if sum(word == OTHER for word in words) < RARE:
        most = str(counts.most_common(1)[0][0])
        words = [most if word == OTHER else word for word in words]
    kinds = sorted(set(words), key=lambda word: (-words.count(word), word))
    return [np.array([word == kind for word in words], dtype=float) for kind in kinds[1:]]


def _fitted(y: np.ndarray, design: np.ndarray) -> np.ndarray | None:
    # Named one by one: the package as a whole takes twice as long to import.
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_linear_model import GLM
    from statsmodels.tools.sm_exceptions import PerfectSeparationError

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            found = GLM(y, design, family=Binomial()).fit()
        except (np.linalg.LinAlgError, ValueError, PerfectSeparationError):
            return None
    chances = np.asarray(found.fittedvalues, dtype=float)
    apart = (chances < CERTAIN) | (chances > 1 - CERTAIN)
    return None if not found.converged or apart.any() or np.isnan(chances).any() else chances
