"""The rule of the verdict: from the answers to three questions to one code."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rungwise.basis.errors import check_between
from rungwise.basis.estimate import Estimates
from rungwise.series.batch import SeriesBatch

# The order is the order of every page and table.
VERDICTS = {
    "fell_beyond_baseline": "fell, beyond the baseline's own course",
    "fell_baseline_may_explain": "fell, but the baseline may explain it",
    "fell_short_baseline": "fell; the baseline cannot say why",
    "no_clear_change": "no clear change",
    "about_the_same": "stayed about the same",
    "rose": "rose",
    "too_few": "too few to say",
    "no_room": "no room to fall",
}
FELL = ("fell_beyond_baseline", "fell_baseline_may_explain", "fell_short_baseline")

# A baseline this close to the best end leaves nothing to show: 2 points of a scale from 0 to 10, and as
# large a share of any other rating scale (common practice, no source). Ends further apart than this are
# limits of a measured quantity, of which it is not asked.
ROOM = 0.2
WIDEST_RATING_SCALE = 100.0
# A margin wider than this share of the scale calls real changes "about the same" (design choice).
WIDEST_MARGIN = 0.2


@dataclass(frozen=True)
class Rule:
    """The settings of the verdict, as the practice fixed them beforehand.

    Attributes
    ----------
    alpha : float
        Two-sided level of significance.
    margin : float
        Rating points of the scale in use; a change surely smaller than this is "about the same". The
        default fits a scale from 0 to 10; a caution says where it does not fit the child's.
    minimum_baseline, minimum_exposure : int
        Fewer usable occasions than this say nothing.
    """

    alpha: float = 0.05
    margin: float = 1.0
    minimum_baseline: int = 3
    minimum_exposure: int = 5

    def __post_init__(self) -> None:
        check_between("alpha", self.alpha, 0, 1)
        for name in ("margin", "minimum_baseline", "minimum_exposure"):
            value = getattr(self, name)
            if not isinstance(value, (int, float)) or not value >= 0:
                raise ValueError(f"{name} must be a number of 0 or more; got {value!r}.")


@dataclass(frozen=True, eq=False)
class Answers:
    """The three questions answered for many series: what `decide` decides on.

    Attributes
    ----------
    improved : ndarray of bool
        Question (a), two-sided at the level set.
    worsened : ndarray of bool
        Question (a) the other way, one-sided at the level set: to miss a child who is getting worse
        costs more than to look twice at one who is not.
    falling : ndarray of bool
        Question (b): the baseline itself was improving.
    beyond : ndarray of bool
        Question (c).
    same : ndarray of bool
        The interval of the difference lies inside the margin.
    enough : ndarray of bool
        The lengths and ties could have shown a change.
    room : ndarray of bool
        The baseline left room to improve.
    """

    improved: np.ndarray
    worsened: np.ndarray
    falling: np.ndarray
    beyond: np.ndarray
    same: np.ndarray
    enough: np.ndarray
    room: np.ndarray


def decide(answers: Answers) -> np.ndarray:
    """Turn the answers into verdict codes; the first line that holds decides.

    A rise is said before "no room to fall": a child at the floor of the scale can still get worse.
    """
    lines = {
        "too_few": ~answers.enough,
        "rose": answers.worsened,
        "no_room": ~answers.room,
        "fell_beyond_baseline": answers.improved & answers.beyond,
        "fell_baseline_may_explain": answers.improved & answers.falling,
        "fell_short_baseline": answers.improved,
        "about_the_same": answers.same,
    }
    return np.select(list(lines.values()), list(lines), default="no_clear_change").astype(object)


def words_of(code: str, *, lower: bool = True) -> str:
    """Give a verdict in words, turned round where higher ratings are better.

    Examples
    --------
    >>> words_of("no_room"), words_of("rose", lower=False)
    ('no room to fall', 'fell')
    """
    words = VERDICTS[code]
    if lower:
        return words
    if code == "rose":
        return "fell"
    return words.replace("fell", "rose").replace("to fall", "to rise")


def surely_better(change: Estimates, sign: np.ndarray, alpha: float) -> np.ndarray:
    """Mask of the series whose change, in data units, is on the better side of 0 at the level set.

    The same series as those whose interval lies wholly on that side.
    """
    with np.errstate(invalid="ignore"):
        return (change.p_value <= alpha) & (np.sign(change.value) == sign)


def inside(difference: Estimates, margin: float) -> np.ndarray:
    """Mask of the series whose interval lies inside the margin on both sides."""
    return (difference.ci_low > -margin) & (difference.ci_high < margin)


def is_constant(batch: SeriesBatch) -> np.ndarray:
    """Mask of the series in which every rating is the same and nothing was declined."""
    low = np.where(np.isnan(batch.values), np.inf, batch.values).min(axis=1, initial=np.inf)
    high = np.where(np.isnan(batch.values), -np.inf, batch.values).max(axis=1, initial=-np.inf)
    return (low == high) & ~batch.declined.any(axis=1)


def no_room(batch: SeriesBatch) -> np.ndarray:
    """Mask of the series whose baseline median lies within `ROOM` of the scale from its best end."""
    places = np.arange(batch.values.shape[1])
    worst = np.where(batch.sign < 0, np.inf, -np.inf)
    values = np.where(batch.declined, worst[:, None], batch.values)
    best = np.where(batch.sign < 0, batch.floor, batch.ceiling)
    full = np.zeros(len(batch), dtype=bool)
    for n in sorted(set(batch.n_a[batch.n_a > 0].tolist())):
        rows = batch.n_a == n
        middle = _median(np.where(places < n, values, np.nan)[rows][:, :n])
        with np.errstate(invalid="ignore"):
            width = (batch.ceiling - batch.floor)[rows]
            full[rows] = (np.abs(middle - best[rows]) <= ROOM * width) & (width <= WIDEST_RATING_SCALE)
    return full


def _median(values: np.ndarray) -> np.ndarray:
    """Row medians in which an infinite (declined) middle stays infinite."""
    ordered = np.sort(values, axis=1)
    n = values.shape[1]
    low, high = ordered[:, (n - 1) // 2], ordered[:, n // 2]
    return np.where(low == high, low, (low + high) / 2)
