"""What each recording sheet asks: which columns of which table, once or in every row.

Fields are named by the columns of `schemas/`, and stand in the order of their table, so that a sheet
is typed into the workbook from left to right. The words are for the therapist or family who fills it
in. Have a pediatric therapist review any wording before it is used with children.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from html import escape
from typing import Any

from rungwise.basis.errors import check_choice
from rungwise.series.planned import FEAR

KINDS = ("probe", "approach", "practice", "home", "observer")
LEVELS = (1, 2, 3)


@dataclass(frozen=True)
class Form:
    """One kind of recording sheet at one recording level.

    Attributes
    ----------
    title, purpose : str
    table : str
        Table its rows are typed into.
    trial_kind : str
        Kind of trial recorded; ``""`` where the table has none or each row says it.
    once : tuple of str
        Columns that are the same for the whole sheet and stand at its head.
    rows : Mapping[str, float]
        Columns asked in every row, with their relative widths.
    how : tuple of str
        Short instructions.
    least_row : float
        Least height of a row, in mm.
    steps : {"list", "rows", "line"}
        Where the steps stand: in a list beside the table, as its rows, or only the probe step.
    extras : Mapping[str, tuple of str]
        Columns of other tables, asked once.
    large : bool
        Set in large plain type, for families.
    """

    title: str
    purpose: str
    table: str
    trial_kind: str
    once: tuple[str, ...]
    rows: Mapping[str, float]
    how: tuple[str, ...]
    least_row: float = 8.6
    steps: str = "list"
    extras: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    large: bool = False


INCIDENTS: Mapping[str, float] = {
    "date": 20, "kind": 58, "severity": 43, "step": 11, "setting": 20, "action": 37,
}  # fmt: skip
HOME_INCIDENTS: Mapping[str, float] = {"date": 29, "kind": 72, "severity": 49, "step": 15, "action": 24}

_DECLINED = (
    "The child may decline: tick declined, write Fear before only. A decline is data, not a failure."
)
_SAME_RATER = "One kind of rater on a sheet; another rater, another sheet."
_ASK = "Fear before: facing the step. Fear peak: the highest it got. Fear at the end: when done."
_HIGHEST, _HOW_MUCH = "the highest {outcome}", "how much {outcome}"
_SAME_WAY = "Offer the probe step only, always the same way, before any practice that day."

_WEEKLY = Form(
    title="Weekly probe sheet",
    purpose="One planned rating a week at the same step, whatever was practiced.",
    table="ratings",
    trial_kind="",
    once=("child_id", "ladder_id", "rated_by"),
    rows={"date": 26, "phase": 101, "rating": 18, "declined": 18, "note": 26},
    how=(
        _SAME_WAY,
        f"Rating: {_HIGHEST.format(outcome=FEAR)} at the step, on the scale beside.",
        "The child may decline: tick Declined and leave Rating blank. A decline is data, not a failure.",
        "Nobody asked that week: write the date and “missed” as the rating.",
        _SAME_RATER,
    ),
    least_row=7.8,
    steps="line",
)
_HOME_WEEKLY = Form(
    title="Weekly rating at home",
    purpose="Once a week, the same step, on the agreed day.",
    table="ratings",
    trial_kind="",
    once=("child_id", "ladder_id", "rated_by"),
    rows={"date": 34, "phase": 66, "rating": 30, "declined": 30, "note": 30},
    how=(
        f"Show the step. Ask: {_HOW_MUCH.format(outcome=FEAR)}? Write the number from the scale.",
        "“No” is a good answer. Tick Declined and leave Rating blank.",
        "The therapist ticks the Phase. A week without asking: write “missed”.",
    ),
    least_row=12.5,
    steps="line",
    large=True,
)
_PROBE = Form(
    title="Probe sheet",
    purpose="The same step on every planned day, whatever was practiced.",
    table="observations",
    trial_kind="probe",
    once=("child_id", "ladder_id", "kind", "step", "rated_by", "rater_id"),
    rows={
        "date": 23, "outcome": 47, "fear_before": 15, "fear_peak": 15, "fear_end": 15, "setting": 27,
        "note": 46,
    },
    how=(_SAME_WAY, _ASK, _DECLINED, _SAME_RATER),
)  # fmt: skip
_APPROACH = Form(
    title="Approach sheet",
    purpose="How far up the ladder today, until the child declines.",
    table="observations",
    trial_kind="approach",
    once=("child_id", "ladder_id", "date", "kind", "setting", "rated_by", "rater_id"),
    rows={
        "step": 11, "outcome": 51, "fear_before": 14, "fear_peak": 14, "fear_end": 14, "support": 20,
        "note": 20,
    },
    how=(
        "Begin at step 1. Offer the next step after each one that was completed or done in part.",
        "Stop at the first decline. Do not talk the child into one more. Leave higher steps blank.",
        _ASK,
        _DECLINED,
        "One sheet for each occasion.",
    ),
    steps="rows",
)  # fmt: skip
_PRACTICE = Form(
    title="Practice sheet",
    purpose="What was practiced on one day, one line for each trial.",
    table="observations",
    trial_kind="practice",
    once=("child_id", "ladder_id", "date", "kind", "setting", "rated_by", "rater_id"),
    rows={
        "trial": 10, "step": 10, "outcome": 50, "fear_before": 14, "fear_peak": 14, "fear_end": 14,
        "support": 22, "minutes": 16, "repetitions": 22, "note": 18,
    },
    how=(
        "Any step, as planned with child and family. Probes go on the probe sheet, before practice.",
        _ASK,
        _DECLINED,
        "One sheet a day and rater. On a second sheet of the day, go on counting the trials.",
    ),
)  # fmt: skip
_HOME = Form(
    title="Home practice sheet",
    purpose="One line for each step you practice in a day.",
    table="observations",
    trial_kind="practice",
    once=("child_id", "ladder_id", "kind", "setting", "rated_by"),
    rows={
        "date": 29, "step": 17, "outcome": 68, "fear_before": 23, "fear_peak": 23, "repetitions": 28,
    },
    how=(
        "Practice only the steps that your therapist circles.",
        "Fear before: ask at the step. Fear peak: the highest it got.",
        "If the answer is “no”: tick declined, leave Fear peak blank.",
        "Stop while it goes well.",
    ),
    least_row=10,
    large=True,
)  # fmt: skip
_OBSERVER = Form(
    title="Second observer’s sheet",
    purpose="The same trials, seen independently by a second person.",
    table="agreement",
    trial_kind="",
    once=("child_id", "ladder_id", "rater_id"),
    rows={"date": 27, "trial": 16, "kind": 62, "step": 16, "outcome": 48, "fear_peak": 19},
    how=(
        "Only where both are observers: what a child says of their own fear has no second rater.",
        "Write down what you saw before you talk about it.",
        "Trial: the number on the first observer’s sheet; blank means 1.",
        "Declined: leave Fear peak blank.",
    ),
)

FORMS: Mapping[str, Mapping[int, Form]] = {
    "probe": {1: _WEEKLY, 2: _PROBE},
    "approach": {2: _APPROACH},
    "practice": {2: _PRACTICE},
    "home": {1: _HOME_WEEKLY, 2: _HOME},
    "observer": {3: _OBSERVER},
}
# What level 3 asks beyond level 2.
_MORE: Mapping[str, Mapping[str, Any]] = {
    "probe": {
        "rows": {
            "date": 22, "outcome": 47, "fear_before": 15, "fear_peak": 15, "fear_end": 15, "setting": 24,
            "recorded_on": 23, "note": 27,
        },
    },
    "approach": {"once": (*_APPROACH.once, "recorded_on")},
    "practice": {
        "once": (*_PRACTICE.once, "recorded_on"),
        "extras": {
            "sessions": ("attended", "exposure_minutes"),
            "fidelity": ("steps_planned", "steps_done"),
        },
    },
}  # fmt: skip


def about(form: Form, outcome: str) -> Form:
    """Give a weekly sheet for another rating than fear, with the column that says which.

    Examples
    --------
    >>> about(form_of("probe", 1), "joy").once
    ('child_id', 'ladder_id', 'outcome', 'rated_by')
    """
    if outcome == FEAR:
        return form
    once = list(form.once)
    once.insert(once.index("rated_by"), "outcome")
    return replace(form, once=tuple(once), how=tuple(_about(point, escape(outcome)) for point in form.how))


def _about(point: str, outcome: str) -> str:
    for words in (_HIGHEST, _HOW_MUCH):
        point = point.replace(words.format(outcome=FEAR), words.format(outcome=outcome))
    return point


def lowest_level(kind: str) -> int:
    """Give the lowest recording level that has a sheet of this kind."""
    return min(FORMS[check_choice("kind", kind, KINDS)])


def form_of(kind: str, level: int) -> Form:
    """Give the sheet of a kind at a recording level.

    Raises
    ------
    ValueError
        For an unknown kind or level, or a kind that the level does not record.

    Examples
    --------
    >>> form_of("probe", 1).title, form_of("probe", 3).title
    ('Weekly probe sheet', 'Probe sheet')
    """
    least = lowest_level(kind)
    check_choice("level", level, LEVELS)
    if level < least:
        raise ValueError(
            f"level must be {least} or more for a sheet of kind {kind!r}, because level {level} records "
            f"no such trials; got {level}."
        )
    form = FORMS[kind][max(at for at in FORMS[kind] if at <= level)]
    return replace(form, **_MORE[kind]) if level == max(LEVELS) and kind in _MORE else form
