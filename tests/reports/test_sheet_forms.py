"""Every sheet asks columns of the schemas, in their order, and all that its table needs."""

from __future__ import annotations

import pytest
from rungwise.reports.sheet_forms import (
    FORMS,
    HOME_INCIDENTS,
    INCIDENTS,
    KINDS,
    LEVELS,
    form_of,
    lowest_level,
)
from rungwise.tables.schema import schema

ALL = [(kind, level) for kind in KINDS for level in LEVELS if level >= lowest_level(kind)]
# Written once at the head of a sheet, and typed into every table.
SHARED = {"child_id", "ladder_id", "date"}


def in_order(table, names):
    order = list(schema(table).fields)
    return [order.index(name) for name in names] == sorted(order.index(name) for name in names)


@pytest.mark.parametrize(("kind", "level"), ALL)
def test_columns_exist_stand_in_order_and_are_asked_once(kind, level):
    form = form_of(kind, level)
    for names in (form.once, list(form.rows), *form.extras.values()):
        assert len(set(names)) == len(names)
    assert in_order(form.table, form.once)
    assert in_order(form.table, form.rows)
    assert not set(form.once) & set(form.rows)
    for table, names in form.extras.items():
        assert in_order(table, names)


@pytest.mark.parametrize(("kind", "level"), ALL)
def test_all_that_a_table_needs_is_on_the_sheet(kind, level):
    form = form_of(kind, level)
    asked = {form.table: {*form.once, *form.rows}} | {
        table: {*names} for table, names in form.extras.items()
    }
    for table, names in asked.items():
        needed = {name for name, field in schema(table).fields.items() if field.required}
        assert needed <= names | (SHARED & ({*form.once, *form.rows})), table
        assert schema(table).level <= level
    if form.trial_kind:
        assert form.trial_kind in schema(form.table).fields["kind"].enum


@pytest.mark.parametrize("columns", [INCIDENTS, HOME_INCIDENTS])
def test_incidents_are_asked_in_order_with_all_they_need(columns):
    assert in_order("incidents", columns)
    assert {name for name, field in schema("incidents").fields.items() if field.required} <= SHARED | set(
        columns
    )


def test_level_1_asks_date_phase_rating_declined():
    assert list(form_of("probe", 1).rows) == ["date", "phase", "rating", "declined", "note"]


def test_what_level_3_adds():
    assert "recorded_on" in form_of("probe", 3).rows
    assert "recorded_on" not in form_of("probe", 2).rows
    assert set(form_of("practice", 3).extras) == {"sessions", "fidelity"}
    assert form_of("home", 3) is form_of("home", 2)


def test_probe_and_approach_sheets_are_not_practice_sheets():
    kinds = {kind: form_of(kind, 2).trial_kind for kind in ("probe", "approach", "practice", "home")}
    assert kinds == {"probe": "probe", "approach": "approach", "practice": "practice", "home": "practice"}
    assert {form.large for form in FORMS["home"].values()} == {True}


def test_wrong_kinds_and_levels():
    with pytest.raises(ValueError, match=r"kind must be one of 'probe', .*; got 'weekly'"):
        form_of("weekly", 1)
    with pytest.raises(ValueError, match="level must be one of 1, 2, 3; got 4"):
        form_of("probe", 4)
    with pytest.raises(
        ValueError, match=r"level must be 2 or more for a sheet of kind 'practice', .*; got 1"
    ):
        form_of("practice", 1)
