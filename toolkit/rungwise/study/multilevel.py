"""The average change over several children, and how far children differ, by a two-level model."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rungwise.basis.distributions import t_quantile, t_sf
from rungwise.basis.errors import NotEnoughData, check_between, check_choice
from rungwise.basis.estimate import Estimate, orientation
from rungwise.models.two_level import COVARIANCES, TwoLevelFit, fit_two_level, independent
from rungwise.series.batch import SeriesBatch
from rungwise.study.cases import NO_TREND, Cases

SHAPES = ("level", "level_and_slope")
FEWEST_CASES = 3
FEW = 8

TOO_FEW = f"A two-level model needs at least {FEWEST_CASES} cases with ratings in both phases."
FEW_CASES = (
    f"With fewer than {FEW} cases the differences between children are estimated very roughly; the "
    "interval allows for it as far as it can."
)
NO_OPTIMUM = "No point of the likelihood could be certified as its optimum, so nothing is reported."
NO_FREEDOM = "The variances' own uncertainty could not be found, so there are no degrees of freedom."
NO_SPREAD = (
    "Children are estimated not to differ in their change; with few cases that is no proof they do not."
)


@dataclass(frozen=True, eq=False)
class MultilevelChange:
    """Average change over children with its spread.

    Attributes
    ----------
    change : Estimate
        Average change of level at the start of exposure, in rating points.
    slope : Estimate or None
        Average change of slope per unit of time; None with ``shape="level"``.
    sd_between : float
        Standard deviation of children's true changes of level.
    sd_within : float
        Standard deviation of a rating around its child's course.
    phi : float
        Correlation of errors one typical gap apart.
    children : Mapping[str, float]
        Each child's change as the model sees it, drawn toward the average as far as its own ratings
        are few.
    fit : TwoLevelFit or None
        The fit itself; None where there is none.
    """

    change: Estimate
    slope: Estimate | None
    sd_between: float
    sd_within: float
    phi: float
    children: Mapping[str, float]
    fit: TwoLevelFit | None


def multilevel_change(
    batch: SeriesBatch,
    *,
    shape: str = "level",
    autocorrelation: bool = True,
    covariance: str = "full",
    method: str = "reml",
    declines: str = "leave_out",
    confidence: float = 0.95,
) -> MultilevelChange:
    """Estimate the average change over children and how far they differ in it.

    Rating of child i at time t: β0 + b0i + (β1 + b1i)·D + error, D = 1 in exposure, errors AR(1) over the
    real gaps; with ``shape="level_and_slope"`` also β2·t from the first occasion and β3·D·(t − T1i).

    Parameters
    ----------
    batch : SeriesBatch
        One series per child, all on one scale.
    shape : {"level", "level_and_slope"}
    autocorrelation : bool
    covariance : {"full", "diagonal"}
        Whether children's starting levels and changes may be correlated.
    method : {"reml", "ml"}
    declines : {"leave_out", "ceiling"}
    confidence : float

    Returns
    -------
    MultilevelChange
        Values keep the sign of the data. NaN, with the reason in `cautions`, with fewer than three
        usable children, where so few occasions cannot tell slopes from the change, or where no optimum
        could be certified.

    Raises
    ------
    ValueError
        For an option not allowed, or series on different scales.

    Notes
    -----
    It misleads when children are taken for alike: the average can improve while some get worse
    (`sd_between`, `children`). With a level model a trend already under way in baseline counts as
    change.

    Source: Van den Noortgate & Onghena (2003), School Psychology Quarterly 18:325-346; degrees of
    freedom after Satterthwaite (`rungwise.models.two_level`).

    Examples
    --------
    >>> from rungwise.series.phase_series import PhaseSeries
    >>> rows = (
    ...     ([8, 7, 8, 8], [5, 4, 4, 3, 4]),
    ...     ([6, 7, 7, 6], [4, 3, 4, 3, 2]),
    ...     ([9, 8, 9, 9], [8, 7, 6, 7, 6]),
    ... )
    >>> result = multilevel_change(SeriesBatch.of(*(PhaseSeries.from_phases(*row) for row in rows)))
    >>> round(result.change.value, 2), result.change.favors
    (-2.95, 'improvement')
    """
    check_choice("shape", shape, SHAPES)
    check_choice("covariance", covariance, COVARIANCES)
    check_between("confidence", confidence, 0, 1)
    cases = Cases.of(batch, declines)
    cautions = list(cases.cautions)
    names = {
        "level": ("average change",),
        "level_and_slope": ("average level change", "average slope change"),
    }
    units = batch.unit, f"{batch.unit} per unit of time"
    told = f"two-level model, {method.upper()}, {'AR(1)' if autocorrelation else 'independent'} errors"

    def nothing(reason: str) -> MultilevelChange:
        blank = [
            Estimate(
                name, float("nan"), confidence=confidence, alternative="two-sided",
                null="no average change",
                n=len(cases.values), counts={"cases": cases.m}, method=told, unit=unit,
                cautions=(reason, *cautions),
            )
            for name, unit in zip(names[shape], units, strict=False)
        ]  # fmt: skip
        nan = float("nan")
        return MultilevelChange(blank[0], blank[1] if len(blank) > 1 else None, nan, nan, nan, {}, None)

    if cases.m < FEWEST_CASES:
        return nothing(TOO_FEW)
    first = np.array([cases.times[cases.case == i][0] for i in range(cases.m)])[cases.case]
    start = np.array([cases.times[(cases.case == i) & (cases.exposure > 0)][0] for i in range(cases.m)])[
        cases.case
    ]
    one = np.ones(len(cases.values))
    random = np.column_stack([one, cases.exposure])
    design = random
    if shape == "level_and_slope":
        design = np.column_stack([random, cases.times - first, cases.exposure * (cases.times - start)])
        if not independent(design):
            return nothing(NO_TREND)
    try:
        fit = fit_two_level(
            cases.values, design, cases.case, random=random, times=cases.times,
            autocorrelation=autocorrelation, method=method, covariance=covariance,
        )  # fmt: skip
    except NotEnoughData as problem:
        return nothing(str(problem))
    if not fit.converged:
        return nothing(NO_OPTIMUM)
    if cases.m < FEW:
        cautions.append(FEW_CASES)
    spread = float(np.sqrt(fit.random_covariance[1, 1]))
    if spread == 0:
        cautions.append(NO_SPREAD)
    weights = [np.eye(design.shape[1])[1]]
    if shape == "level_and_slope":
        weights.append(np.eye(4)[3])
    estimates = []
    for name, unit, row in zip(names[shape], units, weights, strict=False):
        value, error, df = fit.contrast(row)
        if np.isnan(df):
            return nothing(NO_FREEDOM)
        reach = float(t_quantile(0.5 * (1 + confidence), df)) * error
        estimates.append(
            Estimate(
                name,
                value,
                value - reach,
                value + reach,
                confidence,
                min(1.0, 2 * float(t_sf(abs(value) / error, df))),
                "two-sided",
                "no average change",
                fit.n,
                {"cases": cases.m, "df": df, "standard_error": error, "phi": fit.phi, "sd_between": spread},
                told + ", Satterthwaite degrees of freedom",
                unit,
                str(orientation(np.array([cases.sign * value]))[0]),
                tuple(cautions),
            )
        )
    changes = fit.coefficients[1] + fit.random_effects[:, 1]
    return MultilevelChange(
        estimates[0],
        estimates[1] if len(estimates) > 1 else None,
        spread,
        float(np.sqrt(fit.sigma2)),
        fit.phi,
        dict(zip(cases.labels, changes.tolist(), strict=True)),
        fit,
    )
