"""Minima: the lowest of several, off a saddle, certified only where one is, and exact differences."""

import numpy as np
import pytest
from rungwise.models import certified_minimum
from rungwise.models.certified_minimum import derivatives, minimum, starts
from rungwise.models.two_level import fit_two_level

AXIS = np.linspace(-3.0, 3.0, 7)
GRID = np.stack(np.meshgrid(AXIS, AXIS, indexing="ij"), axis=-1)


def bowl(x):
    """A quadratic with its minimum of 5 at (1, -2)."""
    a, b = x[:, 0] - 1, x[:, 1] + 2
    return 3 * a**2 + 2 * a * b + b**2 + 5


def wells(x):
    """Two valleys along the first parameter, the lower one near 2."""
    return (x[:, 0] ** 2 - 4) ** 2 - x[:, 0] + x[:, 1] ** 2


def test_differences_of_a_quadratic_are_exact():
    x = np.array([[0.0, 0.0], [2.5, -7.0]])
    slope, bend = derivatives(bowl, x)
    a, b = x[:, 0] - 1, x[:, 1] + 2
    assert slope == pytest.approx(np.column_stack([6 * a + 2 * b, 2 * a + 2 * b]), abs=1e-6)
    assert bend == pytest.approx(np.tile([[6.0, 2.0], [2.0, 2.0]], (2, 1, 1)), abs=1e-4)


def test_the_bottom_of_a_bowl_is_found_and_certified():
    point, certified, agreeing = minimum(bowl, GRID)
    assert point == pytest.approx([1, -2], abs=1e-6)
    assert certified
    assert agreeing >= 1


def test_each_valley_has_a_start_and_the_lower_one_wins():
    assert set(np.sign(starts(wells, GRID)[:, 0])) == {-1, 1}
    point, certified, agreeing = minimum(wells, GRID)
    assert point[0] == pytest.approx(2.03, abs=0.01)
    assert certified
    assert agreeing == 1


def test_what_falls_for_ever_is_not_certified():
    assert not minimum(lambda x: -x[:, 0] + x[:, 1] ** 2, GRID)[1]


def test_a_saddle_does_not_hold_the_climb(monkeypatch):
    monkeypatch.setattr(certified_minimum, "starts", lambda criterion, grid: np.zeros((1, 2)))
    point, certified, _ = minimum(lambda x: (x[:, 0] ** 2 - 4) ** 2 + x[:, 1] ** 2, GRID)
    assert np.abs(point) == pytest.approx([2, 0], abs=1e-6)
    assert certified


def test_a_variance_of_zero_does_not_hold_a_two_level_fit(monkeypatch):
    rng = np.random.default_rng(9)
    code = np.repeat(np.arange(6), 20)
    y, x = 7 + rng.normal(size=6)[code] + rng.normal(size=120), np.ones((120, 1))
    fit = fit_two_level(y, x, code)
    # There the slope is 0 by symmetry, but here the criterion bends down from it.
    monkeypatch.setattr(certified_minimum, "starts", lambda criterion, grid: np.zeros((1, 1)))
    again = fit_two_level(y, x, code)
    assert fit.random_covariance[0, 0] > 0.1
    assert again.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-6)
