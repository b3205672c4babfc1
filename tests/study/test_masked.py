"""Masked graphs, their key, and what raters found, against brute force."""

from datetime import date
from itertools import permutations, product

import numpy as np
import pytest
from rungwise.basis.errors import NotEnoughData
from rungwise.study.data import study_of
from rungwise.study.masked import mask_study, masked_test, read_key
from rungwise.study.plan import plan_study
from rungwise.study.scenario import Scenario
from rungwise.study.schedule import draw_schedule

FIRST = date(2026, 5, 4)


@pytest.fixture(scope="module")
def masked(study):
    return mask_study(study, rng=np.random.default_rng(5))


def answers(key, rater="R1", off=0):
    return [
        {"rater": rater, "graph": entry["graph"], "start": entry["start"] + (off if i == 0 else 0)}
        for i, entry in enumerate(key["graphs"])
    ]


def test_graphs_tell_neither_child_nor_phase(masked, study):
    for graph in masked.graphs:
        assert set(graph.series.phases) == {"baseline"}
        text = f"{graph.graph} {graph.series.label}"
        assert not any(one.case.child_id in text for one in study.cases)
        assert graph.open_starts == (6, 7, 8, 12, 13, 14, 18, 19, 20)
    assert [one.graph for one in masked.graphs] == ["Graph A", "Graph B", "Graph C"]


def test_the_key_leads_back_to_every_case(masked, study):
    by_label = {one.case.child_id: one for one in study.cases}
    for graph, entry in zip(masked.graphs, masked.key["graphs"], strict=True):
        one = by_label[entry["child_id"]]
        np.testing.assert_array_equal(graph.series.values, one.series.values)
        assert entry["start"] == one.start
    assert read_key(masked.key_text()) == masked.key


def test_the_order_of_the_graphs_is_shuffled(study):
    orders = {
        tuple(entry["child_id"] for entry in mask_study(study, rng=np.random.default_rng(s)).key["graphs"])
        for s in range(40)
    }
    assert len(orders) == 6


def test_p_is_the_share_of_permitted_starts_as_close(masked, plan):
    rng = np.random.default_rng(1)
    every = [order for starts in product(*plan.windows) for order in permutations(starts)]
    everything = sorted({start for window in plan.windows for start in window})
    # The permitted set is the same in whatever order the graphs stand.
    true = [entry["start"] for entry in masked.key["graphs"]]
    for _ in range(15):
        guess = rng.choice(everything, 3).tolist()
        rows = [
            {"rater": "R1", "graph": graph.graph, "start": start}
            for graph, start in zip(masked.graphs, guess, strict=True)
        ]
        (test,) = masked_test(masked.key, rows)
        far = [sum(abs(a - b) for a, b in zip(order, guess, strict=True)) for order in every]
        own = sum(abs(a - b) for a, b in zip(true, guess, strict=True))
        assert test.p_value == pytest.approx(np.mean([distance <= own for distance in far]))
        assert test.value == pytest.approx(own / 3)


def test_a_rater_who_finds_every_start_has_the_smallest_p(masked):
    (test,) = masked_test(masked.key, answers(masked.key))
    assert test.p_value == pytest.approx(1 / 162)
    assert (test.counts["found"], test.counts["smallest_p"]) == (3, pytest.approx(1 / 162))


def test_several_raters_are_tested_one_by_one_and_together(masked):
    tests = masked_test(masked.key, answers(masked.key, "R2") + answers(masked.key, "R1"))
    assert [test.statistic for test in tests] == [
        "masked_start, R1",
        "masked_start, R2",
        "masked_start, all raters",
    ]
    assert tests[2].n == 6


def test_answers_are_right_by_chance_as_often_as_they_should(plan, masked):
    """Over all permitted truths, a fixed guess is called significant at most as often as its level."""
    guess = [7, 13, 19]
    names = [graph.graph for graph in masked.graphs]
    rows = [{"rater": "R", "graph": name, "start": g} for name, g in zip(names, guess, strict=True)]
    p = []
    for starts in product(*plan.windows):
        for order in permutations(range(3)):
            entries = [
                {"graph": name, "start": starts[i], "window": list(plan.windows[i])}
                for name, i in zip(names, order, strict=True)
            ]
            key = {"shuffled": True, "windows": [list(w) for w in plan.windows], "graphs": entries}
            p.append(masked_test(key, rows)[0].p_value)
    for level in (0.01, 0.05, 0.1, 0.3, 0.6):
        assert np.mean(np.array(p) <= level) <= level


def test_windows_that_were_not_shuffled_stay_with_their_graph(practice, record, tmp_path):
    fixed = plan_study(practice, ("P1", "P2", "P3"), design_id="MB3", first_day=FIRST, shuffled=False)
    study = study_of(record(tmp_path, draw_schedule(fixed, 2), Scenario()), plan=fixed)
    masked = mask_study(study, rng=np.random.default_rng(1))
    (test,) = masked_test(masked.key, answers(masked.key))
    assert test.p_value == pytest.approx(1 / 27)
    assert {graph.open_starts for graph in masked.graphs} == set(fixed.windows)


def test_without_a_random_start_there_is_no_masked_version(record, schedule, tmp_path):
    def clinical(tables):
        for row in tables["plans"]:
            row["assignment"] = "clinical"

    study = study_of(record(tmp_path, schedule, Scenario(), change=clinical))
    with pytest.raises(NotEnoughData, match="needs starts that were drawn at random"):
        mask_study(study, rng=np.random.default_rng(1))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda rows: rows.pop(), "must answer for every graph; missing: Graph C"),
        (lambda rows: rows.append(dict(rows[0])), "answered twice for Graph A"),
        (lambda rows: rows[1].update(start="soon"), r"start must be one of 6, 7.*row 3 \(R1, Graph B\)"),
        (lambda rows: rows[1].update(start=9), r"start must be one of .* has 9"),
        (lambda rows: rows[0].update(graph="Graph Z"), "graph must be one of Graph A, Graph B, Graph C"),
        (lambda rows: rows[0].update(rater=" "), "row 2 has none"),
        (lambda rows: rows.clear(), "at least one row"),
    ],
)
def test_answers_that_cannot_be_used_are_refused_by_row(masked, change, told):
    rows = answers(masked.key)
    change(rows)
    with pytest.raises(ValueError, match=told):
        masked_test(masked.key, rows)


def test_what_is_no_key_is_refused():
    for text in ("{}", "no json", '{"format": 9}'):
        with pytest.raises(ValueError, match="not the key of a masked study"):
            read_key(text)
