"""Every rule the checks know, by its code."""

from __future__ import annotations

from rungwise.tables import rules_reading as reading
from rungwise.tables import rules_recording as recording
from rungwise.tables.rule import Rule

RULES: dict[str, Rule] = {
    rule.code: rule
    for group in (
        reading.FILES,
        reading.HEADERS,
        reading.ROWS,
        reading.CELLS,
        reading.IDENTITY,
        recording.LEVEL_1,
        recording.LEVEL_2,
        recording.LEVEL_3,
        recording.PRACTICE,
    )
    for rule in group
}
