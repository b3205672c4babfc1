"""The score that separates a clinical from a functional group."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.basis.estimate import Estimate
from rungwise.change.reference import Reference

CUTOFFS = ("a", "b", "c")


@dataclass(frozen=True)
class Cutoffs:
    """Cutoffs a, b and c of one measure, in data units.

    Attributes
    ----------
    a, b, c : Estimate
        Statistic ``"clinical cutoff a"``, ``"… b"``, ``"… c"``; NaN with the reason where reference
        values are not known.
    better : str
        ``"lower"`` or ``"higher"``.
    """

    a: Estimate
    b: Estimate
    c: Estimate
    better: str

    def __getitem__(self, name: str) -> Estimate:
        check_choice("cutoff", name, CUTOFFS)
        chosen: Estimate = getattr(self, name)
        return chosen

    def functional(self, scores: np.ndarray, name: str = "c") -> np.ndarray:
        """Say which scores lie beyond a cutoff, on the functional side.

        A score exactly on the cutoff belongs to neither group and counts as not beyond it. Where
        the cutoff is not known no score is called functional; see the cutoff's cautions.
        """
        cutoff = self[name].value
        scores = np.asarray(scores, dtype=float)
        return scores > cutoff if self.better == "higher" else scores < cutoff


def clinical_cutoffs(
    *,
    clinical_mean: float | None = None,
    clinical_sd: float | None = None,
    functional_mean: float | None = None,
    functional_sd: float | None = None,
    better: str,
    unit: str = "points",
) -> Cutoffs:
    """Give the cutoffs between a clinical and a functional group.

    a lies 2 standard deviations beyond the clinical mean, away from the clinical group; b lies 2
    standard deviations short of the functional mean; c lies where a score is equally many standard
    deviations from both means. c needs both groups and is the one to use when they overlap; a can
    be far too strict or too lenient when the clinical group is very uniform or very varied. All
    three are means and standard deviations of samples, so a child near a cutoff is on neither side
    for sure, and they mislead when the functional group is of another age.

    Parameters
    ----------
    clinical_mean, clinical_sd : float or None
        Of children referred for the problem.
    functional_mean, functional_sd : float or None
        Of children without it, of the same age.
    better : {"lower", "higher"}
        Direction of improvement.
    unit : str
        Unit of the scores.

    Returns
    -------
    Cutoffs
        What cannot be computed is NaN and says which reference value is missing.

    Raises
    ------
    ValueError
        If a standard deviation is not above 0, or the functional mean is not on the better side of
        the clinical mean.

    References
    ----------
    Jacobson & Truax 1991, J Consult Clin Psychol 59:12-19.

    Examples
    --------
    >>> cutoffs = clinical_cutoffs(
    ...     clinical_mean=40, clinical_sd=7.5, functional_mean=60, functional_sd=7.5, better="higher"
    ... )
    >>> cutoffs.a.value, cutoffs.b.value, cutoffs.c.value
    (55.0, 45.0, 50.0)
    >>> clinical_cutoffs(clinical_mean=40, clinical_sd=7.5, better="higher").c.cautions
    ("Cannot be said: the functional group's mean and standard deviation are not known.",)
    """
    check_choice("better", better, ("lower", "higher"))
    # The checks of means and standard deviations are those of any reference group.
    clinical = Reference(mean=clinical_mean, sd=clinical_sd)
    functional = Reference(mean=functional_mean, sd=functional_sd)
    if clinical_mean is not None and functional_mean is not None:
        ahead = functional_mean - clinical_mean if better == "higher" else clinical_mean - functional_mean
        if not ahead > 0:
            raise ValueError(
                f"functional_mean must be {better} than clinical_mean ({clinical_mean:g}), because "
                f"{better} is better; got {functional_mean:g}."
            )
    toward = 1.0 if better == "higher" else -1.0
    m1, s1, m0, s0 = (
        float("nan") if value is None else float(value)
        for value in (clinical_mean, clinical_sd, functional_mean, functional_sd)
    )
    a, b = m1 + toward * 2 * s1, m0 - toward * 2 * s0
    c = (s0 * m1 + s1 * m0) / (s0 + s1)
    unknown = {
        "clinical": clinical.missing(("mean", "sd")),
        "functional": functional.missing(("mean", "sd")),
    }
    # Beyond 2 standard deviations on both sides the groups hardly overlap: b then comes before a.
    apart = toward * (b - a) > 0
    apart_words = (
        "The two groups hardly overlap, so c lies where there are few scores of either; b is usual then.",
    )
    return Cutoffs(
        a=_cutoff("a", a, "2 SD beyond the clinical mean", _reasons(unknown, "clinical"), unit),
        b=_cutoff("b", b, "2 SD short of the functional mean", _reasons(unknown, "functional"), unit),
        c=_cutoff(
            "c",
            c,
            "equally many SD from both means",
            _reasons(unknown, "clinical", "functional") or (apart_words if apart else ()),
            unit,
        ),
        better=better,
    )


def _reasons(unknown: dict[str, tuple[str, ...]], *groups: str) -> tuple[str, ...]:
    words = {"mean": "mean", "sd": "standard deviation"}
    return tuple(
        f"Cannot be said: the {group} group's {' and '.join(words[name] for name in unknown[group])} "
        f"{'is' if len(unknown[group]) == 1 else 'are'} not known."
        for group in groups
        if unknown[group]
    )


def _cutoff(name: str, value: float, method: str, cautions: tuple[str, ...], unit: str) -> Estimate:
    return Estimate(
        f"clinical cutoff {name}",
        value,
        method=f"{method} (Jacobson & Truax 1991)",
        unit=unit,
        cautions=cautions,
    )
