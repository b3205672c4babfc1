"""Several clinics' audits in one, from the editions they shared: no child's data moves.

Each clinic audits itself and hands on the JSON of its edition for sharing, in which small numbers are
hidden. What was counted is added up; where numbers are hidden, the sum is a range that is certain to
hold the true one. What was averaged is averaged over all children where that is possible, and over
clinics as random effects, because clinics differ.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rungwise.audit.pool_average import pooled_average
from rungwise.audit.sharing import CELLS, DOCUMENT, SETTINGS, VERSION
from rungwise.audit.suppression import possible
from rungwise.audit.wording import listed, percent, small
from rungwise.basis.errors import RungwiseError
from rungwise.basis.estimate import Estimate
from rungwise.basis.intervals import share_interval
from rungwise.basis.page_numbers import count_of, format_number
from rungwise.study.synthesis import Synthesis

if TYPE_CHECKING:
    import pandas as pd

POOLED_VERSION = 2

LEVELS_DIFFER = (
    "Recording levels differ ({levels}): a weekly rating and a probe among other trials are judged by the "
    "same rules but were not recorded alike."
)
CHILDREN_TWICE = (
    "A child seen by two of the clinics counts in both; editions without codes cannot tell, so every "
    "interval takes the children to be different ones."
)
HIDDEN_DIFFER = (
    "Clinics hide numbers because they are small, so those that showed theirs are no fair sample of all; "
    "the range that holds whatever was hidden is the safe answer."
)


# What every edition has.
WHOLE = (
    "practice", "quarter", "as_of", "recording_level", "settings", "threshold", "children", "mean_nap",
    "incidents", "serious_incidents", "occasions",
)  # fmt: skip


class NotPooled(RungwiseError):
    """The editions cannot be combined; the message says which and why."""


@dataclass(frozen=True)
class Sum:
    """A number added up over clinics, as far as it was shared.

    Attributes
    ----------
    low, high : float
        Ends of the range that holds the true sum; equal where every clinic showed its number, and
        infinite where nothing limits it.
    shown : int
        Clinics that showed theirs.
    of_shown : int
        Sum over those.
    """

    low: int
    high: float
    shown: int
    of_shown: int

    @property
    def exact(self) -> bool:
        """Whether the true sum is known."""
        return self.low == self.high

    def __str__(self) -> str:
        if self.exact:
            return f"{self.low}"
        return f"{self.low} or more" if math.isinf(self.high) else f"{self.low} to {self.high:g}"


@dataclass(frozen=True, eq=False)
class PooledAudit:
    """One quarter of several clinics, from what they shared.

    Attributes
    ----------
    quarter : str
    practices : tuple of str
    threshold : int
    settings : Mapping
        The rules all editions were made by, with the keys of `rungwise.audit.sharing.SETTINGS`.
    children : Mapping[str, Sum]
        By the keys of `rungwise.audit.sharing.CELLS`.
    fell : Estimate
        Share of the judged children whose ratings fell, over the clinics that showed both numbers.
    fell_at_least, fell_at_most : float
        Ends of the share over all clinics, whatever the hidden numbers are; NaN where nothing
        limits them.
    width_cost : float
        How many times wider the interval of `fell` is than it would be, at the same share, had every
        clinic shown its numbers; NaN where the number of children judged is not known.
    mean_nap : Estimate
        Average over the children of the clinics that shared theirs, each child counting once.
    by_clinic : Synthesis or None
        Random-effects average over clinics; None with fewer than two.
    incidents, occasions : Sum
    serious : Mapping[str, int]
        Clinics by what they say of serious incidents.
    cautions : tuple of str
    """

    quarter: str
    practices: tuple[str, ...]
    threshold: int
    settings: Mapping[str, Any]
    children: Mapping[str, Sum]
    fell: Estimate
    fell_at_least: float
    fell_at_most: float
    width_cost: float
    mean_nap: Estimate
    by_clinic: Synthesis | None
    incidents: Sum
    occasions: Sum
    serious: Mapping[str, int]
    cautions: tuple[str, ...]

    @property
    def answer(self) -> str:
        """The answer in one sentence."""
        clinics = count_of(len(self.practices), "clinic")
        if not self.fell.n:
            return f"None of {clinics} could share how many children's ratings fell in {self.quarter}."
        shown = self.fell.counts["clinics"]
        of = "all" if shown == len(self.practices) else f"{shown:g} of"
        return (
            f"Fear ratings fell in {self.fell.counts['count']:g} of {self.fell.n} children judged in "
            f"{self.quarter} ({percent(self.fell.value)}; likely between {percent(self.fell.ci_low)} and "
            f"{percent(self.fell.ci_high)}), counted in {of} {clinics}."
        )

    @property
    def cost(self) -> str:
        """What hiding small numbers costs in precision."""
        judged, fell = self.children["judged"], self.children["fell"]
        if fell.exact and judged.exact:
            return "Every clinic showed these numbers, so hiding small ones cost nothing here."
        said = [f"Hidden numbers leave {fell} of {judged} children whose ratings fell"]
        if not math.isnan(self.fell_at_least):
            said.append(
                f"so the share is certain to lie between {percent(self.fell_at_least)} and "
                f"{percent(self.fell_at_most)} of the children judged"
            )
        if self.width_cost > 1:
            said.append(
                f"the interval above is {format_number(self.width_cost)} times as wide as it would be with "
                "every clinic in it"
            )
        return "; ".join(said) + "."

    @property
    def sentences(self) -> tuple[str, ...]:
        """What else can be said."""
        said = [self.cost]
        mean = self.mean_nap
        if mean.n:
            interval = (
                ""
                if math.isnan(mean.ci_low)
                else f" (likely between {percent(mean.ci_low)} and {percent(mean.ci_high)})"
            )
            said.append(
                f"Averaged over {count_of(mean.n, 'child', 'children')} of "
                f"{count_of(int(mean.counts['clinics']), 'clinic')}, an exposure rating was better than a "
                f"baseline rating of the same child in {percent(mean.value)} of comparisons{interval}."
            )
        if self.by_clinic is not None and not math.isnan(self.by_clinic.average.ci_low):
            average = self.by_clinic.average
            said.append(
                f"Averaged over clinics as random effects it is {percent(average.value)} (likely between "
                f"{percent(max(0.0, average.ci_low))} and {percent(min(1.0, average.ci_high))}); the two "
                "answer different questions, about children and about clinics."
            )
        return (*said, self._safety())

    def _safety(self) -> str:
        some = self.serious.get("one or more", 0)
        silent = self.serious.get("not recorded", 0)
        said = f"Serious incidents: one or more in {count_of(some, 'clinic')}" if some else (
            "Serious incidents: none" if silent < len(self.practices) else ""
        )  # fmt: skip
        if silent:
            said += "; " if said else ""
            said += f"{count_of(silent, 'clinic')} recorded no incidents at all, which is not zero"
        if self.incidents.shown:
            said += (
                f"; {self.incidents.of_shown} incidents over {self.occasions.of_shown} occasions in "
                f"{count_of(self.incidents.shown, 'clinic')} that showed theirs"
            )
        return said + "."

    @property
    def table(self) -> pd.DataFrame:
        """One row per number: ``cell, words, at_least, at_most, clinics_shown, sum_shown``."""
        import pandas as pd

        rows = [
            (name, CELLS[name], found.low, found.high, found.shown, found.of_shown)
            for name, found in self.children.items()
        ]
        return pd.DataFrame(
            rows, columns=["cell", "words", "at_least", "at_most", "clinics_shown", "sum_shown"]
        )


def pool_files(paths: Sequence[str | Path]) -> PooledAudit:
    """Combine the JSON files of several clinics' editions for sharing.

    Raises
    ------
    ValueError
        If a file cannot be read as an edition for sharing.
    NotPooled
        As `pool`.
    """
    documents = []
    for path in paths:
        try:
            documents.append(json.loads(Path(path).read_text(encoding="utf-8-sig")))
        except (json.JSONDecodeError, UnicodeDecodeError) as error:
            raise ValueError(f"{Path(path).name} is no JSON file: {error}.") from None
    return pool(documents, names=[Path(path).name for path in paths])


def pool(documents: Sequence[Mapping[str, Any]], *, names: Sequence[str] | None = None) -> PooledAudit:
    """Combine several clinics' editions for sharing.

    It answers for the clinics together what an audit answers for one, and gives nothing away that the
    editions do not. It misleads where clinics apply the same rules to children who came to them for
    different reasons, and it says nothing about which clinic does better.

    Parameters
    ----------
    documents : sequence of Mapping
        Each the content of a ``shared_audit.json``.
    names : sequence of str, optional
        What to call them in messages; default their places.

    Raises
    ------
    NotPooled
        If fewer than two came, one came twice, or they were made under different rules: another
        quarter, last day, version or setting.
    ValueError
        If one is no edition for sharing.

    Notes
    -----
    The average over all children and its interval follow exactly from the clinics' numbers of
    children, means and standard deviations; those are built back from the shared limits.
    """
    names = [f"edition {place}" for place in range(1, len(documents) + 1)] if names is None else names
    for document, name in zip(documents, names, strict=True):
        _check(document, name)
    _check_together(documents, names)
    children = {name: _sum([document["children"] for document in documents], name) for name in CELLS}
    fell, low, high, cost = _fell(documents, children)
    mean, by_clinic, about_mean = pooled_average(documents)
    kinds = [document["serious_incidents"] for document in documents]
    cautions = [CHILDREN_TWICE]
    levels = sorted({document["recording_level"] for document in documents})
    if len(levels) > 1:
        cautions.append(LEVELS_DIFFER.format(levels=listed([str(level) for level in levels])))
    if not (children["fell"].exact and children["judged"].exact):
        cautions.append(HIDDEN_DIFFER)
    cautions += about_mean
    if by_clinic is not None:
        cautions += by_clinic.average.cautions
    return PooledAudit(
        quarter=documents[0]["quarter"],
        practices=tuple(document["practice"] for document in documents),
        threshold=documents[0]["threshold"],
        settings=documents[0]["settings"],
        children=children,
        fell=fell,
        fell_at_least=low,
        fell_at_most=high,
        width_cost=cost,
        mean_nap=mean,
        by_clinic=by_clinic,
        incidents=_plain_sum([document["incidents"] for document in documents]),
        occasions=_plain_sum([document["occasions"] for document in documents]),
        serious={kind: kinds.count(kind) for kind in dict.fromkeys(kinds)},
        cautions=tuple(cautions),
    )


def pooled_document(pooled: PooledAudit) -> dict[str, Any]:
    """Give a pooled audit as plain values; a number that is not known is None."""

    def number(value: float) -> float | None:
        return None if math.isnan(value) or math.isinf(value) else value

    def estimate(found: Estimate) -> dict[str, Any]:
        return {
            "value": number(found.value),
            "ci_low": number(found.ci_low),
            "ci_high": number(found.ci_high),
            "confidence": found.confidence,
            "n": found.n,
            "method": found.method,
        }

    by = pooled.by_clinic
    return {
        "document": "rungwise pooled audit",
        "version": POOLED_VERSION,
        "quarter": pooled.quarter,
        "practices": list(pooled.practices),
        "threshold": pooled.threshold,
        "settings": dict(pooled.settings),
        "answer": pooled.answer,
        "sentences": list(pooled.sentences),
        "cautions": list(pooled.cautions),
        "children": {
            name: {"at_least": found.low, "at_most": number(found.high), "clinics_shown": found.shown}
            for name, found in pooled.children.items()
        },
        "fell": estimate(pooled.fell),
        "fell_at_least": number(pooled.fell_at_least),
        "fell_at_most": number(pooled.fell_at_most),
        "mean_nap": estimate(pooled.mean_nap),
        "mean_nap_by_clinic": None
        if by is None
        else estimate(by.average)
        | {"tau2": number(by.tau2), "low": number(by.prediction_low), "high": number(by.prediction_high)},
        "incidents": pooled.incidents.of_shown if pooled.incidents.shown else None,
        "occasions": pooled.occasions.of_shown if pooled.occasions.shown else None,
        "serious_incidents": dict(pooled.serious),
    }


def _check(document: Mapping[str, Any], name: str) -> None:
    if not isinstance(document, Mapping) or document.get("document") != DOCUMENT:
        raise ValueError(
            f"{name} must be the JSON of an audit's edition for sharing (shared_audit.json); it is "
            "something else."
        )
    if document.get("version") != VERSION:
        raise NotPooled(
            f"{name} is of version {document.get('version')}; this release pools version {VERSION}, which "
            "states the rules an edition was made by. Ask for one made by this release."
        )
    if set(WHOLE) - set(document) or set(document["children"]) != set(CELLS):
        raise ValueError(f"{name} is not whole: some of its numbers are missing.")
    if set(document["settings"]) != set(SETTINGS):
        raise ValueError(f"{name} does not state every rule it was made by.")


def _check_together(documents: Sequence[Mapping[str, Any]], names: Sequence[str]) -> None:
    if len(documents) < 2:
        raise NotPooled(f"Pooling needs the editions of at least two clinics; got {len(documents)}.")
    rules = [
        {"quarter": one["quarter"], "last day whose records were used": one["as_of"]}
        | {small(words): one["settings"][setting] for setting, words in SETTINGS.items()}
        for one in documents
    ]
    for what in rules[0]:
        groups: dict[Any, list[str]] = {}
        for rule, name in zip(rules, names, strict=True):
            groups.setdefault(rule[what], []).append(name)
        if len(groups) > 1:
            told = listed([f"{', '.join(members)}: {value}" for value, members in groups.items()])
            raise NotPooled(
                f"The editions were made under different rules and cannot be pooled: {what} differs "
                f"({told}). Ask for editions made alike."
            )
    seen: dict[str, str] = {}
    for document, name in zip(documents, names, strict=True):
        practice = document["practice"]
        if practice in seen:
            raise NotPooled(
                f"{seen[practice]} and {name} are both of {practice}; pooled, its children would count "
                "twice. Give one edition for each clinic, and clinics different labels."
            )
        seen[practice] = name


def _sum(shown: Sequence[Mapping[str, int | None]], name: str) -> Sum:
    limits = [possible(name, cells) for cells in shown]
    known = [cells[name] for cells in shown if cells[name] is not None]
    return Sum(
        sum(low for low, _ in limits),
        sum(high for _, high in limits),
        len(known),
        sum(count or 0 for count in known),
    )


def _plain_sum(counts: Sequence[int | None]) -> Sum:
    known = [count for count in counts if count is not None]
    return Sum(sum(known), sum(known) if len(known) == len(counts) else math.inf, len(known), sum(known))


def _fell(
    documents: Sequence[Mapping[str, Any]], children: Mapping[str, Sum]
) -> tuple[Estimate, float, float, float]:
    """Share of the judged whose ratings fell: where it was shown, and between which ends it lies."""
    both = [
        (document["children"]["fell"], document["children"]["judged"])
        for document in documents
        if document["children"]["fell"] is not None and document["children"]["judged"] is not None
    ]
    fell, judged = sum(x for x, _ in both), sum(n for _, n in both)
    nan = float("nan")
    share = Estimate("share", nan, n=0) if not judged else share_interval(fell, judged)
    share = replace(
        share,
        counts={**share.counts, "count": fell, "clinics": len(both)},
        method="sum over the clinics that showed both numbers, Wilson score interval",
    )
    total = children["judged"]
    low = high = cost = nan
    if total.exact and total.low:
        low = children["fell"].low / total.low
        high = min(children["fell"].high, total.low) / total.low
        if judged:
            whole = share_interval(round(share.value * total.low), total.low)
            cost = (share.ci_high - share.ci_low) / (whole.ci_high - whole.ci_low)
    return share, low, high, cost
