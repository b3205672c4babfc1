"""The list of all outside values with ours beside them."""

from __future__ import annotations

import pkgutil
from importlib import import_module
from typing import TYPE_CHECKING

import rungwise.published
from rungwise.published.check import Check

if TYPE_CHECKING:
    import pandas as pd

_NOT_TOPICS = ("check", "listing")


def topics() -> tuple[str, ...]:
    """Name the topics that have outside values."""
    found = (module.name for module in pkgutil.iter_modules(rungwise.published.__path__))
    return tuple(sorted(name for name in found if name not in _NOT_TOPICS))


def checks(topic: str) -> tuple[Check, ...]:
    """Give the outside values of one topic."""
    return import_module(f"rungwise.published.{topic}").CHECKS


def published_checks(topic: str | None = None) -> pd.DataFrame:
    """List every outside value, where it comes from, how surely it is known, and ours.

    Parameters
    ----------
    topic : str, optional
        One of `topics()`; all by default.

    Returns
    -------
    DataFrame
        One row per value: topic, statistic, example, source, standing, outside (the value from
        outside; where the standing is "recomputed", the source gives data or formula, and not every
        digit is printed there), ours, agrees, note.

    Examples
    --------
    >>> table = published_checks("intervals")
    >>> bool(table["agrees"].all())
    True
    """
    import pandas as pd

    rows = [
        {
            "topic": name,
            "statistic": check.statistic,
            "example": check.example,
            "source": check.source,
            "standing": check.standing,
            "outside": check.published,
            "ours": check.ours(),
            "agrees": check.agrees(),
            "note": check.note,
        }
        for name in ([topic] if topic else topics())
        for check in checks(name)
    ]
    return pd.DataFrame(rows)
