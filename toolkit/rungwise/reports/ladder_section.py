"""The ladder on a page: where a child stands, how it climbed, and how the practice's ladders work."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.page_numbers import (
    count_of,
    format_bounded,
    format_interval,
    format_number,
    format_p,
    of_hundred,
)
from rungwise.figures.ladder_map import describe_ladder_map, ladder_map
from rungwise.figures.mastery_curve import describe_mastery_curve, mastery_curve
from rungwise.ladders.approach import approach_scores, approach_tau_batch
from rungwise.ladders.dose import NOT_CAUSAL, dose, dose_and_progress, dose_sentences
from rungwise.ladders.mastery import (
    CLUSTERED,
    mastery_curves,
    mastery_episodes,
    steps_where_children_stall,
)
from rungwise.ladders.practice_ratings import NEVER_TESTED, practice_ratings
from rungwise.ladders.probes import ROLES, SHOWN_NOT_COUNTED, probe_contrasts
from rungwise.ladders.review import review_ladders
from rungwise.ladders.standing import FACTS, standing, standing_sentences
from rungwise.ladders.step_adjusted import step_adjusted_fear, step_adjusted_group
from rungwise.ladders.trials import trials_of
from rungwise.reports.blocks import (
    Block,
    Blocks,
    Picture,
    bullets,
    heading,
    note,
    paragraph,
    picture,
    table,
)
from rungwise.reports.words import ENGLISH

if TYPE_CHECKING:
    from rungwise.ladders.mastery import Episodes
    from rungwise.ladders.probes import ProbeContrast
    from rungwise.ladders.step_adjusted import StepAdjusted
    from rungwise.ladders.trials import Trials
    from rungwise.series.caseload import Caseload

_NARROW_INCHES = 3.8
# Visits a phone's width has room for.
_NARROW_DAYS = 14
_PHASES = {"exposure": "exposure", "maintenance": "maintenance", "follow_up": "follow-up"}
_STALL_ROWS = 12


def child_ladders(caseload: Caseload, child_id: str) -> Blocks:
    """Give the ladder section of the page about one child.

    Where the child stands, the map of the climb, what other probes and later phases say, approach,
    practice ratings step by step, step-adjusted fear, dose, and remarks on the ladder itself.

    Parameters
    ----------
    caseload : Caseload
    child_id : str

    Returns
    -------
    Blocks
        Empty where no trials were recorded: then the page reads as without this section.
    """
    trials = trials_of(caseload, child_id=child_id)
    if trials is None or not len(trials):
        return Blocks()
    blocks: list[Block | Picture] = [heading("On the ladder")]
    blocks += _stands(caseload, child_id)
    episodes = mastery_episodes(caseload, child_id=child_id)
    for _, ladder, climb in trials.by_ladder():
        if (climb.kind == "practice").any():
            blocks += _map(caseload, ladder, climb, episodes)
    for part in (
        _contrasts(caseload, child_id),
        _approach(caseload, child_id),
        _practice(caseload, child_id),
        _adjusted(caseload, child_id),
        _dose(caseload, child_id),
        _remarks(caseload, set(trials.ladder_id.tolist())),
    ):
        blocks += part
    return Blocks(blocks)


def practice_ladders(caseload: Caseload) -> Blocks:
    """Give the ladder section of the audit: how soon steps are mastered and where children stall.

    It covers everything recorded so far, as a quarter alone holds too few steps.

    Parameters
    ----------
    caseload : Caseload

    Returns
    -------
    Blocks
        Empty where no trials were recorded.
    """
    episodes = mastery_episodes(caseload)
    if episodes is None or not episodes.practiced.any():
        return Blocks()
    episodes = episodes.where(episodes.practiced)
    curves = mastery_curves(episodes)
    blocks: list[Block | Picture] = [
        heading("How the ladders work"),
        paragraph(
            "Over everything recorded so far, not this quarter alone: every step that a child "
            f"practiced, {count_of(len(episodes), 'step')} in all. Mastered means the practice's own "
            f"criterion: {_criterion(caseload)}. It is a word about the program, not about fear of the "
            "step next month."
        ),
        picture(
            mastery_curve(curves, episodes.occasions, width=7.0, height=3.2),
            alt=describe_mastery_curve(curves),
            caption="How soon steps are mastered. What is left up to the top is not there yet. "
            f"{CLUSTERED}",
            narrow=mastery_curve(curves, episodes.occasions, width=_NARROW_INCHES, height=3.4),
        ),
    ]
    for part in (_stalls(episodes), _together(caseload), _doses(caseload), _remarks(caseload, None)):
        blocks += part
    return Blocks(blocks)


def _criterion(caseload: Caseload) -> str:
    mastery = caseload.practice.mastery
    times = count_of(mastery.occasions_in_a_row, "occasion")
    return (
        f"{mastery.rating_at_most:g} or less on {times}"
        f"{' in a row' if mastery.occasions_in_a_row > 1 else ''}"
    )


def _stands(caseload: Caseload, child_id: str) -> list[Block | Picture]:
    blocks: list[Block | Picture] = []
    found = standing(caseload, child_id=child_id)
    for one in found:
        blocks.append(heading(f"Where {child_id} stands: {one.ladder_id}", 3))
        blocks.append(bullets(standing_sentences(one)))
    if found:
        blocks.append(note(FACTS, ENGLISH("safety.short"), title="Before anyone acts on this"))
    return blocks


def _map(caseload: Caseload, ladder: str, part: Trials, episodes: Episodes | None) -> list[Block | Picture]:
    scale = caseload.practice.scales["fear"]
    steps = _steps(caseload, ladder)

    def drawn(width: float, height: float, last: int | None) -> Any:
        return ladder_map(
            part, episodes, steps=steps, scale=(scale.minimum, scale.maximum), better=scale.better,
            last=last, width=width, height=height,
        )  # fmt: skip

    days = len(np.unique(part.day))
    cut = f" On a narrow screen, the last {_NARROW_DAYS} visits." if days > _NARROW_DAYS else ""
    return [
        picture(
            drawn(7.0, 1.6 + 0.25 * max(steps, 4), None),
            alt=describe_ladder_map(part, episodes),
            caption=f"The climb on the {ladder}: every visit has a column, and the number is the worst "
            "rating of that step that day. Practice ratings fall and rise with the step and are never "
            "tested. A tick at the right: mastered by the practice's own criterion; in brackets, lost "
            f"again.{cut}",
            narrow=drawn(_NARROW_INCHES, 1.9 + 0.28 * max(steps, 4), _NARROW_DAYS),
        )
    ]


def _steps(caseload: Caseload, ladder: str) -> int:
    if "ladders" not in caseload.tables:
        return 0
    rows = caseload.tables["ladders"]
    own = rows["step"][rows["ladder_id"] == ladder]
    return int(own.max()) if len(own) else 0


def _contrasts(caseload: Caseload, child_id: str) -> list[Block | Picture]:
    found = [one for one in probe_contrasts(caseload, child_id, "fear") if not one.counted]
    if not found:
        return []
    rows = [
        {
            "Probe": _probe(one),
            "Baseline against": _PHASES[one.contrast],
            "Occasions": f"{one.n_baseline} and {one.n_later}",
            "Declined": f"{one.declined_baseline} and {one.declined_later}",
            "Median": f"{_median(one.median_baseline)} and {_median(one.median_later)}",
            "NAP": f"{format_bounded(one.nap.value)} {format_interval(one.nap)}",
        }
        for one in found
    ]
    cautions = dict.fromkeys(
        sentence for one in found for sentence in one.cautions if sentence not in one.nap.cautions
    )
    return [
        table(
            rows,
            caption="Other probes and later phases, each by itself",
            numeric=["NAP"],
            notes=[SHOWN_NOT_COUNTED, *cautions],
        )
    ]


def _probe(one: ProbeContrast) -> str:
    step = "" if math.isnan(one.probe_step) else f", step {one.probe_step:g}"
    return f"{one.ladder_id or 'unnamed ladder'}{step} ({ROLES[one.role]})"


def _median(value: float) -> str:
    return "declined" if math.isinf(value) else format_number(value, 1).removesuffix(".0")


def _approach(caseload: Caseload, child_id: str) -> list[Block | Picture]:
    found = approach_scores(caseload, child_id=child_id)
    if not found:
        return []
    rows = []
    for one, tau in zip(found, approach_tau_batch(found), strict=True):
        phases = {
            phase: ", ".join(f"{score:g}" for score in one.series.of(phase)) or "none"
            for phase in ("baseline", "exposure")
        }
        rows.append(
            {
                "Ladder": one.ladder_id,
                "Baseline": phases["baseline"],
                "Exposure": phases["exposure"],
                "Tau": format_bounded(tau.value),
                "p": "" if math.isnan(tau.p_value) else format_p(tau.p_value).removeprefix("= "),
                "Smallest p possible": format_p(tau.counts["smallest_p"]).removeprefix("= "),
            }
        )
    cautions = dict.fromkeys(sentence for one in found for sentence in one.cautions)
    return [
        table(
            rows,
            caption="Approach: the highest step done on each approach occasion",
            numeric=["Tau", "p", "Smallest p possible"],
            notes=["Positive Tau: more steps in exposure than in baseline.", *cautions],
        )
    ]


def _practice(caseload: Caseload, child_id: str) -> list[Block | Picture]:
    frame = practice_ratings(caseload, child_id=child_id)
    if frame.empty:
        return []
    rows = [
        {
            "Ladder and step": f"{row['ladder_id']} {row['step']}",
            "Trials": row["trials"],
            "Days": row["days"],
            "Declined": row["declined"],
            "Early": _dash(row["early"]),
            "Late": _dash(row["late"]),
            "Without the run: early": _dash(row["early_without_run"]),
            "Without the run: late": _dash(row["late_without_run"]),
        }
        for row in frame.to_dict("records")
    ]
    return [
        table(
            rows,
            caption="Practice ratings, step by step: mean of the first and of the second half",
            numeric=list(rows[0])[1:],
            notes=[NEVER_TESTED],
        )
    ]


def _dash(value: float) -> str:
    return "–" if math.isnan(value) else format_number(value)


def _adjusted(caseload: Caseload, child_id: str) -> list[Block | Picture]:
    blocks: list[Block | Picture] = []
    for one in step_adjusted_fear(caseload, child_id=child_id):
        blocks.append(paragraph(*_adjusted_sentences(one)))
    return [heading("With the step's difficulty taken into account", 3), *blocks] if blocks else []


def _adjusted_sentences(one: StepAdjusted) -> list[str]:
    if one.refused or one.expected is None:
        return [f"{one.ladder_id}: {one.refused}"]
    change, expected = one.per_week, one.expected
    sentences = [
        f"{one.ladder_id}: at one and the same difficulty, fear changed by "
        f"{format_number(change.value, 2)} points a week (95% interval "
        f"{format_interval(change, 2, bounded=False)}), from {_expected(expected, 0)} to "
        f"{_expected(expected, -1)} expected at the probe step over exposure."
    ]
    if one.with_declines is not None and not math.isnan(one.with_declines.value):
        sentences.append(
            f"With {count_of(one.declined, 'declined trial')} at the worst end: "
            f"{format_number(one.with_declines.value, 2)} points a week "
            f"{format_interval(one.with_declines, 2, bounded=False)}."
        )
    return [*sentences, *change.cautions]


def _expected(expected: Any, place: int) -> str:
    limits = f"{format_number(expected.ci_low[place])} to {format_number(expected.ci_high[place])}"
    return f"{format_number(expected.value[place])} ({limits})"


def _dose(caseload: Caseload, child_id: str) -> list[Block | Picture]:
    rows = dose(caseload, child_id=child_id).to_dict("records")
    return [heading("How much exposure", 3), bullets(dose_sentences(rows[0]))] if rows else []


def _remarks(caseload: Caseload, ladders: set[str] | None) -> list[Block | Picture]:
    remarks = [one for one in review_ladders(caseload) if ladders is None or one.ladder_id in ladders]
    if not remarks:
        return []
    return [
        heading("Is the ladder a ladder?", 3),
        paragraph(
            "Remarks on the order of the steps for the therapist to weigh, never errors: what is harder "
            "depends on the child. The usual orders are common practice, without a source."
        ),
        bullets(f"{one.ladder_id}, step {one.step}: {one.remark}" for one in remarks),
    ]


def _stalls(episodes: Episodes) -> list[Block | Picture]:
    frame = steps_where_children_stall(episodes)
    # A step nobody had to work at tells nothing: the hardest come first.
    frame = frame.sort_values(["share_mastered", "children"], ascending=[True, False], kind="stable")
    shown = frame.head(_STALL_ROWS)
    rows = [
        {
            "Ladder and step": f"{row['ladder_id']} {row['step']}",
            "Children": row["children"],
            "Mastered": f"{row['mastered']} ({of_hundred(row['share_mastered'])}%)",
            "95% interval": f"{of_hundred(row['ci_low'])} to {of_hundred(row['ci_high'])}%",
            "Half by occasion": "–"
            if math.isnan(row["median_occasions"])
            else f"{row['median_occasions']:g}",
            "Not there yet": row["not_there_yet"],
            "Left because of fear": row["left_because_of_fear"],
            "Passed over": row["passed_over"],
            "Lost again": row["lost_again"],
        }
        for row in shown.to_dict("records")
    ]
    more = len(frame) - len(shown)
    return [
        table(
            rows,
            caption="Where children stall: the steps mastered by the smallest share",
            numeric=list(rows[0])[1:],
            notes=[
                "A step that few master may be too big a rise or stand in the wrong place; few children "
                "make its share uncertain.",
                *([f"{count_of(more, 'more step')} not listed."] if more > 0 else []),
            ],
        )
    ]


def _together(caseload: Caseload) -> list[Block | Picture]:
    group = step_adjusted_group(caseload)
    blocks: list[Block | Picture] = [heading("With the step's difficulty taken into account", 3)]
    if group.refused:
        return [*blocks, paragraph(group.refused)]
    change = group.per_week
    return [
        *blocks,
        paragraph(
            f"Over {count_of(len(group.programs), 'program')} (a child on a ladder), fear at one and the "
            f"same difficulty changed by {format_number(change.value, 2)} points a week on average (95% "
            f"interval {format_interval(change, 2, bounded=False)}); programs differ by a standard "
            f"deviation of {format_number(group.spread, 2)}. A point of difficulty is worth "
            f"{format_number(group.per_difficulty.value, 2)} points of fear.",
            *change.cautions,
            f"{count_of(len(group.left_out), 'program')} left out with fewer than 6 days of rated trials "
            "or without a probe step.",
        ),
    ]


def _doses(caseload: Caseload) -> list[Block | Picture]:
    frame, estimates = dose_and_progress(caseload)
    if frame.empty:
        return []
    sentences = []
    planned = frame[frame["probes_planned"].notna() & frame["probes_done"].notna()]
    if len(planned):
        done, asked = planned["probes_done"].sum(), planned["probes_planned"].sum()
        sentences.append(
            f"{int(done)} of about {asked:.0f} planned probes were made in exposure, over "
            f"{count_of(len(planned), 'child', 'children')}."
        )
    met = frame[frame["contacts"].notna()]
    if len(met) and met["contacts"].sum():
        sentences.append(
            f"{int(met['attended'].sum())} of {int(met['contacts'].sum())} planned contacts in exposure "
            "took place."
        )
    known = [one for one in estimates if not math.isnan(one.value)]
    for one in known:
        words = one.method.removeprefix("rank correlation of ").removesuffix(" with NAP over children")
        sentences.append(
            f"{words[0].upper()}{words[1:]} and progress (NAP): rank correlation "
            f"{format_bounded(one.value)} over {count_of(one.n, 'child', 'children')}."
        )
    if not sentences:
        return []
    return [
        heading("How much exposure", 3),
        bullets(sentences),
        *([note(NOT_CAUSAL, title="Not a cause")] if known else []),
    ]
