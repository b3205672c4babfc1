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
from typing import Any

from rungwise.audit.audit import Audit
from rungwise.audit.quarter import Quarter
from rungwise.audit.safety import PER_OCCASIONS
from rungwise.audit.wording import listed, percent
from rungwise.basis.errors import RungwiseError
from rungwise.basis.intervals import share_interval
from rungwise.basis.page_numbers import format_number

CELLS = {
    "open": "Children with a program open in the quarter",
    "in_progress": "In progress: no outcome due yet",
    "left_before_exposure": "Left before exposure began",
    "counted_earlier": "Outcome counted in an earlier quarter",
    "due": "Outcome due in the quarter",
    "finished": "Due with exposure ended or the horizon reached",
    "left_early": "Due because the child left before the horizon",
    "not_judged": "Due, but not judged",
    "judged": "Judged",
    "fell": "Ratings fell",
    "fell_beyond": "Ratings fell, beyond the baseline's own course",
    "fell_other": "Ratings fell; the baseline may explain it, or cannot say why",
    "unchanged": "No clear change, about the same, or no room to change",
    "rose": "Ratings rose",
}
# Every sum that readers can do: a total and its parts.
SUMS = (
    ("open", ("in_progress", "left_before_exposure", "counted_earlier", "due")),
    ("due", ("finished", "left_early")),
    ("due", ("judged", "not_judged")),
    ("judged", ("fell", "unchanged", "rose")),
    ("fell", ("fell_beyond", "fell_other")),
)
# What readers miss least comes first: the order in which further numbers are hidden.
LEAST_MISSED = (
    "counted_earlier", "in_progress", "left_before_exposure", "finished", "left_early", "open", "due",
    "not_judged", "fell_other", "unchanged", "fell_beyond", "rose", "fell", "judged",
)  # fmt: skip
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
    cells : Mapping[str, int or None]
        By the keys of `CELLS`; None is not shown.
    mean_nap : tuple of float or None
        Mean, lower and upper limit, to two decimals; None with too few children.
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
            "which one of them could be worked out; shares, averages and rates of such numbers are left "
            "out as well. 0 is shown."
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
        if self.incidents is None or not self.occasions:
            return f"Incidents were recorded; {serious}."
        rate = PER_OCCASIONS * self.incidents / self.occasions
        return (
            f"{self.incidents} incidents were recorded over {self.occasions} occasions "
            f"({format_number(rate)} per {PER_OCCASIONS}); {serious}."
        )


def share(audit: Audit, threshold: int, last_shared: Mapping[str, Any] | None = None) -> SharedAudit:
    """Give the edition of an audit that may leave the practice.

    Parameters
    ----------
    audit : Audit
    threshold : int
        The practice's; see ``Practice.sharing_threshold``.
    last_shared : Mapping, optional
        The JSON of the report shared last. Where it is of the same quarter, numbers that moved by
        less than the threshold would give a small number away.

    Raises
    ------
    NotShared
        If it would, together with `last_shared`.
    ValueError
        If `last_shared` is no report of this kind.
    """
    counts = _counts(audit)
    cells = protected(counts, threshold)
    judged, occasions = counts["judged"], audit.safety.occasions
    mean = audit.headline
    enough = cells["judged"] is not None and judged >= threshold and not math.isnan(mean.ci_low)
    incidents = _incidents(audit)
    shown = incidents is not None and (incidents == 0 or incidents >= threshold) and occasions >= threshold
    serious = "none" if audit.safety.serious.empty else "one or more"
    shared = SharedAudit(
        label=audit.label,
        quarter=audit.quarter,
        threshold=threshold,
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


def shared_document(shared: SharedAudit) -> dict[str, Any]:
    """Give the edition for sharing as plain values; a number not shown is None."""
    return {
        "document": "rungwise shared audit",
        "version": 1,
        "edition": "sharing",
        "practice": shared.label,
        "quarter": shared.quarter.label,
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


def protected(counts: Mapping[str, int], threshold: int) -> dict[str, int | None]:
    """Hide every number from 1 to below the threshold, and as few others as keep them hidden.

    A hidden number counts as kept when every value below the threshold remains possible, and one more
    at least, for someone who knows the rule, can add and subtract, and knows that hidden numbers are not
    0: from 1 on, or from what that alone forces on a sum.

    Parameters
    ----------
    counts : Mapping[str, int]
        By the keys of `CELLS`; the sums of `SUMS` hold.
    threshold : int

    Examples
    --------
    >>> counts = dict.fromkeys(CELLS, 0) | {"open": 20, "counted_earlier": 9, "due": 11, "finished": 11}
    >>> counts |= {"judged": 11, "unchanged": 8, "rose": 3}
    >>> shown = protected(counts, 5)
    >>> shown["rose"], shown["unchanged"], shown["judged"]
    (None, None, 11)
    """
    small = {name for name, count in counts.items() if 0 < count < threshold}
    hidden = set(small)
    while not all(_kept(name, counts, hidden, threshold) for name in sorted(small)):
        hidden.add(next(name for name in LEAST_MISSED if counts[name] and name not in hidden))
    # Taken back, most missed first, whatever turned out not to be needed.
    for name in reversed(LEAST_MISSED):
        fewer = hidden - {name}
        if name in hidden - small and all(_kept(cell, counts, fewer, threshold) for cell in sorted(small)):
            hidden = fewer
    return {name: None if name in hidden else count for name, count in counts.items()}


def possible(name: str, counts: Mapping[str, int | None]) -> tuple[int, float]:
    """Give the smallest and the largest value a cell can have, from the cells that are shown.

    The sums hang together as a tree, so carrying limits from sum to sum until nothing changes gives
    exactly what a reader can work out.
    """
    low = {cell: 1.0 if count is None else float(count) for cell, count in counts.items()}
    high = {cell: math.inf if count is None else float(count) for cell, count in counts.items()}
    before = None
    while before != (before := (tuple(low.values()), tuple(high.values()))):
        for total, parts in SUMS:
            low[total] = max(low[total], sum(low[part] for part in parts))
            high[total] = min(high[total], sum(high[part] for part in parts))
            for part in parts:
                others = [other for other in parts if other != part]
                low[part] = max(low[part], low[total] - sum(high[other] for other in others))
                high[part] = min(high[part], high[total] - sum(low[other] for other in others))
    return int(low[name]), high[name] if math.isinf(high[name]) else int(high[name])


def _kept(name: str, counts: Mapping[str, int], hidden: set[str], threshold: int) -> bool:
    shown = {cell: None if cell in hidden else count for cell, count in counts.items()}
    low, high = possible(name, shown)
    least = _least(name, counts)
    return low <= least and high >= max(threshold - 1, least + 1)


def _least(name: str, counts: Mapping[str, int]) -> int:
    """Smallest value a number has for someone who only knows which numbers are 0."""
    return possible(name, {cell: None if count else 0 for cell, count in counts.items()})[0]


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
                n if told else None, row.result if told else None,
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


def _hold_against(shared: SharedAudit, last: Mapping[str, Any]) -> None:
    if last.get("document") != "rungwise shared audit" or not isinstance(last.get("children"), Mapping):
        raise ValueError("last_shared must be the JSON of a report for sharing; got something else.")
    if last.get("quarter") != shared.quarter.label:
        return
    before, now = dict(last["children"]), dict(shared.cells)
    before["incidents"], now["incidents"] = last.get("incidents"), shared.incidents
    for name, count in now.items():
        earlier = before.get(name)
        if count is None or earlier is None:
            continue
        if 0 < abs(count - earlier) < shared.threshold:
            raise NotShared(
                f"A report of {shared.quarter} was shared before, and its numbers differ from these by so "
                "little that both together would give a small number away; share the earlier one again, or "
                "none."
            )
