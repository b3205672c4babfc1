"""The edition for sharing, and an attack that tries to work out what it hides."""

import itertools
import json
import re

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError
from rungwise.audit.audit import audit_quarter
from rungwise.audit.criteria import MEASURES, result_of
from rungwise.audit.quarter import Quarter
from rungwise.audit.sharing import (
    CELLS,
    EARLIER_CELLS,
    STANDARD_CELLS,
    SUMS,
    NotShared,
    SharedAudit,
    _hold_against,
    possible,
    protected,
    share,
    shared_document,
)
from rungwise.basis.intervals import share_interval
from rungwise.reports import shared_page
from rungwise.resources import shipped
from rungwise.tables.practice import Criterion

SCHEMA = Draft202012Validator(
    json.loads((shipped("schemas") / "shared_audit.schema.json").read_text(encoding="utf-8"))
)
THRESHOLD = 5
TOP = 80


def counts_of(rng):
    """Counts of a practice of any size in which the sums hold."""
    size = rng.integers(1, 12)
    parts = (
        "fell_beyond", "fell_other", "unchanged", "rose", "not_judged", "in_progress",
        "left_before_exposure", "counted_earlier",
    )  # fmt: skip
    found = {name: int(rng.choice([0, rng.integers(0, 5), rng.integers(0, 3 * size)])) for name in parts}
    found["fell"] = found["fell_beyond"] + found["fell_other"]
    found["judged"] = found["fell"] + found["unchanged"] + found["rose"]
    found["due"] = found["judged"] + found["not_judged"]
    found["left_early"] = int(rng.integers(0, found["due"] + 1))
    found["finished"] = found["due"] - found["left_early"]
    found["open"] = sum(
        found[name] for name in ("in_progress", "left_before_exposure", "counted_earlier", "due")
    )
    return {name: found[name] for name in CELLS}


def worked_out(shown):
    """What adding and subtracting leaves possible for every cell: sets of values, no solver.

    The sums hang together as a tree, so passing sets back and forth until nothing changes is exact.
    """
    left = {name: set(range(1, TOP)) if count is None else {count} for name, count in shown.items()}
    changed = True
    while changed:
        changed = False
        for total, parts in SUMS:
            for target in (total, *parts):
                reached = {0}
                for name in (total, *parts):
                    if name == target:
                        continue
                    sign = 1 if (name == total) != (target == total) else -1
                    if target == total:
                        sign = 1
                    reached = {old + sign * value for old in reached for value in left[name]}
                now = left[target] & reached
                changed |= now != left[target]
                left[target] = now
    return left


@pytest.mark.parametrize("seed", range(60))
def test_adding_and_subtracting_gives_no_small_number_away(seed):
    counts = counts_of(np.random.default_rng(seed))
    shown = protected(counts, THRESHOLD)
    left = worked_out(shown)
    # Zeros are shown, so a reader always knows that a sum has as many as it has parts above 0.
    zeros_alone = worked_out({name: None if count else 0 for name, count in counts.items()})
    for name, count in counts.items():
        assert count in left[name]
        if 0 < count < THRESHOLD:
            assert shown[name] is None
            assert zeros_alone[name] & set(range(THRESHOLD)) <= left[name], name
            assert len(left[name]) > 1
        if count == 0:
            assert shown[name] == 0


def test_knowing_the_program_does_not_single_out_a_small_number():
    """The attacker tries every combination and keeps those the program would hide in the same way."""
    parts = ("fell_beyond", "fell_other", "unchanged", "rose")
    for judged in (6, 9, 11):
        seen = {}
        for values in itertools.product(range(judged + 1), repeat=3):
            rose = judged - sum(values)
            if rose < 0:
                continue
            counts = dict.fromkeys(CELLS, 0) | dict(zip(parts, (*values, rose), strict=True))
            counts |= dict.fromkeys(("judged", "due", "finished", "open"), judged)
            counts["fell"] = counts["fell_beyond"] + counts["fell_other"]
            shown = protected(counts, THRESHOLD)
            seen.setdefault(tuple(shown.items()), []).append(counts)
        for candidates in seen.values():
            for name in parts:
                values = {counts[name] for counts in candidates}
                assert len(values) > 1 or not 0 < min(values) < THRESHOLD


def test_no_more_is_hidden_than_needed():
    counts = dict.fromkeys(CELLS, 0) | {
        "open": 60, "counted_earlier": 20, "due": 40, "finished": 33, "left_early": 7, "judged": 40,
        "fell": 32, "fell_beyond": 20, "fell_other": 12, "unchanged": 8,
    }  # fmt: skip
    assert protected(counts, THRESHOLD) == counts
    for change, hidden in (
        ({"unchanged": 5, "rose": 3}, {"rose", "unchanged"}),
        ({"fell_beyond": 2, "fell_other": 30}, {"fell_beyond", "fell_other"}),
        ({"left_early": 1, "finished": 39}, {"left_early", "finished"}),
    ):
        shown = protected(counts | change, THRESHOLD)
        assert {name for name, count in shown.items() if count is None} == hidden


def test_the_answer_is_hidden_last():
    counts = dict.fromkeys(CELLS, 0) | {
        "open": 45, "in_progress": 8, "counted_earlier": 9, "due": 28, "finished": 28, "not_judged": 1,
        "judged": 27, "fell": 18, "fell_beyond": 3, "fell_other": 15, "unchanged": 8, "rose": 1,
    }  # fmt: skip
    shown = protected(counts, THRESHOLD)
    assert (shown["judged"], shown["fell"]) == (27, 18)
    assert shown["due"] is None


@pytest.mark.parametrize(("count", "is_shown"), [(0, True), (1, False), (4, False), (5, True)])
def test_the_edges_of_the_threshold(count, is_shown):
    counts = dict.fromkeys(CELLS, 0) | {"open": count, "in_progress": count}
    assert (protected(counts, THRESHOLD)["open"] == count) is is_shown


def test_what_is_possible_is_found_by_both_ways():
    for seed in range(5):
        shown = protected(counts_of(np.random.default_rng(100 + seed)), THRESHOLD)
        left = worked_out(shown)
        for name in CELLS:
            low, high = possible(name, shown)
            assert low == min(left[name])
            assert min(high, TOP - 1) == max(left[name])


def shared_of(counts, **more):
    given = {"mean_nap": None, "incidents": None, "serious": "not recorded", "occasions": None} | more
    return SharedAudit(
        "Tern Rock", Quarter.parse("2026Q3"), THRESHOLD, protected(counts, THRESHOLD), **given
    )


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


def test_two_reports_of_one_quarter_together_give_nothing_away():
    counts = dict.fromkeys(CELLS, 0) | dict.fromkeys(("open", "due", "finished", "judged", "rose"), 20)
    before = shared_document(shared_of(counts))
    _hold_against(shared_of(counts), before)
    one_more = dict.fromkeys(CELLS, 0) | dict.fromkeys(("open", "due", "finished", "judged", "rose"), 21)
    with pytest.raises(NotShared) as caught:
        _hold_against(shared_of(one_more), before)
    assert not re.search(r"\b(1|20|21)\b", str(caught.value).replace("2026Q3", ""))
    many_more = dict.fromkeys(CELLS, 0) | dict.fromkeys(("open", "due", "finished", "judged", "rose"), 25)
    _hold_against(shared_of(many_more), before)
    _hold_against(shared_of(one_more), before | {"quarter": "2026Q2"})
    with pytest.raises(ValueError, match="last_shared must be"):
        _hold_against(shared_of(counts), {"document": "rungwise audit"})


def test_serious_incidents_are_never_counted():
    counts = dict.fromkeys(CELLS, 0)
    shared = shared_of(counts, incidents=12, occasions=300, serious="one or more")
    assert shared.sentences == (
        "12 incidents were recorded over 300 occasions (4.0 per 100); serious incidents: one or more.",
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


def test_an_average_is_not_shared_where_the_number_of_children_is_hidden(caseload, weekly):
    exposure = [6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1]
    rows = [row for i in range(6) for row in weekly(f"C{i}", "2026-05-04", [7, 8, 7, 9], [*exposure, i])]
    audit = audit_quarter(caseload(ratings=rows), "2026Q3", today="2026-11-01")
    shown = share(audit, 7)
    assert shown.cells["judged"] is None
    assert shown.mean_nap is None


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
            exact = share_interval(*cells, method="clopper_pearson")
            told_by = result_of(standard.direction, standard.target, exact.ci_low, exact.ci_high)
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
