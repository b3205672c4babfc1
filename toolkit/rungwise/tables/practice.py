"""The practice's own settings, read from ``practice.toml``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rungwise.tables.findings import Findings

COMMON = "common practice, no source"
BETTER = ("lower", "higher")

# Where each default comes from.
SOURCES = {
    "label": "no name was given",
    "primary_rating": COMMON,
    "alpha": COMMON,
    "margin": COMMON,
    "mastery": COMMON,
    "horizon_days": COMMON,
    "quarter_start_month": "the calendar year",
    "minimum_baseline": "three points a phase is the least that single-case design standards accept; "
    + COMMON,
    "minimum_exposure": COMMON,
    "sharing_threshold": COMMON,
    "date_order": "day and month are not guessed",
    "scales": "0-10 fear ratings are " + COMMON,
    "criteria": "none unless the practice sets them",
}


@dataclass(frozen=True)
class Scale:
    """Ends of a rating scale and the direction that is better for the child."""

    minimum: float
    maximum: float
    better: str = "lower"


@dataclass(frozen=True)
class Mastery:
    """When a step counts as mastered: ratings at most this high on so many occasions in a row."""

    rating_at_most: float = 3.0
    occasions_in_a_row: int = 2


@dataclass(frozen=True)
class Criterion:
    """One audit criterion: what share is aimed at, and which exceptions are allowed.

    Attributes
    ----------
    target : float
        Share aimed at, 0 to 1.
    direction : {"at_least", "at_most"}
    exceptions : tuple of str
        Allowed exceptions, in words.
    source : str
        Where the standard comes from.
    """

    target: float
    direction: str = "at_least"
    exceptions: tuple[str, ...] = ()
    source: str = COMMON


@dataclass(frozen=True)
class Practice:
    """Settings that every report names, with where each comes from.

    Attributes
    ----------
    label : str
        Name the practice goes by in its reports.
    primary_rating : {"peak", "before"}
        Which fear rating of a probe is the primary one (default peak).
    alpha : float
        Two-sided level of significance (default .05).
    margin : float
        "About the same" means a change smaller than this many rating points, surely (default 1).
    mastery : Mastery
        Default: ratings of at most 3 on 2 occasions in a row.
    horizon_days : int
        Days from the start of exposure after which an outcome is due (default 84).
    quarter_start_month : int
        First month of quarter 1 (default 1).
    minimum_baseline, minimum_exposure : int
        Occasions below which nothing is said about a child (default 3 and 5).
    sharing_threshold : int
        Counts below this are suppressed in the edition for sharing (default 5).
    date_order : {"", "day_first", "month_first"}
        How entries such as 03/04/2026 are read; default: not at all, unless the file settles it.
    scales : Mapping[str, Scale]
        Scale of each outcome; ``fear`` defaults to 0-10, lower is better.
    criteria : Mapping[str, Criterion]
        Audit criteria by the name of what they measure.
    given : frozenset of str
        Names of the settings that the file set; all others are defaults.

    Examples
    --------
    >>> Practice().scales["fear"].maximum, Practice().source_of("alpha")
    (10, 'default: common practice, no source')
    """

    label: str = "Unnamed practice"
    primary_rating: str = "peak"
    alpha: float = 0.05
    margin: float = 1.0
    mastery: Mastery = Mastery()
    horizon_days: int = 84
    quarter_start_month: int = 1
    minimum_baseline: int = 3
    minimum_exposure: int = 5
    sharing_threshold: int = 5
    date_order: str = ""
    scales: Mapping[str, Scale] = field(default_factory=lambda: {"fear": Scale(0, 10, "lower")})
    criteria: Mapping[str, Criterion] = field(default_factory=dict)
    given: frozenset[str] = frozenset()

    def source_of(self, setting: str) -> str:
        """Say where a setting comes from: the practice's file, or a default and its source."""
        return "practice.toml" if setting in self.given else f"default: {SOURCES[setting]}"

    def settings(self) -> tuple[tuple[str, Any, str], ...]:
        """Give every setting with its value and where it comes from."""
        names = [entry.name for entry in fields(self) if entry.name != "given"]
        return tuple((name, getattr(self, name), self.source_of(name)) for name in names)


def read_practice(content: bytes, source: str, findings: Findings) -> Practice:
    """Read ``practice.toml``; what is wrong in it is reported and replaced by the default.

    Examples
    --------
    >>> from rungwise.tables.findings import Findings
    >>> read_practice(b'label = "Harbor"', "practice.toml", Findings()).given
    frozenset({'label'})
    """
    import tomllib

    try:
        entries = tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError:
        findings.add("practice_unreadable", source, reason="the file is not UTF-8 text")
        return Practice()
    except tomllib.TOMLDecodeError as error:
        findings.add("practice_unreadable", source, reason=str(error))
        return Practice()
    reading = _Reading(source, findings)
    given = reading.simple(entries, "", _SETTINGS, {"mastery", "scales", "criteria"})
    if "mastery" in entries:
        mastery = reading.table(entries["mastery"], "mastery", _MASTERY)
        if mastery:
            given["mastery"] = Mastery(**mastery)
    scales = dict(Practice().scales)
    for name, entry in reading.tables(entries, "scales"):
        scale = reading.table(entry, f"scales.{name}", _SCALE, needed=("minimum", "maximum"))
        if scale and scale["minimum"] < scale["maximum"]:
            scales[name.casefold()] = Scale(**scale)
            given["scales"] = scales
        elif scale:
            reading.wrong(f"scales.{name}", "a scale whose maximum is above its minimum", "no scale", entry)
    for name, entry in reading.tables(entries, "criteria"):
        criterion = reading.table(entry, f"criteria.{name}", _CRITERION, needed=("target",))
        if criterion:
            given["criteria"] = {**given.get("criteria", {}), name: Criterion(**criterion)}
    return Practice(**given, given=frozenset(given))


def _number(low: float, high: float, *, open_ends: bool = False) -> Callable[[Any], Any]:
    def read(value: Any) -> float | None:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            return None
        inside = low < value < high if open_ends else low <= value <= high
        return float(value) if inside else None

    return read


def _whole(low: int, high: int) -> Callable[[Any], Any]:
    def read(value: Any) -> int | None:
        return value if type(value) is int and low <= value <= high else None

    return read


def _word(*allowed: str) -> Callable[[Any], Any]:
    return lambda value: value if value in allowed else None


def _text(value: Any) -> str | None:
    return value.strip() if isinstance(value, str) and 0 < len(value.strip()) <= 120 else None


def _texts(value: Any) -> tuple[str, ...] | None:
    if not isinstance(value, list) or not all(isinstance(entry, str) for entry in value):
        return None
    return tuple(value)


# What each setting may be, in words, and how it is read.
_Settings = Mapping[str, tuple[str, Callable[[Any], Any]]]
_SETTINGS: _Settings = {
    "label": ("a text of at most 120 characters", _text),
    "primary_rating": ('"peak" or "before"', _word("peak", "before")),
    "alpha": ("a number between 0 and 0.5", _number(0, 0.5, open_ends=True)),
    "margin": ("a number of 0 or more", _number(0, 1e9)),
    "horizon_days": ("a whole number from 7 to 3650", _whole(7, 3650)),
    "quarter_start_month": ("a whole number from 1 to 12", _whole(1, 12)),
    "minimum_baseline": ("a whole number from 1 to 100", _whole(1, 100)),
    "minimum_exposure": ("a whole number from 1 to 100", _whole(1, 100)),
    "sharing_threshold": ("a whole number from 2 to 100", _whole(2, 100)),
    "date_order": ('"day_first" or "month_first"', _word("day_first", "month_first")),
}
_MASTERY: _Settings = {
    "rating_at_most": ("a number", _number(-1e9, 1e9)),
    "occasions_in_a_row": ("a whole number from 1 to 100", _whole(1, 100)),
}
_SCALE: _Settings = {
    "minimum": ("a number", _number(-1e9, 1e9)),
    "maximum": ("a number", _number(-1e9, 1e9)),
    "better": ('"lower" or "higher"', _word(*BETTER)),
}
_CRITERION: _Settings = {
    "target": ("a share from 0 to 1", _number(0, 1)),
    "direction": ('"at_least" or "at_most"', _word("at_least", "at_most")),
    "exceptions": ("a list of texts", _texts),
    "source": ("a text of at most 120 characters", _text),
}


@dataclass(frozen=True)
class _Reading:
    """Reads tables of settings and reports what is wrong with them."""

    source: str
    findings: Findings

    def simple(
        self, entries: Mapping[str, Any], prefix: str, known: _Settings, tables: frozenset[str] | set[str]
    ) -> dict[str, Any]:
        read: dict[str, Any] = {}
        for name, value in entries.items():
            if name in tables:
                continue
            if name not in known:
                from rungwise.tables.cells import nearest

                hint = nearest(name, [*known, *tables])
                self.findings.add(
                    "setting_unknown", self.source, column=prefix + name, name=prefix + name, hint=hint
                )
                continue
            allowed, convert = known[name]
            converted = convert(value)
            if converted is None:
                self.wrong(prefix + name, allowed, _default(prefix, name), value)
            else:
                read[name] = converted
        return read

    def table(
        self, entry: Any, name: str, known: _Settings, needed: tuple[str, ...] = ()
    ) -> dict[str, Any] | None:
        """Read one table of settings; None if it is none, or lacks something needed."""
        if not isinstance(entry, dict):
            self.wrong(name, f"a table with {', '.join(known)}", "no such table", entry)
            return None
        read = self.simple(entry, name + ".", known, set())
        lacking = [key for key in needed if key not in read and key not in entry]
        if lacking:
            self.wrong(name, f"given with {' and '.join(lacking)}", "no such table", "")
        return None if any(key not in read for key in needed) else read

    def tables(self, entries: Mapping[str, Any], name: str) -> list[tuple[str, Any]]:
        """Give the tables below a name."""
        below = entries.get(name, {})
        if not isinstance(below, dict):
            self.wrong(name, f"tables such as [{name}.fear]", "none", below)
            return []
        return list(below.items())

    def wrong(self, name: str, allowed: str, default: str, value: Any) -> None:
        self.findings.add(
            "setting_value",
            self.source,
            column=name,
            name=name,
            value=str(value),
            allowed=allowed,
            default=default,
        )


def _default(prefix: str, name: str) -> str:
    home: Any = {"": Practice, "mastery.": Mastery}.get(prefix)
    if home is None:
        return "none"
    value = getattr(home(), name)
    return f'"{value}"' if isinstance(value, str) else str(value)
