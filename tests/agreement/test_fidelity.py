import math

import numpy as np
import pytest
from rungwise.agreement.fidelity import fidelity, fidelity_frame, fidelity_review
from rungwise.basis.intervals import share_interval
from rungwise.tables.practice import Practice
from rungwise.tables.problems import ProblemReport
from rungwise.tables.table import Table, TableSet


def _table(name, columns):
    data = {
        column: np.array(entries, dtype="datetime64[D]" if column == "date" else None)
        if not isinstance(entries[0], str) or column == "date"
        else np.array(entries, dtype=object)
        for column, entries in columns.items()
    }
    n = len(next(iter(data.values())))
    return Table(name, data, np.arange(2, n + 2), np.full(n, "x", dtype=object))


def _tables(lists, sessions=None):
    tables = {}
    if lists:
        columns = zip(*lists, strict=True)
        names = ("child_id", "date", "steps_done", "steps_planned")
        tables["fidelity"] = _table("fidelity", dict(zip(names, map(list, columns), strict=True)))
    if sessions:
        columns = zip(*sessions, strict=True)
        names = ("child_id", "date", "attended")
        tables["sessions"] = _table("sessions", dict(zip(names, map(list, columns), strict=True)))
    return TableSet(tables, Practice(), ProblemReport())


SESSIONS = [("C1", f"2026-01-{day:02d}", "yes") for day in range(1, 6)] + [
    ("C1", "2026-01-20", "missed"),
    ("C2", "2026-01-01", "yes"),
    ("C2", "2026-01-02", "yes"),
]


def test_mean_and_minimum():
    result = fidelity([8, 7, 10], [10, 10, 10])
    assert result.value == pytest.approx(np.mean([0.8, 0.7, 1.0]))
    assert dict(result.counts) == {"enough": 2, "lowest": 0.7, "steps_done": 25, "steps_planned": 30}
    assert math.isnan(result.ci_low)


def test_eight_of_ten_is_enough():
    for done, planned in ((8, 10), (4, 5), (12, 15), (28, 35)):
        assert fidelity([done], [planned]).counts["enough"] == 1
    assert fidelity([79], [100]).counts["enough"] == 0


def test_no_checklist():
    result = fidelity([], [])
    assert math.isnan(result.value)
    assert result.cautions == ("No checklist was recorded.",)


def test_review_by_child_and_together():
    tables = _tables([("C1", "2026-01-01", 8, 10), ("C2", "2026-01-02", 6, 10)], SESSIONS)
    everybody, first, second = fidelity_review(tables)
    assert (everybody.child_id, first.child_id, second.child_id) == ("", "C1", "C2")
    assert first.verdict == "meets"  # 1 of 5 sessions is exactly 20 %, .80 exactly the minimum
    assert first.sessions.value == 0.2
    assert second.verdict == "does not meet"
    assert second.reasons[1] == "On average 60.0 % of the planned steps were done (less than 80 %)."
    assert everybody.mean.value == pytest.approx(0.7)
    assert everybody.sessions.counts["count"] == 2
    expected = share_interval(1, 2)
    assert (everybody.enough.value, everybody.enough.ci_low) == (expected.value, expected.ci_low)


def test_too_few_sessions_with_a_checklist():
    sessions = [*SESSIONS, ("C1", "2026-01-06", "yes")]
    reviewed = fidelity_review(_tables([("C1", "2026-01-01", 10, 10)], sessions))[1]
    assert reviewed.verdict == "does not meet"
    assert reviewed.reasons[0] == "1 of 6 sessions have a checklist (less than 20 %)."


def test_a_checklist_on_a_day_without_session_does_not_raise_the_share():
    reviewed = fidelity_review(_tables([("C1", "2026-02-01", 10, 10)], SESSIONS))[1]
    assert reviewed.sessions.value == 0


def test_what_was_not_recorded_cannot_be_said():
    assert fidelity_review(_tables(None, SESSIONS)) == ()
    alone = fidelity_review(_tables([("C1", "2026-01-01", 10, 10)]))[1]
    assert alone.verdict == "cannot be said"
    assert math.isnan(alone.sessions.value)
    without_list = fidelity_review(_tables([("C1", "2026-01-01", 10, 10)], SESSIONS))[2]
    assert (without_list.child_id, without_list.verdict) == ("C2", "cannot be said")


def test_the_frame_has_a_row_for_every_child_and_a_reason_for_every_gap():
    lists = [("C1", "2026-01-01", 10, 10), ("C1", "2026-01-02", 5, 10)]
    frame = fidelity_frame(fidelity_review(_tables(lists, SESSIONS)))
    assert frame["child_id"].tolist() == ["all children", "C1", "C2"]
    first, second = frame.iloc[1], frame.iloc[2]
    assert (first["mean_share"], first["lowest"], first["reached_minimum"]) == (0.75, 0.5, 1)
    assert first["why_missing"] == ""
    assert math.isnan(second["mean_share"])
    assert second["why_missing"] == "No checklist was recorded."
    alone = fidelity_frame(fidelity_review(_tables(lists)))
    assert alone["why_missing"].tolist() == ["Sessions were not recorded."] * 2
    assert fidelity_frame(()).empty


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: fidelity([11], [10]),
            "steps_done must lie between 0 and steps_planned (10); got 11.",
        ),
        (lambda: fidelity([0], [0]), "steps_planned must be at least 1; got 0."),
        (
            lambda: fidelity([1, 2], [3]),
            "steps_planned must be one entry per entry of steps_done (2); got 1.",
        ),
    ],
)
def test_wrong_arguments_are_named(call, message):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value) == message
