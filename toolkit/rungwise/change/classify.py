"""Recovered, improved, unchanged, deteriorated: per child, per group, and how far that depends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.errors import check_choice
from rungwise.basis.estimate import Estimate, Estimates
from rungwise.basis.intervals import share_interval
from rungwise.change.cutoffs import CUTOFFS, Cutoffs
from rungwise.change.reference import Reference
from rungwise.change.reliable_change import METHODS, reliable_change_batch

if TYPE_CHECKING:
    import pandas as pd

# Order of the categories on every page and in every table.
CATEGORIES = {
    "recovered": "recovered",
    "improved": "improved, not recovered",
    "unchanged": "unchanged",
    "deteriorated": "deteriorated",
    "cannot_be_said": "cannot be said",
}
_IMPROVED_WITHOUT_CUTOFF = "improved (whether recovered cannot be said)"


@dataclass(frozen=True, eq=False)
class ChangeClasses:
    """The category of every child, with all that is needed to work it out by hand.

    Attributes
    ----------
    changes : Estimates
        From `reliable_change_batch`.
    categories : ndarray of str
        A key of `CATEGORIES` per child.
    cutoff : Estimate
        The cutoff used; NaN with the reason where none is known.
    labels : tuple of str
        The children's codes.
    """

    changes: Estimates
    categories: np.ndarray
    cutoff: Estimate
    labels: tuple[str, ...] = field(default=())

    def __len__(self) -> int:
        return len(self.categories)

    def words(self, i: int) -> str:
        """Give one child's category in words."""
        if self.categories[i] == "improved" and np.isnan(self.cutoff.value):
            return _IMPROVED_WITHOUT_CUTOFF
        return CATEGORIES[self.categories[i]]

    def count(self, category: str) -> int:
        """Count the children of one category."""
        check_choice("category", category, CATEGORIES)
        return int(np.sum(self.categories == category))

    def shares(self, confidence: float = 0.95) -> dict[str, Estimate]:
        """Give the share of each category, with Wilson intervals, among the children judged.

        Children of whom it cannot be said are in no share; their number stands in each share's
        ``counts["cannot_be_said"]``. ``"improved_in_all"`` is recovered and improved together,
        which does not need a cutoff. Without a known cutoff the share recovered is NaN.
        """
        judged = len(self) - self.count("cannot_be_said")
        counts = {name: self.count(name) for name in CATEGORIES if name != "cannot_be_said"}
        counts["improved_in_all"] = counts["recovered"] + counts["improved"]
        shares = {}
        for name, count in counts.items():
            share = share_interval(count, judged, confidence=confidence)
            extra = {**share.counts, "cannot_be_said": self.count("cannot_be_said")}
            share = replace(share, statistic=f"share {name.replace('_', ' ')}", counts=extra)
            if np.isnan(self.cutoff.value) and name in ("recovered", "improved"):
                words = (
                    "Cannot be said: no cutoff between the clinical and the functional group is known."
                    if name == "recovered"
                    else "Whether these children also recovered cannot be said, as no cutoff is known."
                )
                if name == "recovered":
                    nan = float("nan")
                    share = replace(share, value=nan, ci_low=nan, ci_high=nan)
                share = replace(share, cautions=(*share.cautions, words))
            shares[name] = share
        return shares

    def frame(self) -> pd.DataFrame:
        """Give one row per child: scores, change, expected score, error, index, category."""
        import pandas as pd

        rows = []
        for i, change in enumerate(self.changes):
            rows.append(
                {
                    "child_id": self.labels[i] if self.labels else str(i + 1),
                    **change.counts,
                    "index": change.value,
                    "p_value": change.p_value,
                    "cutoff": self.cutoff.value,
                    "category": self.words(i),
                    "method": change.method,
                    "cautions": " ".join(change.cautions),
                }
            )
        return pd.DataFrame(rows)


def classify_changes(
    changes: Estimates,
    cutoffs: Cutoffs | None = None,
    *,
    cutoff: str = "c",
    labels: Sequence[str] = (),
) -> ChangeClasses:
    """Sort children into recovered, improved, unchanged, deteriorated and cannot be said.

    *Deteriorated*: the index lies below minus its critical value. *Unchanged*: it lies between.
    *Recovered*: it lies above, and the child went from the clinical to the functional side of the
    cutoff. *Improved*: it lies above, without that step; a child who began on the functional side
    can improve and cannot recover. "Unchanged" means that no change larger than measurement error
    was seen; with an unreliable measure nearly everybody is.

    Parameters
    ----------
    changes : Estimates
        From `reliable_change_batch`.
    cutoffs : Cutoffs, optional
        Without them, or where the one chosen is not known, nobody is called recovered.
    cutoff : {"a", "b", "c"}
        Which one to use.
    labels : sequence of str
        The children's codes.

    Returns
    -------
    ChangeClasses

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came.

    References
    ----------
    Jacobson & Truax 1991, J Consult Clin Psychol 59:12-19.

    Examples
    --------
    >>> from rungwise.change.cutoffs import clinical_cutoffs
    >>> known = Reference(sd=7.5, reliability=0.80)
    >>> changes = reliable_change_batch([32.5, 40, 41], [52, 44, 30], known, better="higher")
    >>> cutoffs = clinical_cutoffs(
    ...     clinical_mean=40, clinical_sd=7.5, functional_mean=60, functional_sd=7.5, better="higher"
    ... )
    >>> classify_changes(changes, cutoffs).categories.tolist()
    ['recovered', 'unchanged', 'deteriorated']
    """
    check_choice("cutoff", cutoff, CUTOFFS)
    if labels and len(labels) != len(changes):
        raise ValueError(f"labels must be one per child ({len(changes)}); got {len(labels)}.")
    if cutoffs is None:
        chosen = Estimate(
            f"clinical cutoff {cutoff}",
            float("nan"),
            cautions=("Cannot be said: no clinical and functional reference values were given.",),
        )
        crossed = np.zeros(len(changes), dtype=bool)
    else:
        chosen = cutoffs[cutoff]
        before = cutoffs.functional(changes.counts["pre"], cutoff)
        crossed = cutoffs.functional(changes.counts["post"], cutoff) & ~before
    index, critical = changes.value, changes.counts["critical"]
    categories = np.select(
        [np.isnan(index), index < -critical, index <= critical, crossed],
        ["cannot_be_said", "deteriorated", "unchanged", "recovered"],
        "improved",
    )
    return ChangeClasses(changes, categories.astype(object), chosen, tuple(labels))


def change_sensitivity(
    pre: Any,
    post: Any,
    reference: Reference,
    *,
    better: str,
    reliabilities: Sequence[float] = (0.70, 0.75, 0.80, 0.85, 0.90, 0.95),
    methods: Sequence[str] = tuple(METHODS),
    cutoffs: Cutoffs | None = None,
    cutoff: str = "c",
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Show how the number of children in each category depends on reliability and method.

    A headline that changes within plausible reliabilities is a statement about the measure more
    than about the children.

    Parameters
    ----------
    pre, post, reference, better, confidence
        As in `reliable_change_batch`.
    reliabilities : sequence of float
        Values to try in place of the reference's own, which is always among those tried. Methods
        that use no reliability have one row.
    methods : sequence of str
        Methods to try. One whose reference values are not all known has one row, in which it can be
        said of no child.
    cutoffs, cutoff
        As in `classify_changes`.

    Returns
    -------
    DataFrame
        One row per method and reliability: ``method, reliability, given`` (the reference's own
        values), one count per category, ``n`` (children judged).

    Examples
    --------
    >>> known = Reference(sd=7.5, reliability=0.80)
    >>> strip = change_sensitivity(
    ...     [32.5, 40], [40, 41], known, better="higher",
    ...     reliabilities=[0.70, 0.90], methods=["jacobson_truax"],
    ... )
    >>> strip[["reliability", "given", "improved", "unchanged"]].values.tolist()
    [[0.7, False, 0, 2], [0.8, True, 0, 2], [0.9, False, 1, 1]]
    """
    import pandas as pd

    own = reference.reliability
    tried = sorted({*map(float, reliabilities), *([] if own is None else [own])})
    rows = []
    for method in methods:
        check_choice("methods", method, METHODS)
        needs = METHODS[method]
        lacking = reference.missing(tuple(name for name in needs.needs if name != "reliability"))
        varied = needs.uses_reliability and not lacking
        for reliability in tried if varied else [own]:
            known = replace(reference, reliability=reliability)
            changes = reliable_change_batch(
                pre, post, known, better=better, method=method, confidence=confidence
            )
            classes = classify_changes(changes, cutoffs, cutoff=cutoff)
            counts = {name: classes.count(name) for name in CATEGORIES}
            rows.append(
                {
                    "method": method,
                    "reliability": reliability if varied else np.nan,
                    "given": reliability == own,
                    **counts,
                    "n": len(classes) - counts["cannot_be_said"],
                }
            )
    return pd.DataFrame(rows)
