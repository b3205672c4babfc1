"""Codes that stand in a row or two and look like another code that stands in many: slips of the hand.

Looked for only where no table lists the codes; where one does, a slip is an unknown code. How few
is few, and what looks alike, is common practice, no source.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from rungwise.basis.page_numbers import count_of
from rungwise.tables.draft import Draft

FEW, MANY = 2, 5
# From this length on, one other letter in a word makes no other word.
LONG = 5
# Times the usual distance between a child's rows from which some are lacking.
HOLE = 1.5
_ALIKE = str.maketrans("01il", "olll")


@dataclass
class _Uses:
    """Where one code stands: how often, the first row, and the times (days or numbers) of its rows."""

    count: int = 0
    first: tuple[Draft, int] | None = None
    times: set[float] = field(default_factory=set)


def check_near_codes(drafts: Mapping[str, Draft], name: str, home: str) -> None:
    """Warn of codes that look like a slip for another one; no row is set aside.

    `home` names the table in which such codes may be listed.
    """
    uses = _uses(drafts, name)
    often = {code: use.count for code, use in uses.items() if use.count >= MANY}
    rare = [code for code, use in uses.items() if use.count <= FEW]
    if not often or not rare:
        return
    near = defaultdict(list)
    for code in often:
        for pattern in _patterns(code):
            near[pattern].append(code)
    for code in rare:
        found = Counter(
            other
            for pattern in _patterns(code)
            for other in near.get(pattern, ())
            if _slip(code, other) or (_one_apart(code, other) and _fills_a_gap(uses[code], uses[other]))
        )
        first = uses[code].first
        if found and first is not None:
            proper = max(found, key=lambda other: (_slip(code, other), often[other], other))
            draft, index = first
            draft.tell(
                "code_near",
                index,
                name,
                value=code,
                count=count_of(uses[code].count, "row"),
                proper=proper,
                home=home,
                many=count_of(often[proper], "row"),
            )


def _uses(drafts: Mapping[str, Draft], name: str) -> dict[str, _Uses]:
    uses: dict[str, _Uses] = defaultdict(_Uses)
    for draft in drafts.values():
        if name not in draft.values:
            continue
        indices = np.flatnonzero(draft.sound & (draft.values[name] != None))  # noqa: E711
        codes = draft.values[name][indices].tolist()
        counts = Counter(codes)
        for code, count in counts.items():
            uses[code].count += count
        times = _times(draft).tolist()
        for code, index in zip(codes, indices.tolist(), strict=True):
            use = uses[code]
            use.first = use.first or (draft, index)
            if times[index] == times[index]:
                use.times.add(times[index])
    return uses


def _times(draft: Draft) -> np.ndarray:
    """Give the day of each row, or the number of its occasion; NaN where neither is given."""
    if "date" not in draft.values:
        return np.full(len(draft), np.nan)
    days = draft.values["date"]
    numbers = draft.values["occasion"] if draft.name == "ratings" else np.full(len(draft), np.nan)
    return np.where(np.isnat(days), numbers, days.astype("int64").astype(float))


def _patterns(code: str) -> Iterator[str]:
    """Give texts that two codes share if they are alike or one character apart."""
    word = code.casefold()
    yield "=" + word.translate(_ALIKE)
    for place in range(len(word)):
        yield f"{word[:place]}\0{word[place + 1 :]}"
    for place in range(len(word) + 1):
        yield f"{word[:place]}\0{word[place:]}"


def _slip(code: str, other: str) -> bool:
    """Say whether a code can hardly be anything but the other one, mistyped.

    Examples
    --------
    >>> _slip("C0I4", "C014"), _slip("gangwey", "gangway"), _slip("C015", "C014"), _slip("N0014", "S0014")
    (True, True, False, False)
    """
    code, other = code.casefold(), other.casefold()
    if code.translate(_ALIKE) == other.translate(_ALIKE):
        return True
    is_word = not any(mark.isdigit() for mark in code + other)
    return is_word and min(len(code), len(other)) >= LONG and _one_apart(code, other)


def _one_apart(code: str, other: str) -> bool:
    """Say whether one character was changed, left out or added.

    Examples
    --------
    >>> _one_apart("C015", "C014"), _one_apart("C14", "C014"), _one_apart("C041", "C014")
    (True, True, False)
    """
    code, other = sorted((code.casefold(), other.casefold()), key=len)
    if len(other) - len(code) > 1:
        return False
    place = next((i for i, (a, b) in enumerate(zip(code, other, strict=False)) if a != b), len(code))
    return code[place + (len(code) == len(other)) :] == other[place + 1 :]


def _fills_a_gap(few: _Uses, many: _Uses) -> bool:
    """Say whether rows fall where the other code, by its own rhythm, lacks some.

    C015 may well be another child than C014; but a row of C015 alone, in the one week in which C014
    has none, is rather a slip.
    """
    there = sorted(many.times)
    if not few.times or few.times & many.times or len(there) < MANY:
        return False
    steps = np.diff(there)
    holes = [place for place, step in enumerate(steps) if step >= HOLE * np.median(steps)]
    return all(any(there[hole] < time < there[hole + 1] for hole in holes) for time in few.times)
