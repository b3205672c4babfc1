"""Rules that every table's own schema sets: required cells, defaults, keys, codes, dates gone by."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import date

import numpy as np

from rungwise.basis.page_numbers import count_of
from rungwise.tables.draft import Draft
from rungwise.tables.groups import grouped
from rungwise.tables.schema import plain, tidy

LONG_AGO = np.timedelta64(60 * 365, "D")
# Columns in which one entry often stands for the rows below it.
FILLED_DOWN = ("child_id", "ladder_id", "phase", "date", "measure_id", "kind")
_PAST = ("date", "starts_on", "recorded_on", "referred_on", "entered_on", "ended_on", "set_on", "done_on")


def require(draft: Draft) -> None:
    """Set aside rows that lack something required; a column that is not there is told once."""
    for name, field in draft.schema.fields.items():
        if not field.required:
            continue
        draft.require_column(name)
        lacking = draft.blank[name] & draft.present(name)
        runs = _runs(draft, name, lacking) if name in FILLED_DOWN and lacking.any() else {}
        for index in np.flatnonzero(lacking).tolist():
            draft.tell("required_blank", index, name, title=field.title, run=runs.get(index, ""))


def _runs(draft: Draft, name: str, lacking: np.ndarray) -> dict[int, str]:
    """Say of several blanks below a filled cell, as merged cells leave them, that it may be filled down.

    A run ends where another child or another file begins.
    """
    found: dict[int, str] = {}
    child = np.full(len(draft), None, dtype=object)
    if name != "child_id":
        child = draft.values.get("child_id", child)
    lacks = lacking.tolist()
    first = 0
    while first < len(lacks):
        above = first - 1
        last = above
        while (
            last + 1 < len(lacks)
            and lacks[last + 1]
            and above >= 0
            and draft.sources[last + 1] == draft.sources[above]
            and child[last + 1] == child[above]
        ):
            last += 1
        if last > first:
            text = f"; if it is {draft.shown(name, above)} as in row {draft.rows[above]}, fill down rows "
            found.update(
                dict.fromkeys(range(first, last + 1), f"{text}{draft.rows[first]}-{draft.rows[last]}")
            )
        first = max(last, first) + 1
    return found


def fill_defaults(draft: Draft) -> None:
    """Put the schema's default where a cell is blank; `Draft.blank` still says that it was."""
    for name, field in draft.schema.fields.items():
        blank = draft.blank[name]
        if field.default is not None:
            draft.values[name][blank] = field.default
        elif field.default_from:
            draft.values[name][blank] = draft.values[field.default_from][blank]


def check_days(draft: Draft, today: date) -> None:
    """Set aside rows with a date after today, and warn of days no child of today was there to see."""
    limit = np.datetime64(today, "D")
    for name in _PAST:
        if name not in draft.values:
            continue
        days = draft.values[name]
        for index in np.flatnonzero(days > limit).tolist():
            draft.tell("date_future", index, name, today=today.isoformat())
        old = np.flatnonzero(draft.sound & (days < limit - LONG_AGO))
        if len(old):
            draft.tell("date_long_ago", int(old[0]), name, count=count_of(len(old), "row"))


def respell(drafts: Iterable[Draft], name: str, home: Draft | None) -> None:
    """Bring codes that differ only in case or blanks to one spelling, and say so.

    The spelling is that of the `home` table where there is one, otherwise the most frequent.
    """
    drafts = [draft for draft in drafts if name in draft.values]
    counts: Counter[str] = Counter()
    for draft in drafts if home is None else [home]:
        counts.update(code for code in draft.values[name].tolist() if code is not None)
    spelling: dict[str, str] = {}
    for code, _ in counts.most_common():
        spelling.setdefault(code.casefold(), code)
    for draft in drafts:
        _respell(draft, name, counts, spelling)


def unify_labels(draft: Draft) -> None:
    """Bring words that differ only in case or blanks to their most frequent spelling."""
    for name, field in draft.schema.fields.items():
        if field.kind != "label" or draft.blank[name].all():
            continue
        counts = Counter(draft.values[name].tolist())
        del counts[None]
        usual: dict[str, str] = {}
        for word, _ in counts.most_common():
            usual.setdefault(plain(word), word)
        changed = {word: usual[plain(word)] for word in counts if usual[plain(word)] != word}
        for word, proper in changed.items():
            draft.values[name][draft.values[name] == word] = proper


def unique_keys(draft: Draft) -> None:
    """Set aside rows that repeat another one, and rows about the same thing that differ."""
    key = draft.schema.key
    sound = np.flatnonzero(draft.sound)
    if not key or not len(sound):
        return
    group = grouped([draft.values[name][sound] for name in key])
    sizes = np.bincount(group)
    if sizes.max() == 1:
        return
    twice = np.flatnonzero(sizes[group] > 1)
    together: dict[int, list[int]] = {}
    for place in twice.tolist():
        together.setdefault(int(group[place]), []).append(int(sound[place]))
    named = [name for name in key if draft.has(name) or not draft.blank[name].all()]
    nouns = [_noun(draft.schema.fields[name].title) for name in named]
    what = " and ".join([", ".join(nouns[:-1]), nouns[-1]] if len(nouns) > 1 else nouns)
    apart = ", or tell them apart by trial" if "trial" in key else ""
    for indices in together.values():
        first = indices[0]
        rest = [index for index in indices[1:] if not _same_row(draft, first, index)]
        for index in indices[1:]:
            if index not in rest:
                draft.tell("row_repeated", index, other=draft.place_in_words(first, index))
        for index, other in [(first, rest[0]), *((index, first) for index in rest)] if rest else []:
            draft.tell(
                "key_repeated",
                index,
                named[0],
                other=draft.place_in_words(other, index),
                what=what,
                apart=apart,
            )


def _noun(title: str) -> str:
    """Say what a column is about.

    Examples
    --------
    >>> _noun("Child code"), _noun("Rated by"), _noun("Starts on")
    ('child', 'rater', 'first day')
    """
    title = title.lower().removesuffix(" code")
    return {"rated by": "rater", "rater": "observer", "starts on": "first day"}.get(title, title)


def _respell(draft: Draft, name: str, known: Counter[str], spelling: dict[str, str]) -> None:
    written = {text for _, column in draft.written(name) for text in column.texts}
    for start, column in draft.written(name):
        for place, text in enumerate(column.texts):
            code = tidy(text)
            proper = code if code in known else spelling.get(code.casefold())
            # Outer blanks alone are told only where the code also stands without them.
            if (
                proper is None
                or proper == text
                or (proper == code and code not in written and code in known)
            ):
                continue
            at = start + np.flatnonzero(column.codes == place)
            if draft.values[name][at[0]] is None:
                continue
            draft.values[name][at] = proper
            draft.tell(
                "code_respelled",
                int(at[0]),
                name,
                value=text,
                proper=proper,
                count=count_of(len(at), "row"),
            )


def _same_row(draft: Draft, one: int, other: int) -> bool:
    return all(tidy(draft.text(name, one)) == tidy(draft.text(name, other)) for name in draft.schema.fields)
