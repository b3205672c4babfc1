"""What might have been drawn: counted against brute force, and drawn evenly."""

import math
from itertools import product

import numpy as np
import pytest
from rungwise.single_case.designs import (
    Alternating,
    PermittedAssignments,
    RandomChanges,
    RandomStart,
    first_exposure,
    run_lengths,
)


def brute(n, keep):
    return {mask for mask in product((False, True), repeat=n) if keep(np.array(mask))}


def rows(masks):
    return {tuple(row) for row in masks.tolist()}


@pytest.mark.parametrize("longest", [None, 1, 2, 3])
@pytest.mark.parametrize(("n", "exposure"), [(6, None), (8, 4), (7, 3), (9, 2)])
def test_alternating_lists_what_brute_force_finds(n, exposure, longest):
    k = n // 2 if exposure is None else exposure
    expected = brute(n, lambda m: m.sum() == k and max(run_lengths(m)) <= (longest or n))
    if not expected:
        with pytest.raises(ValueError, match="longest_run must leave an assignment possible"):
            Alternating(n, "random", exposure, longest)
        return
    design = Alternating(n, "random", exposure, longest)
    listed = design.masks(n)
    assert len(listed) == len(rows(listed)) == design.n_assignments == len(expected)
    assert rows(listed) == expected
    assert all(design.permits(np.array(mask)) for mask in expected)
    assert not design.permits(np.array([True] * k + [False] * (n - k + 1)))


@pytest.mark.parametrize(("n", "phases", "minimum"), [(8, 2, 2), (10, 3, 2), (12, 4, 2), (9, 4, 1)])
def test_random_changes_list_what_brute_force_finds(n, phases, minimum):
    expected = brute(
        n, lambda m: not m[0] and len(run_lengths(m)) == phases and min(run_lengths(m)) >= minimum
    )
    design = RandomChanges(n, phases, minimum, "random")
    listed = design.masks(n)
    assert len(listed) == design.n_assignments
    assert rows(listed) == expected
    assert all(design.permits(np.array(mask)) for mask in expected)


def test_random_start_lists_its_window():
    design = RandomStart(3, 5, "random")
    assert rows(design.masks(6)) == {
        (False, False, True, True, True, True),
        (False, False, False, True, True, True),
        (False, False, False, False, True, True),
    }
    assert design.permits(np.array([False, False, True, True]))
    assert not design.permits(np.array([False, True, True, True]))
    assert not design.permits(np.array([False, False, True, False]))
    assert RandomStart.with_minima(20, 5, 4, "random") == RandomStart(6, 17, "random")


@pytest.mark.parametrize(
    "design",
    [
        Alternating(8, "random", longest_run=2),
        Alternating(6, "random"),
        RandomChanges(10, 3, 2, "random"),
        RandomStart(3, 7, "random"),
    ],
)
def test_drawing_is_even_and_repeatable(design):
    n, each = 10, 400
    n = getattr(design, "n", n)
    size = each * design.n_assignments
    drawn = design.draw(n, size, np.random.default_rng(4))
    found, counts = np.unique(drawn, axis=0, return_counts=True)
    assert rows(found) == rows(design.masks(n))
    chi_square = np.sum((counts - each) ** 2 / each)
    free = design.n_assignments - 1
    assert chi_square < free + 5 * math.sqrt(2 * free)
    assert np.array_equal(drawn, design.draw(n, size, np.random.default_rng(4)))


def test_a_list_is_taken_as_given():
    design = PermittedAssignments([[0, 1, 1], [0, 1, 1], [0, 0, 1]], "random")
    assert design.n_assignments == 3
    assert design.smallest_p == pytest.approx(1 / 3)
    assert design.permits(np.array([False, False, True]))
    assert not design.permits(np.array([True, False, True]))


def test_first_exposure_of_anything_but_one_final_run_is_zero():
    assert first_exposure(np.array([False, True, True])) == 2
    for mask in ([False, False], [True, True], [True, False], [False, True, False]):
        assert first_exposure(np.array(mask)) == 0


@pytest.mark.parametrize(
    ("build", "message"),
    [
        (lambda: RandomStart(3, 5, "blind"), "assignment must be one of 'random', 'clinical'; got 'blind'"),
        (lambda: RandomStart(1, 5, "random"), "earliest must be a whole number of 2 or more; got 1"),
        (lambda: RandomStart(6, 5, "random"), "latest must be a whole number of 6 or more; got 5"),
        (lambda: RandomStart(3.5, 5, "random"), "earliest must be a whole number of 2 or more; got 3.5"),
        (
            lambda: RandomStart(3, 9, "random").masks(8),
            r"latest must be at most the number of occasions \(8\)",
        ),
        (lambda: Alternating(7, "random"), "exposure must be given when n is odd; got n=7"),
        (
            lambda: Alternating(8, "random", exposure=8),
            "exposure must be a whole number from 1 to 7; got 8",
        ),
        (
            lambda: Alternating(8, "random").masks(9),
            r"n must be the number of occasions of the series \(9\)",
        ),
        (lambda: RandomChanges(10, 4, 3, "random"), "n must be a whole number of 12 or more; got 10"),
        (lambda: RandomChanges(12, 4, 3, "random").masks(11), "n must be the number of occasions"),
        (lambda: PermittedAssignments([0, 1], "random"), "assignments must be a table with a row"),
        (lambda: PermittedAssignments([[0, 2]], "random"), "assignments must hold only 0 and 1"),
        (lambda: PermittedAssignments([[0, 1]], "random").masks(3), "assignments must have one entry per"),
    ],
)
def test_wrong_designs_are_refused_by_name(build, message):
    with pytest.raises(ValueError, match=message):
        build()
