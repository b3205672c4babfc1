"""The plain difference of means: how many points the exposure ratings lie from the baseline's."""

from __future__ import annotations

import numpy as np

from rungwise.basis.estimate import Estimate
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.magnitude import NO_RATING, Moments
from rungwise.single_case.rated import LEFT_OUT

METHOD = "mean of the exposure ratings minus mean of the baseline ratings"
OVER_LADDERS = "mean over ladders of: " + METHOD


def mean_change(*ladders: PhaseSeries) -> Estimate:
    """Give exposure mean minus baseline mean in rating points, averaged over a child's ladders.

    Misleads where the ratings have a trend: early and late exposure occasions are averaged. Declined
    occasions have no rating and are left out. The ladders must share one rating scale.

    Parameters
    ----------
    *ladders : PhaseSeries

    Returns
    -------
    Estimate
        ``value`` in points, with the sign of the data; no interval and no test. NaN where no ladder has
        a rating in both phases. ``n`` counts ratings.

    Examples
    --------
    >>> mean_change(PhaseSeries.from_phases([8, 8, 7, 9], [6, 5, 4, 5])).value
    -3.0
    """
    m = Moments.of(SeriesBatch.of(*ladders))
    both = (m.n_a > 0) & (m.n_b > 0)
    value = float(np.mean((m.mean_b - m.mean_a)[both])) if both.any() else float("nan")
    cautions = [] if both.any() else [NO_RATING]
    if m.declined.any():
        cautions.append(LEFT_OUT)
    return Estimate(
        "mean_change",
        value,
        n=int((m.n_a + m.n_b)[both].sum()),
        counts={"ladders": int(both.sum()), "declined": int(m.declined.sum())},
        method=OVER_LADDERS if len(ladders) > 1 else METHOD,
        unit="points",
        cautions=tuple(cautions),
    )
