"""The rule of small numbers, and an attack that tries to work out what it hides."""

import itertools

import numpy as np
import pytest
from rungwise.audit.suppression import (
    BEFORE,
    CELLS,
    NOW,
    possible,
    possible_together,
    protected,
)
from suppression_cases import TOP, counts_of, two_quarters, witness, worked_out

THRESHOLD = 5


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


@pytest.mark.parametrize("seed", range(5))
def test_every_small_number_has_a_whole_table_that_fits_what_is_shown(seed):
    counts = counts_of(np.random.default_rng(1000 + seed))
    shown = {NOW: protected(counts, THRESHOLD)}
    zeros = {name: None if count else 0 for name, count in counts.items()}
    for name, count in counts.items():
        if not 0 < count < THRESHOLD:
            continue
        fits = [v for v in range(1, TOP) if v < 2 * THRESHOLD and witness(shown, {(NOW, name): v})]
        by_zeros = [v for v in range(1, THRESHOLD) if witness({NOW: zeros}, {(NOW, name): v})]
        assert set(by_zeros) <= set(fits), name
        assert len(fits) >= 2, name
        # The least a sum can be is forced by its parts above 0; below that nothing is hidden.
        assert len(fits) >= 3 or THRESHOLD - min(by_zeros, default=THRESHOLD) < 3, name


@pytest.mark.parametrize("seed", range(6))
def test_two_quarters_together_give_no_small_number_away(seed):
    first, second = two_quarters(np.random.default_rng(seed))
    before = protected(first, THRESHOLD)
    now = protected(second, THRESHOLD, before)
    shown = {NOW: now, BEFORE: before}
    truth = {(NOW, name): count for name, count in second.items()}
    truth |= {(BEFORE, name): count for name, count in first.items()}
    assert witness(shown, truth)
    for when, counts in ((NOW, second), (BEFORE, first)):
        zeros = {when: {name: None if count else 0 for name, count in counts.items()}}
        for name, count in counts.items():
            if not 0 < count < THRESHOLD:
                continue
            assert shown[when][name] is None
            small = range(1, THRESHOLD)
            alone = [v for v in small if witness(zeros, {(when, name): v})]
            left = [v for v in small if witness(shown, {(when, name): v})]
            assert len(left) >= min(3, len(alone)), (when, name)


def test_the_quarter_before_can_make_more_be_hidden():
    """22 were in progress; shown, the 10 who still are and the 9 due would say: 3 or 4 left."""
    first = dict.fromkeys(CELLS, 0) | {"open": 30, "in_progress": 22, "counted_earlier": 8}
    second = dict.fromkeys(CELLS, 0) | {
        "open": 30, "in_progress": 10, "left_before_exposure": 3, "counted_earlier": 8, "due": 9,
        "finished": 9, "judged": 9, "fell": 9, "fell_beyond": 9,
    }  # fmt: skip
    alone, before = protected(second, THRESHOLD), protected(first, THRESHOLD)
    assert possible("left_before_exposure", alone)[0] == 1
    assert possible_together(alone | {"in_progress": 10}, before)[NOW, "left_before_exposure"][0] == 3
    shown = {NOW: protected(second, THRESHOLD, before), BEFORE: before}
    left = [v for v in range(1, THRESHOLD) if witness(shown, {(NOW, "left_before_exposure"): v})]
    assert len(left) >= 3


def test_a_hidden_number_of_the_quarter_before_is_not_narrowed_down():
    """4 of 20 were due; shown, the 17 in progress or due now would say: 3 or 4 of them were."""
    first = dict.fromkeys(CELLS, 0) | {
        "open": 20, "in_progress": 16, "due": 4, "finished": 4, "judged": 4, "fell": 4, "fell_beyond": 4,
    }  # fmt: skip
    before = protected(first, THRESHOLD)
    assert (before["open"], before["in_progress"], before["due"]) == (20, None, None)
    second = dict.fromkeys(CELLS, 0) | {
        "open": 17, "in_progress": 8, "due": 9, "finished": 9, "judged": 9, "fell": 9, "fell_beyond": 9,
    }  # fmt: skip
    assert protected(second, THRESHOLD) == second
    assert possible_together(second, before)[BEFORE, "due"][0] == 3
    now = protected(second, THRESHOLD, before)
    assert possible_together(now, before)[BEFORE, "due"][0] == 1
    one_more = second | {"open": 18, "in_progress": 9}
    assert possible_together(one_more, before)[BEFORE, "due"][0] == 2
    assert protected(one_more, THRESHOLD, before) == one_more


def test_quarters_that_contradict_each_other_say_nothing_together():
    first = dict.fromkeys(CELLS, 0) | {"open": 30, "in_progress": 30}
    second = dict.fromkeys(CELLS, 0) | {"open": 12, "in_progress": 9, "left_before_exposure": 3}
    assert possible_together(second, first) is None
    assert protected(second, THRESHOLD, first) == protected(second, THRESHOLD)
