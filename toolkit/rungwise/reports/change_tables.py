"""Tables of change beyond measurement error from which every category can be worked by hand."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from rungwise.basis.page_numbers import format_number, format_p
from rungwise.change.classify import CATEGORIES, change_sensitivity
from rungwise.change.from_tables import NOT_RECORDED
from rungwise.change.reliable_change import METHODS, minimal_detectable_change
from rungwise.reports.blocks import Block, table
from rungwise.reports.words import ENGLISH

if TYPE_CHECKING:
    import pandas as pd

    from rungwise.change.classify import ChangeClasses
    from rungwise.change.from_tables import MeasureChange
    from rungwise.reports.catalog import Words

NOTHING = "–"
# The columns a category follows from, in the order of the page; the verdict stands after them.
BY_HAND = ("first", "later", "better", "expected", "error", "index", "critical", "cutoff")
_UNSAID = "cannot_be_said"
_FEWEST_DIGITS, _MOST_DIGITS = 2, 9


def named(measure: MeasureChange, say: Words = ENGLISH) -> str:
    """Give an instrument's title with the kind of rater."""
    if measure.rated_by == NOT_RECORDED:
        return measure.title
    rater = say.texts.get(f"rater.{measure.rated_by}", measure.rated_by)
    return say("change.by", title=measure.title, rater=rater)


def category_words(category: str, say: Words = ENGLISH, *, cutoff_known: bool = True) -> str:
    """Give a category in the page's language."""
    if category == "improved" and not cutoff_known:
        category = "improved_unsaid"
    return say(f"change.category.{category}")


def worked(
    classes: ChangeClasses, i: int, *, better: str, say: Words = ENGLISH, digits: int | None = None
) -> dict[str, str]:
    """Give one child's numbers with as many decimals as the category follows from.

    Parameters
    ----------
    classes : ChangeClasses
    i : int
        Place of the child.
    better : {"lower", "higher"}
    say : Words
    digits : int, optional
        Decimals; default as many as this child needs, see `enough_digits`.
    """
    change = classes.changes[i]
    counts, raw = change.counts, _raw(classes, i)
    if digits is None:
        digits = enough_digits(classes, [i], better=better)
    category = str(classes.categories[i])
    cells = {
        "first": score_words(counts["pre"]),
        "later": score_words(counts["post"]),
        "better": say(f"change.better.{better}"),
        **{name: number_words(value, digits) for name, value in raw.items()},
        "p": NOTHING if math.isnan(change.p_value) else format_p(change.p_value).removeprefix("= "),
        "verdict": category_words(category, say, cutoff_known=not math.isnan(classes.cutoff.value)),
    }
    order = (*BY_HAND[:7], "p", "cutoff", "verdict")
    return {say(f"change.{name}"): cells[name] for name in order}


def enough_digits(classes: ChangeClasses, places: Iterable[int], *, better: str) -> int:
    """Give the decimals with which every category follows from the numbers as printed.

    Two are enough unless a score lies so near the cutoff, or an index so near its critical value, that
    rounding would put it on the other side.
    """
    return max((_digits_of(classes, i, better) for i in places), default=_FEWEST_DIGITS)


def side_by_side(
    columns: Iterable[tuple[str, Mapping[str, str]]], say: Words = ENGLISH
) -> list[dict[str, str]]:
    """Give rows of a table with one column per instrument, from one mapping per instrument."""
    listed = list(columns)
    names = [name for name, _ in listed]
    heads = [name if names.count(name) == 1 else f"{name} ({i})" for i, name in enumerate(names, start=1)]
    return [
        {say("change.number"): label}
        | {head: cells[label] for head, (_, cells) in zip(heads, listed, strict=True)}
        for label in (listed[0][1] if listed else ())
    ]


def references(measures: Iterable[MeasureChange], say: Words = ENGLISH, *, closed: bool = False) -> Block:
    """Give the reference values of every instrument with their source, and what is not known."""
    columns = [(named(measure, say), _reference_cells(measure, say)) for measure in measures]
    return table(
        side_by_side(columns, say),
        caption=say("change.references"),
        notes=[say("change.references_note")],
        closed=closed,
    )


def _reference_cells(measure: MeasureChange, say: Words) -> dict[str, str]:
    known, cutoffs, unknown = measure.reference, measure.cutoffs, say("change.not_known")
    days = known.retest_days
    cells = {
        "reliability": _known(known.reliability, 2, unknown),
        "kind": say(f"change.kind.{known.reliability_kind}"),
        "retest": unknown if days is None else say("change.days", n=f"{days:g}"),
        "clinical": _group(known.mean, known.sd, unknown),
        "functional": _group(measure.functional.mean, measure.functional.sd, unknown),
        "retesting": _known(known.practice_effect, 1, unknown),
        "second": _group(known.post_mean, known.post_sd, unknown),
        "correlation": _known(known.retest_correlation, 2, unknown),
        "size": _known(known.n, 0, unknown),
        "smallest": number_words(minimal_detectable_change(known.sd, known.reliability).value, 2, unknown),
        "cutoffs": " / ".join(number_words(cutoffs[name].value, 1, unknown) for name in ("a", "b", "c")),
        "source": known.source or unknown,
    }
    return {say(f"change.{name}"): text for name, text in cells.items()}


def sensitivity(measure: MeasureChange, classes: ChangeClasses | None = None) -> pd.DataFrame:
    """Give the counts by method and reliability; of all children, or of those of `classes`."""
    counts = (measure.classes if classes is None else classes).changes.counts
    return change_sensitivity(
        counts["pre"], counts["post"], measure.reference, better=measure.better, cutoffs=measure.cutoffs
    )


def strip(
    measure: MeasureChange, found: pd.DataFrame, say: Words = ENGLISH, *, closed: bool = False
) -> Block:
    """Lay the counts, or one child's category, out by method and reliability.

    Parameters
    ----------
    measure : MeasureChange
    found : DataFrame
        From `sensitivity`.
    say : Words
    closed : bool
        As in `rungwise.reports.blocks.table`.

    Returns
    -------
    Block
        One row per method; a method that rests on no reliability has the same entry throughout.
    """
    records = found.to_dict("records")
    tried = sorted({row["reliability"] for row in records if not math.isnan(row["reliability"])})
    own = measure.reference.reliability
    heads = {
        reliability: f"{reliability:.2f}"[1:] + ("*" if reliability == own else "") for reliability in tried
    }
    alone = all(sum(row[name] for name in CATEGORIES) == 1 for row in records)
    rows = []
    for method, way in METHODS.items():
        mine = [row for row in records if row["method"] == method]
        if not any(row["n"] for row in mine):
            continue
        at = {row["reliability"]: _entry(dict(row), say, alone=alone) for row in mine}
        rows.append(
            {
                say("change.method"): say.sentence(way.words),
                **{
                    head: at.get(reliability, next(iter(at.values())))
                    for reliability, head in heads.items()
                },
            }
        )
    unable = [
        say.sentence(way.words)
        for method, way in METHODS.items()
        if not any(row["n"] for row in records if row["method"] == method)
    ]
    notes = [say("change.strip_alone" if alone else "change.strip_counts"), say("change.sensitive")]
    if unable:
        notes.append(say("change.unable", methods="; ".join(unable)))
    return table(
        rows,
        caption=say("change.strip", instrument=named(measure, say)),
        numeric=[],
        notes=notes,
        when_empty=say("change.strip_empty"),
        closed=closed,
    )


def score_words(score: float) -> str:
    """Write a score with the decimals it has."""
    if math.isnan(score):
        return NOTHING
    digits = next((d for d in range(6) if round(score, d) == score), 6)
    return format_number(score, digits)


def number_words(value: float, digits: int = 1, otherwise: str = NOTHING) -> str:
    """Write a number, or what stands where there is none."""
    return otherwise if math.isnan(value) else format_number(value, digits)


def by_hand(first: float, later: float, better: str, cells: Mapping[str, float]) -> str:
    """Work out a category from the numbers of a row as they are printed, and from nothing else."""
    if any(math.isnan(cells[name]) for name in ("expected", "error", "critical")) or math.isnan(later):
        return _UNSAID
    sign = 1.0 if better == "higher" else -1.0
    index = sign * (later - cells["expected"]) / cells["error"]
    if index < -cells["critical"]:
        return "deteriorated"
    if index <= cells["critical"]:
        return "unchanged"
    cutoff = cells["cutoff"]
    crossed = sign * first <= sign * cutoff and sign * later > sign * cutoff
    return "recovered" if crossed else "improved"


def _raw(classes: ChangeClasses, i: int) -> dict[str, float]:
    counts = classes.changes.counts
    return {
        "expected": float(counts["expected"][i]),
        "error": float(counts["standard_error"][i]),
        "index": float(classes.changes.value[i]),
        "critical": float(counts["critical"][i]),
        "cutoff": classes.cutoff.value,
    }


def _digits_of(classes: ChangeClasses, i: int, better: str) -> int:
    raw = _raw(classes, i)
    first, later = (float(classes.changes.counts[name][i]) for name in ("pre", "post"))
    category = by_hand(first, later, better, raw)
    sides = (raw["index"] > raw["critical"], raw["index"] < -raw["critical"])
    for digits in range(_FEWEST_DIGITS, _MOST_DIGITS):
        printed = {name: round(value, digits) for name, value in raw.items()}
        index, critical = printed["index"], printed["critical"]
        if (index > critical, index < -critical) != sides:
            continue
        if by_hand(first, later, better, printed) == category:
            return digits
    return _MOST_DIGITS


def _entry(row: Mapping[Any, Any], say: Words, *, alone: bool) -> str:
    if alone:
        category = next(name for name in CATEGORIES if row[name])
        return say(f"change.short.{category}")
    if not row["n"]:
        return NOTHING
    return f"{row['recovered'] + row['improved']}/{row['unchanged']}/{row['deteriorated']}"


def _known(value: float | None, digits: int, otherwise: str) -> str:
    return otherwise if value is None else format_number(value, digits)


def _group(mean: float | None, sd: float | None, otherwise: str) -> str:
    if mean is None and sd is None:
        return otherwise
    return f"{_known(mean, 1, '?')} ({_known(sd, 1, '?')})"
