"""The page about one child, block by block: what `notebooks/one_child.ipynb` shows.

The answer stands first, then the picture, the numbers, how far to trust them, what would settle it,
what was left out, and how to check the page. Every sentence that judges comes from
`rungwise.single_case`, so the page and the printed answer cannot disagree.
"""

from __future__ import annotations

import math
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from rungwise.audit.wording import listed
from rungwise.basis.page_numbers import (
    count_of,
    format_bounded,
    format_interval,
    format_number,
    format_p,
    of_hundred,
)
from rungwise.figures.single_case_graph import describe_graph, single_case_graph
from rungwise.reports.blocks import (
    Block,
    Blocks,
    Picture,
    bullets,
    heading,
    lead,
    note,
    paragraph,
    picture,
    table,
)
from rungwise.reports.provenance import provenance, settings
from rungwise.reports.words import MEANINGS, SAFETY, SAFETY_TITLE, to_find_out
from rungwise.single_case.answer_text import trust_sentences
from rungwise.single_case.child_answer import which_child as which_child
from rungwise.single_case.verdict_words import CAUTION, comparison

if TYPE_CHECKING:
    from rungwise.basis.estimate import Estimate
    from rungwise.series.caseload import Caseload
    from rungwise.single_case.child_answer import ChildAnswer, LadderAnswer
    from rungwise.single_case.verdict_words import Question

NARROW_INCHES = 3.8
_NO_NUMBER = "–"
_UNBROKEN = "\N{NO-BREAK SPACE}"
_BEST = "Smallest p possible"
_SETTINGS = {
    "alpha": "level of significance (two-sided)",
    "margin": "margin of “about the same”, in points",
    "minimum_baseline": "least baseline occasions",
    "minimum_exposure": "least exposure occasions",
}


def opening(caseload: Caseload, answer: ChildAnswer) -> Block:
    """Give the page's title and its answer: one plain sentence, then its uncertainty."""
    compared = (
        "" if answer.verdict.code == "too_few" else comparison(answer.verdict.size, lower=_lower(answer))
    )
    sentence = answer.headline.removesuffix(compared).strip()
    basis, *_ = trust_sentences(answer)
    practice = caseload.practice
    label = f"{practice.label}. " if "label" in practice.given else ""
    return (
        heading(f"{answer.child_id}: {answer.outcome} at the probe step", 1)
        + lead(sentence, uncertainty=compared)
        + paragraph(f"{label}{basis} {CAUTION}", kind="stated")
    )


def pictures(caseload: Caseload, answer: ChildAnswer) -> Blocks:
    """Give one graph for each ladder, with a version for narrow screens."""
    several = len(answer.ladders) > 1
    blocks: list[Block | Picture] = []
    for ladder in answer.ladders:
        if several:
            blocks.append(
                heading(f"{named(ladder)}: {ladder.verdict.words} (shown, not counted by itself)", 3)
            )
        blocks.append(_picture(caseload, answer, ladder))
    return Blocks(blocks)


def numbers(answer: ChildAnswer) -> Blocks:
    """Give the three questions with their numbers, the size, and what each number says."""
    blocks: list[Block | Picture] = [numbers_table(answer)]
    if len(answer.ladders) > 1:
        blocks.append(_by_ladder(answer))
    blocks.append(
        table(
            [
                {"Number": meaning.name, "It says": meaning.says, "It does not say": meaning.does_not_say}
                for meaning in MEANINGS.values()
            ],
            caption="What these numbers say, and what they do not",
        )
    )
    return Blocks(blocks)


def numbers_table(answer: ChildAnswer) -> Block:
    """Give the table of the three questions and the size of the change."""
    verdict = answer.verdict
    first, second, third = verdict.questions
    rows = [
        _row(first, "Tau", verdict.fell, smallest_p=verdict.smallest_p),
        *(
            [_row("The same without declined occasions", "Tau", verdict.without_declines)]
            if verdict.without_declines is not None
            else []
        ),
        _row(second, "tau", verdict.baseline_trend),
        _row(third, "", verdict.beyond_baseline, bounded=False),
        *(
            [_row("The same, declines at the worst end", "", verdict.beyond_with_declines, bounded=False)]
            if verdict.beyond_with_declines is not None
            else []
        ),
        _row("How consistent was it?", "NAP", verdict.size),
        _row("How large was it on average?", "", verdict.difference, bounded=False),
    ]
    return table(
        rows,
        caption="The three questions, each by itself, and the size of the change",
        numeric=[_interval_of(verdict.fell), "p", _BEST],
        notes=[_direction(answer), *_ladders_note(answer)],
    )


def trust(answer: ChildAnswer) -> Blocks:
    """Give how often the verdict errs, the recording level and every caution."""
    blocks: list[Block | Picture] = []
    rates = answer.rates
    in_table = rates.sentence if rates is not None else ""
    if rates is not None:
        names = ("No effect: “beyond”", "Real effect: “beyond”", "Real effect: fell at all")
        rows = [
            {
                "Autocorrelation": format_number(phi, 1),
                **{
                    name: f"{of_hundred(shares[phi])} of 100"
                    for name, shares in zip(names, (rates.wrong, rates.power, rates.found), strict=True)
                },
            }
            for phi in sorted(rates.wrong)
        ]
        blocks.append(
            table(
                rows,
                caption="What simulated children are called: “fell, beyond the baseline's own course”, or "
                "fallen at all",
                numeric=names,
                notes=[
                    f"Simulated with {rates.n_baseline} baseline and {rates.n_exposure} exposure "
                    f"occasions; the real effect is {rates.effect}. Without an effect, the worst of "
                    "several baselines is shown. Autocorrelation is how much a rating resembles the one "
                    "before it; one child's few ratings cannot tell which row applies.",
                ],
            )
        )
    if sentences := [sentence for sentence in cautions(answer) if sentence != in_table]:
        blocks.append(bullets(sentences))
    return Blocks(blocks)


def cautions(answer: ChildAnswer) -> list[str]:
    """Give every sentence that qualifies the answer: as a whole first, then number by number."""
    return [*_general(answer), *_by_number(answer)]


def next_to_find_out(answer: ChildAnswer) -> Block:
    """Give what would settle the open question."""
    return bullets(to_find_out(answer))


def safety() -> Block:
    """Give the cautions that stand on every page someone might act on."""
    return note(*SAFETY, title=SAFETY_TITLE)


def left_out(caseload: Caseload, answer: ChildAnswer) -> Blocks:
    """Give every rating of this child that did not enter the answer, and why."""
    sentences = [
        *_outside_phases(answer),
        *_other_raters(caseload, answer),
        *_other_outcomes(caseload, answer),
    ]
    missing = sum(ladder.series.n_missing for ladder in answer.ladders)
    if missing:
        sentences.append(
            f"{count_of(missing, 'planned rating')} not recorded; nothing was put in its place."
        )
    own, others = _set_aside(caseload, answer.child_id)
    if others:
        sentences.append(
            f"{count_of(others, 'row')} of other children set aside; `rungwise check` lists every row."
        )
    if not sentences and not own:
        return Blocks([paragraph("Nothing was left out: every row about this child was used.")])
    blocks: list[Block | Picture] = [bullets(sentences)] if sentences else []
    if own:
        blocks.append(table(own, caption="Rows set aside because they could not be used", numeric=["Row"]))
    return Blocks(blocks)


def method(caseload: Caseload, answer: ChildAnswer, *, stated_on: date | None = None) -> Block:
    """Give method, settings, versions and hashes: how to check the page."""
    return (
        heading("Method")
        + bullets([*method_sentences(answer), used_settings(caseload)])
        + provenance(caseload.inputs, rerun=rerun(caseload, answer), stated_on=stated_on)
    )


def method_sentences(answer: ChildAnswer) -> list[str]:
    """Say how each number was computed, numbers computed alike together."""
    alike: dict[str, list[str]] = {}
    for name, estimate in _estimates(answer).items():
        alike.setdefault(_sentence(estimate.method), []).append(name)
    sentences = [f"{_sentence(listed(names)).rstrip('.')}: {way}" for way, names in alike.items()]
    return [
        *sentences,
        "Ratings of maintenance and follow-up are shown and never counted as exposure.",
        "The p-values are unadjusted, and sound only if the orders of the ratings are exchangeable: "
        "without trend and without resemblance between neighbors. That is why the verdict is judged by "
        "its error rates, not by p.",
    ]


def used_settings(caseload: Caseload) -> str:
    """Give the settings the verdict was made with, named in words, with where each comes from."""
    used = settings(caseload.practice, _SETTINGS)
    return f"Settings: {'; '.join(f'{name} {value}' for name, value in used.items())}."


def day(text: str | None) -> date | None:
    """Read a date stated as ``YYYY-MM-DD``.

    Examples
    --------
    >>> day("2026-11-25"), day(None)
    (datetime.date(2026, 11, 25), None)
    """
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"today must be a date written YYYY-MM-DD, or None; got {text!r}.") from None


def _picture(caseload: Caseload, answer: ChildAnswer, ladder: LadderAnswer) -> Picture:
    starts_on = first_day(caseload, answer, ladder)
    rating = f"{answer.outcome[0].upper()}{answer.outcome[1:]} at the probe step"
    wide, narrow = (
        single_case_graph(
            ladder.series, projection=True, starts_on=starts_on, title="", rating=rating, width=width,
            height=height,
        )
        for width, height in ((7.0, 3.0), (NARROW_INCHES, 3.9))
    )  # fmt: skip
    return picture(
        wide,
        alt=describe_graph(ladder.series, rating=answer.outcome, answer=ladder.verdict),
        caption=_caption(
            ladder, answer, projected=any(line.get_gid() == "projection" for line in wide.lines)
        ),
        narrow=narrow,
    )


def _caption(ladder: LadderAnswer, answer: ChildAnswer, *, projected: bool) -> str:
    series = ladder.series
    where = f" on the {named(ladder)}" if ladder.ladder_id else ""
    parts = [
        f"Every planned rating of {answer.outcome}{where}; open circles are baseline, filled circles "
        "exposure."
    ]
    if np.isin(series.phases, ["maintenance", "follow_up"]).any():
        parts.append("Squares are maintenance, diamonds follow-up; neither is counted as exposure.")
    if series.declined.any():
        beyond = "above" if series.better == "lower" else "below"
        parts.append(f"Crosses {beyond} the scale are probes the child declined.")
    if projected:
        parts.append("The dashed line is where the baseline was heading, with its band of uncertainty.")
    return " ".join(parts)


def first_day(caseload: Caseload, answer: ChildAnswer, ladder: LadderAnswer) -> date | None:
    """Give the date of time 0 of a ladder's series, where days were recorded."""
    ratings = caseload.tables["ratings"]
    rater = caseload.raters(answer.child_id, ladder.ladder_id, answer.outcome)[0]
    chosen = np.array(
        [
            (child, ladder_id or "", outcome, rated_by or "")
            == (answer.child_id, ladder.ladder_id, answer.outcome, rater)
            for child, ladder_id, outcome, rated_by in zip(
                ratings["child_id"],
                ratings["ladder_id"],
                ratings["outcome"],
                ratings["rated_by"],
                strict=True,
            )
        ]
    )
    dates = ratings["date"][chosen]
    if not len(dates) or np.isnat(dates).any():
        return None
    return date(1970, 1, 1) + timedelta(days=int(dates.min().astype("datetime64[D]").astype(int)))


def _row(
    question: Question | str,
    name: str,
    estimate: Estimate,
    *,
    bounded: bool = True,
    smallest_p: float | None = None,
) -> dict[str, str]:
    if smallest_p is None:
        smallest_p = float(estimate.counts.get("smallest_p", math.nan))
    asked, reply = (
        (question, "")
        if isinstance(question, str)
        else (f"({question.letter}) {question.question}", question.reply)
    )
    digits, write = (2, format_bounded) if bounded else (1, format_number)
    value, interval = _NO_NUMBER, ""
    if not math.isnan(estimate.value):
        value = f"{name} {write(estimate.value, digits)} {estimate.unit}".strip().replace(" ", _UNBROKEN)
    if not math.isnan(estimate.ci_low):
        interval = format_interval(estimate, digits, bounded=bounded)
    return {
        "Question": asked,
        "Answer": reply,
        "Estimate": value,
        _interval_of(estimate): interval,
        "p": "" if math.isnan(estimate.p_value) or not bounded else _p(estimate.p_value),
        _BEST: "" if math.isnan(smallest_p) else _p(smallest_p),
    }


def _interval_of(estimate: Estimate) -> str:
    return f"{100 * estimate.confidence:g}% interval"


def _p(value: float) -> str:
    return format_p(value).removeprefix("= ")


def _estimates(answer: ChildAnswer) -> dict[str, Estimate]:
    """Give the estimates of the verdict under the names the page gives them."""
    verdict = answer.verdict
    return {
        "(a)": verdict.fell,
        "(b)": verdict.baseline_trend,
        "(c)": verdict.beyond_baseline,
        "NAP": verdict.size,
        "the average": verdict.difference,
    }


def _general(answer: ChildAnswer) -> list[str]:
    """Give what qualifies the answer as a whole; what it rests on stands under the headline already."""
    _, *sentences = trust_sentences(answer)
    of_numbers = {caution for estimate in _estimates(answer).values() for caution in estimate.cautions}
    return [sentence for sentence in sentences if sentence not in of_numbers]


def _by_number(answer: ChildAnswer) -> list[str]:
    """Give each caution once, with the numbers it concerns."""
    concerns: dict[str, list[str]] = {}
    for name, estimate in _estimates(answer).items():
        for caution in estimate.cautions:
            concerns.setdefault(caution, []).append(name)
    return [f"About {listed(names)}: {caution}" for caution, names in concerns.items()]


def _direction(answer: ChildAnswer) -> str:
    lower = _lower(answer)
    better = "Lower" if lower else "Higher"
    return (
        f"{better} ratings are better. Tau and NAP are turned so that more is better for the child; "
        f"differences in points keep their sign, so {'minus' if lower else 'plus'} is improvement. The p "
        "of (b) is one-sided, in the direction of improvement; the others are two-sided."
    )


def _ladders_note(answer: ChildAnswer) -> list[str]:
    if len(answer.ladders) == 1:
        return []
    return [
        "One verdict over all ladders: comparisons are made within each ladder, and ratings of one day are "
        "kept together."
    ]


def _by_ladder(answer: ChildAnswer) -> Block:
    rows = [
        {
            "Ladder": named(ladder),
            "Baseline": str(ladder.series.n_baseline),
            "Exposure": str(ladder.series.n_exposure),
            "Declined": str(int(ladder.series.declined.sum())),
            "NAP": format_bounded(ladder.verdict.size.value),
            "By itself": ladder.verdict.words,
        }
        for ladder in answer.ladders
    ]
    return table(
        rows,
        caption="Ladder by ladder (shown, not counted one by one)",
        numeric=["Baseline", "Exposure", "Declined", "NAP"],
    )


def _outside_phases(answer: ChildAnswer) -> list[str]:
    sentences = []
    for phase, words in (("maintenance", "maintenance"), ("follow_up", "follow-up")):
        count = sum(int(np.sum(ladder.series.phases == phase)) for ladder in answer.ladders)
        if count:
            sentences.append(
                f"{count_of(count, f'{words} rating')} shown in the picture and not counted as exposure."
            )
    return sentences


def _other_raters(caseload: Caseload, answer: ChildAnswer) -> list[str]:
    sentences = []
    for ladder in answer.ladders:
        used, *others = caseload.raters(answer.child_id, ladder.ladder_id, answer.outcome)
        if others:
            who = ", ".join(other or "unnamed" for other in others)
            where = f" on the {named(ladder)}" if len(answer.ladders) > 1 else ""
            sentences.append(
                f"Ratings by {who}{where}: only those by {used or 'the unnamed rater'} were used, "
                "because ratings of different kinds of rater are never pooled."
            )
    return sentences


def _other_outcomes(caseload: Caseload, answer: ChildAnswer) -> list[str]:
    others = [other for other in caseload.outcomes(answer.child_id) if other != answer.outcome]
    return [f"Ratings of {', '.join(others)}: this page is about {answer.outcome}."] if others else []


def _set_aside(caseload: Caseload, child_id: str) -> tuple[list[dict[str, str]], int]:
    """Give the rows set aside that are, or may be, this child's, and how many are other children's."""
    report = caseload.report
    may_be_own = {
        (row.source, row.row)
        for row in report.set_aside
        if row.cells.get("child_id", child_id) in ("", child_id)
    }
    others = len({(row.source, row.row) for row in report.set_aside} - may_be_own)
    rows = [
        {
            "File": problem.source,
            "Row": str(problem.row),
            "Column": problem.column,
            "What stands there": problem.value,
            "Why": f"{problem.problem} {problem.remedy}",
        }
        for problem in report.errors
        if (problem.source, problem.row) in may_be_own
    ]
    return rows, others


def rerun(caseload: Caseload, answer: ChildAnswer) -> str:
    """Give the command that makes the page again."""
    files = [file.name for file in caseload.inputs]
    source = files[0] if len(files) == 1 else "FOLDER"
    child = f" {answer.child_id}" if len(caseload.children) > 1 else ""
    return f"rungwise child {source}{child} --report"


def _lower(answer: ChildAnswer) -> bool:
    return answer.ladders[0].series.better == "lower"


def named(ladder: LadderAnswer) -> str:
    """Give a ladder's name, or what stands for it."""
    return ladder.ladder_id or "unnamed ladder"


def _sentence(text: str) -> str:
    text = text.strip()
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith(".") else ".")
