"""The tables as ``schemas/`` describes them: names, types, units, ranges, keys, words."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from rungwise.resources import shipped

# In the order in which a practice meets them; files are read and reported in this order.
TABLES = (
    "ratings", "children", "phases", "ladders", "plans", "observations", "incidents", "sessions",
    "measures", "assessments", "goals", "goal_ratings", "agreement", "fidelity", "actions",
)  # fmt: skip

_INVISIBLE = dict.fromkeys(map(ord, "\u200b\u200c\u200d\u200e\u200f\u2060\ufeff\u00ad"))
# A unit or scale after a column's name: "(cm)", "[0-10]", "0-10", "0 to 10".
_TAIL = re.compile(r"(?:[(\[][^)\]]*[)\]]|\b\d+\s*(?:-|\N{EN DASH}|to)\s*\d+)\s*$")
_APART = re.compile(r"[\W_]+")


@dataclass(frozen=True, eq=False)
class Field:
    """One column as its table's descriptor states it.

    Attributes
    ----------
    name, title, description : str
    type : str
        ``"string"``, ``"number"``, ``"integer"``, ``"date"`` or ``"boolean"``.
    kind : str
        For text: ``"person"`` (the code of a person), ``"code"`` (of anything else),
        ``"label"`` (a word used throughout), ``"word"`` (the same in lower case) or ``"text"``.
    required : bool
        A row without it is set aside.
    required_when : str
        Condition in words under which it is required; ``""`` if none.
    enum : tuple of str
        Allowed values; empty if free.
    words : Mapping[str, str]
        Plain forms (see `plain`) of everything accepted for an allowed value, the values included.
    signals : Mapping[str, str]
        Plain forms of words that may stand in place of a number, and what each says
        (``"declined"`` or ``"missed"``).
    told : frozenset of str
        Those of the signals that could mean something else, so that their reading is told.
    missing : frozenset of str or None
        Words for "missing" of this column alone; None where the table's hold.
    minimum, maximum : float or None
    pattern : str
        Regular expression that the whole text must match; ``""`` if none.
    unit : str
    default : Any
        Value of a blank cell; None if it stays missing.
    default_from : str
        Name of the column whose value a blank cell takes; ``""`` if none.
    headers : frozenset of str
        Plain forms of every header that names this column.
    example : str
    level : int
        Recording level from which the column is of use.
    """

    name: str
    title: str
    description: str
    type: str
    kind: str
    required: bool
    required_when: str
    enum: tuple[str, ...]
    words: Mapping[str, str]
    signals: Mapping[str, str]
    told: frozenset[str]
    missing: frozenset[str] | None
    minimum: float | None
    maximum: float | None
    pattern: str
    unit: str
    default: Any
    default_from: str
    headers: frozenset[str]
    example: str
    level: int

    @property
    def default_words(self) -> str:
        """Say what a blank cell means; ``""`` if it stays missing."""
        if self.type == "boolean" and self.default is not None:
            return "yes" if self.default else "no"
        return "" if self.default is None else str(self.default)


@dataclass(frozen=True, eq=False)
class ForeignKey:
    """Columns whose values must stand in another table, where that table was recorded."""

    fields: tuple[str, ...]
    table: str
    reference: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Schema:
    """One table: what a row is, its columns and its keys.

    Examples
    --------
    >>> schema("ratings").fields["phase"].enum
    ('baseline', 'exposure', 'maintenance', 'follow_up')
    """

    name: str
    title: str
    description: str
    row: str
    level: int
    fields: Mapping[str, Field]
    key: tuple[str, ...]
    foreign_keys: tuple[ForeignKey, ...]
    missing: frozenset[str]
    names: frozenset[str]

    def field_of(self, header: str) -> Field | None:
        """Give the column that a header names, or None.

        A unit or scale after it does not matter: ``"Fear (0-10)"`` is the rating.

        Examples
        --------
        >>> schema("ratings").field_of("Fear 0-10").name
        'rating'
        >>> schema("ratings").field_of("Fear (0-10)").name
        'rating'
        """
        by_header = _by_header(self.name)
        header = header.rstrip(" *")
        found = by_header.get(plain(header))
        if found is None:
            found = by_header.get(plain(_TAIL.sub("", header)))
        return found


@cache
def schema(table: str) -> Schema:
    """Read the descriptor of one table.

    Raises
    ------
    ValueError
        If there is no such table.
    """
    if table not in TABLES:
        raise ValueError(f"table must be one of {', '.join(TABLES)}; got {table!r}.")
    described = json.loads((shipped("schemas") / f"{table}.json").read_text(encoding="utf-8"))
    key: list[str] = described.get("primaryKey") or next(iter(described.get("uniqueKeys", [])), [])
    return Schema(
        name=table,
        title=described["title"],
        description=described["description"],
        row=described["rungwise:row"],
        level=described["rungwise:level"],
        fields={entry["name"]: _field(entry, described["rungwise:level"]) for entry in described["fields"]},
        key=tuple(key),
        foreign_keys=tuple(
            ForeignKey(_names(entry["fields"]), reference["resource"], _names(reference["fields"]))
            for entry in described.get("foreignKeys", [])
            for reference in [entry["reference"]]
        ),
        missing=_missing(described["missingValues"]),
        names=frozenset(plain(name) for name in (table, *described["rungwise:synonyms"])),
    )


def table_named(name: str) -> str | None:
    """Give the table that a file or sheet name stands for, or None.

    Examples
    --------
    >>> table_named("Fear log"), table_named("Sheet1")
    ('ratings', None)
    """
    wanted = plain(name)
    if wanted.replace(" ", "_") in TABLES:
        return wanted.replace(" ", "_")
    return next((table for table in TABLES if wanted in schema(table).names), None)


def tidy(text: str) -> str:
    r"""Strip a cell: no outer blanks, no invisible marks, compatible characters as plain ones.

    Examples
    --------
    >>> tidy("\u00a0 7\u200b ")
    '7'
    """
    if not text.isascii():
        text = unicodedata.normalize("NFKC", text).translate(_INVISIBLE)
    return text.strip()


def plain(text: str) -> str:
    """Give the form in which words are compared: lower case, one blank between words, nothing else.

    Examples
    --------
    >>> plain("  Follow-Up_phase: "), plain("Ref.")
    ('follow up phase', 'ref')
    """
    return _APART.sub(" ", tidy(text).casefold()).strip()


def plain_missing(text: str) -> str:
    """Give the form in which a cell is compared with the words for "missing"."""
    return tidy(text).casefold()


@cache
def _by_header(table: str) -> dict[str, Field]:
    found: dict[str, Field] = {}
    for field in schema(table).fields.values():
        found.setdefault(plain(field.name), field)
    for field in schema(table).fields.values():
        for header in field.headers:
            found.setdefault(header, field)
    return found


def _missing(words: list[str]) -> frozenset[str]:
    return frozenset(plain_missing(word) for word in words)


def _names(entry: str | list[str]) -> tuple[str, ...]:
    return (entry,) if isinstance(entry, str) else tuple(entry)


def _field(entry: Mapping[str, Any], level: int) -> Field:
    limits = entry.get("constraints", {})
    enum = tuple(limits.get("enum", ()))
    words = {plain(value): value for value in enum}
    for value, synonyms in entry.get("rungwise:words", {}).items():
        words.update({plain(synonym): value for synonym in synonyms})
    if entry["type"] == "boolean":
        words = {plain_missing(word): "yes" for word in entry["trueValues"]}
        words |= {plain_missing(word): "no" for word in entry["falseValues"]}
    return Field(
        name=entry["name"],
        title=entry["title"],
        description=entry["description"],
        type=entry["type"],
        kind=entry.get("rungwise:kind", ""),
        required=limits.get("required", False),
        required_when=entry.get("rungwise:required_when", ""),
        enum=enum,
        words=words,
        signals={
            plain(word): signal
            for signal, listed in entry.get("rungwise:signals", {}).items()
            for word in listed
        },
        told=frozenset(plain(word) for word in entry.get("rungwise:told", ())),
        missing=_missing(entry["missingValues"]) if "missingValues" in entry else None,
        minimum=limits.get("minimum"),
        maximum=limits.get("maximum"),
        pattern=limits.get("pattern", ""),
        unit=entry.get("rungwise:unit", ""),
        default=entry.get("rungwise:default"),
        default_from=entry.get("rungwise:default_from", ""),
        headers=frozenset(
            plain(header) for header in (entry["name"], entry["title"], *entry.get("rungwise:synonyms", ()))
        ),
        example=str(entry.get("rungwise:example", "")),
        level=entry.get("rungwise:level", level),
    )
