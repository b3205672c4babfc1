"""A few children of the demo practice with every table, as they are or with hostile texts."""

from __future__ import annotations

import csv
import shutil
from itertools import cycle
from pathlib import Path

import pandas as pd

DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "practice"
CHILDREN = 14
HOSTILE = (
    '=HYPERLINK("//x.example","a")',
    "+1+1",
    "-1+1",
    "@SUM(A1)",
    "\t=1+1",
    "\r=1+1",
    "\uff1d1+1",
    "</td></table></main><script>pwned()</script>",
    '"><img src=x onerror=pwned()>',
    "' onfocus='pwned()' autofocus='",
    "</style><style>body{display:none}</style>",
    "<!-- {{7*7}} ${7*7} {% raw %}",
    "*b* [link](//x.example) `code` &lt;i&gt;",
)
# Columns that may hold any text.
FREE_TEXTS = {
    "actions": ("action", "owner_role", "note"),
    "children": ("referral_reason", "site", "co_occurring"),
    "incidents": ("setting", "action"),
    "ladders": ("activity", "support", "position", "direction", "step_pattern", "vision", "surface"),
    "measures": ("title", "source"),
    "observations": ("setting", "support", "note"),
    "plans": ("usual_setting",),
    "sessions": ("setting",),
}
LADDER = "D&D 'x/y' +1"


def small_practice(folder: Path, *, hostile: bool = False) -> Path:
    """Write the caseload into a folder; hostile texts go into every column of free text."""
    folder.mkdir(parents=True, exist_ok=True)
    due = pd.read_csv(DEMO / "children.csv", dtype=str)
    kept = set(due["child_id"].iloc[20 : 20 + CHILDREN])
    for file in sorted(DEMO.glob("*.csv")):
        table = pd.read_csv(file, dtype=str, keep_default_na=False)
        if "child_id" in table:
            table = table[table["child_id"].isin(kept)]
        if hostile:
            texts = cycle(HOSTILE)
            for column in FREE_TEXTS.get(file.stem, ()):
                table[column] = [next(texts) for _ in range(len(table))]
            if "ladder_id" in table:
                table["ladder_id"] = table["ladder_id"].replace({"dinghy": LADDER})
        table.to_csv(folder / file.name, index=False, quoting=csv.QUOTE_ALL)
    shutil.copy(DEMO / "practice.toml", folder)
    if hostile:
        settings = (folder / "practice.toml").read_text(encoding="utf-8")
        settings = settings.replace("Gull Steps Movement Practice (invented)", HOSTILE[7].replace('"', "'"))
        settings = settings.replace("weeks in which the practice was closed", HOSTILE[9])
        settings = settings.replace("set by the practice in June 2026 (invented)", "<b>=1+1</b>")
        (folder / "practice.toml").write_text(settings, encoding="utf-8")
    return folder
