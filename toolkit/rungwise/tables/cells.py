"""From the distinct texts of a column to typed values, with everything that is wrong with them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from rungwise.tables.dates import both_readings, has_date_form, in_words, read_dates
from rungwise.tables.grid import TextColumn
from rungwise.tables.identity import code_identity, text_identity
from rungwise.tables.schema import Field, Schema, plain, plain_missing, tidy

CODES = {
    "person": "letters, digits, dots, hyphens and underscores, without blanks, at most 40",
    "code": "letters, digits, blanks and . _ - ' & / +, at most 60",
}
FORMULA_BLANK = "\x00formula"
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_COMMA = re.compile(r"[+-]?\d+,(\d+)")
_FAILED = frozenset(
    {"#n/a", "#value!", "#ref!", "#div/0!", "#name?", "#null!", "#num!", "#spill!", "#calc!"}
)
_OCCASION = re.compile(
    r"\d{1,3}|(?:\d{4}[- ]?)?(?:week|wk|w|session|visit|occasion|no|nr)\W*\d{1,3}", re.IGNORECASE
)
_MINUS = str.maketrans("\u2212\u2013", "--")


@dataclass(frozen=True)
class Fault:
    """One thing wrong with one distinct text.

    `place` is the text's place; `once` is True where a single problem, at the first row, speaks
    for all rows with such texts in `places`.
    """

    code: str
    place: int
    facts: dict[str, Any]
    places: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False)
class Parsed:
    """One column's typed values, one per distinct text.

    Attributes
    ----------
    values : ndarray
        Text as objects (None where missing), numbers as float64 (NaN), dates as datetime64[D]
        (NaT), yes/no as objects.
    blank : ndarray of bool
        Texts that stand for nothing.
    signals : dict of str to ndarray of bool
        Texts that say something in place of a number.
    faults : list of Fault
        What sets rows aside, text by text, and what is only to be told.
    """

    values: np.ndarray
    blank: np.ndarray
    signals: dict[str, np.ndarray]
    faults: list[Fault] = field(default_factory=list)


def parse(
    column: TextColumn,
    described: Field,
    table: Schema,
    *,
    date_order: str = "",
    decimal_comma: bool = False,
    from_1904: bool = False,
) -> Parsed:
    """Parse the distinct texts of a column by its field's type and limits.

    Parameters
    ----------
    column : TextColumn
    described : Field
    table : Schema
        Gives the words for "missing".
    date_order : {"", "day_first", "month_first"}
    decimal_comma : bool
        True where a comma can only be a decimal point.
    from_1904 : bool
        True for a workbook that numbers its days from 1904.
    """
    texts = [tidy(text) for text in column.texts]
    missing = table.missing if described.missing is None else described.missing
    blank = np.array([text.casefold() in missing for text in texts] or [], dtype=bool)
    if described.type == "string":
        parsed = _strings(texts, blank, described)
    elif described.type == "date":
        parsed = _dates(texts, blank, date_order, from_1904, numbered=_numbers_occasions(table))
    elif described.type == "boolean":
        parsed = _booleans(texts, blank, described)
    else:
        parsed = _numbers(texts, blank, described, decimal_comma)
    for place, text in enumerate(texts):
        if text == FORMULA_BLANK:
            parsed.faults[:] = [fault for fault in parsed.faults if fault.place != place]
            parsed.faults.append(Fault("formula_blank", place, {}))
        elif text.casefold() in _FAILED:
            parsed.faults[:] = [fault for fault in parsed.faults if fault.place != place]
            parsed.faults.append(Fault("formula_failed", place, {}))
    return parsed


def empty_values(described: Field, rows: int) -> np.ndarray:
    """Give a column of missing values."""
    if described.type in ("number", "integer"):
        return np.full(rows, np.nan)
    if described.type == "date":
        return np.full(rows, "NaT", dtype="datetime64[D]")
    return np.full(rows, None, dtype=object)


def range_in_words(low: float | None, high: float | None) -> str:
    """Say what lies between two limits.

    Examples
    --------
    >>> range_in_words(0, 10), range_in_words(1, None)
    ('from 0 to 10', '1 or more')
    """
    if low is not None and high is not None:
        return f"from {low:g} to {high:g}"
    return f"{low:g} or more" if low is not None else f"{high:g} or less"


def nearest(word: str, allowed: Any) -> str:
    """Give a hint at what a misspelled word may mean, ready to be added to a sentence."""
    from difflib import get_close_matches

    found = get_close_matches(word, list(allowed), n=1, cutoff=0.75)
    return f" (perhaps {found[0]} was meant)" if found else ""


def _strings(texts: list[str], blank: np.ndarray, described: Field) -> Parsed:
    values = np.full(len(texts), None, dtype=object)
    faults = []
    pattern = re.compile(described.pattern) if described.pattern else None
    for place, text in enumerate(texts):
        if blank[place]:
            continue
        what = _identity(text, described)
        if what:
            refused = described.kind in CODES or described.required
            code = "identity_value" if refused else "identity_text"
            faults.append(Fault(code, place, {"what": what}))
        elif described.enum:
            values[place] = described.words.get(plain(text))
            if values[place] is None:
                near = nearest(plain(text), described.words)
                facts = {"title": described.title, "allowed": ", ".join(described.enum), "hint": near}
                faults.append(Fault("word_unknown", place, facts))
        elif pattern and not pattern.fullmatch(text):
            code = "code_form" if described.kind in CODES else "text_form"
            form = CODES.get(described.kind, "")
            faults.append(Fault(code, place, {"example": described.example, "form": form}))
        else:
            values[place] = text.casefold() if described.kind == "word" else text
    return Parsed(values, blank, {}, faults)


def _identity(text: str, described: Field) -> str:
    if described.kind == "person":
        return code_identity(text)
    return text_identity(text) if described.kind in ("code", "text", "label") else ""


def _numbers(texts: list[str], blank: np.ndarray, described: Field, decimal_comma: bool) -> Parsed:
    values = np.full(len(texts), np.nan)
    signals = {signal: np.zeros(len(texts), dtype=bool) for signal in set(described.signals.values())}
    faults: list[Fault] = []
    commas: list[int] = []
    told: list[int] = []
    for place, text in enumerate(texts):
        if blank[place]:
            continue
        if NUMBER.fullmatch(text):
            number = float(text)
        else:
            signal = described.signals.get(plain(text))
            if signal:
                signals[signal][place] = True
                if plain(text) in described.told:
                    told.append(place)
                continue
            read = text.translate(_MINUS)
            comma = _COMMA.fullmatch(read)
            if comma and (decimal_comma or len(comma[1]) != 3):
                number = float(read.replace(",", "."))
                commas.append(place)
            elif NUMBER.fullmatch(read):
                number = float(read)
            else:
                faults.append(_no_number(place, text, bool(comma), described))
                continue
        if described.type == "integer" and not number.is_integer():
            faults.append(Fault("number_not_whole", place, {}))
        elif not _within(number, described):
            words = range_in_words(described.minimum, described.maximum)
            faults.append(Fault("number_out_of_range", place, {"range": words}))
        else:
            values[place] = number
    if commas and not decimal_comma:
        faults.append(Fault("decimal_comma", commas[0], {}, tuple(commas)))
    if told:
        words = ", ".join(f"“{texts[place]}”" for place in told)
        faults.append(Fault("declines_read", told[0], {"words": words}, tuple(told)))
    return Parsed(values, blank, signals, faults)


def _no_number(place: int, text: str, comma: bool, described: Field) -> Fault:
    if comma:
        facts = {"small": text.replace(",", "."), "large": text.replace(",", "")}
        return Fault("number_ambiguous", place, facts)
    if read_dates([text], "day_first").days[0] and not NUMBER.fullmatch(text):
        return Fault("number_is_date", place, {})
    also = ""
    if described.signals:
        also = (
            "; write declined if the child faced the step and would not do it, missed if it was not rated"
        )
    return Fault("number_unreadable", place, {"also": also})


def _numbers_occasions(table: Schema) -> bool:
    return "occasion" in table.fields and table.fields["occasion"].type == "number"


def _no_date(place: int, text: str, numbered: bool) -> Fault:
    instead = ""
    what = "This is no date."
    if _OCCASION.fullmatch(text):
        what = "This is no date; it looks like the number of a week or session."
        if numbered:
            instead = ", or name the column week or occasion and write nothing but the number in it"
    elif has_date_form(text):
        what = "This is not a day that exists in the calendar."
    return Fault("date_unreadable", place, {"what": what, "instead": instead})


def _within(number: float, described: Field) -> bool:
    above = described.minimum is None or number >= described.minimum
    return above and (described.maximum is None or number <= described.maximum)


def _booleans(texts: list[str], blank: np.ndarray, described: Field) -> Parsed:
    values = np.full(len(texts), None, dtype=object)
    faults = []
    for place, text in enumerate(texts):
        if blank[place]:
            continue
        word = described.words.get(plain_missing(text)) or described.words.get(plain(text))
        if word is None:
            faults.append(Fault("yes_no_unknown", place, {"title": described.title}))
        else:
            values[place] = word == "yes"
    return Parsed(values, blank, {}, faults)


def _dates(texts: list[str], blank: np.ndarray, order: str, from_1904: bool, *, numbered: bool) -> Parsed:
    """Read days; `numbered` is True where a number of the occasion may stand instead of a day."""
    places = np.flatnonzero(~blank).tolist()
    read = read_dates([texts[place] for place in places], order, from_1904=from_1904)
    days: list[date | None] = [None] * len(texts)
    for place, day in zip(places, read.days, strict=True):
        days[place] = day
    values = np.array(days, dtype="datetime64[D]")
    faults = [_no_date(places[i], texts[places[i]], numbered) for i in read.unreadable]
    if read.open:
        at = [places[i] for i in read.open]
        day_first, month_first = both_readings(texts[at[0]])
        facts = {"day_first": in_words(day_first), "month_first": in_words(month_first)}
        code = "date_ambiguous"
        if read.opposed:
            code = "date_orders_mixed"
            facts["day_entry"], facts["month_entry"] = (texts[places[i]] for i in read.opposed)
        faults.append(Fault(code, at[0], facts, tuple(at)))
    if read.settled_by is not None:
        at = [places[i] for i in read.settled]
        faults.append(
            Fault("date_order_settled", places[read.settled_by], {"order": read.settled_order}, tuple(at))
        )
    if read.serials:
        at = [places[i] for i in read.serials]
        first = days[at[0]]
        faults.append(Fault("date_serial", at[0], {"day": in_words(first) if first else ""}, tuple(at)))
    return Parsed(values, blank, {}, faults)
