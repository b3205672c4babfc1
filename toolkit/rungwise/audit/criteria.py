"""The practice's own criteria against their standards: met, not met, or too few to say."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from rungwise.audit.outcomes import Outcome
from rungwise.audit.wording import every, listed, percent
from rungwise.basis.intervals import share_interval
from rungwise.basis.page_numbers import count_of
from rungwise.single_case.verdict_rule import FELL
from rungwise.tables.practice import Criterion, Practice
from rungwise.tables.schema import plain, schema

if TYPE_CHECKING:
    import pandas as pd

# What a criterion in practice.toml can measure; each is a share of children, so that they are
# independent of each other and an interval of a share holds.
MEASURES = {
    "judged": "children judged, of those whose outcome was due",
    "fell": "children whose ratings fell, of those judged",
    "fell_beyond_baseline": "children whose ratings fell beyond the baseline's own course, of those judged",
    "rose": "children whose ratings rose, of those judged",
    "left_early": "children who left before the horizon, of those whose outcome was due",
    "left_for_fear": "children who left because of fear, of those whose outcome was due",
    "five_baseline": "children with at least 5 baseline occasions, of those whose outcome was due",
    "weeks_rated": "children with a planned rating in at least 4 of 5 weeks, of those under way",
}
FIVE = 5
WEEKS_SHARE = 0.8
RESULTS = {
    "met": "met",
    "not_met": "not met",
    "too_few": "too few to say",
    "nobody": "nobody to count",
    "unknown": "not a measure of this audit",
}


def criteria_table(practice: Practice, outcomes: Sequence[Outcome], weeks: pd.DataFrame) -> pd.DataFrame:
    """Hold every criterion of the practice against its standard.

    Parameters
    ----------
    practice : Practice
        `practice.criteria` by the name of what they measure, a key of `MEASURES`.
    outcomes : sequence of Outcome
    weeks : DataFrame
        From `rungwise.audit.quality.weeks_rated`.

    Returns
    -------
    DataFrame
        ``criterion, words, direction, target, exceptions, source, excepted, count, n, share, ci_low,
        ci_high, reached, result``. An allowed exception that is a recorded reason for the end of a
        program (moved, medical, …) leaves the children who left for it out of the count, `excepted` of
        them; any other is only stated. `reached` says whether this quarter's share is on the right side
        of the target; `result` is ``"met"`` or ``"not_met"`` only where the whole 95 % interval is on one
        side of it, and ``"too_few"`` where the target lies inside. The interval is Wilson's, as for every
        share of the audit: one share, one interval.
    """
    import pandas as pd

    rows: list[tuple[object, ...]] = []
    for name, criterion in practice.criteria.items():
        stated = (name, "", criterion.direction, criterion.target, "; ".join(criterion.exceptions),
                  criterion.source)  # fmt: skip
        if name not in MEASURES:
            rows.append((*stated, 0, 0, 0, math.nan, math.nan, math.nan, "", "unknown"))
            continue
        applied, _ = allowed(criterion.exceptions)
        out = {one.course.child_id for one in outcomes if one.course.end_reason in applied}
        kept = [one for one in outcomes if one.course.child_id not in out]
        counted = measured(kept, weeks[~weeks["child_id"].isin(out)])[name]
        rows.append((*stated, measured(outcomes, weeks)[name][1] - counted[1], *_held(criterion, counted)))
    columns = [
        "criterion", "words", "direction", "target", "exceptions", "source", "excepted", "count", "n",
        "share", "ci_low", "ci_high", "reached", "result",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=columns)
    return table.assign(words=[MEASURES.get(name, "") for name in table["criterion"]])


def allowed(exceptions: Sequence[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Split allowed exceptions into recorded reasons for the end of a program, and those only stated.

    Examples
    --------
    >>> allowed(["moved away", "weeks in which the practice was closed"])
    (('moved',), ('weeks in which the practice was closed',))
    """
    words = schema("children").fields["end_reason"].words
    known = [words.get(plain(text)) for text in exceptions]
    applied = tuple(code for code in known if code)
    return applied, tuple(text for text, code in zip(exceptions, known, strict=True) if not code)


def standards_sentence(table: pd.DataFrame) -> tuple[str, ...]:
    """Say how many standards are met, and which are not; nothing where none was set."""
    if table.empty:
        return ()
    found = [(words, int((table["result"] == code).sum())) for code, words in RESULTS.items()]
    parts = [f"{n} {words}" for words, n in found if n]
    was = count_of(len(table), "standard the practice set", "standards the practice set")
    missed = [
        f"{row['words']} ({row['count']} of {row['n']}; standard "
        f"{'at least' if row['direction'] == 'at_least' else 'at most'} {percent(row['target'])})"
        for row in table[table["result"] == "not_met"].to_dict("records")
    ]
    told = f"{every(len(table))} {parts[0].partition(' ')[2]}" if len(parts) == 1 else listed(parts)
    first = f"Of the {was}: {told}."
    if len(table) == 1:
        first = f"The one standard the practice set: {parts[0].partition(' ')[2]}."
    return (first, *([f"Not met: {'; '.join(missed)}."] if missed else []))


def measured(outcomes: Sequence[Outcome], weeks: pd.DataFrame) -> Mapping[str, tuple[int, int]]:
    """Count every measure: children with the property, and children counted."""
    due = len(outcomes)
    codes = [outcome.code for outcome in outcomes if outcome.code]
    left = [outcome for outcome in outcomes if outcome.course.due_by == "left_early"]
    return {
        "judged": (len(codes), due),
        "fell": (sum(code in FELL for code in codes), len(codes)),
        "fell_beyond_baseline": (codes.count("fell_beyond_baseline"), len(codes)),
        "rose": (codes.count("rose"), len(codes)),
        "left_early": (len(left), due),
        "left_for_fear": (sum(outcome.course.end_reason == "fear" for outcome in left), due),
        "five_baseline": (sum(outcome.course.n_baseline >= FIVE for outcome in outcomes), due),
        "weeks_rated": (int((weeks["rated"] >= WEEKS_SHARE * weeks["weeks"]).sum()), len(weeks)),
    }


def result_of(direction: str, target: float, low: float, high: float) -> str:
    """Say which side of the target an interval lies on.

    Examples
    --------
    >>> result_of("at_least", 0.6, 0.65, 0.9), result_of("at_most", 0.1, 0.05, 0.3)
    ('met', 'too_few')
    """
    if math.isnan(low):
        return "nobody"
    above, below = low >= target, high <= target
    if direction == "at_most":
        above, below = below, above
    if above:
        return "met"
    return "not_met" if below else "too_few"


def _held(criterion: Criterion, counted: tuple[int, int]) -> tuple[object, ...]:
    count, n = counted
    share = share_interval(count, n)
    right = share.value >= criterion.target
    if criterion.direction == "at_most":
        right = share.value <= criterion.target
    return (
        count, n, share.value, share.ci_low, share.ci_high, ("yes" if right else "no") if n else "",
        result_of(criterion.direction, criterion.target, share.ci_low, share.ci_high),
    )  # fmt: skip
