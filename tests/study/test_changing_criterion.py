"""Changing-criterion schedules and their test against enumeration by hand."""

from itertools import combinations

import numpy as np
import pytest
from rungwise.basis.errors import NotEnoughData
from rungwise.study.changing_criterion import ChangingCriterion, criterion_test


def every_schedule(n, phases, minimum):
    found = []
    for cuts in combinations(range(1, n), phases - 1):
        edges = [0, *cuts, n]
        lengths = np.diff(edges)
        if lengths.min() >= minimum:
            found.append(np.repeat(np.arange(phases), lengths).tolist())
    return found


@pytest.mark.parametrize(
    ("n", "criteria", "minimum"), [(12, (6, 4, 2), 2), (15, (5, 3), 4), (10, (6, 4, 2), 1)]
)
def test_the_schedules_are_all_there_are(n, criteria, minimum):
    design = ChangingCriterion(n, criteria, minimum, "random")
    slow = every_schedule(n, len(criteria) + 1, minimum)
    assert sorted(design.schedules().tolist()) == sorted(slow)
    assert design.n_assignments == len(slow)
    assert {row.index(1) + 1 for row in slow} == set(design.start_range)


def test_p_is_the_share_of_schedules_the_ratings_follow_as_closely():
    design = ChangingCriterion(14, (6, 4, 2), 3, "random")
    rng = np.random.default_rng(4)
    level = np.array([8, 6, 4, 2])
    for _ in range(20):
        drawn = design.draw(1, rng)[0]
        ratings = np.clip(level[drawn] + rng.integers(-1, 2, 14), 0, 10).astype(float)
        test = criterion_test(ratings, drawn, design=design)
        slow = every_schedule(14, 4, 3)
        late = [i for i in range(14) if all(row[i] > 0 for row in slow)]
        distance = [np.mean([abs(ratings[i] - level[row[i]]) for i in late]) for row in slow]
        own = np.mean([abs(ratings[i] - level[drawn[i]]) for i in late])
        assert test.value == pytest.approx(own)
        assert test.p_value == pytest.approx(np.mean(np.array(distance) <= own + 1e-9))
        assert test.n == len(late)


def test_p_is_right_under_no_effect():
    design = ChangingCriterion(14, (6, 4, 2), 3, "random")
    ratings = np.array([9, 8, 8, 7, 7, 6, 6, 5, 4, 4, 3, 3, 2, 2], dtype=float)
    p = [criterion_test(ratings, drawn, design=design).p_value for drawn in design.schedules()]
    for level in (0.05, 0.1, 0.25, 0.5):
        assert np.mean(np.array(p) <= level) <= level


def test_draws_reach_every_schedule_equally():
    design = ChangingCriterion(12, (6, 4, 2), 2, "random")
    _, counts = np.unique(design.draw(20_000, np.random.default_rng(1)), axis=0, return_counts=True)
    assert len(counts) == 35
    assert np.abs(counts / 20_000 - 1 / 35).max() < 0.006


def test_what_cannot_be_is_refused():
    design = ChangingCriterion(12, (6, 4, 2), 2, "random")
    with pytest.raises(ValueError, match="criteria must all differ"):
        ChangingCriterion(12, (6, 6), 2, "random")
    with pytest.raises(ValueError, match="two numbers or more"):
        ChangingCriterion(12, (6,), 2, "random")
    with pytest.raises(ValueError, match="does not"):
        criterion_test(np.ones(12), [0] + [1] * 11, design=design)
    with pytest.raises(ValueError, match="were not"):
        criterion_test(np.ones(12), np.zeros(12), design=ChangingCriterion(12, (6, 4), 2, "clinical"))
    drawn = design.schedules()[0]
    with pytest.raises(NotEnoughData, match="at least two criteria"):
        criterion_test(np.full(12, np.nan), drawn, design=design)
