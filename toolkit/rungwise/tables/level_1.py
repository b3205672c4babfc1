"""Rules between rows and tables of the lowest recording level."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

import numpy as np

from rungwise.basis.page_numbers import count_of
from rungwise.tables.draft import Draft
from rungwise.tables.groups import coded, firsts, grouped, in_order
from rungwise.tables.practice import Practice, Scale

ONE_CHILD = "child"
PHASE_ORDER = {"baseline": 0, "exposure": 1, "maintenance": 2, "follow_up": 3}
# All ratings of a child are refused, not single ones, when this many lie above the default scale.
OFF_SCALE_SHARE, OFF_SCALE_COUNT = 0.25, 3
# Share of ratings off the scale on either side from which they are no slips.
MOSTLY = 0.5
CHILDREN_NAMED = 5
# Phases in which a child may be seen after the program was closed.
AFTERWARDS = ("maintenance", "follow_up")


def check_rows(drafts: Mapping[str, Draft], practice: Practice) -> None:
    """Check what stands in one table."""
    ratings, children, phases = (drafts.get(name) for name in ("ratings", "children", "phases"))
    if ratings is not None:
        _times(ratings)
        _values(ratings)
        _directions(ratings, practice)
        _scales(ratings, practice)
        _one_phase_a_day(ratings)
    if children is not None:
        _entry_before_end(children)
    if phases is not None:
        _phase_starts(phases)


def check_tables(drafts: Mapping[str, Draft]) -> None:
    """Check what tables say about each other, and the course of every series."""
    ratings, children, phases = (drafts.get(name) for name in ("ratings", "children", "phases"))
    if children is not None:
        for name in ("ratings", "observations", "sessions", "incidents"):
            if name in drafts:
                _inside_program(drafts[name], children, phases)
    if ratings is not None:
        if phases is not None:
            _phases_agree(ratings, phases)
        _phase_order(ratings)
        _occasion_order(ratings)
        _raters(ratings)


def one_child(drafts: Mapping[str, Draft]) -> None:
    """Without a column of codes, ratings are about one child: the only one listed, or ``child``."""
    ratings, children = drafts.get("ratings"), drafts.get("children")
    if ratings is None:
        return
    codes = set() if children is None else {code for code in children.values["child_id"].tolist() if code}
    if ratings.has("child_id") or len(codes) > 1:
        return
    ratings.values["child_id"][:] = next(iter(codes), ONE_CHILD)
    ratings.blank["child_id"][:] = False


def fill_phases(drafts: Mapping[str, Draft]) -> None:
    """Where a rating names no phase, the table of phase starts says which it was."""
    ratings, phases = drafts.get("ratings"), drafts.get("phases")
    if ratings is None or phases is None or not ratings.blank["phase"].any():
        return
    blank = ratings.blank["phase"]
    expected = phases_by_start(ratings.values, phases.values, phases.sound)
    filled = blank & (expected != None)  # noqa: E711
    ratings.values["phase"][filled] = expected[filled]
    ratings.blank["phase"][filled] = False


def _times(ratings: Draft) -> None:
    """Every rating has a date or an occasion number; the rows of one child have the same kind."""
    if not ratings.has("date") and not ratings.has("occasion"):
        ratings.require_column("date")
        return
    sound = ratings.sound
    dated = ~np.isnat(ratings.values["date"])
    numbered = ~np.isnan(ratings.values["occasion"])
    for index in np.flatnonzero(sound & ~dated & ~numbered).tolist():
        ratings.tell("time_missing", index, "date" if ratings.has("date") else "occasion")
    series = _series(ratings)
    with_dates = np.zeros(int(series.max(initial=0)) + 1, dtype=bool)
    with_dates[series[sound & dated]] = True
    for index in np.flatnonzero(ratings.sound & ~dated & with_dates[series]).tolist():
        ratings.tell("time_mixed", index, "occasion")


def _values(ratings: Draft) -> None:
    """A rating, a decline, or neither; never both."""
    ratings.require_column("rating")
    rated = ~np.isnan(ratings.values["rating"])
    declined = ratings.values["declined"]
    said = declined == True  # noqa: E712
    word = ratings.signals["declined"]
    for index in np.flatnonzero(ratings.sound & rated & said).tolist():
        ratings.tell("rating_and_declined", index, "rating")
    denied = word & (declined == False) & ~ratings.blank["declined"]  # noqa: E712
    for index in np.flatnonzero(ratings.sound & denied).tolist():
        ratings.tell("decline_contradicted", index, "declined")
    declined[word] = True
    ratings.values["rating"][said | word] = np.nan
    empty = ratings.sound & ratings.blank["rating"] & ratings.present("rating") & ~said
    for index in np.flatnonzero(empty).tolist():
        ratings.tell("rating_blank", index, "rating")


def _directions(ratings: Draft, practice: Practice) -> None:
    """One outcome has one direction: the declared one, or the one most rows state."""
    better, outcome = ratings.values["better"], ratings.values["outcome"]
    stated = ~ratings.blank["better"]
    for name in sorted(set(outcome.tolist())):
        about = outcome == name
        counts = Counter(better[about & stated & ratings.sound].tolist())
        declared = practice.scales.get(name)
        usual = counts.most_common(1)[0][0] if counts else "lower"
        where = " in the other rows"
        if declared is not None:
            usual = declared.better
            where = " by practice.toml" if "scales" in practice.given else ""
        for index in np.flatnonzero(about & stated & ratings.sound & (better != usual)).tolist():
            ratings.tell("better_mixed", index, "better", other=usual, outcome=name, where=where)
        better[about & ~stated] = usual


def _scales(ratings: Draft, practice: Practice) -> None:
    """Ratings lie on their outcome's scale; where many do not, the scale itself is in doubt."""
    rating, outcome = ratings.values["rating"], ratings.values["outcome"]
    for name, scale in practice.scales.items():
        about = np.flatnonzero(ratings.sound & (outcome == name) & ~np.isnan(rating))
        off = about[(rating[about] < scale.minimum) | (rating[about] > scale.maximum)]
        if not len(off):
            continue
        if scale == Scale(0, 10, "lower") and "scales" not in practice.given:
            doubtful = _in_doubt(ratings, about, scale)
            if len(doubtful):
                within = doubtful[np.isin(doubtful, off)]
                first = int(within[0])
                count = f"{len(within)} of {len(doubtful)} ratings"
                facts = suggested_scale(float(rating[doubtful].min()), float(rating[doubtful].max()))
                facts["whose"] = "" if len(doubtful) == len(about) else f" ({_children(ratings, doubtful)})"
                ratings.tell("scale_undeclared", first, "rating", count=count, outcome=name, **facts)
                ratings.drop("scale_undeclared", [index for index in doubtful.tolist() if index != first])
                off = off[~np.isin(off, doubtful)]
        for index in off.tolist():
            low, high = f"{scale.minimum:g}", f"{scale.maximum:g}"
            ratings.tell("rating_off_scale", index, "rating", outcome=name, low=low, high=high)


def _in_doubt(ratings: Draft, about: np.ndarray, scale: Scale) -> np.ndarray:
    """Give the ratings whose scale is in doubt: all of a child's, or all where most children are concerned.

    Many ratings above the scale put the child's others in doubt (a 5 may be one of 100 points); some
    below it are slips, unless most are.
    """
    rating = ratings.values["rating"][about]
    child = coded(ratings.values["child_id"][about])
    above = rating > scale.maximum
    off = above | (rating < scale.minimum)
    total, n_above, n_off = (np.bincount(child, weights=which) for which in (above | True, above, off))
    doubtful = _many(n_above, n_off, total)
    if _many(above.sum(), off.sum(), len(about)):
        doubtful |= n_off > 0
    if 2 * doubtful.sum() > len(total):
        doubtful |= True
    return about[doubtful[child]]


def _children(ratings: Draft, rows: np.ndarray) -> str:
    codes = sorted(set(ratings.values["child_id"][rows].tolist()))
    more = f" and {len(codes) - CHILDREN_NAMED} more" if len(codes) > CHILDREN_NAMED else ""
    return ", ".join(codes[:CHILDREN_NAMED]) + more


def _many(above: Any, off: Any, total: Any) -> Any:
    shares = (above >= OFF_SCALE_SHARE * total) & (above >= OFF_SCALE_COUNT)
    return shares | ((off >= MOSTLY * total) & (off >= OFF_SCALE_COUNT))


def suggested_scale(low: float, high: float) -> dict[str, Any]:
    """Suggest ends of a scale that hold all ratings, for `scale_undeclared`.

    Examples
    --------
    >>> suggested_scale(5, 80)["ends"], suggested_scale(-6, -1)["ends"], suggested_scale(-3, 4)["ends"]
    ('minimum = 0, maximum = 100', 'minimum = -10, maximum = 0', 'minimum = -10, maximum = 10')
    """
    bottom = -_round_end(-low) if low < 0 else 0
    top = _round_end(high) if high > 0 else 0
    instead = "; if the minus signs are slips, remove them" if low < 0 else ""
    return {"ends": f"minimum = {bottom}, maximum = {top}", "instead": instead}


def _round_end(value: float) -> int:
    power = 10
    while power < value:
        power *= 10
    return power


def _one_phase_a_day(ratings: Draft) -> None:
    """One child is in one phase on one day of one ladder."""
    dated = np.flatnonzero(ratings.sound & ~np.isnat(ratings.values["date"]))
    if not len(dated):
        return
    days = grouped([ratings.values[name][dated] for name in ("child_id", "ladder_id", "date")])
    phase = ratings.values["phase"][dated]
    first = np.full(int(days.max()) + 1, -1)
    for place, day in enumerate(days.tolist()):
        if first[day] < 0:
            first[day] = place
    differs = phase != phase[first[days]]
    for day in sorted(set(days[differs].tolist())):
        indices = dated[days == day].tolist()
        for index in indices:
            here = ratings.values["phase"][index]
            other = next(i for i in indices if ratings.values["phase"][i] != here)
            ratings.tell(
                "two_phases_on_day",
                index,
                "phase",
                phase=_words(here),
                other_phase=_words(ratings.values["phase"][other]),
                other=ratings.place_in_words(other, index),
            )


def _phase_starts(phases: Draft) -> None:
    """No two phases of one child and ladder start on one day."""
    sound = np.flatnonzero(phases.sound)
    together: dict[tuple[str, str | None, np.datetime64], list[int]] = {}
    values = phases.values
    for index in sound.tolist():
        key = (values["child_id"][index], values["ladder_id"][index], values["starts_on"][index])
        together.setdefault(key, []).append(index)
    for indices in together.values():
        if len({values["phase"][index] for index in indices}) > 1:
            for index in indices:
                other = next(i for i in indices if values["phase"][i] != values["phase"][index])
                phases.tell(
                    "phase_start_twice",
                    index,
                    "starts_on",
                    other=phases.place_in_words(other, index),
                    other_phase=_words(values["phase"][other]),
                )


def _entry_before_end(children: Draft) -> None:
    entered, ended = children.values["entered_on"], children.values["ended_on"]
    for index in np.flatnonzero(children.sound & (ended < entered)).tolist():
        children.tell("end_before_entry", index, "ended_on", entered=str(entered[index]))


def _inside_program(draft: Draft, children: Draft, phases: Draft | None) -> None:
    """What is recorded for a child lies between entry and end of the program, or is a later check."""
    sound = children.sound
    codes = children.values["child_id"][sound].tolist()
    child = draft.grouped("child_id")
    first = firsts(child)
    bounds = []
    for name in ("entered_on", "ended_on"):
        given = dict(zip(codes, children.values[name][sound], strict=True))
        listed = [given.get(code, np.datetime64("NaT", "D")) for code in draft.values["child_id"][first]]
        bounds.append(np.array(listed, dtype="datetime64[D]")[child])
    starts, ends = bounds
    days = draft.values["date"]
    later = np.zeros(len(draft), dtype=bool)
    if "phase" in draft.values:
        later = np.isin(draft.values["phase"].astype(str), AFTERWARDS)
    elif phases is not None:
        checks = phases.sound & np.isin(phases.values["phase"].astype(str), AFTERWARDS)
        checked_from: dict[str, np.datetime64] = {}
        for code, day in zip(
            phases.values["child_id"][checks].tolist(), phases.values["starts_on"][checks], strict=True
        ):
            checked_from[code] = min(day, checked_from.get(code, day))
        since = [
            checked_from.get(code, np.datetime64("NaT", "D")) for code in draft.values["child_id"][first]
        ]
        later = days >= np.array(since, dtype="datetime64[D]")[child]
    for index in np.flatnonzero(draft.sound & (days < starts)).tolist():
        draft.tell("before_entry", index, "date", entered=str(starts[index]))
    for index in np.flatnonzero(draft.sound & (days > ends) & ~later).tolist():
        draft.tell("after_end", index, "date", ended=str(ends[index]))


def phases_by_start(
    values: Mapping[str, np.ndarray],
    phases: Mapping[str, np.ndarray],
    sound: np.ndarray | None = None,
    *,
    pairs: np.ndarray | None = None,
) -> np.ndarray:
    """Give the phase of every row by the table of phase starts; None where it does not say.

    A row's ladder counts if phases are given for it; otherwise those given for all ladders, or
    the child's only ladder there. Days before the first start are baseline.

    Parameters
    ----------
    values : Mapping of str to ndarray
        Columns ``child_id``, ``ladder_id`` and ``date`` of the rows asked about.
    phases : Mapping of str to ndarray
        Columns of the table `phases`.
    sound : ndarray of bool, optional
        Rows of `phases` that count; default all.
    pairs : ndarray of int, optional
        Groups of the rows asked about by child and ladder, if they are known already.
    """
    usable = ~np.isnat(phases["starts_on"]) & (phases["phase"] != None)  # noqa: E711
    usable &= True if sound is None else sound
    starts: dict[tuple[str, str | None], list[tuple[np.datetime64, str]]] = {}
    ladders: dict[str, list[tuple[str, str | None]]] = {}
    for child, ladder, day, phase in zip(
        *(phases[name][usable] for name in ("child_id", "ladder_id", "starts_on", "phase")), strict=True
    ):
        if (child, ladder) not in starts:
            ladders.setdefault(child, []).append((child, ladder))
        starts.setdefault((child, ladder), []).append((day, phase))
    expected = np.full(len(values["date"]), None, dtype=object)
    if not len(expected):
        return expected
    rows = grouped([values["child_id"], values["ladder_id"]]) if pairs is None else pairs
    order = np.argsort(rows, kind="stable")
    for indices in np.split(order, np.flatnonzero(np.diff(rows[order])) + 1):
        child, ladder = values["child_id"][indices[0]], values["ladder_id"][indices[0]]
        given_for = [pair for pair in ((child, ladder), (child, None)) if pair in starts]
        if not given_for and ladder is None and len(ladders.get(child, [])) == 1:
            given_for = ladders[child]
        if not given_for:
            continue
        given = sorted(starts[given_for[0]])
        days = values["date"][indices]
        at = np.searchsorted(np.array([day for day, _ in given], dtype="datetime64[D]"), days, side="right")
        named = np.array(["baseline", *(phase for _, phase in given)], dtype=object)[at]
        named[np.isnat(days)] = None
        expected[indices] = named
    return expected


def _phases_agree(ratings: Draft, phases: Draft) -> None:
    expected = phases_by_start(ratings.values, phases.values, phases.sound)
    phase = ratings.values["phase"]
    differs = ratings.sound & (expected != None) & (expected != phase)  # noqa: E711
    for index in np.flatnonzero(differs).tolist():
        facts = {"phase": _words(phase[index]), "other_phase": _words(expected[index])}
        ratings.tell("phase_contradicted", index, "phase", **facts)


def _phase_order(ratings: Draft) -> None:
    sound = np.flatnonzero(ratings.sound)
    if not len(sound):
        return
    series = grouped([ratings.values[name][sound] for name in ("child_id", "ladder_id")])
    rank = np.array([PHASE_ORDER[phase] for phase in ratings.values["phase"][sound].tolist()])
    order = in_order(series, _time(ratings)[sound], rank)
    back = (np.diff(series[order]) == 0) & (np.diff(rank[order]) < 0)
    for place in np.flatnonzero(back).tolist():
        here, before = sound[order[place + 1]], sound[order[place]]
        ratings.tell(
            "phase_backwards",
            int(here),
            "phase",
            phase=_words(ratings.values["phase"][here]),
            other_phase=_words(ratings.values["phase"][before]),
        )


def _occasion_order(ratings: Draft) -> None:
    both = np.flatnonzero(
        ratings.sound & ~np.isnat(ratings.values["date"]) & ~np.isnan(ratings.values["occasion"])
    )
    if not len(both):
        return
    series = _series(ratings)[both]
    occasion = ratings.values["occasion"][both]
    order = in_order(series, ratings.values["date"][both], occasion)
    back = (np.diff(series[order]) == 0) & (np.diff(occasion[order]) < 0)
    for place in np.flatnonzero(back).tolist():
        ratings.tell("occasion_order", int(both[order[place + 1]]), "occasion")


def _raters(ratings: Draft) -> None:
    """Ratings by different kinds of rater are never pooled; blanks are taken as the only kind named."""
    sound = np.flatnonzero(ratings.sound)
    named = ratings.values["rated_by"]
    if not len(sound) or ratings.blank["rated_by"].all():
        return
    series = _series(ratings)[sound]
    order = np.argsort(series, kind="stable")
    for places in np.split(order, np.flatnonzero(np.diff(series[order])) + 1):
        indices = sound[places]
        kinds = Counter(kind for kind in named[indices].tolist() if kind is not None)
        blank = [index for index in indices.tolist() if named[index] is None]
        child = str(ratings.values["child_id"][indices[0]])
        if len(kinds) == 1 and blank:
            used = next(iter(kinds))
            count = count_of(len(blank), "rating")
            one = len(blank) == 1
            facts = {"verb": "does" if one else "do", "taken": "it was taken" if one else "they were taken"}
            facts |= {"count": count, "child": child, "used": used}
            ratings.tell("rater_blank", blank[0], "rated_by", **facts)
            named[blank] = used
        elif len(kinds) + bool(blank) > 1:
            used = usual_rater(named[indices].tolist())
            other = next(index for index in indices.tolist() if named[index] != used)
            raters = ", ".join(
                f"{kind or 'not said'} {n}" for kind, n in Counter(named[indices].tolist()).items()
            )
            words = f"the {used}" if used else "a rater who is not named"
            ratings.tell("raters_mixed", other, "rated_by", child=child, raters=raters, used=words)


def usual_rater(raters: list[str | None]) -> str | None:
    """Give the kind of rater with most ratings; among equals, the one named first.

    Examples
    --------
    >>> usual_rater(["parent", "child", "child"])
    'child'
    """
    return Counter(raters).most_common(1)[0][0]


def _series(ratings: Draft) -> np.ndarray:
    return grouped([ratings.values[name] for name in ("child_id", "ladder_id", "outcome")])


def _time(ratings: Draft) -> np.ndarray:
    """Give days where there are dates, otherwise occasion numbers; one series has one kind."""
    dates = ratings.values["date"]
    days = dates.astype("int64").astype(float)
    return np.where(np.isnat(dates), ratings.values["occasion"], days)


def _words(phase: str) -> str:
    return phase.replace("_", "-")
