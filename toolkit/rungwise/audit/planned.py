"""The planned ratings that the children's answers rest on."""

from __future__ import annotations

from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import numpy as np

from rungwise.series.caseload import Caseload
from rungwise.series.planned import FEAR
from rungwise.tables.level_1 import usual_rater

if TYPE_CHECKING:
    import pandas as pd

_KNOWN: WeakKeyDictionary[Caseload, pd.DataFrame] = WeakKeyDictionary()


def planned_ratings(caseload: Caseload) -> pd.DataFrame:
    """Give the planned ratings of all children: child_id, ladder_id, day, phase, declined, usable.

    Of a child with several outcomes, the ratings of fear where there are any; of a series rated by
    several kinds of rater, those of the usual one; of several probe steps, those of the primary one;
    no ratings of ladders that are only probed, unless the child has no other. These are the ratings that
    the child's answer rests on.
    """
    ratings = _KNOWN.get(caseload)
    if ratings is None:
        ratings = _KNOWN[caseload] = _planned_ratings(caseload)
    return ratings.copy(deep=False)


def _planned_ratings(caseload: Caseload) -> pd.DataFrame:
    import pandas as pd

    planned = caseload.planned
    fear = planned["outcome"] == FEAR
    rated_for_fear = set(planned["child_id"][fear])
    planned = planned.where(fear | ~_among(planned["child_id"], rated_for_fear))
    trained = planned["trained"].astype(bool)
    planned = planned.where(trained | ~_among(planned["child_id"], set(planned["child_id"][trained])))
    declined = planned["declined"].astype(bool)
    ratings = pd.DataFrame(
        {
            "child_id": planned["child_id"],
            "ladder_id": [ladder or "" for ladder in planned["ladder_id"]],
            "day": planned["date"].astype("datetime64[D]"),
            "phase": planned["phase"],
            "declined": declined,
            "usable": declined | ~np.isnan(planned["rating"].astype(float)),
            "outcome": planned["outcome"],
            "rater": [kind or "" for kind in planned["rated_by"]],
            "primary": planned["primary"].astype(bool),
        }
    )
    keys = ["child_id", "ladder_id", "outcome"]
    if not ratings["primary"].all():
        any_primary = ratings.groupby(keys)["primary"].transform("any")
        ratings = ratings[ratings["primary"] | ~any_primary].reset_index(drop=True)
    columns = ["child_id", "ladder_id", "day", "phase", "declined", "usable"]
    return ratings.loc[_by_usual_rater(ratings), columns]


def _among(entries: np.ndarray, wanted: set[str]) -> np.ndarray:
    return np.fromiter(map(wanted.__contains__, entries.tolist()), dtype=bool, count=len(entries))


def _by_usual_rater(ratings: pd.DataFrame) -> np.ndarray:
    """Mask of the ratings given by the usual kind of rater of their series."""
    keys = ["child_id", "ladder_id", "outcome"]
    usual = np.ones(len(ratings), dtype=bool)
    kinds = ratings[[*keys, "rater"]].drop_duplicates()
    several = kinds[kinds.duplicated(keys)].drop_duplicates(keys)[keys]
    if several.empty:
        return usual
    mixed = ratings.merge(several, on=keys, how="left", indicator=True)["_merge"].to_numpy() == "both"
    for _, raters in ratings[mixed].groupby(keys, sort=False)["rater"]:
        usual[raters.index] = raters == (usual_rater([kind or None for kind in raters]) or "")
    return usual


def only_probed(caseload: Caseload) -> set[tuple[str, str]]:
    """Child and ladder of the ladders that are probed and never practiced, beside one that is."""
    planned = caseload.planned
    ladders = [ladder or "" for ladder in planned["ladder_id"]]
    pairs = list(zip(planned["child_id"].tolist(), ladders, planned["trained"].tolist(), strict=True))
    trained = {(child, ladder) for child, ladder, practiced in pairs if practiced}
    practice = {child for child, _ in trained}
    return {(child, ladder) for child, ladder, _ in pairs if child in practice} - trained
