"""Hand-made caseloads: rows in, checked tables out, without files."""

import hashlib
import sys
from pathlib import Path

import numpy as np
import pytest
from rungwise.series.caseload import Caseload
from rungwise.tables.practice import Practice
from rungwise.tables.problems import ProblemReport
from rungwise.tables.table import InputFile, Table

sys.path.insert(0, str(Path(__file__).parent))

COLUMNS = {
    "ratings": (
        ("child_id", "t"), ("ladder_id", "t"), ("date", "d"), ("occasion", "n"), ("trial", "n"),
        ("phase", "t"), ("rating", "n"), ("declined", "t"), ("outcome", "t"), ("better", "t"),
        ("rated_by", "t"),
    ),
    "children": (
        ("child_id", "t"), ("age_months", "n"), ("sex", "t"), ("referral_reason", "t"),
        ("referred_on", "d"), ("entered_on", "d"), ("ended_on", "d"), ("end_reason", "t"), ("site", "t"),
        ("clinician_id", "t"), ("co_occurring", "t"), ("research_consent", "t"),
    ),
    "phases": (
        ("child_id", "t"), ("ladder_id", "t"), ("starts_on", "d"), ("phase", "t"), ("criterion", "t"),
    ),
    "plans": (
        ("child_id", "t"), ("ladder_id", "t"), ("probe_step", "n"), ("primary", "t"), ("trained", "t"),
        ("planned_per_week", "n"), ("fear_minimum", "n"), ("fear_maximum", "n"),
    ),
    "observations": (
        ("child_id", "t"), ("ladder_id", "t"), ("date", "d"), ("step", "n"), ("kind", "t"),
        ("outcome", "t"), ("fear_peak", "n"), ("setting", "t"), ("minutes", "n"),
    ),
    "incidents": (
        ("child_id", "t"), ("date", "d"), ("kind", "t"), ("severity", "t"), ("ladder_id", "t"),
        ("step", "n"), ("setting", "t"), ("action", "t"),
    ),
    "sessions": (
        ("child_id", "t"), ("date", "d"), ("setting", "t"), ("attended", "t"), ("exposure_minutes", "n"),
    ),
    "actions": (
        ("raised_in", "t"), ("action", "t"), ("owner_role", "t"), ("due_on", "d"), ("done_on", "d"),
        ("note", "t"),
    ),
}  # fmt: skip


# What the reader puts into a blank cell.
DEFAULTS = {"ratings": {"trial": 1, "declined": False, "outcome": "fear", "better": "lower"}}


def table_of(name, rows):
    columns = {}
    defaults = DEFAULTS.get(name, {})
    for column, kind in COLUMNS[name]:
        entries = [defaults.get(column) if row.get(column) is None else row[column] for row in rows]
        if kind == "n":
            columns[column] = np.array([np.nan if e is None else e for e in entries], dtype=float)
        elif kind == "d":
            columns[column] = np.array(["NaT" if e is None else e for e in entries], dtype="datetime64[D]")
        else:
            columns[column] = np.array([*entries, None], dtype=object)[:-1]
    n = len(rows)
    return Table(name, columns, np.arange(2, n + 2), np.array([f"{name}.csv"] * n, dtype=object))


@pytest.fixture
def caseload():
    """Build a caseload from rows: ``caseload(ratings=[...], children=[...], practice={...})``."""

    def build(practice=None, problems=(), **rows):
        rows.setdefault("ratings", [])
        tables = {name: table_of(name, entries) for name, entries in rows.items()}
        settings = practice or {}
        return Caseload(
            tables=tables,
            practice=Practice(**settings, given=frozenset(settings)),
            report=ProblemReport(tuple(problems)),
            inputs=tuple(
                InputFile(f"{name}.csv", hashlib.sha256(repr(entries).encode()).hexdigest(), len(entries))
                for name, entries in sorted(rows.items())
            ),
        )

    return build


@pytest.fixture
def weekly():
    """Ratings of one child, one a week: ``weekly("C01", "2026-05-04", [7, 8, 7], [6, None, 3])``.

    None is a decline. A third list is maintenance.
    """

    def build(child, first, baseline, exposure=(), maintenance=(), ladder=None, every=7, **more):
        day = np.datetime64(first, "D")
        rows = []
        for phase, values in (("baseline", baseline), ("exposure", exposure), ("maintenance", maintenance)):
            for value in values:
                row = {"child_id": child, "ladder_id": ladder, "date": day, "phase": phase, "rating": value}
                rows.append(row | {"declined": True if value is None else None} | more)
                day = day + np.timedelta64(every, "D")
        return rows

    return build


@pytest.fixture
def outcome():
    """Build the outcome of one child with the verdict wanted: ``outcome("C01", "rose", p=0.01)``."""
    from dataclasses import fields
    from datetime import date

    from rungwise.audit.courses import Course
    from rungwise.audit.outcomes import Outcome
    from rungwise.basis.estimate import Estimate
    from rungwise.series.phase_series import PhaseSeries
    from rungwise.single_case.child_answer import ChildAnswer, LadderAnswer
    from rungwise.single_case.verdict import VERDICTS, Rule, Verdict

    def build(
        child="C01", code="fell_beyond_baseline", *, stage="judged", nap=0.8, p=0.01, due_by="horizon",
        end_reason="", rates=None, better="lower", what="fear", cautions=(), baseline=5, exposure=8,
    ):  # fmt: skip
        course = Course(
            child,
            due_on=date(2026, 8, 3),
            due_by=due_by,
            ended_on=date(2026, 8, 3) if due_by == "left_early" else None,
            end_reason=end_reason,
            n_baseline=baseline,
            n_exposure=exposure,
        )
        if not code:
            return Outcome(course, stage, None)
        blank = Estimate("blank", float("nan"))
        given = {
            "code": code, "words": VERDICTS[code], "fell": Estimate("tau", 2 * nap - 1, p_value=p),
            "worse": Estimate("tau", 2 * nap - 1, p_value=p / 2),
            "size": Estimate("nap", nap, nap - 0.1, min(nap + 0.1, 1)), "baseline_trend": blank,
            "beyond_baseline": blank, "difference": blank, "smallest_p": 0.001, "questions": (),
            "cautions": cautions,
        }  # fmt: skip
        verdict = Verdict(**{field.name: given.get(field.name) for field in fields(Verdict)})
        series = PhaseSeries.from_phases([7] * baseline, [4] * exposure, better=better)
        answer = ChildAnswer(
            child_id=child, outcome=what, headline="", verdict=verdict,
            ladders=(LadderAnswer("net", series, verdict),), rates=rates, level=1, set_aside=0,
            rule=Rule(), cautions=cautions,
        )  # fmt: skip
        return Outcome(course, stage, answer)

    return build
