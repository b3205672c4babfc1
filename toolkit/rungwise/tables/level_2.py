"""Rules between rows and tables that record ladders, plans and single trials."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from rungwise.basis.page_numbers import count_of
from rungwise.tables.draft import Draft
from rungwise.tables.groups import firsts, grouped
from rungwise.tables.level_1 import phases_by_start
from rungwise.tables.practice import Practice, Scale

FEAR = ("fear_before", "fear_peak", "fear_end")
PAIR = ("child_id", "ladder_id")


def check_rows(drafts: Mapping[str, Draft], practice: Practice) -> None:
    """Check what stands in one table, and ratings against the scale of their child."""
    plans = drafts.get("plans")
    if "ladders" in drafts:
        _steps(drafts["ladders"])
    if plans is not None:
        _own_scales(plans, practice)
        _ordered(plans, "fear_minimum", "fear_maximum", "limits_upside_down")
        _ordered(plans, "window_opens", "window_closes", "window_upside_down")
        _one_primary(plans)
    if "observations" in drafts:
        _trials(drafts["observations"])
        _on_scale(drafts["observations"], plans, practice)
    if "agreement" in drafts:
        _on_scale(drafts["agreement"], plans, practice)


def check_tables(drafts: Mapping[str, Draft], practice: Practice) -> None:
    """Check trials against plans and phases, and what is recorded twice."""
    observations, plans, phases = (drafts.get(name) for name in ("observations", "plans", "phases"))
    if plans is not None and phases is not None:
        _starts_in_window(phases, plans)
    if observations is None or not len(observations):
        return
    _probes_as_planned(observations, plans)
    _probes_in_phases(observations, phases)
    if "ratings" in drafts:
        _recorded_alike(drafts["ratings"], observations, practice)


def _steps(ladders: Draft) -> None:
    """Steps of a ladder are numbered 1, 2, 3 without gaps; rows set aside still fill their place."""
    by_ladder: dict[str, list[tuple[float, int]]] = {}
    named = zip(ladders.values["ladder_id"].tolist(), ladders.values["step"].tolist(), strict=True)
    for index, (ladder, step) in enumerate(named):
        if ladder is not None and step == step:
            by_ladder.setdefault(ladder, []).append((step, index))
    for ladder, steps in by_ladder.items():
        before = 0.0
        for step, index in sorted(steps):
            if step > before + 1:
                words = f"{before:g}" if before else "nothing"
                ladders.tell(
                    "steps_not_consecutive", index, "step", owner=ladder, before=words, step=f"{step:g}"
                )
            before = step


def _own_scales(plans: Draft, practice: Practice) -> None:
    """A plan without its own scale has the practice's scale of fear."""
    scale = practice.scales["fear"]
    plans.values["fear_minimum"][plans.blank["fear_minimum"]] = scale.minimum
    plans.values["fear_maximum"][plans.blank["fear_maximum"]] = scale.maximum


def _ordered(draft: Draft, low: str, high: str, code: str) -> None:
    lower, upper = draft.values[low], draft.values[high]
    wrong = lower > upper if lower.dtype.kind == "M" else lower >= upper
    for index in np.flatnonzero(draft.sound & wrong).tolist():
        shown = str(lower[index])
        draft.tell(code, index, high, opens=shown, low=shown, high=f"{upper[index]}")


def _one_primary(plans: Draft) -> None:
    """One probe step of a child's ladder is the one the answer rests on."""
    first: dict[tuple[str, str], int] = {}
    for index in np.flatnonzero(plans.sound & (plans.values["primary"] == True)).tolist():  # noqa: E712
        pair = (plans.values["child_id"][index], plans.values["ladder_id"][index])
        if first.setdefault(pair, index) != index:
            plans.tell("primary_twice", index, "primary", other=plans.place_in_words(first[pair], index))
            plans.values["primary"][index] = False


def _trials(observations: Draft) -> None:
    """A declined trial has no peak; a tried one should have, not below the fear at its end."""
    values, sound = observations.values, observations.sound
    declined = values["outcome"] == "declined"
    peak, end = values["fear_peak"], values["fear_end"]
    for index in np.flatnonzero(sound & declined & ~np.isnan(peak)).tolist():
        observations.tell("peak_and_declined", index, "fear_peak")
    peak[declined] = np.nan
    if observations.has("fear_peak"):
        blank = sound & ~declined & np.isnan(peak) & observations.present("fear_peak")
        for index in np.flatnonzero(blank).tolist():
            observations.tell("peak_blank", index, "fear_peak")
    for index in np.flatnonzero(sound & (end > peak)).tolist():
        observations.tell("peak_too_low", index, "fear_peak", end=f"{end[index]:g}")
    recorded, day = values["recorded_on"], values["date"]
    for index in np.flatnonzero(sound & (recorded < day)).tolist():
        observations.tell("recorded_before", index, "recorded_on", day=str(day[index]))


def _on_scale(draft: Draft, plans: Draft | None, practice: Practice) -> None:
    """Ratings of fear lie on the scale of the child's plan, or of the practice."""
    if not len(draft):
        return
    own: dict[tuple[str, str], Scale] = {}
    if plans is not None:
        columns = (*PAIR, "fear_minimum", "fear_maximum")
        sound = plans.sound
        for child, ladder, low, high in zip(*(plans.values[name][sound] for name in columns), strict=True):
            own.setdefault((child, ladder), Scale(float(low), float(high)))
    pairs = draft.grouped(*PAIR)
    first = firsts(pairs)
    scales = [
        own.get((child, ladder), practice.scales["fear"])
        for child, ladder in zip(*(draft.values[name][first] for name in PAIR), strict=True)
    ]
    lowest = np.array([scale.minimum for scale in scales])[pairs]
    highest = np.array([scale.maximum for scale in scales])[pairs]
    for name in FEAR:
        if name not in draft.values:
            continue
        fear = draft.values[name]
        for index in np.flatnonzero(draft.sound & ((fear < lowest) | (fear > highest))).tolist():
            home = "plans" if plans is not None else "practice.toml"
            low, high = f"{lowest[index]:g}", f"{highest[index]:g}"
            draft.tell("fear_off_scale", index, name, low=low, high=high, home=home)


def _starts_in_window(phases: Draft, plans: Draft) -> None:
    """Exposure starts inside the window that was fixed for it."""
    windows: dict[tuple[str, str], tuple[np.datetime64, np.datetime64]] = {}
    columns = (*PAIR, "window_opens", "window_closes")
    for child, ladder, opens, closes in zip(
        *(plans.values[name][plans.sound] for name in columns), strict=True
    ):
        if not (np.isnat(opens) or np.isnat(closes)):
            windows.setdefault((child, ladder), (opens, closes))
    seen: set[tuple[str, str]] = set()
    starts = phases.values["starts_on"]
    for index in np.flatnonzero(phases.sound & (phases.values["phase"] == "exposure")).tolist():
        pair = (phases.values["child_id"][index], phases.values["ladder_id"][index])
        window = windows.get(pair)
        if window is None or pair in seen:
            continue
        seen.add(pair)
        if not window[0] <= starts[index] <= window[1]:
            opens, closes = map(str, window)
            phases.tell("start_outside_window", index, "starts_on", opens=opens, closes=closes)


def _probes_as_planned(observations: Draft, plans: Draft | None) -> None:
    """A probe is made at a step planned for the child's ladder, where every plan for it is sound."""
    probes = observations.sound & (observations.values["kind"] == "probe")
    if plans is None or not probes.any():
        return
    planned: dict[tuple[str, str], set[float]] = {}
    doubtful = set(zip(*(plans.values[name][plans.bad].tolist() for name in PAIR), strict=True))
    for child, ladder, step in zip(*(plans.values[n].tolist() for n in (*PAIR, "probe_step")), strict=True):
        planned.setdefault((child, ladder), set()).add(step)
    trials = observations.grouped(*PAIR, "step")
    first = firsts(trials)
    entries = list(
        zip(*(observations.values[name][first].tolist() for name in (*PAIR, "step")), strict=True)
    )
    elsewhere = np.array(
        [e[:2] in planned and e[:2] not in doubtful and e[2] not in planned[e[:2]] for e in entries]
    )
    for index in np.flatnonzero(probes & elsewhere[trials]).tolist():
        steps = " or ".join(f"{step:g}" for step in sorted(planned[entries[trials[index]][:2]]))
        observations.tell("probe_elsewhere", index, "step", planned=steps)
    _each_pair(
        observations, probes & np.array([e[:2] not in planned for e in entries])[trials], "probe_unplanned"
    )


def _probes_in_phases(observations: Draft, phases: Draft | None) -> None:
    """Every probe stands in a phase, and nothing is practiced before exposure starts."""
    kind = observations.values["kind"]
    probes = observations.sound & (kind == "probe")
    if phases is None:
        _each_pair(observations, probes, "phase_unknown")
        return
    phase = phases_by_start(
        observations.values, phases.values, phases.sound, pairs=observations.grouped(*PAIR)
    )
    _each_pair(observations, probes & (phase == None), "phase_unknown")  # noqa: E711
    tried = observations.sound & (kind == "practice") & (observations.values["outcome"] != "declined")
    for index in np.flatnonzero(tried & (phase == "baseline")).tolist():
        observations.tell("practice_in_baseline", index, "date")


def _recorded_alike(ratings: Draft, observations: Draft, practice: Practice) -> None:
    """Where ratings and probes record the same planned occasions, they say the same."""
    probes = observations.sound & (observations.values["kind"] == "probe")
    columns = (*PAIR, "date", "outcome", f"fear_{practice.primary_rating}")
    said: dict[tuple[str, str], set[tuple[object, float | None]]] = {}
    for child, ladder, day, outcome, fear in zip(
        *(observations.values[name][probes].tolist() for name in columns), strict=True
    ):
        said.setdefault((child, ladder), set()).add((day, None if outcome == "declined" else fear))
    unlike = np.zeros(len(ratings), dtype=bool)
    about = ratings.sound & (ratings.values["outcome"] == "fear")
    columns = (*PAIR, "date", "declined", "rating")
    entries = zip(*(ratings.values[name].tolist() for name in columns), strict=True)
    for index, (child, ladder, day, declined, rating) in enumerate(entries):
        if about[index] and (child, ladder) in said and (declined or rating == rating):
            unlike[index] = (day, None if declined else rating) not in said[child, ladder]
    _each_pair(ratings, unlike, "recorded_unlike", "rating")


def _each_pair(draft: Draft, concerned: np.ndarray, code: str, name: str = "ladder_id") -> None:
    """Tell one problem for every child's ladder concerned, at its first row."""
    rows = np.flatnonzero(concerned)
    if not len(rows):
        return
    pairs = grouped([draft.values[name][rows] for name in PAIR])
    sizes = np.bincount(pairs)
    for pair, place in enumerate(firsts(pairs).tolist()):
        index = int(rows[place])
        count = count_of(int(sizes[pair]), "row")
        child, ladder = (draft.values[name][index] for name in PAIR)
        draft.tell(code, index, name, child=child, ladder=ladder or "no named ladder", count=count)
