"""The judged children by site, setting, reason, age, ladder and rater: described, never ranked."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from rungwise.audit.case_mix import CHARACTERISTICS, baseline_levels, case_mix, expected_count
from rungwise.audit.outcomes import Outcome
from rungwise.audit.wording import listed, small
from rungwise.basis.funnel_limits import OUTER, funnel_limits
from rungwise.basis.intervals import share_interval_batch
from rungwise.series.caseload import Caseload
from rungwise.single_case.verdict_rule import FELL
from rungwise.study.synthesis import synthesize

if TYPE_CHECKING:
    import pandas as pd

# Judged children each group needs before groups are compared (design choice).
ENOUGH = 30
GROUPINGS = {
    "site": "Site",
    "setting": "Setting of most probes",
    "referral_reason": "Referral reason",
    "age_band": "Age at entry",
    "ladder": "Ladder",
    "rater": "Who rated",
}
AGE_BANDS = (
    (72, "under 6 years"),
    (120, "6 to 9 years"),
    (156, "10 to 12 years"),
    (math.inf, "13 and older"),
)
NOT_RECORDED = "not recorded"
SEVERAL = "several"
LIMITS = ("inner_low", "inner_high", "outer_low", "outer_high")
TOLD_APART = (
    "What is adjusted for tells a group from all others, so what is expected there is what was observed, "
    "without limits of chance."
)
EXPECTED = ("expected", "expected_low", "expected_high")


def groups_table(caseload: Caseload, outcomes: Sequence[Outcome], confidence: float = 0.95) -> pd.DataFrame:
    """Count judged children and falls by site, setting, referral reason, age band, ladder and rater.

    Groups stand in the order of their names. They differ in who came to them, so a higher share says
    nothing about the work done there; clinicians are not grouped at all. A child is in one group of
    each kind: with several ladders or raters, or no setting for most probes, it is counted under
    "several".

    Returns
    -------
    DataFrame
        ``grouping, group, judged, fell, share, ci_low, ci_high, inner_low, inner_high, outer_low,
        outer_high, shrunken, expected, expected_low, expected_high, adjusted_for, why_no_limits``. Exact
        limits of a funnel plot, shares drawn toward their mean, and the number of falls to be expected
        from who came (`rungwise.audit.case_mix`, with 99.8 % limits) stand only where each group of the
        kind has at least `ENOUGH` judged children. A grouping in which only one group was recorded is
        left out.
    """
    judged = [outcome for outcome in outcomes if outcome.code]
    members = groups_of(caseload, judged)
    fell = [outcome.code in FELL for outcome in judged]
    return groups_from(
        [members[outcome.course.child_id] for outcome in judged], fell, baseline_levels(judged), confidence
    )


def groups_from(
    members: Sequence[Mapping[str, str]],
    fell: Sequence[bool],
    levels: Sequence[float],
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Give the table of `groups_table` from what is known of each judged child.

    Parameters
    ----------
    members : sequence of Mapping[str, str]
        Group of each child by kind of group, as from `groups_of`.
    fell : sequence of bool
    levels : sequence of float
        See `rungwise.audit.case_mix.baseline_levels`.
    confidence : float
    """
    import pandas as pd

    kept: dict[str, list[str]] = {}
    rows: list[tuple[str, str, int, int]] = []
    for grouping in GROUPINGS:
        names = [one.get(grouping, NOT_RECORDED) for one in members]
        kept[grouping] = names
        groups: dict[str, list[bool]] = {}
        for group, improved in zip(names, fell, strict=True):
            groups.setdefault(group, []).append(improved)
        if len(set(groups) - {NOT_RECORDED}) < 2:
            continue
        order = sorted(groups, key=lambda group: (group == NOT_RECORDED, _place(group), group))
        rows += [(grouping, group, len(groups[group]), sum(groups[group])) for group in order]
    table = pd.DataFrame(rows, columns=["grouping", "group", "judged", "fell"])
    shares = share_interval_batch(table["fell"], table["judged"], confidence=confidence)
    table = table.assign(share=shares.value, ci_low=shares.ci_low, ci_high=shares.ci_high)
    entry = {name: kept[name] for name in CHARACTERISTICS if name in kept}
    return _with_limits(table, kept, fell, {"baseline_level": levels, **entry})


def about_groups(table: pd.DataFrame) -> str:
    """Say why groups are not compared, or that they may be looked at."""
    if table.empty:
        return "Fewer than two groups were recorded among the children judged, so none are set apart."
    least = table.groupby("grouping")["judged"].min()
    few = [small(words) for name, words in GROUPINGS.items() if least.get(name, ENOUGH) < ENOUGH]
    enough = [small(words) for name, words in GROUPINGS.items() if least.get(name, 0) >= ENOUGH]
    beside = (
        "may be looked at side by side, with the limits of chance and with what was to be expected from "
        "who came; who came still differs in what was not recorded, and a difference is a question, not a "
        "finding."
    )
    if not few:
        return f"Every group has at least {ENOUGH} judged children: groups {beside}"
    why = (
        f"by {listed(few)} at least one group has fewer than {ENOUGH} judged children, and with so few, "
        "differences between groups are mostly chance and who came"
    )
    none = "there are no funnel limits, no shrunken shares and no adjustment for who came."
    if not enough:
        return f"Groups are described, not compared: {why}. So {none}"
    others = f"The others are described, not compared: {why}. For them {none}"
    return f"Groups by {listed(enough)} {beside} {others}"


def _with_limits(
    table: pd.DataFrame,
    members: Mapping[str, Sequence[str]],
    fell: Sequence[bool],
    entry: Mapping[str, Sequence[float] | Sequence[str]],
) -> pd.DataFrame:
    """Add limits, shrunken shares and expected falls to the kinds of group that are large enough."""
    none = [math.nan] * len(table)
    columns: dict[str, list[float]] = {name: list(none) for name in (*LIMITS, "shrunken", *EXPECTED)}
    why = [f"Not every group of this kind has {ENOUGH} judged children."] * len(table)
    adjusted_for = [""] * len(table)
    for kind, part in table.groupby("grouping"):
        if part["judged"].min() < ENOUGH:
            continue
        limits = funnel_limits(part["judged"], part["fell"].sum() / part["judged"].sum())
        for name in LIMITS:
            for place, value in zip(part.index, getattr(limits, name), strict=True):
                columns[name][place] = float(value)
        drawn = shrunken(part["fell"].tolist(), part["judged"].tolist())
        # A group is not adjusted for what makes it a group.
        model = case_mix(fell, {name: values for name, values in entry.items() if name != kind})
        for place, value in zip(part.index, drawn, strict=True):
            columns["shrunken"][place] = value
            why[place], adjusted_for[place] = model.why, "; ".join(model.adjusted_for)
            if not model.why:
                mine = np.array(members[str(kind)], dtype=object) == part.loc[place, "group"]
                found = expected_count(model, mine, OUTER)
                for name, number in zip(EXPECTED, found, strict=True):
                    columns[name][place] = number
                if math.isnan(found[1]):
                    why[place] = TOLD_APART
    return table.assign(**columns, adjusted_for=adjusted_for, why_no_limits=why)


def shrunken(counts: Sequence[int], n: Sequence[int]) -> list[float]:
    """Draw the shares of groups toward their common mean, small groups further than large ones.

    On the scale of log odds (half a child added on each side), with the variance between groups by
    restricted maximum likelihood: the best guess of a group's share for one who knows the other groups
    too. Where groups differ no more than chance would make them, all shares become one.

    Examples
    --------
    >>> [round(share, 2) for share in shrunken([20, 45], [40, 60])]
    [0.52, 0.73]
    """
    fell = np.asarray(counts, dtype=float)
    size = np.asarray(n, dtype=float)
    odds = np.log((fell + 0.5) / (size - fell + 0.5))
    variance = 1 / (fell + 0.5) + 1 / (size - fell + 0.5)
    found = synthesize(odds, variance)
    own = found.tau2 / (found.tau2 + variance)
    drawn = own * odds + (1 - own) * found.average.value
    return (1 / (1 + np.exp(-drawn))).tolist()


def groups_of(caseload: Caseload, judged: Sequence[Outcome]) -> dict[str, dict[str, str]]:
    """Give the group of each judged child by kind of group."""
    table = caseload.tables.get("children")
    members: dict[str, dict[str, str]] = {outcome.course.child_id: {} for outcome in judged}
    if table is not None:
        columns = zip(
            table["child_id"], table["site"], table["referral_reason"], table["age_months"], strict=True
        )
        for child, site, reason, months in columns:
            if child in members:
                members[child] = {
                    "site": site or NOT_RECORDED,
                    "referral_reason": reason or NOT_RECORDED,
                    "age_band": _band(months),
                }
    settings, rated = _settings(caseload), set(caseload.children)
    for outcome in judged:
        child, answer = outcome.course.child_id, outcome.answer
        if answer is None:
            continue
        ladders = [one.ladder_id for one in answer.ladders]
        raters = {caseload.raters(child, ladder, answer.outcome)[0] for ladder in ladders if child in rated}
        members[child] |= {
            "ladder": _only(set(ladders)),
            "rater": _only(raters),
            "setting": _only(settings.get(child, set())),
        }
    return members


def _settings(caseload: Caseload) -> dict[str, set[str]]:
    """Give the setting in which most of each child's probes took place; several where none has most."""
    table = caseload.tables.get("observations")
    counts: dict[str, Counter[str]] = {}
    if table is not None:
        probes = table.where(table["kind"] == "probe")
        for child, setting in zip(probes["child_id"], probes["setting"], strict=True):
            counts.setdefault(child, Counter())[setting or ""] += 1
    found = {}
    for child, settings in counts.items():
        setting, most = settings.most_common(1)[0]
        found[child] = {setting} if 2 * most > settings.total() else set(settings)
    return found


def _only(names: set[str]) -> str:
    names = names - {""}
    if len(names) > 1:
        return SEVERAL
    return names.pop() if names else NOT_RECORDED


def _band(months: float) -> str:
    if math.isnan(months):
        return NOT_RECORDED
    return next(words for limit, words in AGE_BANDS if months < limit)


def _place(group: str) -> int:
    bands = [words for _, words in AGE_BANDS]
    return bands.index(group) if group in bands else 0
