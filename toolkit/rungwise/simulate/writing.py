"""Simulated tables as files a practice could have typed."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np


def csv_text(rows: Iterable[Mapping[str, Any]]) -> str:
    r"""Write rows as comma-separated text with a header; the same rows give the same text.

    Examples
    --------
    >>> csv_text([{"date": date(2026, 9, 1), "rating": None, "declined": True}])
    'date,rating,declined\n2026-09-01,,yes\n'
    """
    rows = list(rows)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    if rows:
        writer.writerow(rows[0].keys())
    for row in rows:
        writer.writerow(_cell(value) for value in row.values())
    return out.getvalue()


def write_tables(tables: Mapping[str, Iterable[Mapping[str, Any]]], folder: str | Path) -> None:
    """Write one CSV file per table into an existing folder."""
    for name, rows in tables.items():
        Path(folder, f"{name}.csv").write_text(csv_text(rows), encoding="utf-8", newline="\n")


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(float(value))
    return str(value)
