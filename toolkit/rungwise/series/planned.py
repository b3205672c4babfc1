"""The planned ratings of a caseload, from whichever tables hold them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from rungwise.tables.level_1 import phases_by_start
from rungwise.tables.practice import Practice
from rungwise.tables.table import Table

FEAR = "fear"
COLUMNS = (
    "child_id", "ladder_id", "probe_step", "date", "occasion", "trial", "phase", "rating", "declined",
    "outcome", "better", "rated_by", "trained", "primary", "floor", "ceiling",
)  # fmt: skip


def planned_ratings(tables: Mapping[str, Table], practice: Practice) -> Table:
    """Gather the planned ratings: rows of `ratings`, and probes of `observations`.

    A probe's rating is its fear peak, or its fear before, as the practice's ``primary_rating``
    says; a declined probe has none. Its phase is that of `phases` on its day; probes of a ladder
    for which no phases are given belong to no series. Where both tables record fear for one
    child's ladder, the probes count (the checks warn where the two differ).

    Returns
    -------
    Table
        With the columns `COLUMNS`; `rows` and `sources` say where each rating stands.
    """
    probes = _probes(tables, practice)
    ratings = _level_1(tables.get("ratings"), practice)
    if probes is None or ratings is None:
        return ratings or probes or _stacked([])
    probed = set(zip(probes["child_id"].tolist(), probes["ladder_id"].tolist(), strict=True))
    pairs = zip(ratings["child_id"].tolist(), ratings["ladder_id"].tolist(), strict=True)
    twice = np.array([pair in probed for pair in pairs], dtype=bool) & (ratings["outcome"] == FEAR)
    return _stacked([ratings.where(~twice), probes])


def _level_1(ratings: Table | None, practice: Practice) -> Table | None:
    if ratings is None:
        return None
    n = len(ratings)
    columns = {name: ratings[name] for name in COLUMNS if name in ratings.columns}
    columns["probe_step"] = np.full(n, np.nan)
    columns["declined"] = ratings["declined"].astype(bool)
    columns["trained"] = np.ones(n, dtype=bool)
    columns["primary"] = np.ones(n, dtype=bool)
    floors = np.full(n, np.nan)
    ceilings = np.full(n, np.nan)
    for outcome, scale in practice.scales.items():
        about = ratings["outcome"] == outcome
        floors[about], ceilings[about] = scale.minimum, scale.maximum
    columns["floor"], columns["ceiling"] = floors, ceilings
    return Table("planned", {name: columns[name] for name in COLUMNS}, ratings.rows, ratings.sources)


def _probes(tables: Mapping[str, Table], practice: Practice) -> Table | None:
    observations, phases = tables.get("observations"), tables.get("phases")
    if observations is None or phases is None:
        return None
    probes = observations.where(observations["kind"] == "probe")
    phase = phases_by_start(probes.columns, phases.columns)
    probes, phase = probes.where(phase != None), phase[phase != None]  # noqa: E711
    n = len(probes)
    if not n:
        return None
    declined = probes["outcome"] == "declined"
    rating = probes[f"fear_{practice.primary_rating}"]
    columns = {name: probes[name] for name in ("child_id", "ladder_id", "date", "trial", "rated_by")}
    columns["probe_step"] = probes["step"]
    columns["occasion"] = np.full(n, np.nan)
    columns["phase"] = phase
    columns["rating"] = np.where(declined, np.nan, rating)
    columns["declined"] = declined.astype(bool)
    columns["outcome"] = np.full(n, FEAR, dtype=object)
    columns["better"] = np.full(n, "lower", dtype=object)
    columns |= _as_planned(probes, tables.get("plans"), practice)
    return Table("planned", {name: columns[name] for name in COLUMNS}, probes.rows, probes.sources)


def _as_planned(probes: Table, plans: Table | None, practice: Practice) -> dict[str, np.ndarray]:
    """Say of every probe what its plan says; a probe without a plan is trained, on the practice's scale."""
    scale = practice.scales[FEAR]
    known: dict[tuple[str, str, float], tuple[bool, bool, float, float]] = {}
    if plans is not None:
        names = (
            "child_id",
            "ladder_id",
            "probe_step",
            "trained",
            "primary",
            "fear_minimum",
            "fear_maximum",
        )
        for child, ladder, step, *plan in zip(*(plans[name].tolist() for name in names), strict=True):
            known[child, ladder, step] = (bool(plan[0]), bool(plan[1]), plan[2], plan[3])
    unplanned = (True, True, scale.minimum, scale.maximum)
    keys = zip(*(probes[name].tolist() for name in ("child_id", "ladder_id", "step")), strict=True)
    found = [known.get(key, unplanned) for key in keys]
    trained, primary, low, high = zip(*found, strict=True)
    return {
        "trained": np.array(trained, dtype=bool),
        "primary": np.array(primary, dtype=bool),
        "floor": np.array(low, dtype=float),
        "ceiling": np.array(high, dtype=float),
    }


def _stacked(tables: list[Table]) -> Table:
    if not tables:
        empty = np.zeros(0, dtype=object)
        return Table("planned", dict.fromkeys(COLUMNS, empty), np.zeros(0, dtype=np.int64), empty)
    return Table(
        "planned",
        {name: np.concatenate([table[name] for table in tables]) for name in COLUMNS},
        np.concatenate([table.rows for table in tables]),
        np.concatenate([table.sources for table in tables]),
    )
