"""What the audit's scores, goals and ratings rest on, child by child, and how far missing ones matter."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.agreement.coverage import FRAME_COLUMNS, agreement_frame, agreement_reviews
from rungwise.agreement.fidelity import fidelity_frame, fidelity_review
from rungwise.agreement.missing import answer_bounds, headline_bounds, missing_counts
from rungwise.audit.cohort import Cohort
from rungwise.audit.outcomes import Outcome
from rungwise.audit.quality import in_quarter
from rungwise.audit.scores import known_when_due
from rungwise.basis.estimate import Estimate
from rungwise.change.classify import CATEGORIES, change_sensitivity
from rungwise.change.from_tables import GoalAttainment, MeasureChange, goal_attainment, measure_changes
from rungwise.change.reliable_change import minimal_detectable_change
from rungwise.series.caseload import Caseload
from rungwise.single_case.verdict import FELL

if TYPE_CHECKING:
    import pandas as pd

WHY = "why_missing"
# A goal reached just as expected, as goal attainment T has it, less the noise of binary tenths.
AS_EXPECTED = 50 - 1e-9
SHARES = {
    "recovered": CATEGORIES["recovered"],
    "improved": CATEGORIES["improved"],
    "improved_in_all": "recovered or improved",
    "unchanged": CATEGORIES["unchanged"],
    "deteriorated": CATEGORIES["deteriorated"],
}
BOUND_COLUMNS = ("headline", "words", "value", "n", "lowest", "highest", "of", "rests_on", WHY)


@dataclass(frozen=True, eq=False)
class Evidence:
    """What stands behind the audit's scores, goals and ratings.

    Attributes
    ----------
    changes : tuple of MeasureChange
        Change on every instrument by every kind of rater, of the children whose outcome was due, from
        scores up to that day.
    goals : GoalAttainment or None
        Of the same children; None where goals were not recorded.
    shares : DataFrame
        ``measure_id, rated_by, category, words, children, n, share, ci_low, ci_high, lowest, highest``.
        The last two put the children of whom it cannot be said outside, and inside, the category.
    agreement : DataFrame
        Second observers in the quarter, by child and phase; see `rungwise.agreement.coverage`.
    fidelity : DataFrame
        Procedure checklists in the quarter, by child.
    missing : DataFrame
        Planned occasions rated, declined and missing by child, ladder and phase, over all records of
        the children whose outcome was due.
    bounds : DataFrame
        ``headline, words, value, n, lowest, highest, of, rests_on``: how far every headline could move
        with whatever is missing.
    one_kind_of_rater : tuple of int
        Children who fell and whose ratings are all by one kind of rater; those who fell and for whom
        the kind is recorded; those who fell.
    """

    changes: tuple[MeasureChange, ...]
    goals: GoalAttainment | None
    shares: pd.DataFrame
    agreement: pd.DataFrame
    fidelity: pd.DataFrame
    missing: pd.DataFrame
    bounds: pd.DataFrame
    one_kind_of_rater: tuple[int, int, int]

    def frames(self) -> dict[str, pd.DataFrame]:
        """Give every table by the name it has in files; ``why_missing`` says why a number is missing."""
        return {
            "score_shares": self.shares,
            "score_changes": _score_changes(self.changes),
            "score_references": _references(self.changes),
            "score_sensitivity": _sensitivity(self.changes),
            "goal_attainment": _goal_attainment(self.goals),
            "goals": _goals(self.goals),
            "agreement": self.agreement,
            "fidelity": self.fidelity,
            "missing_ratings": self.missing,
            "bounds": self.bounds,
        }


def evidence(
    caseload: Caseload,
    cohort: Cohort,
    outcomes: Sequence[Outcome],
    shares: pd.DataFrame,
    headline: Estimate,
) -> Evidence:
    """Gather what the audit of a quarter rests on.

    Parameters
    ----------
    caseload : Caseload
    cohort : Cohort
    outcomes : sequence of Outcome
        Of the children whose outcome was due.
    shares : DataFrame
        From `rungwise.audit.outcomes.shares`.
    headline : Estimate
        From `rungwise.audit.outcomes.mean_nap`; the intervals of shares have its confidence.
    """
    known = known_when_due(caseload, cohort.due)
    changes = tuple(change for change in measure_changes(known) if len(change.classes))
    goals = goal_attainment(known)
    score_shares = share_table(changes, headline.confidence)
    quarter = in_quarter(caseload, cohort)
    reviews = [
        review
        for variable in ("outcome", "fear_peak")
        for review in agreement_reviews(quarter, variable=variable)
        if review.child_id or len(review.phases)
    ]
    return Evidence(
        changes=changes,
        goals=goals,
        shares=score_shares,
        agreement=agreement_frame(reviews) if reviews else _empty(FRAME_COLUMNS),
        fidelity=fidelity_frame(fidelity_review(quarter)),
        missing=_missing(known),
        bounds=_bounds(outcomes, shares, headline, changes, goals),
        one_kind_of_rater=_one_kind(known, outcomes),
    )


def _one_kind(known: Caseload, outcomes: Sequence[Outcome]) -> tuple[int, int, int]:
    fell = [outcome.answer for outcome in outcomes if outcome.code in FELL and outcome.answer is not None]
    planned = known.planned
    kinds: dict[tuple[str, str], set[str]] = {}
    rows = (planned[name].tolist() for name in ("child_id", "outcome", "rated_by"))
    for child, outcome, kind in zip(*rows, strict=True):
        kinds.setdefault((child, outcome), set()).add(kind or "")
    found = [kinds.get((answer.child_id, answer.outcome), set()) for answer in fell]
    recorded = [kind for kind in found if kind and "" not in kind]
    return sum(len(kind) == 1 for kind in recorded), len(recorded), len(fell)


def _empty(columns: Sequence[str]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(columns=list(columns))


def share_table(changes: Sequence[MeasureChange], confidence: float = 0.95) -> pd.DataFrame:
    """Give the share of every category on every instrument, and its bounds by those not judged."""
    rows = []
    for change in changes:
        classes, unsaid = change.classes, change.classes.count("cannot_be_said")
        for category, share in classes.shares(confidence).items():
            known = not math.isnan(share.value)
            counted = int(share.counts["count"])
            bounds = headline_bounds(counted, share.n, unsaid)
            rows.append(
                {
                    "measure_id": change.measure_id,
                    "rated_by": change.rated_by,
                    "category": category,
                    "words": SHARES[category],
                    "children": counted,
                    "n": share.n,
                    "share": share.value,
                    "ci_low": share.ci_low,
                    "ci_high": share.ci_high,
                    "lowest": bounds.worst.value if known or not share.n else math.nan,
                    "highest": bounds.best.value if known or not share.n else math.nan,
                    WHY: "" if known else " ".join(share.cautions) or "Nobody could be judged.",
                }
            )
    columns = (
        "measure_id", "rated_by", "category", "words", "children", "n", "share", "ci_low", "ci_high",
        "lowest", "highest", WHY,
    )  # fmt: skip
    return _frame(rows, columns)


def _score_changes(changes: Sequence[MeasureChange]) -> pd.DataFrame:
    import pandas as pd

    columns = (
        "child_id", "measure_id", "rated_by", "first_on", "second_on", "better", "pre", "post", "change",
        "expected", "standard_error", "critical", "index", "p_value", "cutoff", "category", "method",
        "cautions",
    )  # fmt: skip
    parts = []
    for change in changes:
        frame = change.frame()
        no_cutoff = " ".join(change.classes.cutoff.cautions) if math.isnan(frame["cutoff"].iloc[0]) else ""
        why = [
            " ".join(said for said in (text if math.isnan(index) else "", no_cutoff) if said)
            for text, index in zip(frame["cautions"], frame["index"], strict=True)
        ]
        parts.append(frame.assign(**{WHY: why}))
    return pd.concat(parts, ignore_index=True) if parts else _empty((*columns, WHY))


def _references(changes: Sequence[MeasureChange]) -> pd.DataFrame:
    rows = []
    for change in changes:
        known, functional = change.reference, change.functional
        row: dict[str, Any] = {
            "measure_id": change.measure_id,
            "title": change.title,
            "rated_by": change.rated_by,
            "better": change.better,
            "minimum": change.minimum,
            "maximum": change.maximum,
            "score_kind": known.score_kind,
            "reliability": _number(known.reliability),
            "reliability_kind": known.reliability_kind,
            "retest_days": _number(known.retest_days),
            "clinical_mean": _number(known.mean),
            "clinical_sd": _number(known.sd),
            "functional_mean": _number(functional.mean),
            "functional_sd": _number(functional.sd),
            "practice_effect": _number(known.practice_effect),
            "second_mean": _number(known.post_mean),
            "second_sd": _number(known.post_sd),
            "retest_correlation": _number(known.retest_correlation),
            "group_size": _number(known.n),
            "own_group": "yes" if known.own_group else "no",
            "cutoff_a": change.cutoffs.a.value,
            "cutoff_b": change.cutoffs.b.value,
            "cutoff_c": change.cutoffs.c.value,
            "minimal_detectable_change": minimal_detectable_change(known.sd, known.reliability).value,
            "source": known.source,
        }
        absent = [name for name, value in row.items() if isinstance(value, float) and math.isnan(value)]
        why = f"Not recorded, or not usable: {', '.join(absent)}." if absent else ""
        rows.append(row | {WHY: " ".join((why, *change.unusable)).strip()})
    return _frame(rows, tuple(rows[0]) if rows else ("measure_id", WHY))


def _sensitivity(changes: Sequence[MeasureChange]) -> pd.DataFrame:
    import pandas as pd

    parts = []
    for change in changes:
        counts = change.classes.changes.counts
        strip = change_sensitivity(
            counts["pre"], counts["post"], change.reference, better=change.better, cutoffs=change.cutoffs
        )
        why = np.where(
            strip["reliability"].isna(),
            "The method rests on no reliability, or what it needs is not recorded.",
            "",
        )
        strip["given"] = np.where(strip["given"], "yes", "no")
        strip.insert(0, "measure_id", change.measure_id)
        strip.insert(1, "rated_by", change.rated_by)
        parts.append(strip.assign(**{WHY: why}))
    columns = ("measure_id", "rated_by", "method", "reliability", "given", *CATEGORIES, "n", WHY)
    return pd.concat(parts, ignore_index=True) if parts else _empty(columns)


def _goal_attainment(goals: GoalAttainment | None) -> pd.DataFrame:
    columns = (
        "child_id", "goals", "missing", "rated_on", "t_start", "t_latest", "t_lowest", "t_highest",
        "change", "change_lowest", "change_highest", WHY,
    )  # fmt: skip
    if goals is None:
        return _empty(columns)
    return goals.frame().rename(columns={"cautions": WHY})


def _goals(goals: GoalAttainment | None) -> pd.DataFrame:
    if goals is None:
        return _empty(("child_id", "goal_id", "weight", "start", "latest", "rated_on", WHY))
    frame = goals.goal_frame()
    gaps = frame[["start", "latest"]].isna().any(axis=1)
    return frame.assign(**{WHY: np.where(gaps, "No level was recorded.", "")})


def _missing(known: Caseload) -> pd.DataFrame:
    frame = missing_counts(known)
    why = np.where(frame["probe_step"].isna(), "No probe step was recorded.", "")
    return frame.assign(**{WHY: why})


def _bounds(
    outcomes: Sequence[Outcome],
    shares: pd.DataFrame,
    headline: Estimate,
    changes: Sequence[MeasureChange],
    goals: GoalAttainment | None,
) -> pd.DataFrame:
    due, judged = len(outcomes), [outcome for outcome in outcomes if outcome.code]
    unjudged = due - len(judged)
    not_judged = f"{unjudged} not judged"
    rows = [
        _bound(
            f"verdict: {row['code']}", row["words"], (row["children"], len(judged)),
            (row["children"], row["children"] + unjudged, due), not_judged,
        )
        for row in shares.to_dict("records")
    ]  # fmt: skip
    rows += _with_missing_ratings(judged, unjudged, headline)
    for change in changes:
        classes, unsaid = change.classes, change.classes.count("cannot_be_said")
        counted = classes.count("recovered") + classes.count("improved")
        rows.append(
            _bound(
                f"score: {change.measure_id}, {change.rated_by}",
                f"{change.title}: recovered or improved",
                (counted, len(classes) - unsaid),
                (counted, counted + unsaid, len(classes)),
                f"{unsaid} of whom it cannot be said",
            )
        )
    if goals is not None and len(goals.children):
        rows += _goal_bounds(goals)
    return _frame(rows, BOUND_COLUMNS)


def _with_missing_ratings(
    judged: Sequence[Outcome], unjudged: int, headline: Estimate
) -> list[dict[str, Any]]:
    """Bound the falls and the mean NAP by missing ratings of the judged as well as by those not judged."""
    fell = low = high = gaps = 0
    least: list[float] = []
    most: list[float] = []
    for outcome in judged:
        if outcome.answer is None:
            continue
        verdict = outcome.answer.verdict
        bounds = answer_bounds(outcome.answer)
        codes = [verdict.code] if bounds is None else [verdict.code, bounds.worst.code, bounds.best.code]
        gaps += bounds is not None
        fell += verdict.code in FELL
        low += all(code in FELL for code in codes)
        high += any(code in FELL for code in codes)
        sizes = [verdict.size] if bounds is None else [bounds.worst.size, bounds.best.size]
        if not math.isnan(verdict.size.value):
            least.append(min(size.value for size in sizes))
            most.append(max(size.value for size in sizes))
    everybody = len(judged) + unjudged
    rests_on = f"{unjudged} not judged" + (f", and missing ratings of {gaps} judged" if gaps else "")
    rows = []
    if gaps:
        rows.append(
            _bound(
                "verdict: fell, missing ratings too", "fell, with missing ratings too", (fell, len(judged)),
                (low, high + unjudged, everybody), rests_on,
            )
        )  # fmt: skip
    counted = len(least) + unjudged
    nan = math.nan
    rows.append(
        {
            "headline": "mean NAP",
            "words": "mean NAP",
            "value": headline.value,
            "n": headline.n,
            "lowest": sum(least) / counted if counted else nan,
            "highest": (sum(most) + unjudged) / counted if counted else nan,
            "of": counted,
            "rests_on": rests_on,
            WHY: "" if least else "No child was judged.",
        }
    )
    return rows


def _goal_bounds(goals: GoalAttainment) -> list[dict[str, Any]]:
    latest, change = np.asarray(goals.latest.value), np.asarray(goals.change.value)
    everybody, unrated = len(goals.children), int(goals.latest.counts["missing"].sum())
    low, high = np.asarray(goals.change_lowest.value), np.asarray(goals.change_highest.value)
    weighed = ~np.isnan(low)
    rests_on = f"{unrated} goals not rated"
    with_change = ~np.isnan(change)
    return [
        _bound(
            "goals: T at least 50",
            "goals reached as expected on the whole (T at least 50)",
            (int(np.sum(latest >= AS_EXPECTED)), int(np.sum(~np.isnan(latest)))),
            (
                int(np.sum(np.asarray(goals.lowest.value) >= AS_EXPECTED)),
                int(np.sum(np.asarray(goals.highest.value) >= AS_EXPECTED)),
                everybody,
            ),
            rests_on,
        ),
        {
            "headline": "goals: mean change of T",
            "words": "mean change of goal attainment T, in points",
            "value": float(change[with_change].mean()) if with_change.any() else math.nan,
            "n": int(with_change.sum()),
            "lowest": float(low[weighed].mean()) if weighed.any() else math.nan,
            "highest": float(high[weighed].mean()) if weighed.any() else math.nan,
            "of": int(weighed.sum()),
            "rests_on": rests_on,
            WHY: "" if with_change.any() else "No child has a level both at the start and later.",
        },
    ]


def _bound(
    name: str, words: str, observed: tuple[int, int], bounds: tuple[int, int, int], rests_on: str
) -> dict[str, Any]:
    count, n = observed
    low, high, everybody = bounds
    return {
        "headline": name,
        "words": words,
        "value": count / n if n else math.nan,
        "n": n,
        "lowest": low / everybody if everybody else math.nan,
        "highest": high / everybody if everybody else math.nan,
        "of": everybody,
        "rests_on": rests_on,
        WHY: "" if n else "Nobody was counted here.",
    }


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _frame(rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame([dict(row) for row in rows], columns=list(columns))
