"""The designs of simulated studies: every assignment once, and counts of them."""

import numpy as np
import pytest
from rungwise.single_case.designs import RandomStart
from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.study import simulated_designs
from rungwise.study.simulated_designs import Setting, blocks

DESIGNS = {
    "shuffled": StaggeredStarts(((4, 5), (7, 8), (10, 11)), True, "random"),
    "in windows": StaggeredStarts(((4, 5, 6), (8, 9), (11,)), False, "random"),
    "random starts": [RandomStart(4, 9, "random"), RandomStart(5, 11, "random")],
}


@pytest.mark.parametrize(
    "design",
    [
        [RandomStart(4, 9, "random")],
        [RandomStart(4, 4, "random"), RandomStart(4, 12, "random"), RandomStart(3, 13, "random")],
        StaggeredStarts(((4,), (6,), (8,), (9,), (11,)), True, "random"),
        StaggeredStarts(((4, 6), (4, 5, 6), (5, 9)), True, "random"),
        StaggeredStarts(((4, 6), (4, 5, 6), (5, 9)), False, "random"),
    ],
)
def test_the_halves_hold_every_assignment_once(design):
    rng = np.random.default_rng(9)
    setting = Setting.of(design, 15, rng, 99)
    terms = [rng.integers(-9, 10, (len(one), 40)).astype(float) for one in setting.open_to]
    sums = np.array(
        [sum(one[place] for one, place in zip(terms, row, strict=True)) for row in setting.listed.tolist()]
    )
    bound = rng.integers(-9, 10, 40).astype(float)
    assert setting.at_least(bound, terms).tolist() == (sums >= bound).sum(axis=0).tolist()
    assert len(setting.listed) == setting.total


def test_unequal_windows_do_not_take_unbounded_memory():
    design = [RandomStart(2, 2, "random"), *[RandomStart(2, 900, "random")] * 2]
    setting = Setting.of(design, 900, np.random.default_rng(1), 99)
    assert setting.together * 899**2 <= max(simulated_designs._MOST_SUMS, 899**2)


@pytest.mark.parametrize("name", DESIGNS)
def test_counts_beyond_enough_are_beyond_it_and_all_others_exact(name):
    rng = np.random.default_rng(9)
    setting = Setting.of(DESIGNS[name], 14, rng, 99)
    terms = [rng.integers(-90, 91, (len(one), 500)).astype(np.int16) for one in setting.open_to]
    bound = rng.integers(-150, 150, 500).astype(np.int16)
    exact = setting.counts(bound, terms)
    for enough in (0, 1, 3):
        counted = setting.counts(bound, terms, enough=enough)
        assert counted[exact <= enough].tolist() == exact[exact <= enough].tolist()
        assert (counted[exact > enough] > enough).all()
        assert 0 < np.sum(exact <= enough) < 500


def test_blocks_hold_everything_once_and_none_is_too_large():
    for length in (0, 1, 99, 100, 101, 1000):
        for largest in (1, 7, 100):
            places = [list(range(length))[block] for block in blocks(length, largest)]
            assert [place for block in places for place in block] == list(range(length))
            assert max(map(len, places), default=0) <= largest
