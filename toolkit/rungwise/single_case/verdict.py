"""What may be said about one child: three questions, one verdict."""

from __future__ import annotations

from dataclasses import dataclass

from rungwise.basis.estimate import Estimate

# Order of the verdicts on every page and in every table.
VERDICTS = {
    "fell_beyond_baseline": "fell, beyond the baseline's own course",
    "fell_baseline_may_explain": "fell, but the baseline may explain it",
    "fell_short_baseline": "fell; too few baseline occasions to say why",
    "no_clear_change": "no clear change",
    "about_the_same": "stayed about the same",
    "rose": "rose",
    "too_few": "too few to say",
    "no_room": "no room to fall",
}


@dataclass(frozen=True)
class Verdict:
    """One verdict with the estimates it rests on.

    Attributes
    ----------
    code : str
        A key of `VERDICTS`.
    words : str
        The verdict in the words of `VERDICTS`.
    fell : Estimate
        Question (a): exact A-B Tau, declines ranked worst (stratified over ladders if several).
    size : Estimate
        NAP with its score-type interval.
    baseline_trend : Estimate
        Question (b): exact Mann-Kendall trend in baseline; ``counts["smallest_p"]`` is the smallest
        p its length and ties could ever give.
    beyond_baseline : Estimate
        Question (c): observed minus projected rating at the last exposure occasion, in rating
        points (level-and-slope model, AR(1), REML).
    difference : Estimate
        Exposure minus baseline mean rating (AR(1), REML), held against the practice's margin.
    without_declines : Estimate or None
        Question (a) with declined occasions left out; None where nothing was declined.
    smallest_p : float
        Smallest p that question (a) could ever have given with these lengths and ties.
    reasons : tuple of str
        Sentences saying how the verdict was reached, in order.
    cautions : tuple of str
        Sentences that must stand beside it.
    """

    code: str
    words: str
    fell: Estimate
    size: Estimate
    baseline_trend: Estimate
    beyond_baseline: Estimate
    difference: Estimate
    without_declines: Estimate | None
    smallest_p: float
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]
