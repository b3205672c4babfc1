"""Rows of one child's ratings, and the rows of a page's table."""

from __future__ import annotations

from datetime import date

HEADER = "child_id,ladder_id,date,phase,rating,declined,outcome,rated_by\n"


def ratings(child, start=date(2026, 3, 2), n=8, by="therapist", ladder="gangway", outcome="fear"):
    return [
        f"{child},{ladder},{date.fromordinal(start.toordinal() + 7 * i)},"
        f"{'baseline' if i < 3 else 'exposure'},{max(9 - i, 0)},,{outcome},{by}"
        for i in range(n)
    ]


def rows_of(block, read_page):
    """Give a block's table rows as dictionaries of heading to text."""
    cells = [e for e in read_page(block.html).elements if "data-label" in e.attributes]
    rows = []
    for cell in cells:
        if cell.tag == "th":
            rows.append({})
        rows[-1][cell.attributes["data-label"]] = cell.text.replace("\N{NO-BREAK SPACE}", " ")
    return rows
