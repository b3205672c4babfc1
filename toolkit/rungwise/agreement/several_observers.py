"""Agreement beyond chance when more than two observers saw each trial."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from rungwise.agreement.pairs import coded, is_missing
from rungwise.basis.distributions import normal_sf
from rungwise.basis.estimate import Estimate


def fleiss_kappa(ratings: Any, categories: Sequence[Any] | None = None) -> Estimate:
    """Give the agreement beyond chance of several observers, each trial seen by equally many.

    The observers need not be the same on every trial, and who is who does not matter.

    Parameters
    ----------
    ratings : array_like, shape (trials, observers)
        Categories. A trial with a missing entry is left out and counted in ``counts["missing"]``.
    categories : sequence, optional
        The declared scale; default the entries that occur.

    Returns
    -------
    Estimate
        Statistic ``"Fleiss' kappa"``; ``counts`` has ``null_standard_error`` and one
        ``category …`` kappa each. The p-value tests chance agreement. It has no interval: none has
        shown its coverage.

    Raises
    ------
    ValueError
        With fewer than two observers.

    References
    ----------
    Fleiss 1971, Psychol Bull 76:378-382; null variance Fleiss, Nee & Landis 1979, Psychol Bull
    86:974-977 (formulas from memory, checked against another implementation).

    Examples
    --------
    >>> round(fleiss_kappa([["yes"] * 3, ["yes", "yes", "no"], ["no"] * 3]).value, 3)
    0.55
    """
    rows = [list(row) for row in ratings]
    observers = len(rows[0]) if rows else 0
    if observers < 2 or any(len(row) != observers for row in rows):
        raise ValueError(f"ratings must have at least two observers for every trial; got {observers}.")
    complete = [row for row in rows if not any(is_missing(entry) for entry in row)]
    n, missing = len(complete), len(rows) - len(complete)
    if categories is None:
        categories = sorted({entry for row in complete for entry in row}, key=str)
    tally = np.zeros((n, len(categories)))
    for i, row in enumerate(complete):
        np.add.at(tally[i], coded(row, categories, "ratings"), 1)
    share = tally.sum(axis=0) / (n * observers) if n else np.zeros(len(categories))
    expected = float((share**2).sum())
    method = f"{observers} observers, {len(categories)} categories"
    if n == 0 or expected > 1 - 1e-12:
        return Estimate(
            "Fleiss' kappa",
            float("nan"),
            n=n,
            counts={"missing": missing},
            method=method,
            cautions=(_NOBODY if n == 0 else _ONE_CATEGORY,),
        )
    possible = n * observers * (observers - 1)
    observed = float(((tally**2).sum() - n * observers) / possible)
    value = (observed - expected) / (1 - expected)
    spread = share * (1 - share)
    total = spread.sum()
    null_error = float(np.sqrt(2 / possible * (1 - (spread * (1 - 2 * share)).sum() / total**2)))
    used = spread > 0
    apart = (tally * (observers - tally)).sum(axis=0) / (possible * np.where(used, spread, np.nan))
    by_category = dict(zip((f"category {one}" for one in categories), (1 - apart).tolist(), strict=True))
    return Estimate(
        "Fleiss' kappa",
        value,
        p_value=2 * float(normal_sf(abs(value) / null_error)),
        alternative="two-sided",
        null="chance agreement",
        n=n,
        counts={
            "observed": observed,
            "expected": expected,
            "null_standard_error": null_error,
            "missing": missing,
            **by_category,
        },
        method=method,
        cautions=("No interval is given, as none has shown its coverage for several observers.",),
    )


_NOBODY = "No trial was recorded by all observers."
_ONE_CATEGORY = "All observers used one and the same category throughout, so kappa is undefined."
