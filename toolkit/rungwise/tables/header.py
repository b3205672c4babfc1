"""Which row is the header, which table it is, and which column is which."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rungwise.tables.schema import TABLES, Schema, plain, schema

SEARCHED = 30


@dataclass(frozen=True)
class Header:
    """The header row of one table.

    Attributes
    ----------
    table : str
        Table whose columns it names.
    place : int
        Place of the header row among the rows looked at (from 0).
    names : tuple of str
        One name per column, as written; a name split over two rows is joined.
    split : bool
        True where two rows were read together.
    """

    table: str
    place: int
    names: tuple[str, ...]
    split: bool = False


def find_header(rows: Sequence[Sequence[str]], table: str | None) -> Header | None:
    """Find the header among the first rows.

    Parameters
    ----------
    rows : sequence of rows
        The first rows of the file, blank ones included.
    table : str or None
        The table, if the file's or sheet's name says it; otherwise the table is told by its columns.

    Returns
    -------
    Header or None
        None if no row names enough columns.

    Examples
    --------
    >>> found = find_header([["Fear log, spring"], [], ["Date", "Phase", "Fear (0-10)"]], None)
    >>> found.table, found.place
    ('ratings', 2)
    """
    if table is not None:
        return _best(rows, schema(table))
    best: Header | None = None
    best_score = 0.0
    for name in TABLES:
        # The lowest recording level comes first, and where it fits nothing else need be asked.
        found = _best(rows, schema(name))
        if found is None:
            continue
        known, lacking = _coverage(found.names, schema(name))
        filled = sum(1 for entry in found.names if entry.strip())
        if lacking or known < 2:
            continue
        # More columns known counts first, then how little of the file, and of the table, is left over.
        score = known + 0.5 * known / max(filled, 1) + 0.5 * known / len(schema(name).fields)
        if score > best_score:
            best, best_score = found, score
        if known == filled and name == "ratings":
            break
    return best


def known_columns(cells: Sequence[str], table: str | None) -> int:
    """Count the cells that name a column of the table, or of the table they fit best."""
    if table is not None:
        return _coverage(cells, schema(table))[0]
    return max(_coverage(cells, schema(name))[0] for name in TABLES)


def _coverage(names: Sequence[str], described: Schema) -> tuple[int, int]:
    """Count the columns named, and the required ones (with no default) that are not."""
    found = {field.name for name in names if name.strip() for field in [described.field_of(name)] if field}
    needed = {field.name for field in described.fields.values() if field.required and field.default is None}
    if described.name == "ratings":
        needed |= {"rating"} if found & {"date", "occasion"} else {"rating", "date"}
    return len(found), len(needed - found)


def _best(rows: Sequence[Sequence[str]], described: Schema) -> Header | None:
    best: Header | None = None
    most = 0
    for place, row in enumerate(rows[:SEARCHED]):
        known, _ = _coverage(row, described)
        filled = sum(1 for cell in row if cell.strip())
        if known > most and (known >= 2 or filled <= 2):
            best, most = Header(described.name, place, tuple(row)), known
        if place and any(cell.strip() for cell in rows[place - 1]):
            names = _joined(rows[place - 1], row, described)
            together, _ = _coverage(names, described)
            if together > most and together >= 2:
                best, most = Header(described.name, place, names, split=True), together
    if best is not None and not best.split and best.place + 1 < len(rows):
        below = [cell.strip() for cell in rows[best.place + 1] if cell.strip()]
        if below and all(cell.startswith("(") and cell.endswith(")") for cell in below):
            # A row of units or scales under the names.
            return Header(best.table, best.place + 1, best.names, split=True)
    return best


def _joined(above: Sequence[str], below: Sequence[str], described: Schema) -> tuple[str, ...]:
    """Join two header rows: a merged cell above spreads over the columns below it."""
    width = max(len(above), len(below))
    above = [*above, *[""] * (width - len(above))]
    below = [*below, *[""] * (width - len(below))]
    names = []
    over = ""
    for upper, lower in zip(above, below, strict=True):
        over = upper if upper.strip() else over
        if not lower.strip():
            names.append(upper)
        elif described.field_of(lower) is None and plain(over):
            names.append(f"{over} {lower}")
        else:
            names.append(lower)
    return tuple(names)
