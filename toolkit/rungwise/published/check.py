"""One outside value and our own beside it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

STANDINGS = (
    "read in print, or as quoted in print",
    "recomputed by two independent routes",
    "from memory of the source",
    "unconfirmed",
)


@dataclass(frozen=True)
class Check:
    """A value from outside, where it comes from, and how ours is obtained.

    Attributes
    ----------
    statistic : str
        Name of the statistic and of the quantity checked.
    example : str
        Data the value belongs to.
    source : str
        Paper, book, standard or data package, with page or example number where known.
    standing : str
        One of `STANDINGS`: how surely the outside value is known.
    published : float
        The outside value, with the digits it is printed with.
    ours : callable
        Computes our value.
    tolerance : float
        Half a unit of the last printed digit, unless `note` says why it is wider.
    note : str
        What explains a difference or a wider tolerance.
    """

    statistic: str
    example: str
    source: str
    standing: str
    published: float
    ours: Callable[[], float]
    tolerance: float
    note: str = ""

    def __post_init__(self) -> None:
        if self.standing not in STANDINGS:
            raise ValueError(f"standing must be one of {', '.join(STANDINGS)}; got {self.standing!r}.")

    def agrees(self) -> bool:
        """Say whether our value lies within the tolerance."""
        ours = self.ours()
        return not math.isnan(ours) and abs(ours - self.published) <= self.tolerance


def to_digits(
    statistic: str,
    example: str,
    source: str,
    standing: str,
    published: float,
    digits: int,
    ours: Callable[[], float],
    note: str = "",
) -> Check:
    """Give the check of a value printed with so many decimals, to half a unit of the last.

    Examples
    --------
    >>> to_digits("pi", "circle", "any table", STANDINGS[0], 3.142, 3, lambda: math.pi).agrees()
    True
    >>> to_digits("pi", "circle", "any table", STANDINGS[0], 3.142, 4, lambda: math.pi).agrees()
    False
    """
    return Check(statistic, example, source, standing, published, ours, 0.5 * 10.0**-digits, note)
