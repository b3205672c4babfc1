"""The edition for sharing, and an attack that tries to work out what it hides."""

import json
import re
from datetime import date

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError
from rungwise.audit.audit import audit_quarter
from rungwise.audit.criteria import MEASURES, result_of
from rungwise.audit.quarter import Quarter
from rungwise.audit.sharing import (
    EARLIER_CELLS,
    SETTINGS,
    STANDARD_CELLS,
    NotShared,
    SharedAudit,
    _hold_against,
    shared_document,
    shared_settings,
)
from rungwise.audit.sharing import share as share_by
from rungwise.audit.suppression import CELLS, protected
from rungwise.basis.intervals import share_interval
from rungwise.reports import shared_page
from rungwise.resources import shipped
from rungwise.tables.practice import Criterion, Mastery, Practice, Scale
from suppression_cases import counts_of

SCHEMA = Draft202012Validator(
    json.loads((shipped("schemas") / "shared_audit.schema.json").read_text(encoding="utf-8"))
)
THRESHOLD = 5


def share(audit, threshold, last=None):
    return share_by(audit, Practice(sharing_threshold=threshold), last)


def shared_of(counts, **more):
    given = {"mean_nap": None, "incidents": None, "serious": "not recorded", "occasions": None} | more
    return SharedAudit(
        "Tern Rock", Quarter.parse("2026Q3"), THRESHOLD, shared_settings(Practice()), date(2026, 9, 30), 1,
        protected(counts, THRESHOLD), **given,
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(40))
def test_no_sentence_holds_a_number_that_is_not_shown(seed):
    counts = counts_of(np.random.default_rng(seed))
    shared = shared_of(counts)
    document = shared_document(shared)
    allowed = {count for count in shared.cells.values() if count is not None}
    fell = shared.cells["fell"]
    text = " ".join([shared.answer, *shared.sentences, shared.uncertainty]).replace("2026Q3", "")
    numbers = {int(number) for number in re.findall(r"\b\d+\b(?!%)", text)}
    assert numbers <= allowed
    if fell is None or not shared.cells["judged"]:
        assert "%" not in text
    assert json.loads(json.dumps(document))["children"] == dict(shared.cells)


def test_the_answer_says_only_what_is_shown():
    counts = dict.fromkeys(CELLS, 0) | {
        "open": 30, "due": 30, "finished": 30, "judged": 30, "fell": 21, "fell_beyond": 12,
        "fell_other": 9, "unchanged": 6, "rose": 3,
    }  # fmt: skip
    shared = shared_of(counts)
    assert shared.cells["rose"] is None
    assert shared.cells["unchanged"] is None
    assert shared.answer == "Fear ratings fell in 21 of the 30 children judged in 2026Q3."
    assert shared_of(dict.fromkeys(CELLS, 0)).answer == "No child was judged in 2026Q3."
    few = dict.fromkeys(CELLS, 0) | dict.fromkeys(("open", "due", "finished", "judged", "rose"), 2)
    assert shared_of(few).answer == (
        "The numbers of 2026Q3 are too small to share how many children were judged."
    )


ALL_FELL = ("open", "due", "finished", "judged", "fell", "fell_beyond")


def fallen(n, **more):
    return shared_of(dict.fromkeys(CELLS, 0) | dict.fromkeys(ALL_FELL, n), **more)


def test_two_reports_of_one_quarter_together_give_nothing_away():
    before = shared_document(fallen(20, mean_nap=(0.9, 0.85, 0.95)))
    _hold_against(fallen(20, mean_nap=(0.9, 0.85, 0.95)), before)
    with pytest.raises(NotShared) as caught:
        _hold_against(fallen(21, mean_nap=(0.9, 0.85, 0.95)), before)
    assert not re.search(r"\b(1|20|21)\b", str(caught.value).replace("2026Q3", ""))
    _hold_against(fallen(25, mean_nap=(0.91, 0.85, 0.96)), before)
    _hold_against(fallen(21), before | {"quarter": "2026Q2"})


def test_an_average_that_moved_with_the_same_children_is_not_shared_again():
    before = shared_document(fallen(20, mean_nap=(0.9, 0.85, 0.95)))
    with pytest.raises(NotShared):
        _hold_against(fallen(20, mean_nap=(0.91, 0.85, 0.96)), before)
    with pytest.raises(NotShared):
        _hold_against(fallen(20), before)


def test_a_number_that_was_shown_and_now_is_not_tells_that_it_became_small():
    counts = dict.fromkeys(CELLS, 0) | dict.fromkeys(("open", "in_progress"), 5)
    before = shared_document(shared_of(counts))
    with pytest.raises(NotShared):
        _hold_against(shared_of(counts | dict.fromkeys(("open", "in_progress"), 4)), before)
    incidents = {"serious": "none", "occasions": 300}
    before = shared_document(shared_of(counts, incidents=9, **incidents))
    with pytest.raises(NotShared):
        _hold_against(shared_of(counts, incidents=10, **incidents), before)


def test_what_is_no_report_for_sharing_is_not_held_against(quarters):
    for wrong in (
        {"document": "rungwise audit"},
        [],
        {"document": "rungwise shared audit", "children": {}},
    ):
        with pytest.raises(ValueError, match="last_shared must be"):
            share(quarters("2026Q3"), THRESHOLD, wrong)


def test_serious_incidents_are_never_counted():
    counts = dict.fromkeys(CELLS, 0)
    shared = shared_of(counts, incidents=12, occasions=300, serious="one or more")
    assert shared.sentences == (
        "12 incidents were recorded over 300 occasions: 4.0 per 100 (95% interval 2.1 to 7.0); serious "
        "incidents: one or more.",
    )
    # A quarter without incidents has an upper limit: 3.69 events by chance at most (Garwood 1936).
    assert shared_of(counts, incidents=0, occasions=300, serious="none").sentences == (
        "No incident was recorded over 300 occasions: 0.0 per 100 (95% interval 0.0 to 1.2); serious "
        "incidents: none.",
    )
    assert shared_of(counts, incidents=0, occasions=0, serious="none").sentences == (
        "No occasion was recorded in the quarter, so nothing can be said about safety.",
    )
    assert shared_of(counts, serious="one or more").sentences == (
        "Incidents were recorded; serious incidents: one or more.",
    )


def test_the_file_fits_its_published_schema():
    counts = counts_of(np.random.default_rng(3))
    document = shared_document(shared_of(counts, mean_nap=(0.8, 0.7, 0.9), serious="none", incidents=0))
    SCHEMA.validate(json.loads(json.dumps(document)))
    SCHEMA.validate(shared_document(shared_of(dict.fromkeys(CELLS, 0))))
    with pytest.raises(ValidationError):
        SCHEMA.validate(document | {"children": document["children"] | {"C01": 1}})
    with pytest.raises(ValidationError):
        SCHEMA.validate(document | {"serious_incidents": 2})


@pytest.mark.parametrize(("children", "is_shown"), [(4, False), (5, True)])
def test_an_average_of_few_children_is_not_shared(caseload, weekly, children, is_shown):
    rows = []
    for i in range(children):
        exposure = [6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1 if i % 2 else 8]
        rows += weekly(f"C{i}", "2026-05-04", [7, 8, 7, 9], exposure)
    audit = audit_quarter(caseload(ratings=rows), "2026Q3", today="2026-11-01")
    assert audit.headline.n == children
    assert (share(audit, THRESHOLD).mean_nap is not None) is is_shown


def test_an_average_is_not_shared_where_a_number_by_outcome_is_hidden(caseload, weekly):
    """With 9 that fell and 1 that rose, an average near 1 would leave only few who can have risen."""
    rows = []
    for i in range(10):
        exposure = [6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1] if i else [9, 10, 10, 9, 10, 10] * 2
        rows += weekly(f"C{i}", "2026-05-04", [7, 8, 7, 9 if i else 8], exposure)
    audit = audit_quarter(caseload(ratings=rows), "2026Q3", today="2026-11-01")
    shown = share(audit, THRESHOLD)
    assert shown.cells["judged"] == 10
    assert shown.cells["rose"] is None
    assert shown.mean_nap is None
    assert "average" not in " ".join(shown.sentences)
    assert share(audit, 1).mean_nap is not None


def test_an_average_is_not_shared_where_the_number_of_children_is_hidden(caseload, weekly):
    exposure = [6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1]
    rows = [row for i in range(6) for row in weekly(f"C{i}", "2026-05-04", [7, 8, 7, 9], [*exposure, i])]
    audit = audit_quarter(caseload(ratings=rows), "2026Q3", today="2026-11-01")
    shown = share(audit, 7)
    assert shown.cells["judged"] is None
    assert shown.mean_nap is None


def test_an_edition_states_the_rules_it_was_made_by():
    practice = Practice(
        alpha=0.1, margin=2.0, horizon_days=60, mastery=Mastery(2.0, 3), sharing_threshold=7,
        primary_rating="before", scales={"fear": Scale(0, 100, "lower")},
    )  # fmt: skip
    settings = shared_settings(practice)
    assert list(settings) == list(SETTINGS)
    assert settings == {
        "primary_rating": "before", "fear_minimum": 0, "fear_maximum": 100, "fear_better": "lower",
        "alpha": 0.1, "margin": 2.0, "minimum_baseline": 3, "minimum_exposure": 5, "horizon_days": 60,
        "mastery_rating_at_most": 2.0, "mastery_occasions_in_a_row": 3, "quarter_start_month": 1,
        "sharing_threshold": 7,
    }  # fmt: skip
    document = shared_document(shared_of(dict.fromkeys(CELLS, 0)))
    with pytest.raises(ValidationError):
        SCHEMA.validate(document | {"settings": {"alpha": 0.05}})
    assert SCHEMA.schema["properties"]["settings"]["required"] == list(SETTINGS)


FALLING = [6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1]
STANDARDS = {name: Criterion(0.5) for name in MEASURES}


@pytest.fixture
def quarters(caseload, weekly):
    """Audits of two quarters: 6 children fell and 3 did not in the second, 2 fell in the first."""

    def build(quarter):
        ratings = []
        for i in range(9):
            course = FALLING if i < 6 else [7, 8, 7, 9] * 3
            ratings += weekly(f"C{i}", "2026-05-04", [7, 8, 7, 8], course)
        for i in range(2):
            ratings += weekly(f"D{i}", "2026-02-02", [7, 8, 7, 8], FALLING)
        load = caseload(practice={"criteria": STANDARDS, "label": "Tern Rock"}, ratings=ratings)
        return audit_quarter(load, quarter, today="2026-11-01")

    return build


def test_a_standard_is_told_only_from_numbers_that_are_shown(quarters):
    shared = share(quarters("2026Q3"), THRESHOLD)
    told = {standard.criterion: standard for standard in shared.standards}
    assert set(told) == set(STANDARDS)
    for name, standard in told.items():
        cells = [shared.cells[cell] for cell in STANDARD_CELLS.get(name, ())]
        if len(cells) == 2 and None not in cells:
            assert [standard.count, standard.n] == cells
            found = share_interval(*cells)
            told_by = result_of(standard.direction, standard.target, found.ci_low, found.ci_high)
            assert standard.result == told_by
        else:
            assert (standard.count, standard.n, standard.result) == (None, None, None)
    assert told["judged"].result is not None
    assert told["five_baseline"].result is None
    SCHEMA.validate(shared_document(shared))


def test_a_standard_on_a_hidden_number_is_not_told(quarters):
    shared = share(quarters("2026Q2"), THRESHOLD)
    assert shared.cells["fell"] is None
    assert {standard.result for standard in shared.standards if standard.criterion == "fell"} == {None}


def test_earlier_quarters_are_those_shared_before_and_nothing_new(quarters):
    first = shared_document(share(quarters("2026Q2"), THRESHOLD))
    first["earlier"] = [{"quarter": "2026Q1", **dict.fromkeys(EARLIER_CELLS, 12)} | {"rose": 3}]
    audit = quarters("2026Q3")
    shared = share(audit, THRESHOLD, first)
    assert list(shared.earlier) == ["2026Q1", "2026Q2"]
    assert shared.earlier["2026Q2"] == {name: first["children"][name] for name in EARLIER_CELLS}
    # What an older, laxer threshold had shown is not repeated.
    assert shared.earlier["2026Q1"] == dict.fromkeys(EARLIER_CELLS, 12) | {"rose": None}
    assert share(audit, THRESHOLD).earlier == {}
    SCHEMA.validate(shared_document(shared))


def test_a_later_report_and_the_same_quarter_are_no_earlier_ones(quarters):
    later = shared_document(share(quarters("2026Q3"), THRESHOLD))
    assert share(quarters("2026Q2"), THRESHOLD, later).earlier == {}
    assert share(quarters("2026Q3"), THRESHOLD, later).earlier == {}


def test_page_and_document_tell_the_same_standards_and_quarters(quarters):
    first = shared_document(share(quarters("2026Q2"), THRESHOLD))
    shared = share(quarters("2026Q3"), THRESHOLD, first)
    text = str(shared_page.standards(shared))
    assert text.count("*") >= sum(standard.n is None for standard in shared.standards)
    assert "9 of 9" in text
    lines = str(shared_page.earlier(shared)).splitlines()
    assert [line.split()[0] for line in lines if line.startswith("2026")] == ["2026Q2", "2026Q3"]
    assert str(shared_page.earlier(share(quarters("2026Q3"), THRESHOLD))).startswith("No earlier report")
