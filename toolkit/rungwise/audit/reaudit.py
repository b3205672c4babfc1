"""Earlier audits as they were reported, held against today's count of the same quarters."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rungwise.audit.criteria import RESULTS
from rungwise.audit.outcomes import Outcome
from rungwise.audit.quarter import Quarter
from rungwise.audit.wording import every, listed
from rungwise.basis.page_numbers import count_of
from rungwise.tables.table import InputFile

if TYPE_CHECKING:
    import pandas as pd

DOCUMENT = "rungwise audit"
NEEDED = ("quarter", "as_of", "verdicts", "mean_nap", "children", "standards")
COLUMNS = [
    "quarter", "as_of", "judged_then", "fell_then", "rose_then", "mean_nap_then", "judged_now", "fell_now",
    "rose_now", "mean_nap_now", "verdicts_changed",
]  # fmt: skip
STANDARDS = ["quarter", "criterion", "target_then", "share_then", "result_then", "target_now", "share_now",
             "result_now"]  # fmt: skip
AS_BEFORE = "as before"


@dataclass(frozen=True)
class Earlier:
    """An earlier audit as it was written: its JSON, and the file it came from."""

    document: Mapping[str, Any]
    file: InputFile


@dataclass(frozen=True)
class Reaudit:
    """What earlier audits reported, beside today's count.

    Attributes
    ----------
    quarters : DataFrame
        One row per earlier audit given, oldest first, with the columns `COLUMNS`; `verdicts_changed`
        names the children whose verdict, or the lack of one, differs today.
    standards : DataFrame
        The criteria of the latest earlier audit beside this one's, with the columns `STANDARDS`.
    """

    quarters: pd.DataFrame
    standards: pd.DataFrame

    @property
    def sentences(self) -> tuple[str, ...]:
        """Say what earlier reports said, and whether today's files still say it."""
        said = []
        rows: list[Any] = list(self.quarters.itertuples(index=False))
        for row in rows:
            then = f"{row.fell_then} of {row.judged_then}"
            now = f"{row.fell_now} of {row.judged_now}"
            changed = len(row.verdicts_changed.split(", ")) if row.verdicts_changed else 0
            same = "the same" if then == now else now
            also = f", with {count_of(changed, 'verdict')} changed by later records" if changed else ""
            said.append(
                f"The audit of {row.quarter} reported a fall in {then} children judged; counted again "
                f"today it is {same}{also}."
            )
        return tuple(said)

    @property
    def first_page(self) -> tuple[str, ...]:
        """Say what became of the standards since the latest earlier audit."""
        table = self.standards
        if table.empty:
            return ()
        both = table[(table["result_then"] != "") & (table["result_now"] != "")]
        counts = Counter(map(_turn, both["result_then"], both["result_now"]))
        last = sorted(counts.items(), key=lambda turn: turn[0] == AS_BEFORE)
        parts = [f"{every(n) if n == len(both) else n} {words}" for words, n in last]
        moved = both[(both["target_then"] != both["target_now"])]
        of = f"of {count_of(len(both), 'standard')}"
        told = f"Since the audit of {table['quarter'].iloc[0]}, {of}: {listed(parts)}"
        if len(moved):
            told += f" ({count_of(len(moved), 'target')} changed in between)"
        return (f"{told}.",) if parts else ()


def reaudit(
    earlier: Sequence[Earlier],
    quarter: Quarter,
    outcomes: Sequence[Outcome],
    history: pd.DataFrame,
    standards: pd.DataFrame,
) -> Reaudit:
    """Hold the reports of earlier audits against today's count.

    A report was right about the files of its day; where today's count differs, records were added or
    corrected since, or the rules changed.

    Parameters
    ----------
    earlier : sequence of Earlier
    quarter : Quarter
        Of this audit.
    outcomes : sequence of Outcome
        Of this quarter and the earlier ones, as counted today.
    history, standards : DataFrame
        This audit's own.

    Raises
    ------
    ValueError
        If one is no audit for the practice, not of an earlier quarter, or of a quarter given twice.
    """
    import pandas as pd

    documents = {_quarter_of(one, quarter): one.document for one in earlier}
    if len(documents) < len(earlier):
        raise ValueError("earlier must hold one audit per quarter; got two of the same quarter.")
    now: dict[str, Any] = {row["quarter"]: row for row in history.to_dict("records")}
    rows = []
    for which in sorted(documents):
        document = documents[which]
        then = {row["code"]: row["children"] for row in document["verdicts"]}
        judged = sum(row["children"] for row in document["verdicts"] if row["code"] != "fell")
        current = now.get(which.label)
        today: tuple[float, ...] = (0, 0, 0, math.nan)
        if current is not None:
            counts = (int(current[name]) for name in ("judged", "fell", "rose"))
            today = (*counts, float(current["mean_nap"]))
        mean = document["mean_nap"]["value"]
        changed = _changed(document, which, outcomes)
        rows.append(
            (which.label, document["as_of"], judged, then.get("fell", 0), then.get("rose", 0),
             math.nan if mean is None else mean, *today, ", ".join(changed))
        )  # fmt: skip
    latest = documents[max(documents)] if documents else None
    return Reaudit(pd.DataFrame(rows, columns=COLUMNS), _standards(latest, standards))


def _quarter_of(one: Earlier, quarter: Quarter) -> Quarter:
    document, name = one.document, one.file.name
    if document.get("document") != DOCUMENT or not set(NEEDED) <= set(document):
        raise ValueError(f"earlier must hold audits as audit.json has them; got something else in {name}.")
    which = Quarter.parse(document["quarter"]["label"], quarter.start_month)
    if which >= quarter:
        raise ValueError(f"earlier must hold audits of quarters before {quarter}; got {which} in {name}.")
    return which


def _changed(document: Mapping[str, Any], which: Quarter, outcomes: Sequence[Outcome]) -> list[str]:
    """Name the children whose verdict of that quarter differs today."""
    then = {
        row["child_id"]: row["verdict"] if row["stage"] == "judged" else ""
        for row in document["children"]
        if row["due_on"] is not None and which.first.isoformat() <= row["due_on"] <= document["as_of"]
    }
    now = {
        outcome.course.child_id: outcome.code
        for outcome in outcomes
        if outcome.course.due_on is not None and outcome.course.due_on in which
    }
    return sorted(child for child in {*then, *now} if then.get(child) != now.get(child))


def _standards(document: Mapping[str, Any] | None, now: pd.DataFrame) -> pd.DataFrame:
    import pandas as pd

    if document is None:
        return pd.DataFrame(columns=STANDARDS)
    then = {row["criterion"]: row for row in document["standards"]}
    today = {row["criterion"]: row for row in now.to_dict("records")}
    rows = []
    for name in dict.fromkeys([*today, *then]):
        old, new = then.get(name, {}), today.get(name, {})
        rows.append(
            (document["quarter"]["label"], name, _number(old.get("target")), _number(old.get("share")),
             old.get("result", ""), _number(new.get("target")), _number(new.get("share")),
             new.get("result", ""))
        )  # fmt: skip
    return pd.DataFrame(rows, columns=STANDARDS)


def _turn(then: str, now: str) -> str:
    """Say what became of a standard; too few children to say is no change for the better or worse.

    Examples
    --------
    >>> _turn("met", "not_met"), _turn("met", "too_few")
    ('no longer met', 'met then (now too few to say)')
    """
    if then == now:
        return AS_BEFORE
    known = {("not_met", "met"): "newly met", ("met", "not_met"): "no longer met"}
    return known.get((then, now), f"{RESULTS[then]} then (now {RESULTS[now]})")


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)
