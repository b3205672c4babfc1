"""How often two observers recorded the same."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from rungwise.agreement.pairs import paired
from rungwise.basis.estimate import Estimate
from rungwise.basis.intervals import share_interval


def percent_agreement(a: Any, b: Any, *, within: float = 0, confidence: float = 0.95) -> Estimate:
    """Give the share of trials on which two observers recorded the same.

    It is easily read and easily misread: when nearly every trial ends the same way, two observers
    agree on most of them by chance alone, so `kappa` should stand beside it. The interval supposes
    that one agreement does not make the next more likely.

    Parameters
    ----------
    a, b : array_like
        What each observer recorded, trial by trial: numbers or categories. A trial that one of them
        did not record is left out and counted in ``counts["missing"]``.
    within : float
        Numbers at most this far apart count as agreeing; 0 asks for the same entry.
    confidence : float
        Coverage the Wilson interval aims at.

    Returns
    -------
    Estimate
        Statistic ``"percent agreement"`` (``"… within 1"``), as a share between 0 and 1; NaN where
        no trial was recorded by both.

    Raises
    ------
    ValueError
        If the lengths differ, `within` is negative, or is above 0 for categories.

    References
    ----------
    Point-by-point agreement: agreements / (agreements + disagreements), common practice.

    Examples
    --------
    >>> percent_agreement([7, 5, 4, 2], [7, 6, 4, 4]).value
    0.5
    >>> percent_agreement([7, 5, 4, 2], [7, 6, 4, 4], within=1).value
    0.75
    """
    if not within >= 0:
        raise ValueError(f"within must be 0 or more; got {within!r}.")
    one, two, missing = paired(a, b)
    if one.dtype == object and len(one):
        if within > 0:
            raise ValueError(f"within must be 0 for categories, which have no distance; got {within!r}.")
        same = one == two
    else:
        # Ratings in tenths must count as one point apart when they are, whatever their binary digits.
        same = np.abs(one - two) <= within + 1e-9
    return _share(
        "percent agreement" + (f" within {within:g}" if within else ""), same, missing, confidence
    )


def occurrence_agreement(a: Any, b: Any, category: Any, *, confidence: float = 0.95) -> Estimate:
    """Give the agreement on one category, among the trials on which either observer recorded it.

    This is the figure to read when the category is rare, as declines are: agreement on all the
    other trials says nothing about whether declines are noticed.

    Parameters
    ----------
    a, b, confidence
        As in `percent_agreement`.
    category
        The category of interest, for example ``"declined"``.

    Returns
    -------
    Estimate
        Statistic ``"occurrence agreement"``, a share between 0 and 1; NaN where neither observer
        recorded the category.

    References
    ----------
    Scored-interval agreement, common practice in observation.

    Examples
    --------
    >>> first = ["completed", "declined", "completed", "declined"]
    >>> second = ["completed", "declined", "declined", "completed"]
    >>> round(occurrence_agreement(first, second, "declined").value, 3)
    0.333
    """
    one, two, missing = paired(a, b)
    either = (one == category) | (two == category)
    estimate = _share("occurrence agreement", (one == two)[either], missing, confidence)
    if not either.any():
        estimate = replace(
            estimate, cautions=("Neither observer recorded the category, so there is no agreement on it.",)
        )
    return estimate


def _share(name: str, same: np.ndarray, missing: int, confidence: float) -> Estimate:
    share = share_interval(int(np.sum(same)), len(same), confidence=confidence)
    cautions = ("No trial was recorded by both observers.",) if len(same) == 0 else ()
    counts = {"agreements": int(np.sum(same)), "missing": missing}
    return replace(share, statistic=name, counts=counts, cautions=cautions)
