"""Places to write in: boxes, tick boxes and the rows of a table, each bearing the column it fills.

``data-field`` names the table and column; ``data-value`` what a tick in this box means.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

from rungwise.reports.catalog import Words
from rungwise.tables.schema import Field, schema

ENGLISH = Words("en", {})

# Words that each get a column of boxes of their own, because they are ticked in every row.
SPREAD = ("outcome",)
# What a sheet is for is printed on it, not chosen.
PRINTED = ("kind",)


def box(table: str, name: str, value: str = "", *, only: Sequence[str] = (), say: Words = ENGLISH) -> str:
    """Make a labeled place for something written once on a sheet.

    Parameters
    ----------
    table, name : str
        Column it fills.
    value : str
        What is known already: printed, or ticked.
    only : sequence of str
        Of the column's words, those offered; default all.
    say : Words
        Language; in another than English the title of the workbook stands beside.
    """
    field = schema(table).fields[name]
    title = f'<span class="title">{_title(field, say)}</span>'
    words = [word for word in field.enum if word in only or not only]
    if words and name not in PRINTED:
        inside = f'<span class="options">{options(table, field, words, value, say=say)}</span>'
        return f'<div class="box ticks {name}">{title}{inside}</div>'
    return (
        f'<div class="box {name}">{title}'
        f'<span class="line" data-field="{table}.{name}">{escape(say.sentence(value))}</span></div>'
    )


def options(
    table: str, field: Field, words: Sequence[str], chosen: str = "", *, say: Words = ENGLISH
) -> str:
    """Make one tick box for each word."""
    return "".join(
        f'<span class="option">{_tick(table, field.name, word, word == chosen)}{_shown(word, say)}</span>'
        for word in words
    )


def table(
    name: str,
    columns: Mapping[str, float],
    rows: Sequence[Mapping[str, str]],
    *,
    head: float,
    row: float,
    hints: Mapping[str, str],
    strong: str = "",
    activity: float = 0.0,
    say: Words = ENGLISH,
) -> str:
    """Make the table of a sheet.

    Parameters
    ----------
    name : str
        Table its rows are typed into.
    columns : Mapping[str, float]
        Columns, in the order of the schema, with their relative widths.
    rows : sequence of Mapping
        For each row what is printed in it already, by column; ``activity`` for the words of a step.
    head, row : float
        Heights in mm.
    hints : Mapping[str, str]
        A few words under the titles.
    strong : str
        Column set apart because the answer rests on it.
    activity : float
        Relative width of the words of the step, after its number; 0 for none.
    say : Words
        Language.
    """
    fields = {column: schema(name).fields[column] for column in columns}
    widths: list[float] = []
    titles, words = [], []
    spread = any(column in SPREAD for column in columns)
    over = ' rowspan="2"' if spread else ""
    for column, field in fields.items():
        if column in SPREAD:
            widths += [columns[column] / len(field.enum)] * len(field.enum)
            titles.append(f'<th class="group" colspan="{len(field.enum)}">{_title(field, say)}</th>')
            words += [
                f'<th scope="col" class="choice{_edge(place, field)}">{_shown(word, say)}</th>'
                for place, word in enumerate(field.enum)
            ]
            continue
        widths.append(columns[column])
        hint = (
            f'<span class="plain">{escape(say.sentence(hints[column]))}</span>' if hints.get(column) else ""
        )
        kind = ' class="primary"' if column == strong else ' class="yes"' if field.type == "boolean" else ""
        titles.append(f'<th scope="col"{over}{kind}>{_title(field, say)}{hint}</th>')
        if column == "step" and activity:
            widths.append(activity)
            title = escape(schema("ladders").fields["activity"].title)
            titles.append(f'<th scope="col"{over}>{title}</th>')
    total = sum(widths)
    cols = "".join(f'<col style="width:{100 * width / total:.2f}%"/>' for width in widths)
    low = 0.4 * head if spread else 0.0
    second = f'<tr style="height:{low:.2f}mm">{"".join(words)}</tr>' if spread else ""
    body = "".join(
        f'<tr style="height:{row:.2f}mm">{_cells(name, fields, printed, strong, bool(activity), say)}</tr>'
        for printed in rows
    )
    return (
        f'<table><colgroup>{cols}</colgroup><thead><tr style="height:{head - low:.2f}mm">'
        f"{''.join(titles)}</tr>{second}</thead>"
        f"<tbody>{body}</tbody></table>"
    )


def _cells(
    name: str,
    fields: Mapping[str, Field],
    printed: Mapping[str, str],
    strong: str,
    activity: bool,
    say: Words,
) -> str:
    cells = []
    for column, field in fields.items():
        if column in SPREAD:
            cells += [
                f'<td class="choice{_edge(place, field)}">{_tick(name, column, word)}</td>'
                for place, word in enumerate(field.enum)
            ]
        elif field.enum:
            cells.append(
                f'<td><span class="options">{options(name, field, field.enum, say=say)}</span></td>'
            )
        elif field.type == "boolean":
            cells.append(f'<td class="yes">{_tick(name, column, "yes")}</td>')
        else:
            known = printed.get(column, "")
            kind = " primary" if column == strong else ""
            cells.append(
                f'<td class="{"printed" if known else "write"}{kind}" data-field="{name}.{column}">'
                f"{escape(known)}</td>"
            )
        if column == "step" and activity:
            words = printed.get("activity", "")
            blank = "" if words else ' data-field="ladders.activity"'
            cells.append(f'<td class="activity"{blank}>{escape(words)}</td>')
    return "".join(cells)


def _edge(place: int, field: Field) -> str:
    return " first" if place == 0 else " last" if place == len(field.enum) - 1 else ""


def _tick(table: str, name: str, value: str, on: bool = False) -> str:
    return (
        f'<span class="tick{" on" if on else ""}" data-field="{table}.{name}" data-value="{value}"></span>'
    )


def _title(field: Field, say: Words) -> str:
    title = say.sentence(field.title)
    book = f'<span class="book" lang="en"> {escape(field.title)}</span>' if title != field.title else ""
    return f"{escape(title)}{book}"


def _shown(word: str, say: Words) -> str:
    return escape(say.sentence(word.replace("_", " ")))
