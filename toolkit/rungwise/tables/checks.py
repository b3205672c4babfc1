"""The order in which everything is checked."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from rungwise.tables import level_1, level_2, level_3
from rungwise.tables.draft import Draft
from rungwise.tables.near_codes import check_near_codes
from rungwise.tables.practice import Practice
from rungwise.tables.references import check_references
from rungwise.tables.row_rules import (
    check_days,
    fill_defaults,
    require,
    respell,
    unify_labels,
    unique_keys,
)

# Codes, and the table in which each is at home.
CODES = {"child_id": "children", "ladder_id": "ladders", "measure_id": "measures", "goal_id": "goals"}


def check_drafts(drafts: Mapping[str, Draft], practice: Practice, today: date) -> None:
    """Check every table by its own schema, then the tables among themselves.

    Codes are brought to one spelling before they are compared, and each rule looks only at rows
    that no earlier rule set aside, so that one mistake is one problem.
    """
    level_1.one_child(drafts)
    for code, home in CODES.items():
        respell(drafts.values(), code, drafts.get(home))
    level_1.fill_phases(drafts)
    for draft in drafts.values():
        unify_labels(draft)
        require(draft)
        fill_defaults(draft)
        check_days(draft, today)
    level_1.check_rows(drafts, practice)
    level_2.check_rows(drafts, practice)
    level_3.check_rows(drafts)
    for draft in drafts.values():
        unique_keys(draft)
    check_references(drafts)
    for code in ("child_id", "ladder_id"):
        if not len(drafts.get(CODES[code], ())):
            check_near_codes(drafts, code, CODES[code])
    level_1.check_tables(drafts)
    level_2.check_tables(drafts, practice)
    level_3.check_tables(drafts)
