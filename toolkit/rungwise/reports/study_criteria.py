"""What a changing-criterion study's report says: whether ratings followed the criteria."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import format_number, format_p
from rungwise.reports.manuscript import Part, Points, Text, text
from rungwise.reports.word import Italic
from rungwise.study.analysis import StudyResult

P = Italic("p")
SUPPORTS = (
    "What this design supports: that ratings changed when the criterion did, at times nobody chose. It "
    "does not say how far fear would have come down without criteria, nor what exposure did beyond them.",
    "The p over all cases speaks of the cases together; that of one case rests on that case's draw alone, "
    "and the several are not adjusted for one another.",
)


def criteria(result: StudyResult) -> list[Part]:
    """Say whether ratings followed the criteria, together and case by case, and what that supports."""
    test, several = result.test, len(result.study.cases) > 1
    parts: list[Part] = []
    if math.isnan(test.p_value):
        parts.append(text("There is no randomization test. ", *test.cautions))
    else:
        counts = test.counts
        how = (
            f"{int(counts['draws']):,} of {int(counts['assignments']):,} combinations drawn"
            if counts["draws"]
            else f"all {int(counts['assignments']):,} "
            + ("combinations of the cases' permitted schedules" if several else "permitted schedules")
        )
        found = (
            "The test reached its level: ratings followed the criteria at the times drawn for them."
            if test.p_value <= result.alpha
            else "The test did not reach its level. That is no proof that exposure did nothing."
        )
        parts.append(
            text(
                f"Over {how}, the mean distance of {format_number(test.value, 2)} points from the "
                "criterion in force gave ", P, f" {format_p(test.p_value)}; the smallest attainable with "
                "this design was ", P, f" {format_p(counts['smallest_p'])}. ", found,
            )
        )  # fmt: skip
    if several:
        parts += [
            part
            for one, single in zip(result.study.cases, result.criterion_tests, strict=True)
            for part in _criterion(one.case.label, single)
        ]
    cautions = dict.fromkeys(caution for one in (test, *result.criterion_tests) for caution in one.cautions)
    told = [caution for caution in cautions if not said(caution, parts)]
    return [*parts, Points((*told, *(SUPPORTS if several else SUPPORTS[:1])))]


def _criterion(label: str, test: Estimate) -> list[Part]:
    if math.isnan(test.p_value):
        return [text(f"{label}: no test. ", *test.cautions)]
    return [
        text(
            f"{label}: ratings lay {format_number(test.value, 2)} points from the criterion in force on "
            f"average, over {int(test.counts['assignments']):,} permitted schedules ", P,
            f" {format_p(test.p_value)}.",
        )
    ]  # fmt: skip


def said(caution: str, parts: Sequence[Part]) -> bool:
    """Say whether a paragraph says this already."""
    return any(isinstance(part, Text) and caution in part.parts for part in parts)
