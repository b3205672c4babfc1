"""Whether some numbers of the scale were preferred when ratings were given."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.audit.cohort import Cohort
from rungwise.audit.wording import percent
from rungwise.basis.distributions import SMALLEST
from rungwise.basis.page_numbers import format_p
from rungwise.series.caseload import Caseload

if TYPE_CHECKING:
    import pandas as pd

# Ratings at the number looked at and its neighbors, or of a kind of rater, below which nothing is said
# (common practice, no source).
FEWEST = 30
# Scales longer than this are looked at for round tens, shorter ones for their middle (design choice).
SHORT = 20
CLEAR = 0.01
COLUMNS = ["rated_by", "ratings", "looked_at", "count", "of", "expected_share", "share", "p_value"]


def digit_preference(caseload: Caseload, cohort: Cohort) -> pd.DataFrame:
    """Count ratings at the numbers people like, by kind of rater, in the quarter.

    On a short scale such as 0 to 10 the middle is held against its two neighbors: without a liking for
    the middle it gets about a third of the three. On a long scale such as 0 to 100 the round tens are
    held against a tenth. A preference blurs small changes; it is no reproach to anyone.

    Returns
    -------
    DataFrame
        ``rated_by, ratings, looked_at, count, of, expected_share, share, p_value``: one row per kind of
        rater and scale; p is exact binomial and one-sided, and takes ratings as independent, which
        those of one child are not, so that it is too small. NaN share where `of` is below `FEWEST`.
    """
    import pandas as pd

    planned = caseload.planned
    day = planned["date"].astype("datetime64[D]")
    keep = (day >= np.datetime64(cohort.quarter.first, "D")) & (day <= np.datetime64(cohort.as_of, "D"))
    keep &= ~np.isnan(planned["rating"].astype(float))
    keep &= ~np.isnan(planned["floor"].astype(float)) & ~np.isnan(planned["ceiling"].astype(float))
    planned = planned.where(keep)
    frame = pd.DataFrame(
        {
            "rated_by": [kind or "not recorded" for kind in planned["rated_by"]],
            "rating": planned["rating"].astype(float),
            "floor": planned["floor"].astype(float),
            "ceiling": planned["ceiling"].astype(float),
        }
    )
    rows = []
    key: Any
    for key, part in frame.groupby(["rated_by", "floor", "ceiling"]):
        kind, floor, ceiling = key
        rating, middle = part["rating"].to_numpy(), (floor + ceiling) / 2
        if ceiling - floor > SHORT:
            count, of, one_in = int((rating % 10 == 0).sum()), len(rating), 10
            looked_at = "round tens"
        else:
            near = np.abs(rating - middle) <= 1
            count, of, one_in = int((rating == middle).sum()), int(near.sum()), 3
            looked_at = f"{middle:g}, of {middle - 1:g} to {middle + 1:g}"
        enough = of >= FEWEST
        share = count / of if enough else math.nan
        p = at_least(count, of, one_in) if enough else math.nan
        rows.append((kind, len(part), looked_at, count, of, 1 / one_in, share, p))
    return pd.DataFrame(rows, columns=COLUMNS)


def at_least(count: int, of: int, one_in: int) -> float:
    """Give the binomial probability of at least `count` where each has a chance of 1 in `one_in`.

    Counted in whole numbers, so that the last digit is right, and never 0.

    Examples
    --------
    >>> round(at_least(2, 3, 2), 3)
    0.5
    """
    below = 2 * count < of
    first, end = (0, count) if below else (count, of + 1)
    ways = math.comb(of, first) * (one_in - 1) ** (of - first)
    total = 0
    for hits in range(first, end):
        total += ways
        ways = ways * (of - hits) // ((hits + 1) * (one_in - 1))
    every = one_in**of
    return max((every - total if below else total) / every, SMALLEST)


def about_digits(table: pd.DataFrame) -> tuple[str, ...]:
    """Say where a preference is clear, that none is, or that too few ratings were given to say."""
    if table.empty:
        return ()
    known = table[table["share"].notna()]
    if known.empty:
        return (f"Too few ratings near the middle of the scale (fewer than {FEWEST}) to see a preference.",)
    clear = known[known["p_value"] < CLEAR]
    if clear.empty:
        return ("No clear preference for the middle of the scale or for round numbers was seen.",)
    rows: list[Any] = list(clear.itertuples(index=False))
    return tuple(
        f"Ratings by {row.rated_by}: {row.looked_at}, {percent(row.share)} where about "
        f"{percent(row.expected_share)} would be expected without a preference (one-sided exact p "
        f"{format_p(row.p_value)}, ratings taken as independent)."
        for row in rows
    )
