"""How much exposure a child was given: against the plan, and beside the child's progress."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.basis.estimate import Estimate
from rungwise.basis.page_numbers import count_of, format_number
from rungwise.ladders.trials import Trials, trials_of
from rungwise.series.caseload import Caseload
from rungwise.tables.level_1 import phases_by_start
from rungwise.tables.table import TableSet

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = (
    "child_id", "exposure_from", "exposure_to", "weeks", "probes_planned", "probes_done", "practice_days",
    "practice_trials", "contacts", "attended", "cancelled", "missed", "minutes", "minutes_missing",
)  # fmt: skip
MEASURES = {
    "minutes_per_week": "minutes of exposure a week",
    "practice_days_per_week": "practice days a week",
    "weeks": "weeks of exposure",
}
NOT_CAUSAL = (
    "A child who does well may come more often, or be done sooner; one who does badly may be given more or "
    "stay away. How much exposure goes with how much progress therefore does not say what more exposure "
    "would do."
)
FEWEST = 5
TOO_FEW = "Fewer than 5 children have both; an association of so few says nothing."
_WEEK = 7.0


def dose(tables: TableSet, *, child_id: str | None = None) -> pd.DataFrame:
    """Give what was planned and what was done while a child was in exposure.

    Exposure lasts from its start to the start of the next phase, to the end of the program, or to the
    child's last recorded day, whichever comes first; with several practiced ladders, from the first to the
    last of these days.

    Parameters
    ----------
    tables : TableSet
        With ``phases``; ``plans`` says how many probes were planned, ``observations`` what was done,
        ``sessions`` which contacts took place and how long exposure lasted.
    child_id : str, optional
        Only this child.

    Returns
    -------
    DataFrame
        One row per child whose exposure has begun, with the columns `COLUMNS`. A table that was not
        recorded leaves its columns NaN, never 0. ``probes_planned`` is the plan's number a week times
        weeks, over primary probe steps of practiced ladders; ``minutes`` adds up the contacts attended that
        have minutes, and ``minutes_missing`` counts those that have none.
    """
    import pandas as pd

    spans = exposure_spans(tables, child_id=child_id)
    trials = _by_child(trials_of(tables, child_id=child_id))
    plans = _plans(tables)
    contacts = _contacts_by_child(tables)
    by_child: dict[str, dict[str | None, tuple[np.datetime64, np.datetime64]]] = {}
    for (child, ladder), span in spans.items():
        by_child.setdefault(child, {})[ladder] = span
    rows = []
    for child, own in sorted(by_child.items()):
        first = min(begin for begin, _ in own.values())
        last = max(end for _, end in own.values())
        rows.append(
            {
                "child_id": child,
                "exposure_from": first,
                "exposure_to": last,
                "weeks": _weeks(first, last),
                **_probes(own, plans.get(child, []), None if trials is None else trials.get(child)),
                **_practice(first, last, trials, child),
                **_contacts(first, last, contacts, child),
            }
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def dose_sentences(row: Mapping[Any, Any]) -> list[str]:
    """Say in plain sentences what a row of `dose` holds.

    Examples
    --------
    >>> row = dict.fromkeys(COLUMNS, float("nan")) | {"weeks": 4.0, "probes_planned": 4, "probes_done": 3}
    >>> dose_sentences(row)
    ['Exposure lasted 4.0 weeks.', '3 of about 4 planned probes were made.']
    """
    sentences = [f"Exposure lasted {format_number(row['weeks'])} weeks."]
    if not np.isnan(row["probes_planned"]):
        planned = format_number(row["probes_planned"], 0)
        sentences.append(f"{int(row['probes_done'])} of about {planned} planned probes were made.")
    if not np.isnan(row["practice_days"]):
        trials = count_of(int(row["practice_trials"]), "practice trial")
        sentences.append(f"{trials} on {count_of(int(row['practice_days']), 'day')}.")
    if not np.isnan(row["contacts"]):
        sentences.append(
            f"Of {count_of(int(row['contacts']), 'planned contact')} {int(row['attended'])} took place, "
            f"{int(row['cancelled'])} were called off and {int(row['missed'])} missed."
        )
    if not np.isnan(row["minutes"]):
        missing = int(row["minutes_missing"])
        without = f"; {count_of(missing, 'contact')} had none recorded" if missing else ""
        a_week = format_number(row["minutes"] / row["weeks"], 0)
        sentences.append(f"About {a_week} minutes of exposure a week{without}.")
    return sentences


def dose_and_progress(caseload: Caseload) -> tuple[pd.DataFrame, tuple[Estimate, ...]]:
    """Set how much exposure children were given beside how far fear at the probe step came down.

    Parameters
    ----------
    caseload : Caseload
        With ``phases``, and ``sessions`` or ``observations``.

    Returns
    -------
    frame : DataFrame
        `dose` with the measures of `MEASURES` and ``nap``: the share of comparisons of an exposure with
        a baseline probe that came out better, averaged over practiced ladders.
    estimates : tuple of Estimate
        Spearman's rank correlation of each measure with NAP over children, without p or interval:
        `NOT_CAUSAL` must stand beside it.
    """
    from rungwise.ladders.probes import probe_contrasts

    frame = dose(caseload)
    by_child: dict[str, list[float]] = {}
    for one in probe_contrasts(caseload, outcome="fear"):
        if one.counted:
            by_child.setdefault(one.child_id, []).append(one.nap.value)
    frame["minutes_per_week"] = frame["minutes"] / frame["weeks"]
    frame["practice_days_per_week"] = frame["practice_days"] / frame["weeks"]
    frame["nap"] = [float(np.mean(by_child.get(child, [np.nan]))) for child in frame["child_id"]]
    return frame, tuple(
        _association(frame[name].to_numpy(dtype=float), frame["nap"].to_numpy(dtype=float), words)
        for name, words in MEASURES.items()
    )


def exposure_spans(
    tables: TableSet, *, child_id: str | None = None
) -> dict[tuple[str, str | None], tuple[np.datetime64, np.datetime64]]:
    """Give first and last day of exposure of each child's practiced ladder.

    Parameters
    ----------
    tables : TableSet
        With ``phases``.
    child_id : str, optional
        Only this child.

    Returns
    -------
    dict
        By child and ladder; the ladder is None where nothing names one.
    """
    if "phases" not in tables.tables:
        return {}
    phases = tables.tables["phases"]
    begins: dict[str, np.datetime64] = {}
    for child, day in zip(phases["child_id"].tolist(), phases["starts_on"], strict=True):
        begins[child] = min(day, begins.get(child, day))
    last_days = _last_days(tables)
    one_day = np.timedelta64(1, "D")
    asked = [
        (child, ladder, np.arange(begins[child], last_days[child] + one_day))
        for child, ladder in _pairs(tables)
        if (child_id is None or child == child_id) and child in begins and child in last_days
    ]
    if not asked:
        return {}
    lengths = [len(days) for *_, days in asked]
    names = [np.array([one[place] for one in asked], dtype=object) for place in (0, 1)]
    rows = {
        "child_id": np.repeat(names[0], lengths),
        "ladder_id": np.repeat(names[1], lengths),
        "date": np.concatenate([days for *_, days in asked]),
    }
    phase = np.split(phases_by_start(rows, phases.columns), np.cumsum(lengths)[:-1])
    spans = {}
    for (child, ladder, days), named in zip(asked, phase, strict=True):
        exposed = days[named == "exposure"]
        if len(exposed):
            spans[child, ladder] = (exposed[0], exposed[-1])
    return spans


def _pairs(tables: TableSet) -> list[tuple[str, str | None]]:
    """Name the practiced ladders of each child: planned as such, or else recorded."""
    if "plans" in tables.tables:
        plans = tables.tables["plans"]
        plans = plans.where(plans["trained"] != False)  # noqa: E712
        return list(
            dict.fromkeys(zip(plans["child_id"].tolist(), plans["ladder_id"].tolist(), strict=True))
        )
    name = "observations" if "observations" in tables.tables else "ratings"
    if name not in tables.tables:
        return []
    rows = tables.tables[name]
    return list(dict.fromkeys(zip(rows["child_id"].tolist(), rows["ladder_id"].tolist(), strict=True)))


def _last_days(tables: TableSet) -> dict[str, np.datetime64]:
    last: dict[str, np.datetime64] = {}
    for name in ("observations", "sessions", "ratings"):
        if name not in tables.tables:
            continue
        table = tables.tables[name]
        dates = table["date"]
        order = np.argsort(dates, kind="stable")
        order = order[~np.isnat(dates[order])]
        # In order of days, the last entry of a child is the one that stays.
        latest = dict(zip(table["child_id"][order].tolist(), dates[order], strict=True))
        for child, day in latest.items():
            if child not in last or day > last[child]:
                last[child] = day
    if "children" in tables.tables:
        children = tables.tables["children"]
        for child, day in zip(children["child_id"].tolist(), children["ended_on"], strict=True):
            if child in last and not np.isnat(day):
                last[child] = min(last[child], day)
    return last


def _weeks(first: np.datetime64, last: np.datetime64) -> float:
    return float((last - first).astype(int) + 1) / _WEEK


def _by_child(trials: Trials | None) -> dict[str, Trials] | None:
    if trials is None:
        return None
    begins = trials.begins("child_id").tolist()
    return {
        trials.child_id[begin]: trials.where(slice(begin, end))
        for begin, end in pairwise([*begins, len(trials)])
    }


def _contacts_by_child(
    tables: TableSet,
) -> dict[str, list[tuple[int, str, float]]] | None:
    """Give day (as a number), attendance and minutes of each child's planned contacts."""
    if "sessions" not in tables.tables:
        return None
    sessions = tables.tables["sessions"]
    found: dict[str, list[tuple[int, str, float]]] = {}
    columns = (
        sessions["child_id"], sessions["date"].astype(np.int64), sessions["attended"],
        sessions["exposure_minutes"],
    )  # fmt: skip
    for child, day, attended, minutes in zip(*(column.tolist() for column in columns), strict=True):
        found.setdefault(child, []).append((day, attended, minutes))
    return found


def _plans(tables: TableSet) -> dict[str, list[tuple[str, float, float]]]:
    """Give ladder, step and probes a week of each child's primary plans."""
    if "plans" not in tables.tables:
        return {}
    plans = tables.tables["plans"]
    plans = plans.where((plans["trained"] != False) & (plans["primary"] != False))  # noqa: E712
    names = ("child_id", "ladder_id", "probe_step", "planned_per_week")
    found: dict[str, list[tuple[str, float, float]]] = {}
    for child, *plan in zip(*(plans[name].tolist() for name in names), strict=True):
        if not np.isnan(plan[2]):
            found.setdefault(child, []).append((plan[0], plan[1], plan[2]))
    return found


def _probes(
    spans: Mapping[str | None, tuple[np.datetime64, np.datetime64]],
    plans: list[tuple[str, float, float]],
    trials: Trials | None,
) -> dict[str, float]:
    mine = [plan for plan in plans if plan[0] in spans]
    if not mine or trials is None:
        return {"probes_planned": float("nan"), "probes_done": float("nan")}
    planned, done = 0.0, 0
    for ladder, step, per_week in mine:
        first, last = spans[ladder]
        planned += per_week * _weeks(first, last)
        there = (trials.ladder_id == ladder) & (trials.kind == "probe") & (trials.step == step)
        done += len(np.unique(trials.day[there & (trials.day >= first) & (trials.day <= last)]))
    return {"probes_planned": planned, "probes_done": done}


def _practice(
    first: np.datetime64, last: np.datetime64, by_child: dict[str, Trials] | None, child: str
) -> dict[str, float]:
    if by_child is None:
        return {"practice_days": float("nan"), "practice_trials": float("nan")}
    if child not in by_child:
        return {"practice_days": 0, "practice_trials": 0}
    trials = by_child[child]
    there = (trials.kind == "practice") & (trials.day >= first) & (trials.day <= last)
    return {"practice_days": len(np.unique(trials.day[there])), "practice_trials": int(there.sum())}


def _contacts(
    first: np.datetime64,
    last: np.datetime64,
    by_child: dict[str, list[tuple[int, str, float]]] | None,
    child: str,
) -> dict[str, float]:
    if by_child is None:
        names = ("contacts", "attended", "cancelled", "missed", "minutes", "minutes_missing")
        return dict.fromkeys(names, float("nan"))
    begin, end = first.astype(int), last.astype(int)
    there = [one for one in by_child.get(child, []) if begin <= one[0] <= end]
    minutes = [one[2] for one in there if one[1] == "yes"]
    known = [one for one in minutes if not math.isnan(one)]
    return {
        "contacts": len(there),
        "attended": len(minutes),
        "cancelled": sum(one[1] == "cancelled" for one in there),
        "missed": sum(one[1] == "missed" for one in there),
        "minutes": float(sum(known)) if known else float("nan"),
        "minutes_missing": len(minutes) - len(known),
    }


def _ranks(values: np.ndarray) -> np.ndarray:
    """Give ranks from 1 on, equal values the mean of theirs."""
    _, which, n = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(n)
    return (last - (n - 1) / 2)[which]


def _association(amount: np.ndarray, progress: np.ndarray, words: str) -> Estimate:
    both = ~np.isnan(amount) & ~np.isnan(progress)
    n = int(both.sum())
    value = float("nan")
    cautions = [NOT_CAUSAL]
    if n < FEWEST:
        cautions.append(TOO_FEW)
    elif np.ptp(amount[both]) > 0 and np.ptp(progress[both]) > 0:
        value = float(np.corrcoef(_ranks(amount[both]), _ranks(progress[both]))[1, 0])
    return Estimate(
        "Spearman's rho",
        value,
        n=n,
        counts={"children": n},
        method=f"rank correlation of {words} with NAP over children",
        cautions=tuple(cautions),
    )
