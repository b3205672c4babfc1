"""Hold a study against published criteria, item by item, with the evidence the files give.

Judgments stay with a person. Nothing here reads more out of the files than is in them: whether a rater
was masked, whether a procedure was the one described, cannot be seen in a table of ratings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rungwise.agreement.coverage import AgreementReview, agreement_reviews
from rungwise.agreement.fidelity import Fidelity, fidelity_review
from rungwise.basis.page_numbers import count_of
from rungwise.study.data import Study

if TYPE_CHECKING:
    import pandas as pd

WWC = "What Works Clearinghouse 4.1"
ROBINT = "RoBiNT"
FINDINGS = ("meets", "meets with reservations", "does not meet", "cannot be said", "for a person to judge")
MEMORY = "from memory of the handbook"
SECONDARY_SOURCE = "read in a secondary source"
UNCONFIRMED = "unconfirmed"
VERSIONS = (
    "Criteria: What Works Clearinghouse Standards Handbook, version 4.1 (2020), from memory except where "
    "noted; what version 5.0 (2022) changed is not confirmed here and is not applied. RoBiNT items: Tate "
    "et al. 2013, Neuropsychological Rehabilitation 23:619–638; wording and anchors from memory, so they "
    "are called RoBiNT-style. Take both from their own texts before citing a rating."
)


@dataclass(frozen=True)
class Item:
    """One item of a standard.

    Attributes
    ----------
    standard : str
        `WWC` or `ROBINT`.
    number : int
    topic : str
    finding : str
        One of `FINDINGS`.
    score : int or None
        RoBiNT-style points from 0 to 2 where the data settle them; None where a person must.
    evidence : str
        What the files show.
    source : str
        How surely the criterion itself is known.
    """

    standard: str
    number: int
    topic: str
    finding: str
    score: int | None
    evidence: str
    source: str


@dataclass(frozen=True)
class Appraisal:
    """A study held against both lists.

    Attributes
    ----------
    items : tuple of Item
    wwc : str
        The worst finding over the What Works Clearinghouse items that the files settle; "so far",
        because a person has still to judge the rest.
    cannot : tuple of str
        What the design cannot support, in words.
    """

    items: tuple[Item, ...]
    wwc: str
    cannot: tuple[str, ...]

    def frame(self, standard: str) -> pd.DataFrame:
        """Give the items of one list as a table."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "Item": item.number,
                    "Topic": item.topic,
                    "Finding": item.finding + (f" ({item.score} of 2)" if item.score is not None else ""),
                    "Evidence": item.evidence,
                    "Criterion known": item.source,
                }
                for item in self.items
                if item.standard == standard
            ]
        )


def appraise(study: Study) -> Appraisal:
    """Hold a study's design and records against published criteria.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Appraisal

    Notes
    -----
    Source: see `VERSIONS`. The list is an aid to the person who appraises, not an appraisal.

    Examples
    --------
    >>> from rungwise.study.rehearsal import invented_study
    >>> study = invented_study()
    >>> [item.finding for item in appraise(study).items if item.topic.startswith("Phases")]
    ['meets']
    """
    facts = _Facts.of(study)
    items = (*_wwc(facts), *_robint(facts))
    settled = [item.finding for item in items if item.standard == WWC and item.finding in FINDINGS[:3]]
    worst = max(settled, key=FINDINGS.index) if settled else "cannot be said"
    return Appraisal(items, worst, tuple(_cannot(facts)))


@dataclass(frozen=True, eq=False)
class _Facts:
    """What the files show, gathered once."""

    study: Study
    points: dict[str, tuple[int, int]]
    attempts: int
    concurrent: bool | None
    overlap: str
    outcome: AgreementReview | None
    fear: AgreementReview | None
    fidelity: Fidelity | None

    @classmethod
    def of(cls, study: Study) -> _Facts:
        points = {one.case.label: (one.series.n_baseline, one.series.n_exposure) for one in study.cases}
        if study.kind == "changing_criterion" and study.plan is not None:
            attempts = len(study.plan.criteria)
        else:
            attempts = len({one.days[one.start - 1] for one in study.cases})
        concurrent, overlap = _concurrency(study)
        outcome = agreement_reviews(study.caseload, each_child=False)
        fear = agreement_reviews(study.caseload, variable="fear_peak", each_child=False)
        fidelity = fidelity_review(study.caseload)
        return cls(
            study,
            points,
            attempts,
            concurrent,
            overlap,
            outcome[0] if outcome else None,
            fear[0] if fear else None,
            fidelity[0] if fidelity else None,
        )

    @property
    def fewest(self) -> int:
        """Usable occasions of the shortest phase; under criteria, of the shortest stretch."""
        fewest = min(min(pair) for pair in self.points.values())
        if self.study.kind == "changing_criterion" and self.study.plan is not None:
            fewest = min(fewest, self.study.plan.fewest_per_phase)
        return fewest

    @property
    def random(self) -> bool:
        return self.study.design is not None or self.study.kind == "changing_criterion"


def _concurrency(study: Study) -> tuple[bool | None, str]:
    """Say whether, when each case started exposure, the later ones were still in baseline and watched."""
    if len(study.cases) < 2:
        return None, "one case"
    ordered = sorted(study.cases, key=lambda one: one.days[one.start - 1])
    latest_first = max(one.days[0] for one in ordered)
    earliest_start = ordered[0].days[ordered[0].start - 1]
    begun = min(one.days[0] for one in ordered).toordinal() - 1
    last, first = latest_first.toordinal() - begun, earliest_start.toordinal() - begun
    if last >= first:
        return False, f"the first exposure began on day {first}, the last baseline on day {last}"
    return (
        True,
        f"all baselines had begun by day {last} of the study; the first exposure began on day {first}",
    )


def _points_words(facts: _Facts) -> str:
    listed = "; ".join(f"{label} {a} + {b}" for label, (a, b) in facts.points.items())
    return f"usable occasions, baseline + exposure: {listed}"


def _by_points(fewest: int) -> str:
    return FINDINGS[0] if fewest >= 5 else FINDINGS[1] if fewest >= 3 else FINDINGS[2]


def _wwc(facts: _Facts) -> list[Item]:
    study = facts.study
    several = len(study.cases) > 1
    if facts.outcome is None:
        agreement, told = "cannot be said", "trials were not recorded one by one"
    else:
        agreement = facts.outcome.verdict if facts.outcome.verdict in FINDINGS else "cannot be said"
        told = "; ".join(facts.outcome.reasons)
        if facts.fear is not None and facts.fear.verdict == "not applicable":
            told += ". " + " ".join(facts.fear.reasons)
    phases = 2 * len(study.cases)
    if study.kind == "changing_criterion" and study.plan is not None:
        enough = len(study.plan.criteria) >= 3
        wanted = f"changing criterion: at least 3 criterion changes; here {len(study.plan.criteria)}"
    else:
        enough = phases >= 6
        wanted = f"multiple baseline: at least 6 phases; here {phases}"
    by_points = _by_points(facts.fewest) if enough else FINDINGS[2]
    items = [
        Item(WWC, 1, "Raw data of every session in a graph or table", "meets", None,
             "the report's own figures and table of ratings", MEMORY),
        Item(WWC, 2, "The researcher decides when and how exposure starts",
             "meets" if facts.random else "for a person to judge", None,
             "starts were drawn at random from permitted occasions" if facts.random else study.no_design,
             MEMORY),
        Item(WWC, 3, "Agreement of a second observer, each case and phase", agreement, None, told,
             SECONDARY_SOURCE + " (share), " + MEMORY + " (level)"),
        Item(WWC, 4, "At least three attempts to show an effect at three points in time",
             "meets" if facts.attempts >= 3 else "does not meet", None,
             f"{count_of(facts.attempts, 'different point')} in time", MEMORY),
        Item(WWC, 5, "No residual effect of earlier phases", "for a person to judge", None,
             "what was learned does not reverse; the design asks for no return to baseline",
             MEMORY + "; " + UNCONFIRMED),
        Item(WWC, 6, "Phases, and points in each", by_points, None,
             f"{wanted}; {_points_words(facts)}; 5 points each for no reservations, 3 at least", MEMORY),
    ]  # fmt: skip
    if several and study.kind != "changing_criterion":
        items.append(
            Item(WWC, 7, "Baselines overlap in time",
                 "cannot be said" if facts.concurrent is None else
                 "meets" if facts.concurrent else "does not meet", None, facts.overlap,
                 MEMORY + "; " + UNCONFIRMED)
        )  # fmt: skip
    return items


def _robint(facts: _Facts) -> list[Item]:
    study = facts.study
    judge = "for a person to judge"
    fewest = facts.fewest
    sampling = 2 if fewest >= 5 else 1 if fewest >= 3 else 0
    agreed = facts.outcome.verdict if facts.outcome is not None else "cannot be said"
    fidelity = facts.fidelity.verdict if facts.fidelity is not None else "cannot be said"
    untrained = sorted({f"{child} {ladder}" for child, ladder in _untrained(study)})
    cases = len({one.case.child_id for one in study.cases})
    entries: list[tuple[str, str, int | None, str]] = [
        ("Design with control", "meets" if facts.attempts >= 3 else "does not meet",
         2 if facts.attempts >= 3 else None if facts.attempts == 2 else 0,
         f"{count_of(facts.attempts, 'demonstration')} at different times"),
        ("Randomization", "meets" if facts.random else "does not meet", None,
         "starts drawn at random; the anchor for the points is for a person"
         if facts.random else study.no_design),
        ("Sampling of behavior in all phases", _by_points(fewest), sampling, _points_words(facts)),
        ("Masking of child and therapist", judge, None, "not in the files; a child knows of its exposure"),
        ("Masking of the assessor", judge, None, "not in the files"),
        ("Inter-rater agreement", agreed if agreed in FINDINGS else "cannot be said",
         2 if agreed == "meets" else None,
         "; ".join(facts.outcome.reasons) if facts.outcome is not None else "not recorded"),
        ("Adherence to the procedure", fidelity if fidelity in FINDINGS else "cannot be said", None,
         " ".join(facts.fidelity.reasons) + " Whether the checker was independent is not recorded."
         if facts.fidelity is not None else "not recorded"),
        ("Baseline characteristics", judge, None, "to be described by the author without identifying"),
        ("Setting", judge, None, "to be described by the author"),
        ("Dependent variable", "meets", None,
         "fear at a fixed probe step on occasions planned in advance, scale and rater stated in the plan"
         if study.plan is not None else "fear at a fixed probe step; scale and rater in the plans table"),
        ("Independent variable", judge, None, "the exposure program, to be described by the author"),
        ("Raw data record", "meets", 2, "every rating of every case in a table and a figure"),
        ("Data analysis", "meets" if facts.random else judge, None,
         "randomization test of the design; the anchor for the points is for a person"
         if facts.random else "no randomization test"),
        ("Replication", judge, None, f"{count_of(cases, 'child', 'children')} in this study"),
        ("Generalization", judge, None,
         f"untrained, probed: {', '.join(untrained)}" if untrained else "no untrained ladder probed"),
    ]  # fmt: skip
    return [
        Item(ROBINT, number, topic, finding, score, evidence, MEMORY.replace("handbook", "paper"))
        for number, (topic, finding, score, evidence) in enumerate(entries, start=1)
    ]


def _untrained(study: Study) -> list[tuple[str, str]]:
    plans = study.caseload.tables.get("plans")
    if plans is None:
        return []
    no = np.array([trained is False or trained == False for trained in plans["trained"].tolist()])  # noqa: E712
    return list(zip(plans["child_id"][no].tolist(), plans["ladder_id"][no].tolist(), strict=True))


def _cannot(facts: _Facts) -> Sequence[str]:
    study = facts.study
    lines = []
    if not facts.random:
        lines.append(
            "Because the starts were not drawn at random, no p-value of a randomization test can be given, "
            "and a start chosen when fear was about to fall looks like an effect."
        )
    if facts.attempts < 3:
        lines.append(
            f"With {count_of(facts.attempts, 'attempt')} to show an effect, something else that happened "
            "at the time explains the change as well as exposure does."
        )
    if facts.concurrent is False:
        lines.append(
            "Because the baselines did not run at the same time, an event that touched all children cannot "
            "be told apart from exposure by those who were still waiting."
        )
    if facts.fewest < 5:
        lines.append(
            f"The shortest phase has {count_of(facts.fewest, 'usable occasion')}, too few to see a trend."
        )
    if len({one.case.child_id for one in study.cases}) == 1:
        lines.append("With one child, nothing is said about other children.")
    if study.kind == "changing_criterion":
        lines.append(
            "A changing criterion shows control only if ratings follow it, which fear that falls at once "
            "does not."
        )
    lines.append(
        "The probe is itself a small exposure, so a baseline may fall because of the probing; without a "
        "ladder that is probed and never practiced the two cannot be told apart."
        if not _untrained(study)
        else "The probe is itself a small exposure; the untrained ladder shows how far probing alone goes."
    )
    lines.append(
        "Fear rated by the child or a parent who knows the phase can be colored by what they hope for; no "
        "analysis undoes that."
    )
    return lines
