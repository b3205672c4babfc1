"""The edition for sharing: no child, no small number, and none that could be worked out.

One rule for every number that leaves the practice. Numbers from 1 to just below the practice's
threshold are not shown; neither is any further number from which one of them could be worked out by
adding and subtracting; no share, average or rate of such a number is given. Zero is shown. Everything
outside reads from `SharedAudit`, which holds nothing else, so that table, text, file and picture cannot
differ in what they give away.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import date
from typing import Any

from rungwise.audit.audit import Audit
from rungwise.audit.quarter import Quarter
from rungwise.audit.safety import PER_OCCASIONS, per_100
from rungwise.audit.suppression import CELLS, protected
from rungwise.audit.wording import listed, percent
from rungwise.basis.errors import RungwiseError
from rungwise.basis.intervals import share_interval
from rungwise.basis.page_numbers import format_number
from rungwise.tables.practice import Practice

__all__ = [
    "CELLS", "EARLIER_CELLS", "HIDDEN", "OUTCOMES", "SETTINGS", "STANDARD_CELLS", "NotShared",
    "SharedAudit", "SharedStandard", "share", "shared_document",
]  # fmt: skip

DOCUMENT, VERSION = "rungwise shared audit", 2

# The rules an edition was made by: editions made by different ones are not pooled.
SETTINGS = {
    "primary_rating": "Fear rating of a probe that counts",
    "fear_minimum": "Lowest fear rating",
    "fear_maximum": "Highest fear rating",
    "fear_better": "Ratings that are better for the child",
    "alpha": "Two-sided level of significance",
    "margin": "“About the same” means surely less than, in rating points",
    "minimum_baseline": "Baseline occasions needed for a verdict, at least",
    "minimum_exposure": "Exposure occasions needed for a verdict, at least",
    "horizon_days": "Days from the start of exposure until the outcome is due",
    "mastery_rating_at_most": "A step is mastered with ratings of at most",
    "mastery_occasions_in_a_row": "on so many occasions in a row",
    "quarter_start_month": "First month of quarter 1",
    "sharing_threshold": "Smallest number other than 0 that is shown",
}
# How the judged children came out, every child once.
OUTCOMES = ("fell", "unchanged", "rose")
HIDDEN = "*"
# A standard is told only where both numbers it rests on are shown: then its result follows from them.
STANDARD_CELLS = {
    "judged": ("judged", "due"),
    "fell": ("fell", "judged"),
    "fell_beyond_baseline": ("fell_beyond", "judged"),
    "rose": ("rose", "judged"),
    "left_early": ("left_early", "due"),
}
# Of an earlier quarter these stand beside this one's, as they were shared then.
EARLIER_CELLS = ("due", "judged", "fell", "fell_beyond", "rose")
DIGITS = 2


class NotShared(RungwiseError):
    """The edition for sharing would give away a small number; the message says how."""


@dataclass(frozen=True)
class SharedStandard:
    """A standard of the practice; `count`, `n` and `result` are None where they may not be shared."""

    criterion: str
    words: str
    direction: str
    target: float
    count: int | None
    n: int | None
    result: str | None


@dataclass(frozen=True)
class SharedAudit:
    """What may leave the practice about one quarter.

    Attributes
    ----------
    label : str
    quarter : Quarter
    threshold : int
        Smallest number other than 0 that is shown.
    settings : Mapping
        The rules it was made by, with the keys of `SETTINGS`.
    as_of : date
        Last day whose records were used.
    level : int
        Recording level.
    cells : Mapping[str, int or None]
        By the keys of `CELLS`; None is not shown.
    mean_nap : tuple of float or None
        Mean, lower and upper limit, to two decimals; None with too few children, or where a number of
        `OUTCOMES` is hidden, as an average so near to one end could narrow it down.
    incidents : int or None
        All incidents; None is not shown or not recorded.
    serious : str
        ``"none"``, ``"one or more"`` or ``"not recorded"``.
    occasions : int or None
    standards : tuple of SharedStandard
    earlier : Mapping[str, Mapping]
        Numbers of earlier quarters, by quarter and the keys `EARLIER_CELLS`, oldest first: exactly those
        that the report shared last had, so that they give nothing new away.
    """

    label: str
    quarter: Quarter
    threshold: int
    settings: Mapping[str, Any]
    as_of: date
    level: int
    cells: Mapping[str, int | None]
    mean_nap: tuple[float, float, float] | None
    incidents: int | None
    serious: str
    occasions: int | None
    standards: tuple[SharedStandard, ...] = ()
    earlier: Mapping[str, Mapping[str, int | None]] = field(default_factory=dict)

    @property
    def rule(self) -> str:
        """The one rule, in words."""
        return (
            f"Numbers from 1 to {self.threshold - 1} are not shown ({HIDDEN}), nor any further number from "
            "which one of them could be worked out, here or with what was shared last; shares and rates of "
            "such numbers are left out as well, and so is the average where a number by outcome is hidden. "
            "0 is shown. Tables, figures, texts and files all follow this one rule."
        )

    @property
    def answer(self) -> str:
        """The answer in one sentence, from numbers that are shown."""
        judged, fell = self.cells["judged"], self.cells["fell"]
        if judged is None:
            return f"The numbers of {self.quarter} are too small to share how many children were judged."
        if judged == 0:
            return f"No child was judged in {self.quarter}."
        if fell is None:
            return (
                f"{judged} children were judged in {self.quarter}; the numbers by outcome are too small to "
                "share."
            )
        parts = [f"fell in {fell} of the {judged} children judged in {self.quarter}"]
        for cell, words in (("rose", "rose in"), ("unchanged", "did not clearly change in")):
            if self.cells[cell]:
                parts.append(f"{words} {self.cells[cell]}")
        return f"Fear ratings {listed(parts)}."

    @property
    def uncertainty(self) -> str:
        """How far the answer could be from the truth for children like these."""
        judged, fell = self.cells["judged"], self.cells["fell"]
        if not judged or fell is None:
            return ""
        share = share_interval(fell, judged)
        return (
            f"{fell} of {judged} is {percent(share.value)}; for children like these the share could be "
            f"anywhere from {percent(share.ci_low)} to {percent(share.ci_high)} (95% interval)."
        )

    @property
    def sentences(self) -> tuple[str, ...]:
        """What else can be said."""
        said = []
        if self.mean_nap is not None:
            mean, low, high = self.mean_nap
            said.append(
                "On average over the children judged, an exposure rating was better than a baseline "
                f"rating of the same child in {percent(mean)} of comparisons (likely between "
                f"{percent(low)} and {percent(high)}); 50% would mean no difference."
            )
        return (*said, self._safety())

    def _safety(self) -> str:
        if self.serious == "not recorded":
            return "Incidents were not recorded, so nothing can be said about safety."
        serious = f"serious incidents: {self.serious}"
        if self.incidents is None or self.occasions is None:
            return f"Incidents were recorded; {serious}."
        if not self.occasions:
            return "No occasion was recorded in the quarter, so nothing can be said about safety."
        rate = per_100(self.incidents, self.occasions)
        said = f"{self.incidents} incidents were" if self.incidents else "No incident was"
        limits = f"{format_number(rate.ci_low)} to {format_number(rate.ci_high)}"
        return (
            f"{said} recorded over {self.occasions} occasions: {format_number(rate.value)} per "
            f"{PER_OCCASIONS} (95% interval {limits}); {serious}."
        )


def share(audit: Audit, practice: Practice, last_shared: Mapping[str, Any] | None = None) -> SharedAudit:
    """Give the edition of an audit that may leave the practice.

    Parameters
    ----------
    audit : Audit
    practice : Practice
        The settings the audit was made by, with the threshold.
    last_shared : Mapping, optional
        The JSON of the report shared last. Where it is of the same quarter, it must be the same or
        differ by much; where it is of the quarter before, both together must not narrow a small number
        down.

    Raises
    ------
    NotShared
        If it would, together with `last_shared`.
    ValueError
        If `last_shared` is no report of this kind.
    """
    if last_shared is not None:
        _check_last(last_shared)
    counts, threshold = _counts(audit), practice.sharing_threshold
    cells = protected(counts, threshold, _just_before(audit.quarter, last_shared))
    judged, occasions = counts["judged"], audit.safety.occasions
    mean = audit.headline
    enough = judged >= threshold and not math.isnan(mean.ci_low)
    enough = enough and all(cells[name] is not None for name in ("judged", *OUTCOMES))
    incidents = _incidents(audit)
    shown = incidents is not None and not any(0 < n < threshold for n in (incidents, occasions))
    serious = "none" if audit.safety.serious.empty else "one or more"
    shared = SharedAudit(
        label=audit.label,
        quarter=audit.quarter,
        threshold=threshold,
        settings=shared_settings(practice),
        as_of=audit.as_of,
        level=audit.quality.level,
        cells=cells,
        mean_nap=_rounded(mean.value, mean.ci_low, mean.ci_high) if enough else None,
        incidents=incidents if shown else None,
        serious="not recorded" if incidents is None else serious,
        occasions=occasions if shown else None,
        standards=_standards(audit, cells),
    )  # fmt: skip
    if last_shared is None:
        return shared
    _hold_against(shared, last_shared)
    return replace(shared, earlier=_earlier(shared, last_shared))


def shared_settings(practice: Practice) -> dict[str, Any]:
    """Give the rules an edition is made by, with the keys of `SETTINGS`.

    Examples
    --------
    >>> shared_settings(Practice())["horizon_days"]
    84
    """
    fear, mastery = practice.scales["fear"], practice.mastery
    own = {
        "fear_minimum": fear.minimum,
        "fear_maximum": fear.maximum,
        "fear_better": fear.better,
        "mastery_rating_at_most": mastery.rating_at_most,
        "mastery_occasions_in_a_row": mastery.occasions_in_a_row,
    }
    return {name: own[name] if name in own else getattr(practice, name) for name in SETTINGS}


def shared_document(shared: SharedAudit) -> dict[str, Any]:
    """Give the edition for sharing as plain values; a number not shown is None."""
    return {
        "document": DOCUMENT,
        "version": VERSION,
        "edition": "sharing",
        "practice": shared.label,
        "quarter": shared.quarter.label,
        "as_of": shared.as_of.isoformat(),
        "recording_level": shared.level,
        "settings": dict(shared.settings),
        "threshold": shared.threshold,
        "rule": shared.rule,
        "answer": shared.answer,
        "uncertainty": shared.uncertainty,
        "sentences": list(shared.sentences),
        "children": dict(shared.cells),
        "mean_nap": None if shared.mean_nap is None else list(shared.mean_nap),
        "incidents": shared.incidents,
        "serious_incidents": shared.serious,
        "occasions": shared.occasions,
        "standards": [asdict(standard) for standard in shared.standards],
        "earlier": [{"quarter": quarter, **cells} for quarter, cells in shared.earlier.items()],
    }


def _counts(audit: Audit) -> dict[str, int]:
    lost = dict(zip(audit.flow["code"], audit.flow["children"], strict=True))
    verdict = dict(zip(audit.shares["code"], audit.shares["children"], strict=True))
    due_by = dict(zip(audit.beside["due_by"], audit.beside["due"], strict=True))
    progress = ("waiting", "nothing_recorded", "in_baseline", "running")
    counts = {
        "open": lost["open"],
        "in_progress": sum(lost[code] for code in progress),
        "left_before_exposure": lost["left_before_exposure"],
        "counted_earlier": lost["counted_earlier"],
        "due": lost["due"],
        "finished": due_by["exposure_ended"] + due_by["horizon"],
        "left_early": due_by["left_early"],
        "not_judged": lost["due"] - lost["judged"],
        "judged": lost["judged"],
        "fell": verdict["fell"],
        "fell_beyond": verdict["fell_beyond_baseline"],
        "fell_other": verdict["fell_baseline_may_explain"] + verdict["fell_short_baseline"],
        "unchanged": verdict["no_clear_change"] + verdict["about_the_same"] + verdict["no_room"],
        "rose": verdict["rose"],
    }
    return {name: int(count) for name, count in counts.items()}


def _incidents(audit: Audit) -> int | None:
    if not audit.safety.recorded:
        return None
    rates = audit.safety.rates
    return int(rates.loc[rates["group"] == "all", "incidents"].iloc[0])


def _standards(audit: Audit, cells: Mapping[str, int | None]) -> tuple[SharedStandard, ...]:
    found = []
    rows: list[Any] = list(audit.standards.itertuples(index=False))
    for row in rows:
        names = STANDARD_CELLS.get(row.criterion)
        count, n = (None, None) if names is None else (cells[name] for name in names)
        told = count is not None and n is not None
        found.append(
            SharedStandard(
                row.criterion, row.words, row.direction, float(row.target), count if told else None,
                n if told else None, row.result if told and not row.excepted else None,
            )
        )  # fmt: skip
    return tuple(found)


def _earlier(shared: SharedAudit, last: Mapping[str, Any]) -> dict[str, dict[str, int | None]]:
    """Carry on what was shared of quarters before this one, hiding what today's threshold hides."""
    known = {row["quarter"]: row for row in last.get("earlier", ())}
    known[last["quarter"]] = last["children"]
    start = shared.quarter.start_month
    before = sorted(label for label in known if Quarter.parse(label, start) < shared.quarter)

    def kept(count: int | None) -> int | None:
        return None if count is None or 0 < count < shared.threshold else count

    return {label: {name: kept(known[label].get(name)) for name in EARLIER_CELLS} for label in before}


def _rounded(*numbers: float) -> tuple[float, float, float]:
    value, low, high = (round(number, DIGITS) for number in numbers)
    return value, low, high


def _check_last(last: Mapping[str, Any]) -> None:
    kind = isinstance(last, Mapping) and last.get("document") == DOCUMENT
    children = last.get("children") if kind else None
    if not isinstance(children, Mapping) or not CELLS.keys() <= children.keys() or "quarter" not in last:
        raise ValueError("last_shared must be the JSON of a report for sharing; got something else.")


def _just_before(quarter: Quarter, last: Mapping[str, Any] | None) -> Mapping[str, int | None] | None:
    if last is None or Quarter.parse(last["quarter"], quarter.start_month) != quarter.previous:
        return None
    return last["children"]


def _hold_against(shared: SharedAudit, last: Mapping[str, Any]) -> None:
    """Refuse a second report of a quarter that with the first gives away what changed."""
    if last["quarter"] != shared.quarter.label:
        return
    before = dict(last["children"]) | {name: last.get(name) for name in ("incidents", "occasions")}
    now = dict(shared.cells) | {"incidents": shared.incidents, "occasions": shared.occasions}
    mean = None if shared.mean_nap is None else list(shared.mean_nap)
    if now == before and mean == last.get("mean_nap"):
        return
    # A number hidden in one of the two, or one that moved by little, tells what happened to few children;
    # so does an average that moved with (nearly) the same children.
    told = all(
        (count is None) == (before[name] is None)
        and (count is None or before[name] is None or not 0 < abs(count - before[name]) < shared.threshold)
        for name, count in now.items()
    )
    same_children = now["judged"] == before["judged"]
    if not told or (same_children and mean != last.get("mean_nap")):
        raise NotShared(
            f"A report of {shared.quarter} was shared before, and its numbers differ from these by so "
            "little that both together would give a small number away; share the earlier one again, or "
            "none."
        )
