"""What a study's report says of safety, fidelity and agreement, also where it was not recorded."""

from __future__ import annotations

import math

import numpy as np

from rungwise.agreement.coverage import agreement_reviews
from rungwise.agreement.fidelity import fidelity_review
from rungwise.basis.page_numbers import format_bounded
from rungwise.reports.manuscript import Heading, Part, rows, text
from rungwise.reports.study_results import PHASE_WORDS
from rungwise.study.data import Study


def safety_parts(study: Study) -> list[Part]:
    """Give adverse events, fidelity and agreement, each also where it was not recorded."""
    return [
        Heading("Adverse events", 2),
        *_incidents(study),
        Heading("Procedural fidelity", 2),
        *_fidelity(study),
        Heading("Agreement of observers", 2),
        *_agreement(study),
    ]


def _incidents(study: Study) -> list[Part]:
    incidents = study.caseload.tables.get("incidents")
    if incidents is None:
        return [text("Adverse events were not recorded, which does not mean that there were none.")]
    entries = [
        {
            "Child": incidents["child_id"][i],
            "Day of the study": str(_study_day(study, incidents["date"][i])),
            "Kind": str(incidents["kind"][i]).replace("_", "-"),
            "Severity": incidents["severity"][i],
            "Step": "not recorded" if math.isnan(incidents["step"][i]) else f"{incidents['step'][i]:g}",
            "Action": incidents["action"][i] or "not recorded",
        }
        for i in range(len(incidents))
    ]
    caption = "Every adverse event of the children in the study"
    return [rows(entries, caption, numeric=["Day of the study", "Step"])]


def _study_day(study: Study, day: np.datetime64) -> int:
    first = study.plan.first_day if study.plan is not None else min(one.days[0] for one in study.cases)
    return int(day.astype(object).toordinal() - first.toordinal()) + 1


def _fidelity(study: Study) -> list[Part]:
    reviews = fidelity_review(study.caseload)
    if not reviews:
        return [text("Procedural fidelity was not recorded.")]
    return [
        rows(
            [
                {
                    "Child": review.child_id or "all children",
                    "Checklists": str(review.mean.n),
                    "Mean share of steps": format_bounded(review.mean.value),
                    "Lowest": format_bounded(review.mean.counts["lowest"]),
                    "Sessions with a checklist": format_bounded(review.sessions.value),
                }
                for review in reviews
            ],
            "Steps of the procedure carried out",
            numeric=["Checklists", "Mean share of steps", "Lowest", "Sessions with a checklist"],
        )
    ]


def _agreement(study: Study) -> list[Part]:
    reviews = agreement_reviews(study.caseload)
    if not reviews:
        return [text("Trials were not recorded one by one, so agreement cannot be said.")]
    lines = [
        {
            "Child": review.child_id or "all children",
            "Phase": PHASE_WORDS.get(one.phase, one.phase),
            "Probes": str(one.share.n),
            "Seen twice": format_bounded(one.share.value),
            "Agreement": format_bounded(one.agreement.value),
            "Kappa": format_bounded(one.kappa.value),
        }
        for review in reviews
        for one in review.phases
    ]
    return [
        rows(lines, "Outcome of probes as two observers saw it",
             numeric=["Probes", "Seen twice", "Agreement", "Kappa"]),
        *_about_fear(study),
    ]  # fmt: skip


def _about_fear(study: Study) -> list[Part]:
    (review, *_) = agreement_reviews(study.caseload, variable="fear_peak", each_child=False)
    return [text(*(f"{reason} " for reason in review.reasons))]
