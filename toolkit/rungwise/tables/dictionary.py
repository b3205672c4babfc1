"""The data dictionary as a page, from the schemas."""

from __future__ import annotations

from html import escape

from rungwise.tables.cells import range_in_words
from rungwise.tables.schema import TABLES, Field, Schema, schema

_LEVELS = {
    1: ("Level 1", "One file, one row per child and planned occasion."),
    2: ("Level 2", "Ladders, plans, single trials, incidents."),
    3: ("Level 3", "Sessions, scores, goals, second observers, procedure checklists."),
}
_TYPES = {
    "string": "text", "number": "number", "integer": "whole number", "date": "date", "boolean": "yes or no",
}  # fmt: skip
_STYLE = """
body{font:16px/1.5 system-ui,sans-serif;color:#1b2630;max-width:72rem;margin:2rem auto;padding:0 1rem}
h1,h2,h3{color:#16324f;line-height:1.2}h3 code{font-size:1em}
table{border-collapse:collapse;width:100%;margin:.5rem 0 2rem;font-size:.9rem}
caption{text-align:left;font-weight:600;padding:.3rem 0}
th,td{border:1px solid #9fb1c1;padding:.35rem .5rem;text-align:left;vertical-align:top}
thead th{background:#e9eef2}tbody th{font-weight:400}
code{font-family:ui-monospace,monospace;font-size:.95em}
.needed{font-weight:700}.scroll{overflow-x:auto}nav ul{columns:14rem;padding-left:1.2rem}
@media print{body{max-width:none;font-size:10pt}tr{break-inside:avoid}.scroll{overflow:visible}}
"""


def dictionary_html() -> str:
    """Describe every table and column: what it means, its type, unit, limits, words and default.

    The page is one file without links to elsewhere; the same schemas give the same text.

    Examples
    --------
    >>> page = dictionary_html()
    >>> page.startswith("<!DOCTYPE html>"), "<code>fear_peak</code>" in page
    (True, True)
    """
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8"><title>Data dictionary</title>',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<style>{_STYLE}</style></head><body><main>",
        "<h1>Data dictionary</h1>",
        "<p>What can be recorded, table by table. A caseload is a folder of CSV files, one workbook with "
        "a sheet per table, or a folder of Parquet: same names, same columns, same checks. The lowest "
        "level is enough for an answer; every report names the level it rests on. A table that is not "
        "there means “not recorded”, never zero.</p>",
        "<p>Columns in bold are needed in every row. Names of columns and words are understood in any "
        "case, and by the other names listed. Blank cells, NA, n/a and a dash mean “missing”.</p>",
        "<nav aria-label='Tables'><ul>",
        *(f"<li><a href='#{table}'>{escape(schema(table).title)}</a></li>" for table in TABLES),
        "</ul></nav>",
    ]
    for level, (name, summary) in _LEVELS.items():
        parts.append(f"<h2>{name}</h2><p>{summary}</p>")
        parts += [_table(schema(table)) for table in TABLES if schema(table).level == level]
    parts.append("</main></body></html>\n")
    return "\n".join(parts)


def _table(described: Schema) -> str:
    key = ", ".join(f"<code>{name}</code>" for name in described.key)
    names = ", ".join(sorted(described.names - {described.name.replace("_", " ")}))
    parts = [
        f"<section id='{described.name}'><h3><code>{described.name}</code>: {escape(described.title)}</h3>",
        f"<p>A row is {escape(described.row)}. {escape(described.description)}</p>",
        f"<p>Also read from a file or sheet named {escape(names)}.</p>" if names else "",
        f"<p>Only one row may have the same {key}.</p>" if key else "",
        "<div class='scroll'><table>",
        f"<caption>Columns of {escape(described.name)}</caption>",
        "<thead><tr><th scope='col'>Column</th><th scope='col'>Meaning</th><th scope='col'>Type</th>"
        "<th scope='col'>Allowed</th><th scope='col'>If blank</th><th scope='col'>Other names</th>"
        "<th scope='col'>Example</th></tr></thead><tbody>",
    ]
    parts += [_row(field) for field in described.fields.values()]
    for reference in described.foreign_keys:
        mine = ", ".join(f"<code>{name}</code>" for name in reference.fields)
        home = f"<a href='#{reference.table}'>{reference.table}</a>"
        parts.append(f"<tr><td colspan='7'>{mine} must stand in {home}, where that is recorded.</td></tr>")
    return "".join([*parts, "</tbody></table></div></section>"])


def _row(field: Field) -> str:
    needed = " class='needed'" if field.required else ""
    unit = f", {escape(field.unit)}" if field.unit else ""
    others = ", ".join(sorted(field.headers - {field.name.replace("_", " ")}))
    return (
        f"<tr><th scope='row'{needed}><code>{field.name}</code><br>{escape(field.title)}</th>"
        f"<td>{escape(field.description)}</td><td>{_TYPES[field.type]}{unit}</td><td>{_allowed(field)}</td>"
        f"<td>{_blank(field)}</td><td>{escape(others)}</td><td>{escape(field.example)}</td></tr>"
    )


def _allowed(field: Field) -> str:
    if field.enum:
        lines = []
        for value in field.enum:
            known = value.replace("_", " ")
            others = [word for word, meant in field.words.items() if meant == value and word != known]
            also = f" ({escape(', '.join(others))})" if others else ""
            lines.append(f"<code>{value}</code>{also}")
        return "<br>".join(lines)
    lines = []
    if field.minimum is not None or field.maximum is not None:
        lines.append(range_in_words(field.minimum, field.maximum))
    for signal in dict.fromkeys(field.signals.values()):
        words = ", ".join(word for word, meant in field.signals.items() if meant == signal)
        lines.append(f"<code>{signal}</code>, also written: {escape(words)}")
    if field.pattern and field.type == "string" and not field.kind:
        lines.append(f"written as in {escape(field.example)}")
    return "<br>".join(lines)


def _blank(field: Field) -> str:
    if field.required and field.default is None:
        return "needed"
    if field.required:
        return f"needed; without the column: {escape(field.default_words)}"
    if field.required_when:
        return f"needed when {escape(field.required_when)}"
    if field.default_words:
        return escape(field.default_words)
    if field.default_from:
        return f"as <code>{field.default_from}</code>"
    return "missing"
