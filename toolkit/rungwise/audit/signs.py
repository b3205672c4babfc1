"""What else was recorded about the judged children, beside their verdicts: does it say the same?

Approach, mastery and practice ratings answer other questions than the probe ratings a verdict rests on,
so they may well differ from it; a verdict is never changed by them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rungwise.audit.cohort import censored
from rungwise.audit.outcomes import Outcome
from rungwise.audit.wording import listed
from rungwise.basis.page_numbers import count_of
from rungwise.ladders.approach import approach_scores
from rungwise.ladders.mastery import MASTERED, mastery_episodes
from rungwise.ladders.practice_ratings import practice_ratings
from rungwise.series.caseload import Caseload
from rungwise.single_case.verdict_rule import FELL

if TYPE_CHECKING:
    import pandas as pd

PHASES = ("baseline", "exposure")
# Approach occasions needed in each phase, and the difference of medians that counts as further or less
# far, in steps (design choice).
FEWEST = 2
A_STEP = 1.0
BESIDE = {
    "agree": "agrees",
    "further_only": "went further, while ratings did not clearly change",
    "ratings_only": "about as far as before, while ratings fell",
    "ratings_rose": "about as far as before, while ratings rose",
    "less_far_only": "less far, while ratings did not clearly change",
    "differ": "the opposite way",
    "unknown": "too few approach occasions",
}
COLUMNS = (
    "child_id", "verdict", "verdict_way", "approach_before", "approach_after",
    "approach_way", "steps_offered", "steps_mastered", "mastery_way",
    "practice_steps", "practice_change", "practice_way", "beside", "beside_words", "together",
)  # fmt: skip
SIGNS = {"approach_way": "approach", "mastery_way": "mastery", "practice_way": "practice ratings"}
WAYS = {"better": "better", "neither": "no change", "worse": "worse"}


@dataclass(frozen=True)
class Signs:
    """Approach, mastery and practice beside the verdicts.

    Attributes
    ----------
    recorded : tuple of str
        Which of ``"approach"``, ``"practice"`` were recorded for a judged child at all.
    table : DataFrame
        One row per judged child, with the columns `COLUMNS`: median highest step on approach occasions
        of baseline and of exposure (averaged over ladders) and whether they lie at least `A_STEP` apart;
        steps offered and mastered since exposure began; the mean change
        within steps of practice ratings, without the run that led upward, and whether it reaches the
        practice's margin; and `together`, which of these say the same as the verdict and where the
        others point. All of it is described and none of it tested.
    """

    recorded: tuple[str, ...]
    table: pd.DataFrame

    @property
    def sentences(self) -> tuple[str, ...]:
        """Say how far these agree with the verdicts over the caseload."""
        return (*self._together, *self._approach)

    @property
    def _together(self) -> tuple[str, ...]:
        ways = self.table[list(SIGNS)].to_numpy(dtype=object)
        there = ways != ""
        same = (ways == self.table["verdict_way"].to_numpy(dtype=object)[:, None]) & there
        told = there.any(axis=1)
        if not told.any():
            return ()
        every = int((told & (same == there).all(axis=1)).sum())
        none = int((told & ~same.any(axis=1)).sum())
        some = int(told.sum()) - every - none
        counts = zip(SIGNS.values(), same.sum(axis=0), there.sum(axis=0), strict=True)
        seen = [(words, int(agree), int(n)) for words, agree, n in counts if n]
        names = listed([words for words, _, _ in seen])
        children = count_of(len(self.table), "child", "children")
        return (
            f"{names[0].upper()}{names[1:]} can be set beside the verdicts of {int(told.sum())} of the "
            f"{children} judged: all that was recorded says the same as the verdict in {every}, some of it "
            f"in {some}, none of it in {none}. The same as the verdict: "
            f"{listed([f'{words} in {s} of {n}' for words, s, n in seen])}.",
        )

    @property
    def _approach(self) -> tuple[str, ...]:
        known = self.table[self.table["beside"] != "unknown"]
        if "approach" not in self.recorded or known.empty:
            return ()
        count = known["beside"].value_counts().to_dict()
        said = [
            f"Approach, the highest step the child would do, can be set beside the verdicts of "
            f"{len(known)} of the {count_of(len(self.table), 'child', 'children')} judged: it agrees in "
            f"{count.get('agree', 0)}."
        ]
        parts = {
            "further_only": "went further up although ratings did not clearly change: progress the verdict "
            "does not show",
            "ratings_only": "came about as far as before although ratings fell",
            "less_far_only": "came less far although ratings did not clearly change",
            "ratings_rose": "came about as far as before although ratings rose",
            "differ": "went the opposite way from the ratings: the first to look at",
        }
        for name, words in parts.items():
            if count.get(name):
                said.append(f"{count_of(count[name], 'child', 'children')} {words}.")
        return tuple(said)


def signs(caseload: Caseload, outcomes: Sequence[Outcome]) -> Signs:
    """Set approach, mastery and practice ratings beside the verdict of every judged child.

    Only records up to the day each outcome was due are used, as for the verdict. It misleads when
    approach occasions were few, or took place somewhere else in exposure than in baseline.
    """
    import pandas as pd

    judged = [outcome for outcome in outcomes if outcome.code]
    until = {one.course.child_id: one.course.due_on for one in judged if one.course.due_on}
    if "observations" not in caseload.tables or not until:
        return Signs((), pd.DataFrame(columns=list(COLUMNS)))
    known = censored(caseload, until)
    approach = _approach(known)
    offered, mastered = _mastery(known)
    practice = _practice(known)
    rows = []
    for outcome in judged:
        child = outcome.course.child_id
        way = _verdict_way(outcome.code)
        before, after, approach_way = approach.get(child, (math.nan, math.nan, ""))
        steps, change = practice.get(child, (0, math.nan))
        beside = beside_of(way, approach_way)
        mastery_way = ("better" if mastered[child] else "neither") if offered.get(child) else ""
        practice_way = _by_margin(change, caseload.practice.margin)
        rows.append(
            (child, outcome.code, way, before, after, approach_way, offered.get(child, 0),
             mastered.get(child, 0), mastery_way, steps, change, practice_way, beside,
             BESIDE[beside], together(way, (approach_way, mastery_way, practice_way)))
        )  # fmt: skip
    recorded = ("approach",) * bool(approach) + ("practice",) * bool(offered)
    return Signs(recorded, pd.DataFrame(rows, columns=list(COLUMNS)))


def beside_of(verdict: str, approach: str) -> str:
    """Say how approach stands beside a verdict, from the way each went.

    Examples
    --------
    >>> beside_of("better", "better"), beside_of("neither", "better"), beside_of("worse", "better")
    ('agree', 'further_only', 'differ')
    """
    if not approach:
        return "unknown"
    if verdict == approach:
        return "agree"
    if approach == "neither":
        return "ratings_only" if verdict == "better" else "ratings_rose"
    if verdict == "neither":
        return "further_only" if approach == "better" else "less_far_only"
    return "differ"


def together(verdict: str, ways: Sequence[str]) -> str:
    """Say which of approach, mastery and practice ratings go the way of the verdict, and how the others go.

    Examples
    --------
    >>> together("better", ("better", "better", "neither"))
    'same: approach, mastery; no change: practice ratings'
    >>> together("neither", ("", "better", ""))
    'better: mastery'
    """
    named = [(words, way) for words, way in zip(SIGNS.values(), ways, strict=True) if way]
    if not named:
        return "nothing else recorded"
    parts = [f"same: {', '.join(words for words, way in named if way == verdict)}"]
    parts += [
        f"{told}: {', '.join(words for words, way in named if way == code)}"
        for code, told in WAYS.items()
        if code != verdict
    ]
    return "; ".join(part for part in parts if not part.endswith(": "))


def _by_margin(change: float, margin: float) -> str:
    if math.isnan(change):
        return ""
    return "better" if change <= -margin else "worse" if change >= margin else "neither"


def _verdict_way(code: str) -> str:
    return "better" if code in FELL else "worse" if code == "rose" else "neither"


def _approach(known: Caseload) -> dict[str, tuple[float, float, str]]:
    """Median scores of the two phases, averaged over ladders, and the way from one to the other."""
    medians: dict[str, list[tuple[float, float]]] = {}
    for one in approach_scores(known):
        series = one.series
        if min(series.n_baseline, series.n_exposure) >= FEWEST:
            before, after = (np.median(series.values[series.phases == phase]) for phase in PHASES)
            medians.setdefault(one.child_id, []).append((float(before), float(after)))
    found = {}
    for child, pairs in medians.items():
        before, after = (sum(side) / len(pairs) for side in zip(*pairs, strict=True))
        change = after - before
        way = "better" if change >= A_STEP else "worse" if change <= -A_STEP else "neither"
        found[child] = (before, after, way)
    return found


def _mastery(known: Caseload) -> tuple[dict[str, int], dict[str, int]]:
    """Steps offered and mastered since exposure began, by child."""
    episodes = mastery_episodes(known)
    offered: dict[str, int] = {}
    mastered: dict[str, int] = {}
    if episodes is not None:
        for child, result in zip(episodes.child_id, episodes.result, strict=True):
            offered[child] = offered.get(child, 0) + 1
            mastered[child] = mastered.get(child, 0) + (result == MASTERED)
    return offered, mastered


def _practice(known: Caseload) -> dict[str, tuple[int, float]]:
    """Steps with enough ratings, and their mean change without the run that led upward, by child."""
    described = practice_ratings(known).dropna(subset=["change_without_run"])
    return {
        str(child): (len(part), float(part["change_without_run"].mean()))
        for child, part in described.groupby("child_id")
    }
