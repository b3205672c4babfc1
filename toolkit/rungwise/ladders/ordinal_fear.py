"""Step-adjusted fear from the order of the ratings alone."""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from rungwise.basis.estimate import Estimate, orientation
from rungwise.ladders.exposure_trials import Program, programs_in_exposure, why_refused
from rungwise.ladders.step_adjusted import FOLLOWS_RATINGS
from rungwise.tables.table import TableSet

ORDINAL_ALONE = (
    "Trials of one day resemble each other and this model takes them as independent, so neither interval "
    "nor p is given."
)
NOT_REACHED = "The model found no best fit, as when ratings and steps separate completely."


@dataclass(frozen=True, eq=False)
class OrdinalStepAdjusted:
    """Step-adjusted fear from the order of the ratings alone, declines ranked worst.

    Attributes
    ----------
    child_id, ladder_id : str
    refused : str
    per_week : Estimate
        Change a week of the log odds of a worse rating (or a decline), at one and the same difficulty.
    calm_first, calm_last : float
        Chance, by the model, of a rating at or below the practice's mastery criterion at the probe
        step, on the first and the last day; NaN where refused.
    """

    child_id: str
    ladder_id: str
    refused: str
    per_week: Estimate
    calm_first: float
    calm_last: float


def ordinal_step_adjusted_fear(
    tables: TableSet,
    *,
    child_id: str | None = None,
    kinds: Iterable[str] = ("probe", "approach", "practice"),
) -> tuple[OrdinalStepAdjusted, ...]:
    """Fit the order of the ratings on difficulty and time, declines ranked worse than any rating.

    A check on `step_adjusted_fear`, which takes a point to be worth the same everywhere on the scale and
    has no place for a decline. Here neither is needed: a proportional-odds model of all trials.

    Parameters
    ----------
    tables, child_id, kinds
        As in `step_adjusted_fear`.

    Returns
    -------
    tuple of OrdinalStepAdjusted
        Refused by the same rules, and where the model finds no best fit.

    Notes
    -----
    Source: McCullagh 1980, Journal of the Royal Statistical Society B 42:109-142; fitted by statsmodels.
    """
    calm = tables.practice.mastery.rating_at_most
    return tuple(_ordinal(program, calm) for program in programs_in_exposure(tables, child_id, kinds))


def _ordinal(program: Program, calm: float) -> OrdinalStepAdjusted:
    blank = Estimate(
        "step-adjusted fear a week, by rank", float("nan"), unit="log odds of a worse rating a week"
    )
    made = OrdinalStepAdjusted(
        program.child, program.ladder, why_refused(program), blank, float("nan"), float("nan")
    )
    if not made.refused:
        # A decline is a rank of its own beyond the worst end.
        rank = np.where(program.declined, np.inf, -program.sign * program.rating)
        used = ~np.isnan(rank)
        levels, codes = np.unique(rank[used], return_inverse=True)
        fit = _proportional_odds(codes, np.column_stack([program.difficulty[used], program.week[used]]))
        if fit is None:
            made = replace(made, refused=NOT_REACHED)
        else:
            slopes, cuts = fit
            first, last = program.week[used][[0, -1]]
            bound = -program.sign * calm
            below = int((levels <= bound).sum())
            # Cut k lies above category k; all categories at or below the bound lie under cut below − 1.
            over = cuts[below - 1] if 0 < below < len(levels) else np.inf if below else -np.inf
            chances = [_logistic(over - slopes[1] * at) for at in (first, last)]
            value = float(slopes[1])
            return replace(
                made,
                per_week=replace(
                    blank, value=value, n=int(used.sum()), favors=str(orientation(np.array([-value]))[0]),
                    counts={"trials": int(used.sum()), "declined": int(program.declined.sum())},
                    method="proportional-odds model of all trials on difficulty and weeks, declines worst",
                    cautions=(ORDINAL_ALONE, FOLLOWS_RATINGS),
                ),
                calm_first=float(chances[0]),
                calm_last=float(chances[1]),
            )  # fmt: skip
    return replace(made, per_week=replace(blank, cautions=(made.refused,)))


def _proportional_odds(codes: np.ndarray, design: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    if codes.max(initial=0) < 1:
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            model = OrderedModel(codes, design, distr="logit")
            fit = model.fit(method="bfgs", maxiter=500, disp=False)
        except (np.linalg.LinAlgError, ValueError):
            return None
        cuts = model.transform_threshold_params(fit.params)[1:-1]
    found = fit.mle_retvals["converged"] and np.isfinite(fit.params).all()
    # Complete separation shows as slopes that run away while the likelihood barely rises.
    return (fit.params[:2], cuts) if found and np.abs(fit.params[:2]).max() < 50 else None


def _logistic(x: float) -> float:
    return float(1 / (1 + np.exp(-x)))
