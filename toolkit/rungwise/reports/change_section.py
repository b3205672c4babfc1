"""Scores and goals on a page: change beyond measurement error, for one child and for a practice."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rungwise.audit.wording import percent, small
from rungwise.basis.page_numbers import count_of, format_number
from rungwise.change.from_tables import goal_attainment, measure_changes
from rungwise.figures.change_scatter import change_scatter, describe_change_scatter
from rungwise.reports.audit_cells import range_words
from rungwise.reports.blocks import Block, Blocks, Picture, bullets, heading, picture, table
from rungwise.reports.change_tables import (
    NOTHING,
    enough_digits,
    named,
    number_words,
    references,
    sensitivity,
    side_by_side,
    strip,
    worked,
)
from rungwise.reports.words import ENGLISH

if TYPE_CHECKING:
    from rungwise.audit.audit import Audit
    from rungwise.change.classify import ChangeClasses
    from rungwise.change.from_tables import GoalAttainment, MeasureChange
    from rungwise.reports.catalog import Words
    from rungwise.series.caseload import Caseload

_NARROW_INCHES = 3.8
# Days between two scores, in the cautions that name them.
_DAYS = re.compile(r"(Raw scores |the change over )([\d.]+)")
# Children of one instrument listed on the audit's page; the file has them all.
LISTED = 60
# Instruments that fit beside each other in a row of a page.
SIDE_BY_SIDE = 2
# Numbers that are the same for every child of an instrument.
ALIKE = ("better", "critical", "cutoff")


def child_change(caseload: Caseload, child_id: str, say: Words = ENGLISH) -> Blocks:
    """Give one child's change on scored instruments and goals, so that it can be worked by hand.

    Parameters
    ----------
    caseload : Caseload
    child_id : str
    say : Words
        Language.

    Returns
    -------
    Blocks
        Empty where this child has neither scores nor goals.
    """
    mine: list[tuple[MeasureChange, ChangeClasses]] = []
    for measure in measure_changes(caseload):
        own = measure.of_child(child_id)
        if own is not None:
            mine.append((measure, own))
    blocks: list[Block | Picture] = []
    if mine:
        blocks += [_child_table(mine, say), references([measure for measure, _ in mine], say)]
    for measure, own in mine:
        if own.count("cannot_be_said"):
            continue
        blocks += [_scatter(measure, own, say("change.picture_child"), say)]
        blocks += [strip(measure, sensitivity(measure, own), say)]
    blocks += _goals(caseload, child_id, say)
    return Blocks([heading(say("change.heading")), *blocks]) if blocks else Blocks()


def practice_change(audit: Audit) -> Blocks:
    """Show change on every instrument child by child, against its band and cutoff, and how firm it is.

    Parameters
    ----------
    audit : Audit

    Returns
    -------
    Blocks
        Empty where no scored instrument was recorded for the children whose outcome was due.
    """
    evidence = audit.evidence
    measures = [measure for measure in evidence.changes if len(measure.classes)]
    blocks: list[Block | Picture] = [references(measures, closed=True)] if measures else []
    for measure in measures:
        blocks += [heading(named(measure), 3), _shares(measure, audit)]
        if len(measure.classes) > measure.classes.count("cannot_be_said"):
            caption = (
                "Every child whose outcome was due and who has two scores: the band holds change within "
                "measurement error."
            )
            blocks.append(_scatter(measure, measure.classes, caption))
            blocks.append(strip(measure, sensitivity(measure), closed=True))
    blocks += _every_child(measures)
    goals = _every_goal(evidence.goals) if evidence.goals is not None else []
    return (
        Blocks([heading("Score by score, goal by goal", 3), *blocks, *goals])
        if blocks or goals
        else Blocks()
    )


def _scatter(measure: MeasureChange, classes: ChangeClasses, caption: str, say: Words = ENGLISH) -> Picture:
    words = {
        key.removeprefix("scatter."): text for key, text in say.texts.items() if key.startswith("scatter.")
    }
    scale = measure.minimum, measure.maximum
    wide, narrow = (
        change_scatter(classes, better=measure.better, scale=scale, words=words, width=width)
        for width in (5.0, _NARROW_INCHES)
    )
    return picture(
        wide,
        alt=describe_change_scatter(classes, better=measure.better, words=words),
        caption=f"{named(measure, say)}. {caption}",
        narrow=narrow,
    )


def _child_table(mine: Sequence[tuple[MeasureChange, ChangeClasses]], say: Words) -> Block:
    columns, notes = [], [say("change.by_hand")]
    for measure, own in mine:
        columns.append((named(measure, say), worked(own, 0, better=measure.better, say=say)))
        told = [
            say.sentence(words) for words in dict.fromkeys((*own.changes[0].cautions, *own.cutoff.cautions))
        ]
        told += [say.sentence(words) for words in measure.unusable]
        place = measure.classes.labels.index(own.labels[0])
        days = (
            say("change.no_day") if np.isnat(day) else str(day)
            for day in (measure.first_on[place], measure.second_on[place])
        )
        scores = say("change.dates", title=measure.title, first=next(days), later=next(days))
        notes.append(" ".join([scores, *told]))
    return table(side_by_side(columns, say), caption=say("change.caption"), notes=notes)


def _shares(measure: MeasureChange, audit: Audit) -> Block:
    shown = audit.evidence.shares
    mine = shown[(shown["measure_id"] == measure.measure_id) & (shown["rated_by"] == measure.rated_by)]
    rows = [
        {
            "Change": row["words"][0].upper() + row["words"][1:],
            "Children": row["children"],
            "Of": row["n"],
            "Share": NOTHING if math.isnan(row["share"]) else percent(row["share"]),
            f"{audit.headline.confidence:.0%} interval": range_words(row["ci_low"], row["ci_high"]),
            "With those of whom it cannot be said": range_words(row["lowest"], row["highest"]),
        }
        for row in mine.to_dict("records")
    ]
    unsaid = measure.classes.count("cannot_be_said")
    notes = [
        "Wilson intervals, among the children of whom it can be said.",
        f"Of {count_of(unsaid, 'child', 'children')} it cannot be said; the last column puts all of them "
        "outside the category, and then all inside.",
        *measure.cautions,
        *measure.classes.cutoff.cautions,
    ]
    numeric = list(rows[0])[1:] if rows else []
    return table(rows, caption=f"{named(measure)}: shares", numeric=numeric, notes=notes)


def _every_child(measures: Sequence[MeasureChange]) -> list[Block | Picture]:
    """Lay out every child in one row, with the numbers of so many instruments side by side."""
    tables: list[Block | Picture] = []
    parts = math.ceil(len(measures) / SIDE_BY_SIDE)
    for at in range(0, len(measures), SIDE_BY_SIDE):
        own = [_numbers(measure) for measure in measures[at : at + SIDE_BY_SIDE]]
        names = [named(measure) for measure in measures[at : at + SIDE_BY_SIDE]]
        # Instruments of one name are told apart by their place.
        names = [name if names.count(name) == 1 else f"{name} ({i})" for i, name in enumerate(names, 1)]
        children = sorted({child for numbers in own for child in numbers.cells})
        over = {
            name: {f"{name}: {head}": head for head in numbers.heads}
            for name, numbers in zip(names, own, strict=True)
        }
        rows = [
            {"Child": child}
            | {
                f"{name}: {head}": numbers.cells.get(child, {}).get(head, "")
                for name, numbers in zip(names, own, strict=True)
                for head in numbers.heads
            }
            for child in children
        ]
        notes = [ENGLISH("change.by_hand")]
        notes += [f"{name}: {small(numbers.told)}" for name, numbers in zip(names, own, strict=True)]
        if any(len(numbers.cells) < len(children) for numbers in own):
            notes.append("Blank: no score of that instrument was recorded.")
        if len(rows) > LISTED:
            notes.append(f"{len(rows) - LISTED} more stand in tables/score_changes.csv.")
        verdict = ENGLISH("change.verdict")
        tables.append(
            table(
                rows[:LISTED],
                caption="Scores, child by child"
                + (f" ({len(tables) + 1} of {parts})" if parts > 1 else ""),
                numeric=[key for under in over.values() for key, head in under.items() if head != verdict],
                notes=notes,
                over=over,
                closed=True,
            )
        )
    return tables


@dataclass(frozen=True)
class _Numbers:
    """The numbers of one instrument: cells by child, their headings, and what is alike for all."""

    heads: list[str]
    cells: dict[str, dict[str, str]]
    told: str


def _numbers(measure: MeasureChange) -> _Numbers:
    classes, better = measure.classes, measure.better
    places = range(len(classes))
    digits = enough_digits(classes, places, better=better)
    every = [worked(classes, i, better=better, digits=digits) for i in places]
    lower, critical, cutoff = (every[0][ENGLISH(f"change.{name}")] for name in ALIKE)
    told = f"Here {lower} is better, the critical value is {critical} and the cutoff {cutoff}."
    left_out = {ENGLISH(f"change.{name}") for name in ALIKE}
    expected, error = ENGLISH("change.expected"), ENGLISH("change.error")
    errors = {cells[error] for cells in every}
    counts = classes.changes.counts
    if len(errors) == 1 and NOTHING not in errors:
        told += f" The error is {errors.pop()} throughout."
        left_out.add(error)
    if np.array_equal(counts["expected"], counts["pre"]):
        told += " Expected is the first score."
        left_out.add(expected)
    return _Numbers(
        [head for head in every[0] if head not in left_out],
        dict(zip(classes.labels, every, strict=True)),
        " ".join([told, *_cautions(classes)]),
    )


def _cautions(classes: ChangeClasses) -> list[str]:
    """Give each caution once with the children it concerns, those that differ in days alone together."""
    days: dict[str, list[float]] = {}
    for change in classes.changes:
        for caution in change.cautions:
            found = _DAYS.search(caution)
            alike = _DAYS.sub(r"\g<1>{days}", caution) if found else caution
            days.setdefault(alike, []).append(float(found[2]) if found else math.nan)
    told = []
    for words, numbers in days.items():
        low, high = min(numbers), max(numbers)
        spread = f"{low:g}" if low == high else f"{low:g} to {high:g}"
        said = words.replace("{days}", spread)
        told.append(f"{said} ({len(numbers)} of {len(classes)})")
    return told


def _goals(caseload: Caseload, child_id: str, say: Words) -> list[Block | Picture]:
    attained = goal_attainment(caseload)
    if attained is None or child_id not in attained.children:
        return []
    rows = [
        {
            say("change.goal"): goal.goal_id,
            say("change.weight"): f"{goal.weight:g}",
            say("change.start_level"): _level(goal.start),
            say("change.latest_level"): _level(goal.latest),
            say("change.rated_on"): NOTHING if goal.latest != goal.latest else str(goal.rated_on),
        }
        for goal in attained.goals
        if goal.child_id == child_id
    ]
    shown = table(
        rows,
        caption=say("change.goals"),
        numeric=[say(f"change.{name}") for name in ("weight", "start_level", "latest_level")],
        notes=[say("change.goals_by_hand")],
    )
    return [shown, bullets(_goal_sentences(attained, attained.children.index(child_id), say))]


def _goal_sentences(attained: GoalAttainment, place: int, say: Words) -> list[str]:
    start, latest, change = attained.start[place], attained.latest[place], attained.change[place]
    if math.isnan(change.value):
        told = [say("change.goals_none")]
    else:
        numbers = {
            "start": number_words(start.value),
            "latest": number_words(latest.value),
            "change": number_words(change.value),
        }
        told = [say("change.goals_changed", **numbers)]
    cautions = dict.fromkeys((*latest.cautions, *change.cautions))
    told += [say.sentence(caution) for caution in cautions]
    if latest.counts["missing"]:
        bounds = {
            "low": number_words(attained.lowest[place].value),
            "high": number_words(attained.highest[place].value),
        }
        told.append(say("change.goals_bounds", **bounds))
    return [*told, say("change.goals_note")]


def _every_goal(attained: GoalAttainment) -> list[Block | Picture]:
    frame = attained.frame()
    gaps = bool(frame["missing"].any())
    rows = [
        {
            "Child": row["child_id"],
            "Goals": row["goals"],
            "T at the start": number_words(row["t_start"]),
            "T at the latest": number_words(row["t_latest"]),
            "Change": number_words(row["change"]),
        }
        | (
            {
                "Not rated": row["missing"],
                "Whatever the missing levels are": (
                    _range_of(row["change_lowest"], row["change_highest"]) if row["missing"] else ""
                ),
            }
            if gaps
            else {}
        )
        for row in frame.to_dict("records")
    ]
    notes = [
        ENGLISH("change.goals_note"),
        "Every goal with its weight and levels stands in tables/goals.csv.",
    ]
    if len(rows) > LISTED:
        notes.append(f"{len(rows) - LISTED} more children stand in tables/goal_attainment.csv.")
    return [
        table(
            rows[:LISTED],
            caption="Goal attainment, child by child",
            numeric=list(rows[0])[1:] if rows else [],
            notes=notes,
            when_empty="no child whose outcome was due has goals.",
            closed=True,
        )
    ]


def _level(level: float) -> str:
    if math.isnan(level):
        return NOTHING
    return f"+{level:g}" if level > 0 else format_number(level, 0)


def _range_of(low: float, high: float) -> str:
    return NOTHING if math.isnan(low) else f"{number_words(low)} to {number_words(high)}"
