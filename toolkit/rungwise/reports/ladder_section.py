"""The ladder on the page about one child: where the child stands, how it climbed, what fear did there."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.page_numbers import format_bounded, format_interval, format_number, format_p
from rungwise.figures.approach_curve import approach_curve, describe_approach_curve
from rungwise.figures.expected_fear import describe_expected_fear, expected_fear
from rungwise.figures.fear_by_step import describe_fear_by_step, fear_by_step
from rungwise.figures.ladder_map import describe_ladder_map, ladder_map
from rungwise.ladders.approach import Approach, approach_scores, approach_tau_batch, declines_by_step
from rungwise.ladders.child_lines import mastery_of
from rungwise.ladders.dose import dose, dose_sentences, exposure_spans
from rungwise.ladders.exposure_trials import primary_probe_steps
from rungwise.ladders.habituation import BETWEEN, WITHIN, habituation_between, habituation_within
from rungwise.ladders.mastery import mastery_episodes
from rungwise.ladders.ordinal_fear import ordinal_step_adjusted_fear
from rungwise.ladders.practice_ratings import NEVER_TESTED, practice_ratings
from rungwise.ladders.probes import SHOWN_NOT_COUNTED, planned_steps_trend, probe_contrasts
from rungwise.ladders.standing import FACTS, standing, standing_sentences
from rungwise.ladders.step_adjusted import step_adjusted_fear
from rungwise.ladders.trials import trials_of
from rungwise.reports.blocks import (
    Block,
    Blocks,
    Picture,
    bullets,
    heading,
    paragraph,
    picture,
    table,
)
from rungwise.reports.ladder_practice import cell, ladder_figure_words, practice_ladders, remarks_on
from rungwise.reports.words import ENGLISH

if TYPE_CHECKING:
    from rungwise.ladders.mastery import Episodes
    from rungwise.ladders.ordinal_fear import OrdinalStepAdjusted
    from rungwise.ladders.probes import ProbeContrast
    from rungwise.ladders.step_adjusted import ExpectedFear, StepAdjusted
    from rungwise.ladders.trials import Trials
    from rungwise.reports.catalog import Words
    from rungwise.series.caseload import Caseload

__all__ = ["child_ladders", "practice_ladders"]

_NARROW_INCHES = 3.8
# Visits a phone's width has room for.
_NARROW_DAYS = 14
Shown = list[Block | Picture]


def child_ladders(caseload: Caseload, child_id: str, say: Words = ENGLISH) -> Blocks:
    """Give the ladder section of the page about one child.

    Where the child stands, the map of the climb, approach, practice ratings step by step, step-adjusted
    fear, what other probes and later phases say, habituation, dose, and remarks on the ladder itself.

    Parameters
    ----------
    caseload : Caseload
    child_id : str
    say : Words
        Language.

    Returns
    -------
    Blocks
        Empty where no trials were recorded: then the page reads as without this section.
    """
    trials = trials_of(caseload, child_id=child_id)
    if trials is None or not len(trials):
        return Blocks()
    blocks: Shown = [heading(say("climb.heading"))]
    blocks += _stands(caseload, child_id, say)
    episodes = mastery_episodes(caseload, child_id=child_id)
    for _, ladder, climb in trials.by_ladder():
        if (climb.kind == "practice").any():
            blocks += _map(caseload, ladder, climb, episodes, say)
    for part in (
        _approach(caseload, child_id, say),
        _adjusted(caseload, child_id, trials, say),
        _practice(caseload, child_id, say),
        _contrasts(caseload, child_id, say),
        _habituation(caseload, child_id, say),
        _dose(caseload, child_id, say),
        remarks_on(caseload, set(trials.ladder_id.tolist()), say),
    ):
        blocks += part
    return Blocks(blocks)


def _stands(caseload: Caseload, child_id: str, say: Words) -> Shown:
    blocks: Shown = []
    found = standing(caseload, child_id=child_id)
    mastered = {one.ladder_id: one for one in mastery_of(caseload, child_id)}
    for one in found:
        blocks.append(heading(say("climb.stands", child=child_id, ladder=one.ladder_id), 3))
        told = [say.sentence(sentence) for sentence in standing_sentences(one)]
        # Mastery counts from exposure on; a ladder may have been practiced before it only.
        if one.ladder_id in mastered:
            told[2:2] = mastered[one.ladder_id].sentences(say.texts)
        blocks.append(bullets(told))
    if found:
        # The page's own box of cautions stands right before this section; a second one is passed over.
        held = say("climb.before_acting", title=say("safety.title"))
        blocks.append(paragraph(say.sentence(FACTS), held))
    return blocks


def _map(caseload: Caseload, ladder: str, part: Trials, episodes: Episodes | None, say: Words) -> Shown:
    scale = caseload.practice.scales["fear"]
    steps, words = _steps(caseload, ladder), ladder_figure_words(say)

    def drawn(width: float, height: float, last: int | None) -> Any:
        return ladder_map(
            part, episodes, steps=steps, scale=(scale.minimum, scale.maximum), better=scale.better,
            rating=say("outcome.fear"), last=last, words=words, width=width, height=height,
        )  # fmt: skip

    days = len(np.unique(part.day))
    cut = say("climb.map.narrow", n=_NARROW_DAYS) if days > _NARROW_DAYS else ""
    return [
        picture(
            drawn(7.0, 1.6 + 0.25 * max(steps, 4), None),
            alt=describe_ladder_map(part, episodes, words),
            caption=say("climb.map", ladder=ladder) + cut,
            narrow=drawn(_NARROW_INCHES, 1.9 + 0.28 * max(steps, 4), _NARROW_DAYS),
        )
    ]


def _steps(caseload: Caseload, ladder: str) -> int:
    if "ladders" not in caseload.tables:
        return 0
    rows = caseload.tables["ladders"]
    own = rows["step"][rows["ladder_id"] == ladder]
    return int(own.max()) if len(own) else 0


def _approach(caseload: Caseload, child_id: str, say: Words) -> Shown:
    found = approach_scores(caseload, child_id=child_id)
    if not found:
        return []
    words, spans = ladder_figure_words(say), exposure_spans(caseload, child_id=child_id)
    steps = primary_probe_steps(caseload)
    blocks: Shown = [heading(say("climb.approach"), 3)]
    rows = []
    for one, tau in zip(found, approach_tau_batch(found), strict=True):
        if len(one.series.values) > 1:
            blocks.append(_approach_picture(one, spans, steps, words, say))
        rows.append(
            {
                say("ladders.ladder"): one.ladder_id,
                say("ladders.baseline"): _scores(one, "baseline", say),
                say("ladders.exposure"): _scores(one, "exposure", say),
                "Tau": cell(tau.value, say, format_bounded),
                "p": cell(tau.p_value, say, _p),
                say("numbers.smallest_p"): cell(tau.counts["smallest_p"], say, _p),
            }
        )
    cautions = dict.fromkeys(say.sentence(sentence) for one in found for sentence in one.cautions)
    blocks.append(
        table(
            rows,
            caption=say("climb.approach.caption"),
            numeric=["Tau", "p", say("numbers.smallest_p")],
            notes=[say("climb.approach.note"), *_declines(caseload, child_id, say), *cautions],
        )
    )
    return blocks


def _approach_picture(
    one: Approach,
    spans: Mapping[Any, Any],
    steps: Mapping[Any, float],
    words: dict[str, str],
    say: Words,
) -> Picture:
    key = one.child_id, one.ladder_id
    begins = spans.get(key, (None,))[0]

    def drawn(width: float, height: float) -> Any:
        return approach_curve(
            one, probe_step=steps.get(key), exposure_from=begins, words=words, width=width, height=height
        )

    return picture(
        drawn(7.0, 2.6),
        alt=describe_approach_curve(one, words),
        caption=say("climb.approach.picture", ladder=one.ladder_id),
        narrow=drawn(_NARROW_INCHES, 3.2),
    )


def _scores(one: Approach, phase: str, say: Words) -> str:
    return ", ".join(f"{score:g}" for score in one.series.of(phase)) or say("climb.none")


def _p(value: float) -> str:
    return format_p(value).removeprefix("= ")


def _declines(caseload: Caseload, child_id: str, say: Words) -> list[str]:
    frame = declines_by_step(caseload, child_id=child_id)
    told = [
        say(
            "climb.declines.one", ladder=row["ladder_id"], step=row["step"], n=row["declined"],
            all=row["trials"],
        )
        for row in frame.to_dict("records")
        if row["kind"] == "approach" and row["declined"]
    ]  # fmt: skip
    return [say("climb.declines", told=say.listed(told))] if told else []


def _adjusted(caseload: Caseload, child_id: str, trials: Trials, say: Words) -> Shown:
    found = step_adjusted_fear(caseload, child_id=child_id)
    if not found:
        return []
    by_rank = {one.ladder_id: one for one in ordinal_step_adjusted_fear(caseload, child_id=child_id)}
    blocks: Shown = [heading(say("climb.adjusted"), 3), paragraph(say("climb.adjusted.what"))]
    for one in found:
        if one.expected is not None:
            blocks.append(_expected_picture(caseload, one, one.expected, trials, say))
        blocks.append(paragraph(*_adjusted_sentences(one, by_rank[one.ladder_id], caseload, say)))
        if not one.refused:
            blocks.append(bullets(map(say.sentence, one.per_week.cautions)))
    return blocks


def _expected_picture(
    caseload: Caseload, one: StepAdjusted, expected: ExpectedFear, trials: Trials, say: Words
) -> Picture:
    scale, words = caseload.practice.scales["fear"], ladder_figure_words(say)
    there = (trials.ladder_id == one.ladder_id) & (trials.kind == "probe") & (trials.phase == "exposure")
    probes = trials.where(there & (trials.step == one.probe_step))

    def drawn(width: float, height: float) -> Any:
        return expected_fear(
            expected, probes, scale=(scale.minimum, scale.maximum), rating=say("outcome.fear"),
            before=caseload.practice.primary_rating == "before", words=words, width=width, height=height,
        )  # fmt: skip

    return picture(
        drawn(7.0, 2.6),
        alt=describe_expected_fear(expected, words),
        caption=say("climb.adjusted.picture", ladder=one.ladder_id),
        narrow=drawn(_NARROW_INCHES, 3.2),
    )


def _adjusted_sentences(
    one: StepAdjusted, by_rank: OrdinalStepAdjusted, caseload: Caseload, say: Words
) -> list[str]:
    if one.refused or one.expected is None:
        return [say("climb.adjusted.refused", ladder=one.ladder_id, reason=say.sentence(one.refused))]
    change, expected = one.per_week, one.expected
    sentences = [
        say(
            "climb.adjusted.said", ladder=one.ladder_id, change=format_number(change.value, 2),
            interval=say.number(format_interval(change, 2, bounded=False)),
            first=_expected(expected, 0, say), last=_expected(expected, -1, say),
        )
    ]  # fmt: skip
    if one.with_declines is not None and not math.isnan(one.with_declines.value):
        sentences.append(
            say(
                "climb.adjusted.declines", declined=say.count("climb.declined_trial", one.declined),
                change=format_number(one.with_declines.value, 2),
                interval=say.number(format_interval(one.with_declines, 2, bounded=False)),
            )
        )  # fmt: skip
    return [*sentences, _by_rank(by_rank, caseload, say)]


def _by_rank(one: OrdinalStepAdjusted, caseload: Caseload, say: Words) -> str:
    if one.refused:
        return say("climb.by_rank.refused", reason=say.sentence(one.refused))
    return say(
        "climb.by_rank", calm=f"{caseload.practice.mastery.rating_at_most:g}",
        first=say.of_hundred(one.calm_first), last=say.of_hundred(one.calm_last),
    )  # fmt: skip


def _expected(expected: Any, place: int, say: Words) -> str:
    low, high = format_number(expected.ci_low[place]), format_number(expected.ci_high[place])
    return say("climb.expected", value=format_number(expected.value[place]), low=low, high=high)


def _practice(caseload: Caseload, child_id: str, say: Words) -> Shown:
    frame = practice_ratings(caseload, child_id=child_id)
    if frame.empty:
        return []
    scale, words = caseload.practice.scales["fear"], ladder_figure_words(say)
    blocks: Shown = [heading(say("climb.practice"), 3)]
    for ladder in dict.fromkeys(frame["ladder_id"].tolist()):
        own = frame[frame["ladder_id"] == ladder].to_dict("records")

        def drawn(width: float, height: float, own: list[Any] = own) -> Any:
            return fear_by_step(
                own, scale=(scale.minimum, scale.maximum), rating=say("outcome.fear"), words=words,
                width=width, height=height,
            )  # fmt: skip

        blocks.append(
            picture(
                drawn(7.0, 3.0),
                alt=describe_fear_by_step(own, words),
                caption=say("climb.practice.picture", ladder=ladder),
                narrow=drawn(_NARROW_INCHES, 3.8),
            )
        )
    rows = [
        {
            say("climb.ladder_step"): f"{row['ladder_id']} {row['step']}",
            say("climb.trials"): row["trials"],
            say("climb.days"): row["days"],
            say("ladders.declined"): row["declined"],
            say("climb.early"): cell(row["early"], say),
            say("climb.late"): cell(row["late"], say),
            say("climb.early_without"): cell(row["early_without_run"], say),
            say("climb.late_without"): cell(row["late_without_run"], say),
        }
        for row in frame.to_dict("records")
    ]
    blocks.append(
        table(
            rows,
            caption=say("climb.practice.caption"),
            numeric=list(rows[0])[1:],
            notes=[say.sentence(NEVER_TESTED)],
            fold=False,
        )
    )
    return blocks


def _contrasts(caseload: Caseload, child_id: str, say: Words) -> Shown:
    if child_id not in caseload.children or "fear" not in caseload.outcomes(child_id):
        return []
    found = [one for one in probe_contrasts(caseload, child_id, "fear") if not one.counted]
    trends = planned_steps_trend(caseload, child_id)
    if not found and not trends:
        return []
    blocks: Shown = [heading(say("climb.probes"), 3)]
    if found:
        rows = [
            {
                say("climb.probe"): _probe(one, say),
                say("climb.against"): say.texts[f"graph.{one.contrast}"],
                say("climb.occasions"): say("climb.pair", a=one.n_baseline, b=one.n_later),
                say("ladders.declined"): say("climb.pair", a=one.declined_baseline, b=one.declined_later),
                say("climb.median"): say(
                    "climb.pair", a=_median(one.median_baseline, say), b=_median(one.median_later, say)
                ),
                "NAP": say.number(f"{format_bounded(one.nap.value)} {format_interval(one.nap)}"),
            }
            for one in found
        ]
        cautions = dict.fromkeys(
            sentence for one in found for sentence in one.cautions if sentence not in one.nap.cautions
        )
        blocks.append(
            table(
                rows,
                caption=say("climb.probes.caption"),
                numeric=["NAP"],
                notes=[say.sentence(sentence) for sentence in (SHOWN_NOT_COUNTED, *cautions)],
            )
        )
    for ladder, steps, trend in trends:
        told = say(
            "climb.trend", ladder=ladder, steps=say.listed([f"{step:g}" for step in steps]),
            share=format_bounded(trend.value), p=format_p(trend.p_value),
            days=say.count("climb.day", int(trend.counts["days"])),
        )  # fmt: skip
        blocks.append(paragraph(told, *(say.sentence(caution) for caution in trend.cautions)))
    return blocks


def _probe(one: ProbeContrast, say: Words) -> str:
    ladder, role = one.ladder_id or say("unnamed_ladder"), say(f"climb.role.{one.role}")
    if math.isnan(one.probe_step):
        return say("climb.probe.no_step", ladder=ladder, role=role)
    return say("climb.probe.step", ladder=ladder, step=f"{one.probe_step:g}", role=role)


def _median(value: float, say: Words) -> str:
    return say("climb.declined") if math.isinf(value) else format_number(value, 1).removesuffix(".0")


def _habituation(caseload: Caseload, child_id: str, say: Words) -> Shown:
    within = habituation_within(caseload, child_id=child_id)
    within = within[within["kind"] == "practice"]
    between = habituation_between(caseload, child_id=child_id)
    if within.empty and between.empty:
        return []
    blocks: Shown = [heading(say("climb.habituation"), 3)]
    told = []
    for ladder, own in within.groupby("ladder_id"):
        half = len(own) // 2
        falls = own["mean_fall"].to_numpy()
        told.append(
            say(
                "climb.within", ladder=ladder, fall=format_number(float(falls.mean())),
                occasions=say.count("climb.occasion", len(own)),
            )
            + (
                say(
                    "climb.within.halves", first=format_number(float(falls[:half].mean())),
                    last=format_number(float(falls[-half:].mean())),
                )
                if half
                else ""
            )
        )  # fmt: skip
    rows = [
        {
            say("climb.ladder_step"): f"{row['ladder_id']} {row['step']}",
            say("climb.days"): row["occasions"],
            say("climb.first_day"): cell(row["first_peak"], say),
            say("climb.last_day"): cell(row["last_peak"], say),
            say("climb.mean_change"): cell(row["mean_change"], say),
        }
        for row in between.to_dict("records")
    ]
    if told:
        blocks.append(bullets([*told, say.sentence(WITHIN)]))
    if rows:
        blocks.append(
            table(
                rows,
                caption=say("climb.between.caption"),
                numeric=list(rows[0])[1:],
                notes=[say.sentence(BETWEEN)],
                fold=False,
            )
        )
    return blocks


def _dose(caseload: Caseload, child_id: str, say: Words) -> Shown:
    rows = dose(caseload, child_id=child_id).to_dict("records")
    if not rows:
        return []
    return [heading(say("climb.dose"), 3), bullets(map(say.sentence, dose_sentences(rows[0])))]
