"""The pre-analysis plan as a document with a fingerprint, and where a study departed from it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from rungwise.basis.page_numbers import count_of, format_bounded, format_number
from rungwise.study.analysis import StudyResult, schedule_made
from rungwise.study.plan import StudyPlan, fingerprint
from rungwise.study.power import Power
from rungwise.study.scenario import Scenario
from rungwise.study.schedule import Schedule

FORMAT = 1
TO_WRITE = "To be written by the author."
STATISTIC_WORDS = {
    "mean_difference": "mean rating in exposure minus mean rating in baseline, averaged over cases",
    "tau": "Tau of exposure against baseline (declined probes rank worst), averaged over cases",
    "immediate_change": (
        "mean of the first three exposure ratings minus mean of the last three baseline ratings, averaged "
        "over cases"
    ),
}
DECLINE_RULE = (
    "A declined probe ranks worse than any rating in rank statistics; in statistics of means it has no "
    "value and is left out. The number of declines is reported by phase, whatever they do to the result."
)
MISSING_RULE = (
    "A planned probe that was not given keeps its place and has no value. Nothing is filled in. A case "
    "without a rating in one of the phases cannot be analyzed and is named."
)
SECONDARY = (
    "Case by case: Tau and NAP with the baseline's own trend, and the change beyond the baseline's course.",
    "Average change over cases: two-level model, AR(1) errors, Satterthwaite degrees of freedom.",
    "The design-comparable standardized mean difference, with three cases or more.",
    "None of these decides; the randomization test does.",
)


@dataclass(frozen=True)
class PreAnalysis:
    """What will be done with the data, fixed before there are any.

    Attributes
    ----------
    plan : StudyPlan
    question : str
    stopping : str
        When exposure is stopped for a child's sake, and what then happens to the data.
    masking : str
        Who does not know the phase when rating or analyzing.
    scenario : Scenario, optional
        What the power rests on.
    power : Power, optional
    commitment : str
        SHA-256 of the sealed schedule; empty where it was drawn by somebody else.
    version : str
        Of the program that will analyze.
    """

    plan: StudyPlan
    question: str = TO_WRITE
    stopping: str = TO_WRITE
    masking: str = TO_WRITE
    scenario: Scenario | None = None
    power: Power | None = None
    commitment: str = ""
    version: str = ""
    secondary: tuple[str, ...] = field(default=SECONDARY)

    def as_dict(self) -> dict[str, Any]:
        """Give it as plain values."""
        return {
            "format": FORMAT,
            "plan": self.plan.as_dict(),
            "question": self.question,
            "stopping": self.stopping,
            "masking": self.masking,
            "scenario": None if self.scenario is None else asdict(self.scenario),
            "power": None if self.power is None else asdict(self.power),
            "commitment": self.commitment,
            "version": self.version,
            "secondary": list(self.secondary),
        }

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> PreAnalysis:
        """Make it from its plain values.

        Raises
        ------
        ValueError
            If they are not those of a pre-analysis plan.
        """
        values = dict(plain)
        if values.pop("format", None) != FORMAT or set(values) != set(cls.__dataclass_fields__):
            raise ValueError("This is not a pre-analysis plan written by this program.")
        values["plan"] = StudyPlan.from_dict(values["plan"])
        values["scenario"] = values["scenario"] and Scenario(**values["scenario"])
        values["power"] = values["power"] and Power(**values["power"])
        values["secondary"] = tuple(values["secondary"])
        return cls(**values)

    @property
    def sha256(self) -> str:
        """Fingerprint of the whole plan; state it where the study is registered."""
        return fingerprint(self.as_dict())

    def text(self) -> str:
        """Give the text of the file from which `read_preanalysis` makes it again."""
        return json.dumps({"sha256": self.sha256, **self.as_dict()}, indent=2, ensure_ascii=False) + "\n"

    def sections(self) -> list[tuple[str, list[str]]]:
        """Give the document, heading by heading."""
        plan = self.plan
        cases = [
            f"{case.label}: probe step {case.probe_step}, scale {case.fear_minimum:g} to "
            f"{case.fear_maximum:g}, rated by {case.usual_rater or 'the same person throughout'}."
            for case in plan.cases
        ]
        if plan.kind == "changing_criterion":
            test = (
                "Randomization test over all combinations of the cases' permitted schedules; statistic: "
                "mean distance of the ratings from the criterion in force, averaged over cases; level "
                f"{format_bounded(plan.alpha)}. Case by case the same test is reported and does not decide."
            )
        else:
            test = (
                f"Randomization test over all permitted assignments; statistic: "
                f"{STATISTIC_WORDS[plan.statistic]}; alternative: {plan.alternative}; "
                f"level {format_bounded(plan.alpha)}."
            )
        return [
            ("Question", [self.question]),
            ("Design", plan.announcement()),
            ("Cases", [*cases, "Every child's family consented to research before the plan was made."]),
            (
                "Outcome",
                [
                    "Probe fear: fear at the same fixed probe step on occasions planned in advance, "
                    "whatever was practiced. Practice ratings are shown and never tested."
                ],
            ),
            ("Primary test", [test]),
            ("Also reported", list(self.secondary)),
            ("Declined and missed probes", [DECLINE_RULE, MISSING_RULE]),
            ("Power", self._power_lines()),
            ("Masking", [self.masking]),
            ("Stopping", [self.stopping]),
            (
                "Fingerprints",
                [
                    f"Plan: SHA-256 {plan.sha256}.",
                    f"Sealed schedule: SHA-256 {self.commitment}."
                    if self.commitment
                    else "The schedule has not been drawn yet, or its fingerprint was not given.",
                    f"This document: SHA-256 {self.sha256}.",
                    f"Program: rungwise {self.version}." if self.version else "Program version not stated.",
                ],
            ),
        ]

    def _power_lines(self) -> list[str]:
        if self.power is None or self.scenario is None:
            return ["Power was not simulated."]
        scenario, result = self.scenario, self.power
        change = (
            "ratings that come down from a child's own course to the criterion in force"
            if self.plan.kind == "changing_criterion"
            else f"a change of {format_number(scenario.level_change)} at once and "
            f"{format_number(scenario.slope_change, 2)} an occasion"
        )
        told = (
            f"Simulated with a start at {format_number(scenario.start)}, a baseline slope of "
            f"{format_number(scenario.baseline_slope, 2)} points an occasion, {change}, a standard "
            f"deviation of {format_number(scenario.sd)}, autocorrelation "
            f"{format_bounded(scenario.phi)}, {format_number(100 * scenario.missed)} % of probes missed "
            f"and {format_number(100 * scenario.dropout)} % of children leaving at each occasion."
        )
        error = format_bounded(result.monte_carlo_error, 3)
        return [
            told,
            f"Power of the primary test: {format_bounded(result.power)} (Monte Carlo standard error "
            f"{error}, {result.replications:,} simulated studies). It is as true as what it supposes.",
        ]

    def markdown(self) -> str:
        """Give the document as Markdown."""
        lines = [f"# Pre-analysis plan, design {self.plan.design_id}", ""]
        for heading, paragraphs in self.sections():
            lines += [f"## {heading}", "", *(f"- {line}" for line in paragraphs), ""]
        return "\n".join(lines)


def read_preanalysis(text: str) -> PreAnalysis:
    """Read a pre-analysis plan back and check its fingerprint.

    Raises
    ------
    ValueError
        If the text is not a pre-analysis plan, or was changed after it was written.
    """
    try:
        plain = json.loads(text)
        stated = plain.pop("sha256")
        plan = PreAnalysis.from_dict(plain)
    except (KeyError, TypeError, AttributeError, json.JSONDecodeError):
        raise ValueError("This is not a pre-analysis plan (plan.json) written by this program.") from None
    if plan.sha256 != stated:
        raise ValueError(
            "The pre-analysis plan was changed after it was written: its fingerprint is no longer the one "
            "it states."
        )
    return plan


def departures(
    planned: PreAnalysis, result: StudyResult, *, schedule: Schedule | None = None, version: str = ""
) -> list[dict[str, str]]:
    """List where a study departed from its pre-analysis plan, as far as the data show.

    Parameters
    ----------
    planned : PreAnalysis
    result : StudyResult
    schedule : Schedule, optional
        The opened schedule: then starts are compared with those drawn, and the schedule with the
        fingerprint stated beforehand.
    version : str
        Of the program that analyzed.

    Returns
    -------
    list of dict
        ``topic, planned, done``; empty where nothing was found. What the files cannot show (how the
        sessions were really run) is for the author to add.
    """
    plan, study = planned.plan, result.study
    found: list[dict[str, str]] = []

    def note(topic: str, before: object, after: object) -> None:
        found.append({"topic": topic, "planned": str(before), "done": str(after)})

    if study.plan is None or study.plan.sha256 != plan.sha256:
        note("Plan", f"fingerprint {plan.sha256[:12]}…", "another plan was analyzed, or none was given")
    for name in ("statistic", "alternative", "alpha"):
        before, after = getattr(plan, name), getattr(result, name)
        if before != after:
            note(f"Primary test, {name}", before, after)
    for label, reason in study.left_out.items():
        note("Cases", f"{label} analyzed", f"left out: {reason}")
    for one in study.cases:
        series = one.series
        if series.n_missing:
            note(
                f"Probes of {one.case.label}",
                count_of(len(series), "occasion"),
                f"{len(series) - series.n_missing} recorded",
            )
        if one.moved:
            note(f"Days of {one.case.label}", "on the planned days", f"{one.moved} on other days")
        if one.extra:
            note(f"Probes of {one.case.label}", "none beyond the plan", f"{one.extra} more, not tested")
        raters = study.caseload.raters(one.case.child_id, one.case.ladder_id)
        if one.case.usual_rater and raters[0] not in ("", one.case.usual_rater):
            note(f"Rater of {one.case.label}", one.case.usual_rater, raters[0])
        if len(raters) > 1:
            note(f"Raters of {one.case.label}", "one kind", f"also {', '.join(raters[1:])}, not analyzed")
    if schedule is not None:
        found += _departures_from_draw(planned, result, schedule)
    if np.isnan(result.test.value):
        note("Primary test", "randomization test", "none: " + " ".join(result.test.cautions))
    if version and planned.version and version != planned.version:
        note("Program", f"rungwise {planned.version}", f"rungwise {version}")
    return found


def _departures_from_draw(
    planned: PreAnalysis, result: StudyResult, schedule: Schedule
) -> list[dict[str, str]]:
    plan, study = planned.plan, result.study
    found = []
    if planned.commitment and schedule.commitment != planned.commitment:
        found.append(
            {"topic": "Schedule", "planned": "the one sealed beforehand",
             "done": "another one: its fingerprint differs"}
        )  # fmt: skip
    if (len(schedule.starts), schedule.plan.occasions) != (len(plan.cases), plan.occasions):
        return found
    drawn = {case.label: numbers for case, numbers in zip(plan.cases, schedule.phase_numbers, strict=True)}
    for one in study.cases:
        numbers = np.array(drawn.get(one.case.label, ()))
        if not len(numbers):
            continue
        start = int(np.argmax(numbers > 0)) + 1
        if start != one.start:
            found.append(
                {"topic": f"Start of {one.case.label}", "planned": f"occasion {start}",
                 "done": f"occasion {one.start}"}
            )  # fmt: skip
        if plan.kind != "changing_criterion" or "phases" not in study.caseload.tables:
            continue
        made = schedule_made(study, one.case.child_id, one.case.ladder_id)
        if not np.array_equal(made, numbers):
            found.append(
                {"topic": f"Changes of criterion of {one.case.label}", "planned": _changes_words(numbers),
                 "done": _changes_words(made)}
            )  # fmt: skip
    return found


def _changes_words(numbers: np.ndarray) -> str:
    places = np.flatnonzero(np.diff(numbers)) + 2
    return "at occasions " + ", ".join(map(str, places.tolist())) if len(places) else "none"
