"""The average of several clinics' audits: over all children, and over clinics as random effects."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from rungwise.audit.sharing import DIGITS
from rungwise.basis.distributions import t_quantile
from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import count_of
from rungwise.study.synthesis import Synthesis, synthesize

ROUNDED = (
    f"Averages were shared to {DIGITS} decimals, so the average over all children may be off by "
    f"{0.5 * 10**-DIGITS:g}, and its interval is built back from rounded limits."
)
NO_AVERAGE = (
    "An edition gives an average only where every number by outcome is shown; no clinic's was, so there is "
    "no average over all children."
)
NOT_SHARED = (
    "{clinics} shared no average, because a number by outcome is hidden or its children all came out "
    "alike; the averages over children and over clinics are without {them}."
)
NO_WIDTH = (
    "The limits of {clinics} have no width, because the children there came out nearly alike; no average "
    "is known without error. So over clinics, every clinic enters with the spread between children pooled "
    "over all of them."
)
NOTHING_TO_WEIGH = (
    "No clinic's limits have any width, so nothing says how far clinics differ by chance, and there is no "
    "average over clinics."
)
ONE_CLINIC = "Only one clinic shared an average, so there is none over clinics."


def pooled_average(
    documents: Sequence[Mapping[str, Any]],
) -> tuple[Estimate, Synthesis | None, tuple[str, ...]]:
    """Average NAP over children and over clinics, from each clinic's number, mean and limits.

    Parameters
    ----------
    documents : sequence of Mapping
        Editions for sharing, made by the same rules.

    Returns
    -------
    Estimate
        Over the children of the clinics that shared theirs.
    Synthesis or None
        Random-effects average over those clinics.
    tuple of str
        Cautions: a sentence about every clinic that is not in it, or not as it stands.

    Notes
    -----
    Limits without width give no variance of their own. Weighting by it would give such a clinic all the
    weight, and leaving it out would leave out the clinics whose children came out most alike, often the
    best. A pooled variance for these alone would still weigh clinics near the end of the scale too much, as
    their own small variance does there; so every clinic takes the pooled one, for its number of children.
    """
    given = [
        (document["children"]["judged"], *document["mean_nap"])
        for document in documents
        if document["mean_nap"] is not None and (document["children"]["judged"] or 0) > 1
    ]
    nan = float("nan")
    if not given:
        return Estimate("mean NAP", nan, counts={"clinics": 0}), None, (NO_AVERAGE,)
    confidence = 1 - documents[0]["settings"]["alpha"]
    n, mean, low, high = (np.array(column, dtype=float) for column in zip(*given, strict=True))
    # A limit that was cut at an end of the scale is nearer than the other one.
    half = np.maximum(mean - low, high - mean)
    quantile = np.array([float(t_quantile(0.5 * (1 + confidence), one - 1)) for one in n])
    error = half / quantile
    total = n.sum()
    center = float(np.sum(n * mean) / total)
    # Sums of squares add up: within clinics and between them.
    within = float(np.sum((n - 1) * n * error**2))
    squares = within + np.sum(n * (mean - center) ** 2)
    reach = float(t_quantile(0.5 * (1 + confidence), total - 1)) * math.sqrt(squares / (total - 1) / total)
    average = Estimate(
        "mean NAP",
        center,
        max(0.0, center - reach),
        min(1.0, center + reach),
        confidence,
        n=int(total),
        counts={"clinics": len(given)},
        method="mean over children, from the clinics' means and standard deviations; t interval",
    )
    said = [ROUNDED]
    if silent := len(documents) - len(given):
        clinics = count_of(silent, "clinic")
        said.append(NOT_SHARED.format(clinics=clinics, them="it" if silent == 1 else "them"))
    if len(given) == 1:
        return average, None, (*said, ONE_CLINIC)
    if not within:
        return average, None, (*said, NOTHING_TO_WEIGH)
    variance = error**2
    if narrow := int(np.sum(error == 0)):
        said.append(NO_WIDTH.format(clinics=count_of(narrow, "clinic")))
        variance = within / float(np.sum(n - 1)) / n
    return average, synthesize(mean, variance), tuple(said)
