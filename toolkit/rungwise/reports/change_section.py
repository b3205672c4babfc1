"""Scores and goals on a page: change beyond measurement error, for one child and for a practice."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rungwise.basis.page_numbers import count_of, format_number, format_p
from rungwise.change.classify import CATEGORIES, change_sensitivity
from rungwise.change.from_tables import NOT_RECORDED, goal_attainment, measure_changes
from rungwise.change.reliable_change import METHODS
from rungwise.figures.change_scatter import change_scatter, describe_change_scatter
from rungwise.reports.blocks import Block, Blocks, Picture, heading, paragraph, picture, table

if TYPE_CHECKING:
    from rungwise.change.from_tables import MeasureChange
    from rungwise.series.caseload import Caseload

_NARROW_INCHES = 3.8
BY_HAND = (
    "Index = (later − expected) / error, turned so that positive is better; beyond ±{critical} is more "
    "than measurement error. The cutoff is where clinical and functional groups meet."
)
GOALS = (
    "Goal attainment T is 50 when every goal is just reached as expected. It depends on how the goals were "
    "set, and says nothing about fear."
)
SENSITIVE = (
    "A headline that changes within plausible reliabilities is a statement about the measure more than "
    "about the children."
)


def child_change(caseload: Caseload, child_id: str) -> Blocks:
    """Give one child's change on scored instruments and goals, so that it can be worked by hand.

    Parameters
    ----------
    caseload : Caseload
    child_id : str

    Returns
    -------
    Blocks
        Empty where this child has neither scores nor goals.
    """
    rows: list[dict[str, str]] = []
    notes: dict[str, None] = {}
    for measure in measure_changes(caseload):
        frame = measure.frame()
        for row in frame[frame["child_id"] == child_id].to_dict("records"):
            rows.append(
                {
                    "Instrument": _named(measure),
                    "First": _number(row["pre"]),
                    "Later": _number(row["post"]),
                    "Expected": _number(row["expected"]),
                    "Error": _number(row["standard_error"], 2),
                    "Index": _number(row["index"], 2),
                    "p": "–" if math.isnan(row["p_value"]) else format_p(row["p_value"]).removeprefix("= "),
                    "Cutoff": _number(row["cutoff"]),
                    "Change": row["category"],
                }
            )
            notes[BY_HAND.format(critical=format_number(row["critical"], 2))] = None
            notes[f"{measure.title}: {row['cautions']}" if row["cautions"] else ""] = None
    blocks: list[Block | Picture] = []
    if rows:
        blocks.append(
            table(
                rows,
                caption="Change beyond measurement error since intake",
                numeric=["First", "Later", "Expected", "Error", "Index", "p", "Cutoff"],
                notes=[sentence for sentence in notes if sentence],
            )
        )
    blocks += _goals(caseload, child_id)
    return Blocks([heading("Scores and goals"), *blocks]) if blocks else Blocks()


def practice_change(caseload: Caseload) -> Blocks:
    """Draw change on every instrument against its band and cutoff, and show how firm the counts are.

    Parameters
    ----------
    caseload : Caseload

    Returns
    -------
    Blocks
        Empty where no scored instrument was recorded.
    """
    blocks: list[Block | Picture] = []
    for measure in measure_changes(caseload):
        if len(measure.classes) == measure.classes.count("cannot_be_said"):
            continue
        blocks.append(heading(_named(measure), 3))
        blocks.append(
            picture(
                change_scatter(measure.classes, better=measure.better, width=5.0),
                alt=describe_change_scatter(measure.classes, better=measure.better),
                caption="Every child with two scores, over everything recorded so far: the band holds "
                "change within measurement error.",
                narrow=change_scatter(measure.classes, better=measure.better, width=_NARROW_INCHES),
            )
        )
        blocks.append(_sensitivity(measure))
    return Blocks([heading("How firm the scores are"), *blocks]) if blocks else Blocks()


def _sensitivity(measure: MeasureChange) -> Block:
    counts = measure.classes.changes.counts
    strip = change_sensitivity(
        counts["pre"], counts["post"], measure.reference, better=measure.better, cutoffs=measure.cutoffs
    )
    words = {name: text[0].upper() + text[1:] for name, text in CATEGORIES.items()}
    unable = [row["method"] for row in strip.to_dict("records") if not row["n"]]
    rows = [
        {
            "Method": METHODS[row["method"]].words,
            "Reliability": "–" if math.isnan(row["reliability"]) else f"{row['reliability']:.2f}",
            "As recorded": "yes" if row["given"] and not math.isnan(row["reliability"]) else "",
            **{words[name]: row[name] for name in CATEGORIES},
        }
        for row in strip.to_dict("records")
        if row["n"]
    ]
    notes = [SENSITIVE]
    if unable:
        named = "; ".join(METHODS[name].words for name in unable)
        notes.append(
            f"Methods whose reference values are not recorded, and which say nothing here: {named}."
        )
    return table(
        rows,
        caption="How the counts depend on reliability and method",
        numeric=["Reliability", *words.values()],
        notes=notes,
    )


def _goals(caseload: Caseload, child_id: str) -> list[Block | Picture]:
    attained = goal_attainment(caseload)
    if attained is None or child_id not in attained.children:
        return []
    place = attained.children.index(child_id)
    start, latest, change = attained.start[place], attained.latest[place], attained.change[place]
    goals = count_of(int(latest.counts["goals"]), "goal")
    if math.isnan(change.value):
        said = f"Goals: {goals}; no goal has a level both at the start and later, so change cannot be said."
    else:
        said = (
            f"Goals: {goals}, goal attainment T {format_number(start.value)} at the start and "
            f"{format_number(latest.value)} at the latest ratings (change {format_number(change.value)})."
        )
    return [paragraph(said, *latest.cautions, GOALS)]


def _named(measure: MeasureChange) -> str:
    by = "" if measure.rated_by == NOT_RECORDED else f", by {measure.rated_by}"
    return f"{measure.title}{by}"


def _number(value: float, digits: int = 1) -> str:
    return "–" if math.isnan(value) else format_number(value, digits)
