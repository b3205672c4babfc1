"""Staggered starts: every draw counted against brute force, and drawn evenly."""

import math
from itertools import permutations, product

import numpy as np
import pytest
from rungwise.single_case.staggered_starts import StaggeredStarts


def brute_starts(windows, shuffled):
    """Give every draw once: an order of the windows and a start in each."""
    m = len(windows)
    orders = permutations(range(m)) if shuffled else [tuple(range(m))]
    return [starts for order in orders for starts in product(*(windows[w] for w in order))]


WINDOWS = [((4,), (6,), (9,)), ((3, 4), (5, 6), (7, 8, 9)), ((3, 4, 5), (4, 5), (5,)), ((3, 4), (3, 4))]


@pytest.mark.parametrize("windows", WINDOWS)
@pytest.mark.parametrize("shuffled", [True, False])
def test_staggered_starts_count_their_draws(windows, shuffled):
    design = StaggeredStarts(windows, shuffled, "random")
    draws = brute_starts(windows, shuffled)
    assert design.n_assignments == len(draws)
    assert design.smallest_p == min(draws.count(starts) for starts in draws) / len(draws)
    assert all(design.permits_starts(starts) for starts in draws)
    assert not design.permits_starts((2,) * len(windows))


@pytest.mark.parametrize("shuffled", [True, False])
def test_staggered_starts_are_drawn_evenly(shuffled):
    design = StaggeredStarts(((3, 4), (5, 6), (7, 8, 9)), shuffled, "random")
    drawn = design.draw_starts(500 * design.n_assignments, np.random.default_rng(2))
    found, counts = np.unique(drawn, axis=0, return_counts=True)
    assert len(found) == design.n_assignments
    assert np.abs(counts - 500).max() < 6 * math.sqrt(500)


def test_published_numbers_of_assignments():
    fixed = StaggeredStarts(((5,), (8,), (11,), (14,)), True, "random")
    windows = StaggeredStarts(((5, 6), (8, 9, 10)), False, "random")
    both = StaggeredStarts(((5, 6), (8, 9, 10)), True, "random")
    assert (fixed.n_assignments, windows.n_assignments, both.n_assignments) == (24, 6, 12)


@pytest.mark.parametrize(
    ("build", "message"),
    [
        (lambda: StaggeredStarts(((5,),), True, "random"), "windows must be at least two"),
        (lambda: StaggeredStarts(((5,), ()), True, "random"), "windows must be at least two, none of them"),
        (lambda: StaggeredStarts(((5,), (1, 2)), True, "random"), "windows must hold different occasion"),
        (lambda: StaggeredStarts(((5,), (6, 6)), True, "random"), "windows must hold different occasion"),
        (lambda: StaggeredStarts(((5,), (6,)), "yes", "random"), "shuffled must be one of True, False"),
    ],
)
def test_wrong_windows_are_refused_by_name(build, message):
    with pytest.raises(ValueError, match=message):
        build()
