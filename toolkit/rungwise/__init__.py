"""Outcome research for graded-exposure programs.

Public names are imported when first used, so that ``import rungwise`` and the command line stay
quick. The map below is the whole public surface.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOMES: dict[str, str] = {
    "Estimate": "basis.estimate",
    "Estimates": "basis.estimate",
    "RungwiseError": "basis.errors",
    "DataProblems": "basis.errors",
    "NotEnoughData": "basis.errors",
    "PhaseSeries": "series.phase_series",
    "SeriesBatch": "series.batch",
}

__all__ = list(_HOMES)


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'rungwise' has no attribute {name!r}")
    value = getattr(import_module(f"rungwise.{home}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return __all__
