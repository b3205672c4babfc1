"""The results of a study's report: tables, figures and sentences in APA number style."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import (
    count_of,
    format_bounded,
    format_interval,
    format_number,
    format_p,
)
from rungwise.figures.stacked_cases import describe_cases, stacked_cases
from rungwise.reports.calibration_section import study_cards
from rungwise.reports.manuscript import Drawing, Heading, Part, Points, rows, text
from rungwise.reports.study_criteria import criteria, said
from rungwise.reports.word import Italic
from rungwise.series.phase_series import PHASES, PhaseSeries
from rungwise.single_case.randomization import DECLINES_LEFT_OUT, TAU_SHIFT
from rungwise.study.analysis import NOT_INDEPENDENT, ONE_CHILD, StudyResult, one_child
from rungwise.study.appraise import ROBINT, VERSIONS, WWC, Appraisal
from rungwise.study.between_case import FEWEST_CASES
from rungwise.study.data import CaseData, Study, coverage
from rungwise.study.interval_coverage import coverage_words

MOST_IN_A_FIGURE = 6
P = Italic("p")
PHASE_WORDS = {phase: phase.replace("_", "-") for phase in PHASES}


def results(result: StudyResult, masked: Sequence[Estimate] = ()) -> list[Part]:
    """Give figure, sequence, primary test, cases, several cases and masked raters."""
    study = result.study
    return [
        Heading("Results"),
        Heading("Ratings", 2),
        *figures(study),
        rows([line for one in study.cases for line in _by_phase(one)], "Ratings by phase",
             numeric=["Rated", "Declined", "M", "SD", "Median", "Lowest", "Highest"],
             notes=["Means and medians leave declined occasions out."]),
        Heading("Sequence completed", 2),
        rows(
            [_sequence(one) for one in study.cases],
            "Occasions planned and recorded",
            numeric=["Start", "Baseline", "Exposure", "Declined", "Missing"],
            notes=["Start: occasion at which exposure began. Phases count usable occasions."],
        ),
        Points(tuple(coverage(study))),
        Heading("Primary test", 2),
        *primary(result),
        Heading("Case by case", 2),
        rows(
            [_effects(result, i) for i in range(len(study.cases))],
            "Effects case by case",
            numeric=["Tau", "p of Tau", "NAP", "Beyond baseline"],
            notes=[
                "Tau and NAP rank declined occasions worst; positive Tau is improvement. Beyond baseline: "
                "observed minus projected rating, averaged over exposure, in rating points, so negative is "
                "less fear. Brackets: 95% intervals; p-values of Tau suppose that all orders were equally "
                "likely, which trend and autocorrelation break.",
            ],
        ),
        *(card.part() for card in study_cards(result)),
        Heading("All cases together", 2),
        *together(result),
        *(masked_raters(masked) if masked else []),
    ]  # fmt: skip


def in_order(study: Study) -> list[CaseData]:
    """Give the cases by their start of exposure, as they stand in the figure."""
    return sorted(study.cases, key=lambda one: (one.days[one.start - 1], one.case.label))


def figures(study: Study) -> list[Part]:
    """Draw all cases under one another, so many to a figure that they can be read."""
    shown = [shown_series(study, one) for one in in_order(study)]
    axis = "Planned occasion" if study.plan is not None else "Day of the study"
    parts: list[Part] = []
    count = math.ceil(len(shown) / MOST_IN_A_FIGURE)
    for number, part in enumerate(np.array_split(np.arange(len(shown)), count), start=1):
        cases = [shown[i] for i in part.tolist()]
        which = "every case" if count == 1 else f"the cases, part {number} of {count}"
        caption = (
            f"Probe fear of {which}. Open circles: baseline; filled: exposure. Dashed lines: start of "
            "exposure. Crosses in the band above the scale: declined."
        )
        axes = stacked_cases(cases, time=axis, rating="Probe fear")
        parts.append(Drawing(axes, caption, describe_cases(cases)))
    return parts


def shown_series(study: Study, one: CaseData) -> PhaseSeries:
    """Give everything recorded of a case on the study's time axis, planned occasions without a row too."""
    first = study.plan.first_day if study.plan is not None else min(case.days[0] for case in study.cases)
    per = study.plan.days_apart if study.plan is not None else 1
    begins = one.first_day.toordinal() - first.toordinal()
    times = (one.recorded.times + begins) / per + 1
    empty = [
        (number, phase)
        for number, phase, usable in zip(
            one.series.times, one.series.phases, one.series.usable, strict=True
        )
        if study.plan is not None and not usable
    ]
    return PhaseSeries(
        [*one.recorded.values, *(math.nan for _ in empty)],
        [*one.recorded.phases, *(phase for _, phase in empty)],
        [*times, *(number for number, _ in empty)],
        [*one.recorded.declined, *(False for _ in empty)],
        one.recorded.better,
        label=one.case.label,
        floor=one.series.floor,
        ceiling=one.series.ceiling,
    )


def primary(result: StudyResult) -> list[Part]:
    """Say what the planned test gave."""
    if result.criterion_tests:
        return criteria(result)
    test = result.test
    if math.isnan(test.p_value):
        return [text("There is no randomization test. ", *test.cautions)]
    value = (
        (Italic("Tau"), f" = {format_bounded(test.value)}")
        if result.statistic == "tau"
        else (f"mean change {format_number(test.value, 2)} points",)
    )
    counts = test.counts
    many = f"{int(counts['assignments']):,}"
    counted = (
        f"{int(counts['draws']):,} of {many} permitted assignments drawn (Monte Carlo standard error "
        f"{format_bounded(counts['monte_carlo_error'], 3)})"
        if counts["draws"]
        else f"all {many} permitted assignments"
    )
    interval = (
        ""
        if math.isnan(test.ci_low)
        else f", 95% CI [{format_number(test.ci_low, 2)}, {format_number(test.ci_high, 2)}]"
    )
    cautions = tuple(caution for caution in test.cautions if caution not in (DECLINES_LEFT_OUT, TAU_SHIFT))
    found = (
        "The test reached its level: exposure made a difference to the ratings at the times drawn for it."
        if test.p_value <= result.alpha
        else "The test did not reach its level. That is no proof that exposure did nothing."
    )
    return [
        text(
            "Over ", counted, ", the ", *value, interval, " gave ", P, f" {format_p(test.p_value)} "
            f"({result.alternative}); the smallest attainable with this design was ", P,
            f" {format_p(counts['smallest_p'])}. ", found,
        ),
        *_shift(test, result.statistic),
        *([Points(cautions)] if cautions else []),
        *_with_declines(result),
    ]  # fmt: skip


def _shift(test: Estimate, statistic: str) -> list[Part]:
    """Say which shifts in points a test with Tau does not reject."""
    counts = test.counts
    if statistic != "tau" or math.isnan(counts.get("shift_low", math.nan)):
        return []
    low, high = (format_number(counts[name], 2) for name in ("shift_low", "shift_high"))
    return [
        text(
            "In rating points: the shifts of all exposure ratings that the same test does not reject lie "
            f"between {low} and {high} (95% interval by inverting the test); the one that brings ",
            Italic("Tau"), f" to 0 is {format_number(counts['shift'], 2)}.",
        )
    ]  # fmt: skip


def _with_declines(result: StudyResult) -> list[Part]:
    """Say what the same test gives with declines ranked worst, where means left some out."""
    other = result.declines_ranked
    if other is None:
        return []
    if math.isnan(other.p_value):
        return [text("With declined probes ranked worst there is no test. ", *other.cautions)]
    return [
        text(
            "Declined probes have no rating and are left out of the means. With Tau as the statistic, "
            "which ranks them worse than any rating, the same assignments gave ", Italic("Tau"),
            f" = {format_bounded(other.value)}, ", P, f" {format_p(other.p_value)} ({result.alternative}).",
        )
    ]  # fmt: skip


def together(result: StudyResult) -> list[Part]:
    """Say what the models over cases gave, or why they give nothing."""
    change, multilevel = result.multilevel.change, result.multilevel
    parts: list[Part] = []
    if math.isnan(change.value):
        parts.append(text("Two-level model: not estimated. ", *change.cautions))
    else:
        parts.append(
            text(
                "In a two-level model with AR(1) errors the average change of level was ",
                f"{format_number(change.value, 2)} points, 95% CI [{format_number(change.ci_low, 2)}, "
                f"{format_number(change.ci_high, 2)}], ", Italic("t"),
                f"({format_number(change.counts['df'])}) = "
                f"{format_number(change.value / change.counts['standard_error'], 2)}, ", P,
                f" {format_p(change.p_value)}; children's changes differed with a standard deviation of "
                f"{format_number(multilevel.sd_between, 2)} points, and errors one occasion apart "
                f"correlated {format_bounded(multilevel.phi)}.",
            )
        )  # fmt: skip
    for name, one in (
        ("REML", result.between_case),
        ("moments", result.between_case_moment),
        ("REML, with a trend", result.between_case_trend),
    ):
        if math.isnan(one.value):
            parts.append(text(f"Between-case effect ({name}): not estimated. ", *one.cautions))
            continue
        parts.append(
            text(
                f"Between-case standardized mean difference ({name}): ", Italic("g"),
                f" = {format_number(one.value, 2)}, 95% CI {_brackets(one)}, ",
                f"{format_number(one.counts['df'])} degrees of freedom; positive is better for the "
                f"children. {_effect_taken(one, result)}",
            )
        )  # fmt: skip
    average = result.synthesis.average
    if math.isnan(average.value):
        parts.append(text("Average of the cases' own effects: not estimated. ", *average.cautions))
    else:
        prediction = "" if math.isnan(result.synthesis.prediction_low) else (
            f", prediction interval for a further case "
            f"[{format_number(result.synthesis.prediction_low, 2)}, "
            f"{format_number(result.synthesis.prediction_high, 2)}]"
        )  # fmt: skip
        parts.append(
            text(
                "The cases' standardized mean differences averaged ", Italic("g"),
                f" = {format_number(average.value, 2)}, 95% CI {_brackets(average)}{prediction}. ",
                NOT_INDEPENDENT,
            )
        )  # fmt: skip
    cautions = dict.fromkeys([*change.cautions, *result.between_case.cautions, *average.cautions])
    told = [caution for caution in cautions if not said(caution, parts)]
    if len(result.study.cases) >= FEWEST_CASES:
        told.append(coverage_words(len(result.study.cases)))
    if one_child(result.study):
        told.append(ONE_CHILD)
    if told:
        parts.append(Points(tuple(told)))
    return parts


def _effect_taken(effect: Estimate, result: StudyResult) -> str:
    """Say which change the between-case effect is, and at which occasion it is taken."""
    after = effect.counts.get("after")
    if after is None:
        return "The effect is the change of level, with no trend in the model."
    unit = "occasion" if result.study.plan is not None else "rating"
    return (
        "With a slope in baseline and a change of slope in the model the effect depends on when it is "
        f"taken: here {count_of(int(after), unit)} after the first of exposure, the last that every case "
        "reached."
    )


def masked_raters(tests: Sequence[Estimate]) -> list[Part]:
    """Give what raters found who did not know the starts."""
    return [
        Heading("Masked raters", 2),
        rows(
            [
                {
                    "Rater": test.statistic.removeprefix("masked_start, "),
                    "Starts found": f"{int(test.counts['found'])} of {test.n}",
                    "Mean distance": format_number(test.value),
                    "p": format_p(test.p_value).removeprefix("= "),
                }
                for test in tests
            ],
            "Starts of exposure as masked raters saw them",
            numeric=["Starts found", "Mean distance", "p"],
            notes=[
                "Distance in occasions from the true starts; p is the share of permitted assignments that "
                "the answers lie as close to. It says that something happened at the starts, not what."
            ],
        ),
    ]


def appraisal_parts(appraisal: Appraisal) -> list[Part]:
    """Give both lists of criteria and what the design cannot support."""
    parts: list[Part] = [Heading("Appraisal against published criteria")]
    parts.append(text(VERSIONS))
    parts.append(
        text(
            f"Over the What Works Clearinghouse items that the files settle, the design so far "
            f"{_finding_words(appraisal.wwc)}; a person has still to judge the others."
        )
    )
    for standard, caption in ((WWC, "What Works Clearinghouse design criteria, version 4.1"),
                              (ROBINT, "RoBiNT-style items")):  # fmt: skip
        frame = appraisal.frame(standard).astype(str)
        entries = [dict(zip(frame.columns, row, strict=True)) for row in frame.to_numpy().tolist()]
        parts.append(rows(entries, caption))
    parts += [Heading("What the design cannot support", 2), Points(appraisal.cannot)]
    return parts


def raw_data(study: Study) -> list[Part]:
    """Give every rating of every case; D is declined, a dash is planned and not recorded."""
    axis = "Occasion" if study.plan is not None else "Day"
    entries = []
    for one in in_order(study):
        series = shown_series(study, one)
        for phase in PHASES:
            cells = [_cell(series, i) for i in np.flatnonzero(series.phases == phase).tolist()]
            if cells:
                entries.append(
                    {
                        "Case": one.case.label,
                        "Phase": PHASE_WORDS[phase],
                        f"{axis}: rating": "; ".join(cells),
                    }
                )
    return [
        Heading("Raw data"),
        rows(
            entries,
            "Every rating of every case",
            notes=["D: declined. –: planned and not recorded. Days count from the first of the study."],
        ),
    ]


def _cell(series: PhaseSeries, i: int) -> str:
    time = float(series.times[i])
    when = format_number(time, 0 if time.is_integer() else 1)
    if series.declined[i]:
        return f"{when}: D"
    return f"{when}: {'–' if math.isnan(series.values[i]) else _plain(series.values[i])}"


def _plain(value: float) -> str:
    return format_number(float(value), 0 if float(value).is_integer() else 1)


def _sequence(one: CaseData) -> dict[str, str]:
    return {
        "Case": one.case.label,
        "Start": str(one.start),
        "Baseline": str(one.series.n_baseline),
        "Exposure": str(one.series.n_exposure),
        "Declined": str(int(one.series.declined.sum())),
        "Missing": str(one.series.n_missing),
    }


def _by_phase(one: CaseData) -> list[dict[str, str]]:
    lines = []
    for phase in PHASES:
        part = one.recorded.only(phase)
        if not len(part):
            continue
        values = part.values[~np.isnan(part.values)]
        many = len(values)

        def told(number: float, enough: bool, digits: int = 1) -> str:
            return format_number(float(number), digits) if enough else "–"

        lines.append(
            {
                "Case": one.case.label,
                "Phase": PHASE_WORDS[phase],
                "Rated": str(many),
                "Declined": str(int(part.declined.sum())),
                "M": told(values.mean() if many else 0, many > 0),
                "SD": told(values.std(ddof=1) if many > 1 else 0, many > 1),
                "Median": told(np.median(values) if many else 0, many > 0),
                "Lowest": _plain(values.min()) if many else "–",
                "Highest": _plain(values.max()) if many else "–",
            }
        )
    return lines


def _effects(result: StudyResult, i: int) -> dict[str, str]:
    verdict = result.verdicts[i]
    beyond = verdict.beyond_baseline
    return {
        "Case": result.study.cases[i].case.label,
        "Tau": _bounded(verdict.fell),
        "p of Tau": format_p(verdict.fell.p_value).removeprefix("= "),
        "NAP": _bounded(verdict.size),
        "Beyond baseline": "not estimated"
        if math.isnan(beyond.value)
        else f"{format_number(beyond.value, 2)} {_brackets(beyond)}",
        "In words": verdict.words,
    }


def _bounded(estimate: Estimate) -> str:
    if math.isnan(estimate.value):
        return "not estimated"
    return f"{format_bounded(estimate.value)} {format_interval(estimate)}"


def _brackets(estimate: Estimate) -> str:
    return format_interval(estimate, bounded=False)


def _finding_words(finding: str) -> str:
    return {"cannot be said": "cannot be placed", "meets": "meets the criteria"}.get(finding, finding)
